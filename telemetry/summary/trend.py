"""Shift over the outing: how each number of a lap changes from lap to lap, with its 95 % interval."""

from collections.abc import Sequence

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps import laps_at_pace
from telemetry.numeric import student_t
from telemetry.summary.metrics import METRICS, Metric, values_by_lap
from telemetry.summary.results import LapSummary, Trend

# Below so many laps a line has nothing left to tell its scatter by.
LEAST_LAPS = 4
# A change over the outing smaller than this is not spoken of, by unit; else as a share of the number. Choices of
# ours: a millimetre of ride height is what an engineer would turn a spanner for.
MATTERS = {"mm": 1.0, "deg": 0.1, "s": 0.3}
MATTERS_SHARE = 0.03


def slope_interval(x: FloatArray, y: FloatArray, level: float) -> tuple[float, tuple[float, float] | None]:
    """Slope of the line through three or more points, with its interval; None if they lie on it but for rounding.

    N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed., Wiley 1998, ch. 1.
    """
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    left = y - y.mean() - slope * away
    freedom = len(x) - 2
    scatter = float(np.sqrt(left @ left / freedom / (away @ away)))
    if scatter <= 1e-12 * max(abs(slope), float(np.abs(y).max())):
        return slope, None
    half = student_t(0.5 + level / 2, freedom) * scatter
    return slope, (slope - half, slope + half)


def trends(laps: Sequence[LapSummary]) -> tuple[Trend, ...]:
    """Every number of `telemetry.summary` over the complete laps at pace, in the order of the table.

    Those that fewer than `LEAST_LAPS` laps have are left out. A trend does not show its cause: pace changes
    over an outing as well, so the trend of the lap time stands beside the others.
    """
    at_pace = laps_at_pace(laps)
    read = [(metric, *values_by_lap(at_pace, metric)) for metric in METRICS]
    enough = [(metric, lap, value) for metric, lap, value in read if len(lap) >= LEAST_LAPS]
    return tuple(
        _trend(metric, np.array(lap, dtype=np.float64), np.array(value), len(enough))
        for metric, lap, value in enough
    )


def _trend(metric: Metric, lap: FloatArray, value: FloatArray, looked_at: int) -> Trend:
    slope, interval = slope_interval(lap, value, 0.95)
    _, wide = slope_interval(lap, value, 1.0 - 0.05 / looked_at)
    first, last = (float(value.mean() + slope * (at - lap.mean())) for at in (lap[0], lap[-1]))
    matters = MATTERS.get(metric.unit, MATTERS_SHARE * abs(float(value.mean())))
    sure = wide is not None and not wide[0] <= 0.0 <= wide[1]
    return Trend(
        key=metric.key,
        label=metric.label,
        unit=metric.unit,
        laps=len(lap),
        first=first,
        last=last,
        per_lap=slope,
        ci95_per_lap=interval,
        clear=sure and abs(last - first) >= matters,
    )
