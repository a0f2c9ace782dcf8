"""Summaries made by hand, with chosen numbers on every lap."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from telemetry.arrays import ENDS
from telemetry.balance import Balance, PitchSummary, SpeedRatio
from telemetry.damping import LapDamping, Oscillation
from telemetry.motion import (
    EndSummary,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    TravelHistogram,
    TravelSummary,
)
from telemetry.summary import LapSummary, RunInfo, Summary


def side(rms_mm_s: float) -> SpeedSide:
    return SpeedSide(0.5, rms_mm_s, 0.7 * rms_mm_s, 2 * rms_mm_s, 3 * rms_mm_s, 5 * rms_mm_s, 0.6, 0.4)


def end_summary(
    median=40.0, p95=80.0, most=110.0, compression=150.0, rebound=140.0, bandwidth_hz=40.0
) -> EndSummary:
    travel = TravelSummary(0.5, median + 1, median, p95, most, 100 * most / 125, 125 - most)
    histogram = TravelHistogram((0.0, 62.5, 125.0), (0.8, 0.2))
    speeds = SpeedSummary(side(compression), side(rebound), 3.0, bandwidth_hz)
    plane = PlaneSummary(travel, histogram, speeds, SpeedHistogram((-2000.0, 0.0, 2000.0), (0.5, 0.5)))
    return EndSummary(125.0, 125.0, 1.0, plane, plane, (), ())


def balance(compression=1.0, rebound=1.0, pitch=0.2) -> Balance:
    return Balance(SpeedRatio(compression, rebound), None, PitchSummary(pitch, -2.0, 3.0, 5.0), ())


def lap(number, *, time_s=90.0, complete=True, masked=0.0, ends=None, **end) -> LapSummary:
    start = 100.0 * number
    return LapSummary(
        number, start, start + time_s, time_s, 4000.0, complete,
        dict.fromkeys(ENDS, masked), ends if ends is not None else dict.fromkeys(ENDS, end_summary(**end)),
        balance(),
    )  # fmt: skip


def summary(laps: Sequence[LapSummary], *, source="run.csv", bike="QB-6", **changes) -> Summary:
    made = Summary(
        run=RunInfo(source, bike, 600.0, 500.0, 20000.0, "lap channel", ("speed",)),
        verdicts=("Both ends were measured.",),
        quality=(),
        laps=tuple(laps),
        corners=(),
        ends=dict.fromkeys(ENDS, end_summary()),
        balance=balance(),
        oscillation=Oscillation("no", "", fade=tuple(LapDamping(row.lap, 0.3, None) for row in laps)),
        findings=(),
        bike_values={"front.rake_deg": 23.5},
    )
    return replace(made, **changes)


def laps_with(rng: np.random.Generator, n: int, *, spread=1.0, **means: float) -> list[LapSummary]:
    """Laps whose numbers scatter normally round the given means."""
    start: Mapping[str, float] = {"median": 40, "p95": 80, "most": 105, "compression": 150, "rebound": 140}
    return [
        lap(
            k + 1,
            time_s=90 + 0.3 * rng.normal(),
            ends={
                end: end_summary(**{key: m + spread * rng.normal() for key, m in {**start, **means}.items()})
                for end in ENDS
            },
        )
        for k in range(n)
    ]
