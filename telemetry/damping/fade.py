"""Damping ratio of a wheel hop lap by lap, and whether it falls."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.damping.equation import WheelEquation, blocks
from telemetry.damping.hop import DOUBTFUL_BELOW, LOST_BELOW, WheelHop, hop_ratio
from telemetry.damping.learn import Learned
from telemetry.damping.oscillation import DamperCourse, DamperState, DampingTrend, LapDamping, SpeedDamping
from telemetry.damping.pole import Pole, fit_pole, ratios_near, take_out
from telemetry.laps import Lap

WINDOW_S = 0.5
KEPT_SHARE = 0.95
GROUPS = 12  # of windows, left out in turn for the interval
LEAST_WINDOWS = 4 * GROUPS
# Edges of the ranges of shaft speed, RMS, doubling; a range needs 10 s of a lap. Choices of ours.
SPEED_EDGES_MM_S = (0.0, 25.0, 50.0, 100.0, 200.0, 1e4)
LEAST_WINDOWS_OF_A_SPEED = 20
# The outing's weights on the road count as so much of a lap's own. With more, a fade at one end shows at the other as
# damping that rises; with less, a lap's chance hides a fade. Chosen on seeds below those of tests/benchmarks/detection.
OUTING_PRIOR = 0.03
# Student's t at 97.5 % for GROUPS - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201
LEAST_LAPS_FOR_TREND = 4
# A smaller fall over the outing is not worth a word, and part of it is what pace and fuel do. Choices of ours.
LEAST_FALL_PCT = 10.0
USUAL_DRIFT_PCT = 4.0
# Of sound outings so many may be called falling, both ends and every shape that is looked for together.
FALSE_CALLS = 1.0 / 150.0
ENDS_LOOKED_AT = 2
# The scatter within a lap counts as so many laps beside what the laps themselves scatter about their line.
PRIOR_LAPS = 4
# Laps on each side of the turn of a damper that recovers, the turn among them.
LEAST_SIDE = 3
_TOO_FEW = f"A course over the laps needs {LEAST_LAPS_FOR_TREND} complete laps at pace."


def lap_damping(equation: WheelEquation, hop: WheelHop, learned: Learned, lap: Lap) -> LapDamping:
    """The pole of a wheel over all usable time of one lap.

    What the other wheel knows of the road is weighed a little afresh on every lap: a damper that fades at the other
    end changes it. The interval is a jackknife [1]_ over groups of neighbouring windows, so that it knows of roads
    and rides that differ along the lap.

    Parameters
    ----------
    equation : WheelEquation
    hop : WheelHop
    learned : Learned
        From the outing as a whole.
    lap : Lap

    Returns
    -------
    LapDamping
        None inside where too little of the lap is usable.

    References
    ----------
    .. [1] B. Efron, R. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall 1993, ch. 11.
    """
    return _damping(lap.lap, lap_products(equation, learned, lap), hop, learned)


def lap_products(equation: WheelEquation, learned: Learned, lap: Lap) -> FloatArray:
    """Mean products of the signals over the usable windows of a lap, the road taken out; shape (n, k, k)."""
    inside = equation.span(lap.start_s, lap.end_s)
    own, known = equation.own[:, inside].copy(), equation.known[:, inside]
    if equation.knows_road:
        own[0] -= learned.weights @ known
    cut = blocks((own, known), equation.usable[inside], equation.step_s, WINDOW_S)
    return cut.products[cut.whole]


def _damping(lap: int, products: FloatArray, hop: WheelHop, learned: Learned) -> LapDamping:
    """The pole over windows and its jackknife interval."""
    if len(products) < LEAST_WINDOWS:
        return LapDamping(lap, None, None)
    weighted = _weighted(products, learned)
    total = weighted.sum(axis=0)
    pole = fit_pole(take_out(total, OUTING_PRIOR)[1], hop)
    group = np.arange(len(products)) * GROUPS // len(products)
    without = [take_out(total - weighted[group == g].sum(axis=0), OUTING_PRIOR)[1] for g in range(GROUPS)]
    logs = np.log(ratios_near(np.stack(without), hop, pole))
    sd = float(np.sqrt((GROUPS - 1) / GROUPS * ((logs - logs.mean()) ** 2).sum()))
    spread = float(np.exp(T_975 * sd))
    ratio = pole_ratio(pole, hop)
    return LapDamping(lap, ratio, (ratio / spread, ratio * spread))


def _weighted(products: FloatArray, learned: Learned) -> FloatArray:
    """Windows weighted by their own residual, without the few that fit worst."""
    residual = np.maximum(np.einsum("i,bij,j->b", learned.row, products[:, :5, :5], learned.row), 1e-9)
    relative = residual / np.maximum(products[:, 2, 2], 1e-9)
    weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    return np.asarray(weight[:, None, None] * products)


def damping_by_speed(
    equation: WheelEquation, hop: WheelHop, learned: Learned, laps: Sequence[Lap], leverage: float
) -> tuple[SpeedDamping, ...]:
    """The pole of a wheel on every lap, by the shaft speed of its windows.

    Parameters
    ----------
    equation : WheelEquation
    hop : WheelHop
    learned : Learned
    laps : sequence of Lap
    leverage : float
        Wheel travel over shaft travel.

    Returns
    -------
    tuple of SpeedDamping
        Ranges that no lap has enough of are left out; laps without interval, which only their scatter tells here.
    """
    cut = [(lap.lap, lap_products(equation, learned, lap)) for lap in laps]
    found = []
    for low, high in zip(SPEED_EDGES_MM_S, SPEED_EDGES_MM_S[1:], strict=False):
        here = []
        for lap, products in cut:
            shaft_mm_s = np.sqrt(products[:, 2, 2]) / leverage
            some = products[(shaft_mm_s >= low) & (shaft_mm_s < high)]
            if len(some) >= LEAST_WINDOWS_OF_A_SPEED:
                left = take_out(_weighted(some, learned).sum(axis=0), OUTING_PRIOR)[1]
                here.append(LapDamping(lap, pole_ratio(fit_pole(left, hop), hop), None))
        if here:
            found.append(SpeedDamping(low, high, tuple(here)))
    return tuple(found)


def pole_ratio(pole: Pole, hop: WheelHop) -> float:
    """Damping ratio of a pole as `hop_ratio` gives it."""
    return float(hop_ratio(hop, np.array([pole.tyre_hz]), np.array([pole.damping]))[0])


def damping_trend(fade: tuple[LapDamping, ...]) -> DampingTrend | None:
    """Change of the damping ratio per lap, from a straight line through its logarithm.

    Parameters
    ----------
    fade : tuple of LapDamping

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
class _Fall:
    """A change that is larger than what a sound damper shows: lap numbers of its turn and end, falls in ln(ratio)."""

    first: int
    turn: int
    last: int
    fall: float
    rise: float


