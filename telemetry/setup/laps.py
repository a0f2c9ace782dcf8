"""Which laps are evidence, and the spread of one number over them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import End
from telemetry.laps import SLOW_LAP, slowest_s
from telemetry.metrics import MAX_MASKED_SHARE, Metric, values_by_lap
from telemetry.summary import LapSummary, Summary

Side = Literal["a", "b"]


@dataclass(frozen=True)
class LapValues:
    """One number over the laps of one run. ``sd`` is the spread between laps, None below two laps."""

    laps: tuple[int, ...]
    values: tuple[float, ...]
    mean: float | None
    sd: float | None


@dataclass(frozen=True)
class ExcludedLap:
    """A lap that is no evidence, and why; ``end`` when it is left out for that end only."""

    run: Side
    lap: int
    reason: str
    end: End | None = None


def lap_values(laps: Sequence[int], values: Sequence[float]) -> LapValues:
    """Mean and spread of one number over laps.

    Parameters
    ----------
    values : sequence of float
        As many.
    """
    return LapValues(
        tuple(laps),
        tuple(float(value) for value in values),
        float(np.mean(values)) if len(values) else None,
        float(np.std(values, ddof=1)) if len(values) > 1 else None,
    )


def usable_laps(summary: Summary, run: Side) -> tuple[tuple[LapSummary, ...], tuple[ExcludedLap, ...]]:
    """Complete laps at pace, and what is left out with the reason.

    Parameters
    ----------
    run : {"a", "b"}
        Which side of the comparison it is, for the exclusions.

    Returns
    -------
    laps : tuple of LapSummary
        May still be too masked at one end: `values_over` leaves them out for that end.
    """
    longest_s = slowest_s(summary.laps)
    used: list[LapSummary] = []
    excluded: list[ExcludedLap] = []
    for lap in summary.laps:
        if not lap.complete:
            why = "left out, as asked" if lap.kind == "left out" else "not a complete lap (out or in lap)"
            excluded.append(ExcludedLap(run, lap.lap, why))
        elif lap.time_s > longest_s:
            more = f"{lap.time_s:.1f} s, over {100 * (SLOW_LAP - 1):.0f} % slower than the quickest lap"
            excluded.append(ExcludedLap(run, lap.lap, more))
        else:
            used.append(lap)
            excluded += [
                ExcludedLap(run, lap.lap, f"{100 * masked:.0f} % of the {end} travel is masked", end)
                for end, masked in lap.masked_share.items()
                if masked > MAX_MASKED_SHARE
            ]
    return tuple(used), tuple(excluded)


def values_over(laps: Sequence[LapSummary], metric: Metric) -> LapValues:
    """One number over laps, without the laps where its ends are masked or it cannot be told.

    Parameters
    ----------
    laps : sequence of LapSummary
        As `usable_laps` gives them.
    """
    return lap_values(*values_by_lap(laps, metric))
