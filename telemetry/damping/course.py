"""What the damping ratio of a wheel hop does over the laps: whether it falls, and whether it comes back."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import expm1, log, log1p

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.damping.fade import T_975
from telemetry.damping.hop import DOUBTFUL_BELOW, LOST_BELOW, WheelHop
from telemetry.damping.oscillation import DamperCourse, DamperState, DampingTrend, LapDamping
from telemetry.damping.pole import Pole, stopped_by_bounds

LEAST_LAPS_FOR_TREND = 4
# A smaller fall over the outing is not worth a word, and part of it is what pace and fuel do. Choices of ours.
LEAST_FALL_PCT = 10.0
USUAL_DRIFT_PCT = 4.0
# Of sound outings so many may be called falling, both ends and every shape that is looked for together.
FALSE_CALLS = 1.0 / 150.0
ENDS_LOOKED_AT = 2
SHAPES = 2.0  # a line that falls, and all bends together
_LEVEL = FALSE_CALLS / ENDS_LOOKED_AT / SHAPES
# The scatter within a lap counts as so many laps beside what the laps themselves scatter about their line.
PRIOR_LAPS = 4
# Two laps of a sound damper differ by this at least: fuel, line and pace. [ln of the ratio; a choice of ours]
LEAST_SCATTER = 0.01
# Laps on each side of the turn of a damper that recovers, the turn among them.
LEAST_SIDE = 3
# With the masses not known a lost damper is called by this share of the usual ratio. A choice of ours.
SCALE_UNKNOWN = 2.0 / 3.0
# Through the chassis a damper that changes moves the other end's reading the other way, by up to 0.19 of its own change
# in simulation; by less than this share nothing is known to have changed there.
LEAK_SHARE = 0.25
_TOO_FEW = f"A course over the laps needs {LEAST_LAPS_FOR_TREND} complete laps at pace."


def damping_trend(fade: tuple[LapDamping, ...]) -> DampingTrend | None:
    """Change of the damping ratio per lap, from a straight line through its logarithm.

    Returns
    -------
    DampingTrend or None
        None with fewer than `LEAST_LAPS_FOR_TREND` laps.
    """
    known = [lap for lap in fade if lap.damping_ratio is not None]
    if len(known) < LEAST_LAPS_FOR_TREND:
        return None
    from scipy.stats import t as student

    lap = np.array([float(entry.lap) for entry in known])
    value = np.log([entry.damping_ratio for entry in known if entry.damping_ratio is not None])
    lap = lap - lap.mean()
    slope = float((lap * value).sum() / (lap**2).sum())
    left = value - value.mean() - slope * lap
    freedom = len(known) - 2
    sd = float(np.sqrt((left**2).sum() / freedom / (lap**2).sum()))
    half = float(student.ppf(0.975, freedom)) * sd
    low, middle, high = (100.0 * float(np.expm1(x)) for x in (slope - half, slope, slope + half))
    return DampingTrend(middle, (low, high))


@dataclass(frozen=True)
class Change:
    """A change that is larger than what a sound damper shows.

    Lap numbers of its start, turn and end; fall up to the turn and rise from there on, both of ln(ratio). The turn is
    the last lap where it only falls, the first where it only rises.
    """

    first: int
    turn: int
    last: int
    fall: float
    rise: float = 0.0


def find_change(laps: tuple[LapDamping, ...]) -> Change | None:
    """A fall as `find_fall` finds it, or a rise that is as sure and does not turn back."""
    fall = find_fall(laps)
    if fall is not None:
        return fall
    turned = tuple(lap if lap.damping_ratio is None else _inverse(lap, lap.damping_ratio) for lap in laps)
    rise = find_fall(turned)
    if rise is None or rise.rise:
        return None
    return Change(rise.first, rise.first, rise.last, 0.0, rise.fall)


def _inverse(lap: LapDamping, ratio: float) -> LapDamping:
    ci95 = None if lap.ci95 is None else (1.0 / lap.ci95[1], 1.0 / lap.ci95[0])
    return replace(lap, damping_ratio=1.0 / ratio, ci95=ci95)


def without_leaks(change: Mapping[End, Change | None]) -> dict[End, Change | None]:
    """The changes of both ends, without one that a larger change of the other end the other way accounts for."""
    told = dict(change)
    pairs: tuple[tuple[End, End], ...] = (("rear", "front"), ("front", "rear"))
    for end, other in pairs:
        here, there = change.get(end), change.get(other)
        if here is None or there is None or (here.fall and here.rise):
            continue
        total, beside = here.rise - here.fall, there.rise - there.fall
        if total * beside < 0 and abs(total) < LEAK_SHARE * abs(beside):
            told[end] = None
    return told


def find_fall(laps: tuple[LapDamping, ...]) -> Change | None:
    """A fall of the damping ratio that stays or that recovers, where the laps show one beyond chance and drift.

    ln(ratio) over the laps is fitted with a straight line, and with every line of one bend: a leak lets the damping go
    late, foam early, and what is worked less hard recovers. The change that each fit shows is tested one-sided
    against `USUAL_DRIFT_PCT`, at a level that `FALSE_CALLS` leaves for each (Bonferroni). The scatter about the fit is
    pooled with the scatter that the laps show inside, so that four laps that happen to lie on a line prove little.
    """
    found = _known_laps(laps)
    if found is None:
        return None
    x, value, within, number = found
    count, first, last = len(number), number[0], number[-1]
    line = _fit((x,), value, within, _LEVEL)
    falls = (
        [(line.residual, Change(first, last, last, -line.change(x[-1] - x[0])))]
        if line.falls(x[-1] - x[0])
        else []
    )
    recoveries = []
    turns = range(LEAST_SIDE - 1, count - LEAST_SIDE + 1)
    for turn in turns:
        bend = x - x[turn]
        fit = _fit((np.minimum(bend, 0.0), np.maximum(bend, 0.0)), value, within, _LEVEL / len(turns))
        before, after = x[turn] - x[0], x[-1] - x[turn]
        if fit.falls(before, 0.0) and fit.falls(0.0, -after):
            here = Change(first, number[turn], last, -fit.change(before, 0.0), fit.change(0.0, after))
            recoveries.append((fit.residual, here))
        elif fit.falls(before, after):
            falls.append((fit.residual, Change(first, last, last, -fit.change(before, after))))
    told = recoveries or falls
    return min(told, key=lambda pair: pair[0])[1] if told else None


def _known_laps(
    laps: tuple[LapDamping, ...],
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[int, ...]] | None:
    """Laps, ln(ratio), scatter and lap numbers where the ratio is known; None with too few."""
    known = [
        (lap.lap, log(lap.damping_ratio), _scatter(lap, lap.damping_ratio))
        for lap in laps
        if lap.damping_ratio is not None
    ]
    if len(known) < LEAST_LAPS_FOR_TREND:
        return None
    number, value, scatter = zip(*known, strict=True)
    return np.array(number, dtype=np.float64), np.array(value), np.array(scatter), number


def _scatter(lap: LapDamping, ratio: float) -> float:
    """Standard deviation of ln(ratio) from lap to lap; that of the lap itself where a stored review has no other."""
    if lap.scatter is not None:
        return max(lap.scatter, LEAST_SCATTER)
    return LEAST_SCATTER if lap.ci95 is None else max(log(lap.ci95[1] / ratio) / T_975, LEAST_SCATTER)


def least_fall_pct(laps: tuple[LapDamping, ...]) -> float | None:
    """The even fall over the laps that would have been found in 9 of 10 cases; None with too few laps. [%]"""
    from scipy.special import stdtrit

    found = _known_laps(laps)
    if found is None:
        return None
    x, value, within, _ = found
    fit = _fit((x,), value, within, _LEVEL)
    half = fit.half(float(x[-1] - x[0]))
    least = half * (1.0 + float(stdtrit(fit.freedom, 0.9)) / fit.t) - log1p(-USUAL_DRIFT_PCT / 100.0)
    return max(-100.0 * expm1(-least), LEAST_FALL_PCT)


@dataclass(frozen=True)
class _Fit:
    """Least squares: slopes, covariance, degrees of freedom, Student's t of the level, the sum of squares left."""

    slope: FloatArray
    covariance: FloatArray
    freedom: int
    t: float
    residual: float

    def change(self, *span: float) -> float:
        """Change over so many laps along each slope."""
        return float(np.array(span) @ self.slope)

    def falls(self, *span: float) -> bool:
        """Whether that change is surely a fall beyond drift, and worth a word."""
        change, half = self.change(*span), self.half(*span)
        return change + half < log1p(-USUAL_DRIFT_PCT / 100.0) and change < log1p(-LEAST_FALL_PCT / 100.0)

    def half(self, *span: float) -> float:
        """Half of the interval of that change, at the level asked for."""
        return self.t * float(np.sqrt(np.array(span) @ self.covariance @ np.array(span)))