def find_fall(laps: tuple[LapDamping, ...]) -> _Fall | None:
    """A fall of the damping ratio that stays or that recovers, where the laps show one beyond chance and drift.

    A straight line through ln(ratio), then every line with one bend that falls and rises, are tested one-sided
    against `USUAL_DRIFT_PCT`, at a level that `FALSE_CALLS` leaves for each (Bonferroni). The scatter about the line is
    pooled with the scatter within the laps, so that four laps that happen to lie on a line prove little.

    Parameters
    ----------
    laps : tuple of LapDamping

    Returns
    -------
    _Fall or None
    """
    known = [
        (lap.lap, lap.damping_ratio, lap.ci95[1])
        for lap in laps
        if lap.damping_ratio is not None and lap.ci95 is not None
    ]
    count = len(known)
    if count < LEAST_LAPS_FOR_TREND:
        return None
    number, ratio, high = zip(*known, strict=True)
    x, value = np.array(number, dtype=np.float64), np.log(np.array(ratio))
    within = (np.log(np.array(high)) - value) / T_975
    turns = range(LEAST_SIDE - 1, count - LEAST_SIDE + 1)
    level = FALSE_CALLS / ENDS_LOOKED_AT / 2.0  # one half for the line, one for all bends
    drift = -np.log1p(-USUAL_DRIFT_PCT / 100.0)
    bent = []
    for turn in turns:
        bend = x - x[turn]
        (left, right), sure, residual = _slopes(
            (np.minimum(bend, 0.0), np.maximum(bend, 0.0)), value, within, level / len(turns)
        )
        falls, rises = left * (x[turn] - x[0]), right * (x[-1] - x[turn])
        sure_fall, sure_rise = sure[0] * (x[turn] - x[0]), sure[1] * (x[-1] - x[turn])
        if falls + sure_fall < -drift and rises - sure_rise > drift and _worth_a_word(falls):
            bent.append((residual, _Fall(number[0], number[turn], number[-1], -falls, rises)))
    if bent:
        return min(bent, key=lambda pair: pair[0])[1]
    (slope,), (half,), _ = _slopes((x,), value, within, level)
    span = x[-1] - x[0]
    if (slope + half) * span < -drift and _worth_a_word(slope * span):
        return _Fall(number[0], number[-1], number[-1], -slope * span, 0.0)
    return None


def _worth_a_word(change: float) -> bool:
    return -100.0 * float(np.expm1(change)) > LEAST_FALL_PCT


def _slopes(
    terms: tuple[FloatArray, ...], value: FloatArray, within: FloatArray, level: float
) -> tuple[FloatArray, FloatArray, float]:
    """Least-squares slopes on the terms, half widths of their one-sided intervals, and the sum of squares left."""
    from scipy.special import stdtrit

    table = np.stack([np.ones_like(value), *terms], axis=1)
    found, *_ = np.linalg.lstsq(table, value)
    residual = float(((value - table @ found) ** 2).sum())
    freedom = len(value) - table.shape[1] + PRIOR_LAPS
    variance = (residual + PRIOR_LAPS * float((within**2).mean())) / freedom
    scatter = np.sqrt(variance * np.diag(np.linalg.inv(table.T @ table)))
    half = float(stdtrit(freedom, 1.0 - level)) * scatter
    return np.asarray(found[1:]), np.asarray(half[1:]), residual


def damper_course(laps: tuple[LapDamping, ...], ratio: float, end: End, *, knows_road: bool) -> DamperCourse:
    """What the damping ratio of one end did over the outing, in a word and a sentence.

    Parameters
    ----------
    laps : tuple of LapDamping
    ratio : float
        Damping ratio over the outing as a whole.
    end : {"front", "rear"}
    knows_road : bool
        Whether the ratio is free of what the road did; without it only its change can be judged.

    Returns
    -------
    DamperCourse
    """
    trend, fall = damping_trend(laps), find_fall(laps)
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
    if ratio <= LOST_BELOW:
        return DamperCourse(
            "worn all along",
            f"The {end} wheel hop was damped at a ratio of only {ratio:.2f} from the start: this suggests a worn "
            "damper or one set far too soft.",
            laps,
            trend,
        )
    if ratio < DOUBTFUL_BELOW:
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


def _fall_words(fall: _Fall, trend: DampingTrend | None, end: End) -> str:
    """How far it fell, whether it came back, and what does that."""
    down_pct, up_pct = -100.0 * np.expm1(-fall.fall), 100.0 * np.expm1(fall.rise)
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
