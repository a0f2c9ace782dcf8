"""Bounce test: the bike pushed down by hand on its wheels. Do both ends go down and come up together?"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance.balance import Ratio
from telemetry.balance.freemodes import FreeMode, fit_free_modes
from telemetry.balance.pushes import AFTER_S, EndPush, Push, find_pushes, rest_mm
from telemetry.balance.ratios import half_width
from telemetry.motion import Motion

# Choices of ours; no source.
FEWEST_PUSHES = 3
EVEN_WITHIN = 0.15
PICTURE_HZ = 50.0
CAUTION = (
    "Push with the bike upright on level ground, someone steadying it, nobody on it, fingers clear of the mudguard and "
    "the chain. It shows low-speed damping, spring and friction only: it says nothing of how the ends answer at speed. "
    "Keep inside the makers' limits and change one thing at a time."
)

Verdict = Literal["together", "rear slower", "rear faster", "cannot tell"]


@dataclass(frozen=True)
class BounceDirection:
    """One direction: speed per depth of the rear over the front, how much later the rear is, what follows."""

    ratio: Ratio
    rear_later_ms: float | None
    rear_later_ci95_ms: tuple[float, float] | None
    verdict: Verdict


@dataclass(frozen=True)
class BouncePicture:
    """Average push of both ends, each by its own depth: -1 is full depth. From the push's deepest point on. [s]"""

    t_s: tuple[float, ...]
    front: tuple[float, ...]
    rear: tuple[float, ...]


@dataclass(frozen=True)
class BounceTest:
    """A bounce test: pushes, medians of both ends, the free modes, and the verdict."""

    source: str
    bike: str
    pushes: tuple[Push, ...]
    ends: Mapping[End, EndPush]
    down: BounceDirection
    up: BounceDirection
    modes: tuple[FreeMode, ...]
    picture: BouncePicture | None
    sentences: tuple[str, ...]
    reason: str = ""
    caution: str = CAUTION
    schema: str = "bothends.bounce/1"


def bounce_test(motion: Motion, bike_name: str) -> BounceTest:
    """Read a log of a bike pushed by hand.

    Parameters
    ----------
    motion : Motion
        Of the log, standing still.

    Returns
    -------
    BounceTest
        With a reason where there is nothing to compare.
    """
    nothing = BounceDirection(Ratio(None), None, None, "cannot tell")

    def untold(reason: str, pushes: tuple[Push, ...] = ()) -> BounceTest:
        return BounceTest(
            motion.source,
            bike_name,
            pushes,
            {},
            nothing,
            nothing,
            (),
            None,
            (f"Cannot tell: {reason}.",),
            reason,
        )

    missing = [end for end in ENDS if end not in motion.ends]
    if missing:
        return untold(
            f"the {missing[0]} was not judged. {motion.not_judged.get(missing[0], '')}".rstrip(" .")
        )
    rest = {end: rest_mm(motion, end) for end in ENDS}
    if any(not np.isfinite(value) for value in rest.values()):
        return untold("the bike is never at rest in this log; wait two seconds before the first push")
    pushes = find_pushes(motion, rest)
    good = [push for push in pushes if not push.bad]
    if len(good) < FEWEST_PUSHES:
        bad = ", ".join(sorted({push.bad for push in pushes if push.bad}))
        return untold(
            f"{len(good)} usable pushes, {FEWEST_PUSHES} needed" + (f" (others: {bad})" if bad else ""),
            pushes,
        )
    down = _direction(good, "down")
    up = _direction(good, "up")
    courses = [_course(motion, rest, push) for push in good]
    modes = fit_free_modes([c for c in courses if c is not None], motion.sample_rate_hz)
    return BounceTest(
        motion.source, bike_name, pushes, {end: _typical(good, end) for end in ENDS}, down, up, modes,
        _picture(motion, rest, good), tuple(_sentences(good, down, up)),
    )  # fmt: skip


def bounce_to_json(test: BounceTest) -> str:
    """The bounce test as indented JSON text, schema ``bothends.bounce/1``; what is not known is null."""
    from pydantic import TypeAdapter

    return TypeAdapter(BounceTest).dump_json(test, indent=1).decode()