def _fit(terms: tuple[FloatArray, ...], value: FloatArray, within: FloatArray, level: float) -> _Fit:
    from scipy.special import stdtrit

    table = np.stack([np.ones_like(value), *terms], axis=1)
    found, *_ = np.linalg.lstsq(table, value)
    residual = float(((value - table @ found) ** 2).sum())
    freedom = len(value) - table.shape[1] + PRIOR_LAPS
    variance = (residual + PRIOR_LAPS * float((within**2).mean())) / freedom
    covariance = variance * np.linalg.inv(table.T @ table)
    return _Fit(
        np.asarray(found[1:], dtype=np.float64),
        covariance[1:, 1:],
        freedom,
        float(stdtrit(freedom, 1.0 - level)),
        residual,
    )


def level_state(pole: Pole, ratio: float, hop: WheelHop) -> DamperState:
    """Whether a damping ratio over a whole outing is that of a sound damper, of a lost one, or of either.

    Without masses and tyre rate in the bike file the scale of the ratio is known less well, and a pole at the edge of
    the band was not found, but stopped there.

    Parameters
    ----------
    ratio : float
        As `pole_ratio` gives it.

    Returns
    -------
    {"worn all along", "doubtful", "sound"}
    """
    lost_below = LOST_BELOW * (1.0 if hop.from_bike else SCALE_UNKNOWN)
    if ratio <= lost_below and not any(stopped_by_bounds(pole, hop)):
        return "worn all along"
    return "doubtful" if ratio < DOUBTFUL_BELOW else "sound"


