"""Bounce test: the bike pushed down by hand on its wheels. Do both ends go down and come up together?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray, IntArray
from telemetry.balance.balance import Ratio, half_width
from telemetry.balance.bumps import peaks_above
from telemetry.motion import Motion
from telemetry.signals import Mode, damping_from_log_decrement, free_decay, log_decrement

# Choices of ours; no source.
LEAST_PUSH_MM = 8.0  # mean of both ends
PUSH_SHARE = 0.3  # of the deepest push
APART_S = 0.6
BEGUN_SHARE = 0.15  # of its depth: where a push begins
AFTER_S = 2.0
BACK_SHARE = 0.10  # of its depth: back at rest
SWING_SHARE = 0.05  # of its depth: still swinging above this
ONE_END_SHARE = 0.4  # of the depth of the other: less was not pushed
HELD_MM, HELD_SHARE = 3.0, 0.2
QUIET_MM_S, QUIET_S = 15.0, 0.4


@dataclass(frozen=True)
class EndPush:
    """One end in one push, at the wheel; speeds are magnitudes. [mm, mm/s, s]

    ``depth_mm`` is from rest; ``time_up_s`` until a tenth of the depth is left, None if it never is;
    ``overshoot_share`` of the depth; ``cycles`` until less than a twentieth is left; ``damping_ratio`` by the
    logarithmic decrement over the first half cycle, None without an overshoot.
    """

    depth_mm: float
    down_mm_s: float
    up_mm_s: float
    deepest_s: float
    time_up_s: float | None
    overshoot_share: float
    cycles: float
    damping_ratio: float | None


@dataclass(frozen=True)
class Push:
    """One push; ``bad`` says why it is not used, "" when it is."""

    start_s: float
    ends: Mapping[End, EndPush]
    bad: str


def rest_mm(motion: Motion, end: End) -> float:
    """Wheel travel at rest: median over stretches of `QUIET_S` that are quiet throughout, NaN if there is none. [mm]"""
    own, width = motion.ends[end], max(1, round(QUIET_S * motion.sample_rate_hz))
    moving = ~own.valid | ~(np.abs(own.wheel_speed_mm_s) < QUIET_MM_S)
    quiet = np.convolve(moving, np.ones(width), mode="same") < 0.5
    return float(np.median(own.wheel_travel_mm[quiet])) if quiet.any() else float("nan")


def find_pushes(motion: Motion, rest: Mapping[End, float]) -> tuple[Push, ...]:
    """All pushes in a log of a bike pushed by hand, bad ones named; ``rest`` is wheel travel at rest by end. [mm]"""
    tops = _tops(motion, rest)
    return tuple(_push(motion, rest, int(top), tops) for top in tops)


def _mean_travel(motion: Motion, rest: Mapping[End, float]) -> FloatArray:
    """Mean of both ends below where they rest. [mm]"""
    front, rear = (motion.ends[end].wheel_travel_mm - rest[end] for end in ENDS)
    return np.asarray(0.5 * (front + rear))


def _tops(motion: Motion, rest: Mapping[End, float]) -> IntArray:
    """Samples at which the mean of both ends is deepest, one a push."""
    both = _mean_travel(motion, rest)
    width = max(1, round(0.02 * motion.sample_rate_hz))
    smooth = np.convolve(np.nan_to_num(both), np.full(width, 1 / width), mode="same")
    high = max(LEAST_PUSH_MM, PUSH_SHARE * float(smooth.max(initial=0.0)))
    return peaks_above(smooth, high, round(APART_S * motion.sample_rate_hz))


def _push(motion: Motion, rest: Mapping[End, float], top: int, tops: IntArray) -> Push:
    rate = motion.sample_rate_hz
    both = _mean_travel(motion, rest)
    up_to_here = both[max(0, top - round(2.0 * rate)) : top]
    below = np.flatnonzero(~(up_to_here > BEGUN_SHARE * both[top]))
    start = top - len(up_to_here) + (int(below[-1]) + 1 if len(below) else 0)
    later = tops[tops > top]
    stop = min(
        len(both), top + round(AFTER_S * rate), int(later[0]) - round(0.2 * rate) if len(later) else len(both)
    )
    ends = {end: _end_push(motion, end, rest[end], start, top, stop) for end in ENDS}
    return Push(start / rate, ends, _fault(motion, rest, ends, stop))


def _end_push(motion: Motion, end: End, rest: float, start: int, top: int, stop: int) -> EndPush:
    rate, own = motion.sample_rate_hz, motion.ends[end]
    travel, speed = own.wheel_travel_mm - rest, own.wheel_speed_mm_s
    near = slice(max(start, 0), min(stop, top + round(0.3 * rate)))
    deepest = near.start + int(np.nanargmax(travel[near])) if np.isfinite(travel[near]).any() else top
    depth = float(travel[deepest])
    after = travel[deepest:stop]
    back = np.flatnonzero(after <= BACK_SHARE * depth)
    above = np.flatnonzero(after <= 0)
    over = max(0.0, -float(np.nanmin(after[above[0] :]))) if len(above) else 0.0
    turns = np.flatnonzero(np.diff(np.sign(np.diff(after))) != 0) + 1
    swinging = turns[np.abs(after[turns]) > SWING_SHARE * depth]
    swings = 0 if not len(swinging) else 1 + int(np.count_nonzero(np.diff(np.sign(after[swinging])) != 0))
    ratio = None
    if depth > 0 and over > max(SWING_SHARE * depth, 0.3):
        ratio = damping_from_log_decrement(log_decrement(depth, over, 0.5))
    return EndPush(
        depth_mm=depth,
        down_mm_s=float(np.nanmax(speed[near], initial=0.0)),
        up_mm_s=float(-np.nanmin(speed[deepest:stop], initial=0.0)),
        deepest_s=deepest / rate,
        time_up_s=float(back[0] / rate) if len(back) else None,
        overshoot_share=over / depth if depth > 0 else 0.0,
        cycles=0.5 * swings,
        damping_ratio=ratio,
    )


def _fault(motion: Motion, rest: Mapping[End, float], ends: Mapping[End, EndPush], stop: int) -> str:
    """Why a push cannot be used, "" when it can."""
    depths = {end: push.depth_mm for end, push in ends.items()}
    low, high = min(depths, key=lambda e: depths[e]), max(depths, key=lambda e: depths[e])
    if depths[low] < ONE_END_SHARE * depths[high]:
        return f"only the {high} was pushed"
    width = max(1, round(0.25 * motion.sample_rate_hz))
    for end in ENDS:
        last = motion.ends[end].wheel_travel_mm[max(0, stop - width) : stop] - rest[end]
        if np.isfinite(last).any() and np.nanmedian(last) > max(HELD_MM, HELD_SHARE * depths[end]):
            return f"the {end} did not come back: hands or feet were still on the bike"
    if any(push.time_up_s is None for push in ends.values()):
        return "the bike did not come back before the next push"
    return ""


# From where the search starts [Hz]; body modes of motorcycles lie between (`telemetry.bike.springs`).
STARTS = ((1.6, 3.0), (2.2, 4.0), (1.5, 2.2), (3.0, 5.0))
BOUNDS_HZ = (0.7, 9.0)
WORK_HZ = 100.0
MOST_STEPS = 60
LEAST_SHARE = 0.005  # of the motion; a weaker mode is not told


@dataclass(frozen=True)
class FreeMode:
    """One mode of the body on its springs; ``share`` is of the energy of all decays.

    ``rear_over_front`` is the ratio of travel amplitudes, negative when the ends move against each other.
    """

    frequency_hz: float
    damping_ratio: float
    rear_over_front: float
    share: float


def fit_free_modes(decays: Sequence[FloatArray], sample_rate_hz: float) -> tuple[FreeMode, ...]:
    """Two modes that all decays share, by rising frequency; a mode with hardly any of the motion is left out.

    ``decays`` are arrays of shape (2, n_samples), front and rear about rest, from release on; lengths may differ.
    Amplitudes and phases are linear for each end and decay: variable projection (G. H. Golub, V. Pereyra, SIAM J.
    Numer. Anal. 10(2), 413-432, 1973, doi:10.1137/0710036).
    """
    if not decays:
        return ()
    from scipy.optimize import least_squares

    step = max(1, round(sample_rate_hz / WORK_HZ))
    shorts = [d[:, : d.shape[1] // step * step].reshape(2, -1, step).mean(axis=2) for d in decays]
    clocks = [np.arange(d.shape[1]) * step / sample_rate_hz for d in shorts]

    def modes(parameters: FloatArray) -> tuple[Mode, ...]:
        return tuple(Mode(float(f), float(z)) for f, z in parameters.reshape(-1, 2))

    def residual(parameters: FloatArray) -> FloatArray:
        parts = []
        for values, t_s in zip(shorts, clocks, strict=True):
            base = np.column_stack([free_decay(modes(parameters), t_s), np.ones(len(t_s))])
            parts.append((values.T - base @ np.linalg.lstsq(base, values.T, rcond=None)[0]).ravel())
        return np.concatenate(parts)

    best = None
    for low, high in STARTS:
        for zeta in (0.2, 0.5):
            found = least_squares(
                residual,
                [low, zeta, high, zeta],
                bounds=([BOUNDS_HZ[0], 0.005] * 2, [BOUNDS_HZ[1], 0.97] * 2),
            )
            if best is None or found.cost < best.cost:
                best = found
    assert best is not None
    return _told(modes(best.x), shorts, clocks)


def _told(
    modes: tuple[Mode, ...], decays: Sequence[FloatArray], clocks: Sequence[FloatArray]
) -> tuple[FreeMode, ...]:
    energy, shape = np.zeros(len(modes)), np.zeros((len(modes), 2), dtype=complex)
    for values, t_s in zip(decays, clocks, strict=True):
        base = np.column_stack([free_decay(modes, t_s), np.ones(len(t_s))])
        amplitudes = np.linalg.lstsq(base, values.T, rcond=None)[0]
        for k in range(len(modes)):
            own = amplitudes[2 * k : 2 * k + 2]
            energy[k] += float(np.sum((base[:, 2 * k : 2 * k + 2] @ own) ** 2))
            turned = own[0] - 1j * own[1]
            largest = turned[np.argmax(np.abs(turned))]
            shape[k] += turned * np.conj(largest)
    found = [
        FreeMode(
            mode.frequency_hz, mode.damping_ratio,
            float(np.clip(np.real(s[1] / s[0]) if s[0] else np.inf, -99.0, 99.0)), float(e / energy.sum()),
        )
        for mode, s, e in zip(modes, shape, energy, strict=True) if e >= LEAST_SHARE * energy.sum()
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda mode: mode.frequency_hz))


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
