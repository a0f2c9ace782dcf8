"""Damping ratio of a wheel hop lap by lap, and whether it falls."""

import numpy as np

from telemetry.arrays import End
from telemetry.damping.equation import WheelEquation, blocks
from telemetry.damping.hop import DOUBTFUL_BELOW, LOST_BELOW, WheelHop, hop_ratio
from telemetry.damping.learn import Learned
from telemetry.damping.oscillation import DamperCourse, DampingTrend, LapDamping
from telemetry.damping.pole import Pole, fit_pole, ratios_near, take_out
from telemetry.laps import Lap

WINDOW_S = 0.5
KEPT_SHARE = 0.95
GROUPS = 12  # of windows, left out in turn for the interval
LEAST_WINDOWS = 4 * GROUPS
# The outing's weights on the road count as so much of a lap's own. With more, a fade at one end shows at the other as
# damping that rises; with less, a lap's chance hides a fade. Chosen on seeds below those of tests/benchmarks/detection.
OUTING_PRIOR = 0.03
# Student's t at 97.5 % for GROUPS - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201
LEAST_LAPS_FOR_TREND = 4
# A smaller fall over the outing is not worth a word: pace and fuel do as much. A choice of ours.
LEAST_FALL_PCT = 10.0
_TOO_FEW = f"A course over the laps needs {LEAST_LAPS_FOR_TREND} complete laps."


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
    inside = equation.span(lap.start_s, lap.end_s)
    own, known = equation.own[:, inside].copy(), equation.known[:, inside]
    if equation.knows_road:
        own[0] -= learned.weights @ known
    cut = blocks((own, known), equation.usable[inside], equation.step_s, WINDOW_S)
    products = cut.products[cut.whole]
    if len(products) < LEAST_WINDOWS:
        return LapDamping(lap.lap, None, None)
    residual = np.maximum(np.einsum("i,bij,j->b", learned.row, products[:, :5, :5], learned.row), 1e-9)
    relative = residual / np.maximum(products[:, 2, 2], 1e-9)
    weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    weighted = weight[:, None, None] * products
    total = weighted.sum(axis=0)
    pole = fit_pole(take_out(total, OUTING_PRIOR)[1], hop)
    group = np.arange(len(products)) * GROUPS // len(products)
    without = [take_out(total - weighted[group == g].sum(axis=0), OUTING_PRIOR)[1] for g in range(GROUPS)]
    logs = np.log(ratios_near(np.stack(without), hop, pole))
    sd = float(np.sqrt((GROUPS - 1) / GROUPS * ((logs - logs.mean()) ** 2).sum()))
    spread = float(np.exp(T_975 * sd))
    ratio = pole_ratio(pole, hop)
    return LapDamping(lap.lap, ratio, (ratio / spread, ratio * spread))


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
    trend = damping_trend(laps)
    fall_pct = 0.0
    if trend is not None:
        known = [lap.lap for lap in laps if lap.damping_ratio is not None]
        fall_pct = -100.0 * np.expm1((known[-1] - known[0]) * np.log1p(trend.change_pct_per_lap / 100.0))
        if trend.ci95_pct_per_lap[1] < 0 and fall_pct > LEAST_FALL_PCT:
            low, high = trend.ci95_pct_per_lap
            return DamperCourse(
                "losing damping as it warms",
                f"From lap {known[0]} to lap {known[-1]} the damping ratio of the {end} wheel hop fell by "
                f"{fall_pct:.0f} % ({trend.change_pct_per_lap:.1f} % a lap, 95 % {low:.1f} to {high:.1f} %): this "
                f"suggests a {end} damper that loses damping as it warms; a tyre losing pressure or a pace that "
                "rises from lap to lap can look like it.",
                laps,
                trend,
            )
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
            "cannot tell",
            f"The {end} wheel hop was damped at a ratio of {ratio:.2f}: a worn damper and a very rough road both "
            "look like this.",
            laps,
            trend,
        )
    over = "" if trend is None else " and did not clearly fall"
    return DamperCourse(
        "sound", f"The {end} wheel hop was damped at a ratio near {ratio:.2f}{over}.", laps, trend
    )