def damper_course(
    laps: tuple[LapDamping, ...],
    ratio: float,
    end: End,
    level: DamperState,
    *,
    knows_road: bool,
    change: Change | None,
) -> DamperCourse:
    """What the damping ratio of one end did over the outing, in a word and a sentence.

    Parameters
    ----------
    ratio : float
        Damping ratio over the outing as a whole.
    end : {"front", "rear"}
    level : {"worn all along", "doubtful", "sound"}
        From `level_state`.
    knows_road : bool
        Whether the ratio is free of what the road did; without it only its change can be judged.
    change : Change or None
        From `find_change`.
    """
    trend = damping_trend(laps)
    if change is not None:
        return DamperCourse(_change_state(change), _change_words(change, trend, end), laps, trend)
    if not knows_road:
        if trend is None:
            return DamperCourse("cannot tell", _TOO_FEW, laps, trend)
        return DamperCourse(
            "steady",
            f"The damping ratio of the {end} wheel hop shows no change over the laps; whether its level is sound "
            "cannot be told from one end alone.",
            laps,
            trend,
        )
    if level == "worn all along":
        return DamperCourse(
            "worn all along",
            f"The {end} wheel hop was damped at a ratio of only {ratio:.2f} from the start: this suggests a worn "
            "damper or one set far too soft.",
            laps,
            trend,
        )
    if level == "doubtful":
        return DamperCourse(
            "doubtful",
            f"The {end} wheel hop was damped at a ratio of {ratio:.2f}: a worn damper and a very rough road both "
            "look like this.",
            laps,
            trend,
        )
    least = least_fall_pct(laps)
    over = (
        "" if least is None else f"; a fall of {least:.0f} % over the laps would have shown, in 9 of 10 cases"
    )
    return DamperCourse(
        "sound", f"The {end} wheel hop was damped at a ratio near {ratio:.2f}{over}.", laps, trend
    )


def _change_state(change: Change) -> DamperState:
    if not change.fall:
        return "recovering"
    return "lost damping and recovered" if change.rise else "losing damping"


def _change_words(change: Change, trend: DampingTrend | None, end: End) -> str:
    """How far it fell, whether it came back, and what does that."""
    down_pct, up_pct = -100.0 * expm1(-change.fall), 100.0 * expm1(change.rise)
    ratio = f"the damping ratio of the {end} wheel hop"
    if not change.fall:
        return (
            f"From lap {change.first} to lap {change.last} {ratio} rose by {up_pct:.0f} %: this suggests a {end} "
            "damper that had lost damping before and recovers; a tyre gaining pressure or a pace that falls from lap "
            "to lap can look like it."
        )
    words = f"From lap {change.first} to lap {change.turn} {ratio} fell by {down_pct:.0f} %"
    if change.rise:
        return (
            f"{words} and recovered by {up_pct:.0f} % to lap {change.last}: this suggests a {end} damper that loses "
            "damping when it is worked hard and recovers when it is not, by heat or by gas in its oil."
        )
    if trend is not None:
        low, high = trend.ci95_pct_per_lap
        words += f" ({trend.change_pct_per_lap:.1f} % a lap, 95 % {low:.1f} to {high:.1f} %)"
    return (
        f"{words}: this suggests a {end} damper that is losing its damping, by heat, by gas in its oil or by a leak; a "
        "tyre losing pressure or a pace that rises from lap to lap can look like it."
    )
