"""What the damping ratio of a wheel hop does over the laps: whether it falls, and whether it comes back."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import expm1, log, log1p

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.damping.fade import T_975
from telemetry.damping.hop import DOUBTFUL_BELOW, LOST_BELOW, WheelHop
from telemetry.damping.oscillation import FALLING, DamperCourse, DamperState, DampingTrend, LapDamping
from telemetry.damping.pole import Pole, stopped_by_bounds

LEAST_LAPS_FOR_TREND = 4
# A smaller fall over the outing is not worth a word, and part of it is what pace and fuel do. Choices of ours.
LEAST_FALL_PCT = 10.0
USUAL_DRIFT_PCT = 4.0
# Of sound outings so many may be called falling, both ends and every shape that is looked for together.
FALSE_CALLS = 1.0 / 150.0
ENDS_LOOKED_AT = 2
SHAPES = 2.0  # a line that falls, and all bends together
# The scatter within a lap counts as so many laps beside what the laps themselves scatter about their line.
PRIOR_LAPS = 4
# Two laps of a sound damper differ by this at least: fuel, line and pace. [ln of the ratio; a choice of ours]
LEAST_SCATTER = 0.01
# Laps on each side of the turn of a damper that recovers, the turn among them.
LEAST_SIDE = 3
# With the masses not known a lost damper is called by this share of the usual ratio. A choice of ours.
SCALE_UNKNOWN = 2.0 / 3.0
# Where the other end moves the other way by this share of a change, either of the two may have changed: each is told by
# the other, and a damper that fades lifts the other's reading by 0.1 to 0.6 of its own fall in simulation.
EITHER_SHARE = 0.8
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
class Fall:
    """A change that is larger than what a sound damper shows.

    Lap numbers of its start, turn and end; fall up to the turn and rise from there on, both of ln(ratio).
    """

    first: int
    turn: int
    last: int
    fall: float
    rise: float = 0.0


def find_fall(laps: tuple[LapDamping, ...]) -> Fall | None:
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
    level = FALSE_CALLS / ENDS_LOOKED_AT / SHAPES
    line = _fit((x,), value, within, level)
    falls = (
        [(line.residual, Fall(first, last, last, -line.change(x[-1] - x[0])))]
        if line.falls(x[-1] - x[0])
        else []
    )
    recoveries = []
    turns = range(LEAST_SIDE - 1, count - LEAST_SIDE + 1)
    for turn in turns:
        bend = x - x[turn]
        fit = _fit((np.minimum(bend, 0.0), np.maximum(bend, 0.0)), value, within, level / len(turns))
        before, after = x[turn] - x[0], x[-1] - x[turn]
        if fit.falls(before, 0.0) and fit.falls(0.0, -after):
            here = Fall(first, number[turn], last, -fit.change(before, 0.0), fit.change(0.0, after))
            recoveries.append((fit.residual, here))
        elif fit.falls(before, after):
            falls.append((fit.residual, Fall(first, last, last, -fit.change(before, after))))
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


@dataclass(frozen=True)
class _Fit:
    """Least squares: slopes, their covariance, Student's t of the level asked for, the sum of squares left."""

    slope: FloatArray
    covariance: FloatArray
    t: float
    residual: float

    def change(self, *span: float) -> float:
        """Change over so many laps along each slope."""
        return float(np.array(span) @ self.slope)

    def falls(self, *span: float) -> bool:
        """Whether that change is surely a fall beyond drift, and worth a word."""
        change, half = self.change(*span), self._half(*span)
        return change + half < log1p(-USUAL_DRIFT_PCT / 100.0) and change < log1p(-LEAST_FALL_PCT / 100.0)

    def _half(self, *span: float) -> float:
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
    fall: Fall | None,
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
    fall : Fall or None
        From `find_fall`.
    """
    trend = damping_trend(laps)
    if fall is not None:
        state: DamperState = "lost damping and recovered" if fall.rise else "losing damping"
        return DamperCourse(state, _fall_words(fall, trend, end), laps, trend)
    if not knows_road:
        if trend is None:
            return DamperCourse("cannot tell", _TOO_FEW, laps, trend)
        return DamperCourse(
            "steady",
            f"The damping ratio of the {end} wheel hop shows no fall over the laps; whether its level is sound "
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
    over = "" if trend is None else " and did not clearly fall"
    return DamperCourse(
        "sound", f"The {end} wheel hop was damped at a ratio near {ratio:.2f}{over}.", laps, trend
    )


def _fall_words(fall: Fall, trend: DampingTrend | None, end: End) -> str:
    """How far it fell, whether it came back, and what does that."""
    down_pct, up_pct = -100.0 * expm1(-fall.fall), 100.0 * expm1(fall.rise)
    laps = f"From lap {fall.first} to lap {fall.turn}"
    words = f"{laps} the damping ratio of the {end} wheel hop fell by {down_pct:.0f} %"
    if fall.rise:
        return (
            f"{words} and recovered by {up_pct:.0f} % to lap {fall.last}: this suggests a {end} damper that loses "
            "damping when it is worked hard and recovers when it is not, by heat or by gas in its oil."
        )
    if trend is not None:
        low, high = trend.ci95_pct_per_lap
        words += f" ({trend.change_pct_per_lap:.1f} % a lap, 95 % {low:.1f} to {high:.1f} %)"
    return (
        f"{words}: this suggests a {end} damper that is losing its damping, by heat, by gas in its oil or by a leak; a "
        "tyre losing pressure or a pace that rises from lap to lap can look like it."
    )


def told_apart(course: Mapping[End, DamperCourse]) -> dict[End, DamperCourse]:
    """The courses of both ends, each change looked at beside the other end.

    Returns
    -------
    dict of end to DamperCourse
        A fall beside a rise of the other end that is as large is doubtful, as is that rise: which of the two changed is
        not known.
    """
    told = dict(course)
    pairs: tuple[tuple[End, End], ...] = (("rear", "front"), ("front", "rear"))
    for end, other in pairs:
        if end not in course or other not in course or course[end].state not in FALLING:
            continue
        trend, beside = course[end].trend, course[other].trend
        if trend is None or beside is None or trend.change_pct_per_lap >= 0:
            continue
        if _opposite_share(trend, beside) > EITHER_SHARE:
            words = (
                f"Over the laps the damping ratio of the {end} wheel hop fell by {-trend.change_pct_per_lap:.1f} % "
                f"a lap while that of the {other} rose by {beside.change_pct_per_lap:.1f} %: each end is told by "
                "the other, so which of the two dampers changed cannot be told."
            )
            told[end] = replace(course[end], state="doubtful", reason=words)
            told[other] = replace(course[other], state="doubtful", reason=words)
    return told


def _opposite_share(trend: DampingTrend, beside: DampingTrend) -> float:
    """How far the other end surely moves the other way, as a share of what this end moves; 0 where it does not."""
    if _sure_sign(trend) * _sure_sign(beside) >= 0:
        return 0.0
    return -log1p(beside.change_pct_per_lap / 100.0) / log1p(trend.change_pct_per_lap / 100.0)


def _sure_sign(trend: DampingTrend) -> int:
    low, high = trend.ci95_pct_per_lap
    return 1 if low > 0 else -1 if high < 0 else 0
