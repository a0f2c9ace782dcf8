"""Is the damping back, by hand: one end in two bounce tests, before and after a service."""

from dataclasses import dataclass

import numpy as np
from pydantic import TypeAdapter

from telemetry.arrays import End, FloatArray
from telemetry.balance.bounce import BounceTest
from telemetry.setup.damper import SAFETY, SAME_WITHIN, DamperVerdict, log_ratio_interval, verdict_of

# Fewer pushes say nothing about their scatter. Common practice, no source.
LEAST_PUSHES = 3
# The ratio of one damper differs from test to test by this, in ln: a choice of ours, a little above the 0.07 by which
# simulated tests of one bike differ that were pushed elsewhere and less deep. Twelve clicks at the other end moved it
# by 15 to 20 %.
TEST_SD = 0.09
DAMPED_MOST = 4.0
CAUTION = (
    "By hand only low-speed damping, spring and friction are felt: what a damper does at speed is told by two outings. "
    "Push both times with the same preload, tyre pressures, load and clicks at the other end, which are in the reading "
    "as well. " + SAFETY
)


@dataclass(frozen=True)
class BounceRow:
    """One measure of the return after a push, before and after; ``ratio`` is after over before, with 95 % interval.

    ``unit`` is "" for the damping ratio, 1/s for the speed by depth.
    """

    what: str
    unit: str
    pushes_before: int
    pushes_after: int
    before: float | None
    after: float | None
    ratio: float | None
    ci95: tuple[float, float] | None
    verdict: DamperVerdict


@dataclass(frozen=True)
class BounceComparison:
    """Whether an end returns as damped as before, in sentences and rows."""

    end: End
    before: str
    after: str
    rows: tuple[BounceRow, ...]
    verdict: DamperVerdict
    sentences: tuple[str, ...]
    caution: str = CAUTION
    schema: str = "bothends.damper-bounce/1"


def compare_bounce(before: BounceTest, after: BounceTest, end: End) -> BounceComparison:
    """Compare one end of one motorcycle in two bounce tests.

    Parameters
    ----------
    end : {"front", "rear"}

    Returns
    -------
    BounceComparison
        The damping ratio decides; where no push of either test swings past, only the speeds are told.
    """
    tests = before, after
    speeds = tuple(_speed_by_depth(test, end) for test in tests)
    omega = _natural_rad_s(tests, end)
    ratios = tuple(
        np.array([]) if omega is None else damping_ratio_of_return(speed / omega) for speed in speeds
    )
    rows = (
        _row("damping ratio of the return", "", ratios[0], ratios[1]),
        _row("return speed by depth", "1/s", speeds[0], speeds[1]),
    )
    said = _sentences(tests, end, rows, omega)
    return BounceComparison(end, before.source, after.source, rows, rows[0].verdict, said)


def bounce_comparison_to_json(comparison: BounceComparison) -> str:
    """The comparison as indented JSON text; numbers that are not known are null."""
    return TypeAdapter(BounceComparison).dump_json(comparison, indent=1).decode()


def return_speed(damping_ratio: FloatArray) -> FloatArray:
    """Fastest return of a mass let go from rest, over its depth and natural angular frequency.

    Parameters
    ----------
    damping_ratio : ndarray
        Above 0.

    Returns
    -------
    ndarray
        exp(-z arccos(z) / sqrt(1 - z^2)) below 1, with arccosh above: the derivative of the free decay at its greatest.

    References
    ----------
    .. [1] S. S. Rao, Mechanical Vibrations, 5th ed., section 2.6 (free vibration with viscous damping).
    """
    z = np.asarray(damping_ratio, dtype=np.float64)
    apart = np.sqrt(np.abs(1.0 - z**2))
    angle = np.where(z < 1.0, np.arccos(np.minimum(z, 1.0)), np.arccosh(np.maximum(z, 1.0)))
    critical = apart < 1e-6
    return np.exp(-z * np.where(critical, 1.0, angle / np.where(critical, 1.0, apart)))


def damping_ratio_of_return(speed: FloatArray) -> FloatArray:
    """The inverse of `return_speed`, from nothing to `DAMPED_MOST`."""
    z = np.linspace(1e-3, DAMPED_MOST, 4000)
    return np.interp(-np.asarray(speed), -return_speed(z), z)


def _speed_by_depth(test: BounceTest, end: End) -> FloatArray:
    good = [push.ends[end] for push in test.pushes if not push.bad]
    return np.array([push.up_mm_s / push.depth_mm for push in good]) if not test.reason else np.array([])


def _natural_rad_s(tests: tuple[BounceTest, BounceTest], end: End) -> float | None:
    """Natural angular frequency by the pushes that swing past: the springs are those of both tests. [rad/s]"""
    found = [
        push.ends[end].up_mm_s / push.ends[end].depth_mm / float(return_speed(np.array(ratio)))
        for test in tests
        if not test.reason
        for push in test.pushes
        if not push.bad and (ratio := push.ends[end].damping_ratio) is not None
    ]
    return float(np.median(found)) if len(found) >= LEAST_PUSHES else None


def _row(what: str, unit: str, a: FloatArray, b: FloatArray) -> BounceRow:
    means = [float(np.exp(np.log(side).mean())) if len(side) else None for side in (a, b)]
    if min(len(a), len(b)) < LEAST_PUSHES:
        return BounceRow(what, unit, len(a), len(b), means[0], means[1], None, None, "cannot tell")
    middle, half = log_ratio_interval(np.log(a), np.log(b), between_sd=TEST_SD)
    interval = float(np.exp(middle - half)), float(np.exp(middle + half))
    # the return of a well damped end hardly slows with more damping, so speeds decide nothing
    found = verdict_of(interval) if not unit else "cannot tell"
    return BounceRow(what, unit, len(a), len(b), means[0], means[1], float(np.exp(middle)), interval, found)


def _sentences(
    tests: tuple[BounceTest, BounceTest], end: End, rows: tuple[BounceRow, ...], omega: float | None
) -> tuple[str, ...]:
    ratio = rows[0]
    if ratio.ratio is not None and ratio.ci95 is not None:
        words = {
            "better": "returns more damped than before",
            "worse": "returns less damped than before",
            "same": f"returns as damped as before, within {100 * (SAME_WITHIN - 1):.0f} %",
            "cannot tell": "may return as damped as before or not: it cannot be told",
        }[ratio.verdict]
        low, high = ratio.ci95
        return (
            f"Pushed by hand the {end} {words}: damping ratio {ratio.before:.2f} before and {ratio.after:.2f} after, "
            f"{ratio.ratio:.2f} times (95 % {low:.2f} to {high:.2f}).",
        )
    why = [
        f"{name}: {test.reason}" for name, test in zip(("before", "after"), tests, strict=True) if test.reason
    ]
    if not why and omega is None:
        why = ["in neither test did it swing past where it rests, so how strongly it is damped is not known"]
    return (
        f"Cannot tell whether the damping of the {end} is back: {'; '.join(why) or 'too few usable pushes'}.",
    )