def _direction(pushes: list[Push], side: Literal["down", "up"]) -> BounceDirection:
    """Speeds by depth compared, since a push seldom presses both ends alike."""
    f, r = (
        np.array([getattr(push.ends[end], f"{side}_mm_s") / push.ends[end].depth_mm for push in pushes])
        for end in ENDS
    )
    logs, n = np.log(r / f), len(pushes)
    half = half_width(float(logs.std(ddof=1) / np.sqrt(n)), n)
    middle = float(logs.mean())
    ratio = Ratio(float(np.exp(middle)), (float(np.exp(middle - half)), float(np.exp(middle + half))))
    when = {
        end: np.array(
            [p.ends[end].deepest_s if side == "down" else p.ends[end].time_up_s for p in pushes], dtype=float
        )
        for end in ENDS
    }
    late = 1e3 * (when["rear"] - when["front"])
    half_late = half_width(float(late.std(ddof=1) / np.sqrt(n)), n)
    return BounceDirection(
        ratio,
        float(late.mean()),
        (float(late.mean() - half_late), float(late.mean() + half_late)),
        _verdict(ratio),
    )


def _verdict(ratio: Ratio) -> Verdict:
    assert ratio.value is not None and ratio.ci95 is not None
    low, high = ratio.ci95
    if low >= 1 - EVEN_WITHIN and high <= 1 + EVEN_WITHIN:
        return "together"
    if low <= 1 <= high:
        return "cannot tell"
    return "rear faster" if ratio.value > 1 else "rear slower"


def _typical(pushes: list[Push], end: End) -> EndPush:
    def median(name: str) -> float | None:
        values = [value for push in pushes if (value := getattr(push.ends[end], name)) is not None]
        return float(np.median(values)) if values else None

    names = EndPush.__dataclass_fields__
    return EndPush(**{name: median(name) for name in names})  # type: ignore[arg-type]


def _course(motion: Motion, rest: Mapping[End, float], push: Push) -> FloatArray | None:
    """Both ends from when the hands are gone (both are past their fastest rebound) on; shape (2, n)."""
    rate = motion.sample_rate_hz
    first = max(round(push.ends[end].deepest_s * rate) for end in ENDS)
    gone = 0
    for end in ENDS:
        speed = motion.ends[end].wheel_speed_mm_s[first : first + round(0.6 * rate)]
        gone = max(gone, int(np.nanargmin(speed)) if np.isfinite(speed).any() else 0)
    stop = first + round(0.75 * AFTER_S * rate)
    course = np.array([motion.ends[end].wheel_travel_mm[first + gone : stop] - rest[end] for end in ENDS])
    return course if course.shape[1] > 0.5 * rate and np.isfinite(course).all() else None


def _picture(motion: Motion, rest: Mapping[End, float], pushes: list[Push]) -> BouncePicture:
    lags = np.arange(-0.6, 1.6, 1.0 / PICTURE_HZ)
    mean: dict[End, FloatArray] = {}
    for end in ENDS:
        cut = [
            np.interp(
                0.5 * sum(push.ends[e].deepest_s for e in ENDS) + lags, motion.t_s,
                (motion.ends[end].wheel_travel_mm - rest[end]) / push.ends[end].depth_mm,
            )
            for push in pushes
        ]  # fmt: skip
        mean[end] = np.nan_to_num(np.mean(cut, axis=0))
    rounded = (tuple(np.round(values, 4).tolist()) for values in (lags, mean["front"], mean["rear"]))
    return BouncePicture(*rounded)


def _sentences(pushes: list[Push], down: BounceDirection, up: BounceDirection) -> list[str]:
    verbs = {"down": ("go down", "goes down"), "up": ("come up", "comes up")}
    found = []
    for side, result in (("down", down), ("up", up)):
        low, high = result.ratio.ci95 or (np.nan, np.nan)
        interval = f"(95 % {100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} %, {len(pushes)} pushes)"
        many, one = verbs[side]
        if result.verdict == "together":
            found.append(f"Both ends {many} together {interval}.")
        elif result.verdict == "cannot tell":
            found.append(f"No clear difference in how they {many} {interval}; push more often, more evenly.")
        else:
            word = "faster" if result.verdict == "rear faster" else "slower"
            found.append(
                f"The rear {one} {abs(100 * ((result.ratio.value or 1.0) - 1)):.0f} % {word} than the front for its "
                f"depth {interval}."
            )
    return found
