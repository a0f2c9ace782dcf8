"""What is compared, lap by lap: one row a number."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from telemetry.arrays import ENDS, End
from telemetry.motion.summary import EndSummary
from telemetry.summary import LapSummary, Summary


@dataclass(frozen=True)
class Metric:
    """One number a lap.

    Parameters
    ----------
    key : str
        Stable name, for programs.
    label, unit : str
        For a person.
    ends : tuple of End
        Whose samples it rests on; empty when on none.
    speed : bool
        Whether it rests on travel speed, and so on the bandwidth of the differentiation.
    read : callable
        The number of a lap; None where it cannot be told.
    """

    key: str
    label: str
    unit: str
    ends: tuple[End, ...]
    speed: bool
    read: Callable[[LapSummary], float | None]


def _of_end(end: End, read: Callable[[EndSummary], float]) -> Callable[[LapSummary], float | None]:
    return lambda lap: read(lap.ends[end]) if end in lap.ends else None


def _end_metrics(end: End) -> tuple[Metric, ...]:
    rows: tuple[tuple[str, str, str, bool, Callable[[EndSummary], float]], ...] = (
        ("travel.median_mm", "travel, median", "mm", False, lambda e: e.wheel.travel.median_mm),
        ("travel.p95_mm", "travel, 95 % of time below", "mm", False, lambda e: e.wheel.travel.p95_mm),
        ("travel.max_mm", "travel, most", "mm", False, lambda e: e.wheel.travel.max_mm),
        (
            "speed.compression_mm_s",
            "compression speed, RMS",
            "mm/s",
            True,
            lambda e: e.wheel.speed.compression.rms_mm_s,
        ),
        ("speed.rebound_mm_s", "rebound speed, RMS", "mm/s", True, lambda e: e.wheel.speed.rebound.rms_mm_s),
    )
    return tuple(
        Metric(f"{end}.{key}", f"{end} {label}", unit, (end,), speed, _of_end(end, read))
        for key, label, unit, speed, read in rows
    )


def metrics_of(summary: Summary) -> tuple[Metric, ...]:
    """Everything that is compared, most asked for first.

    Parameters
    ----------
    summary : Summary
        Needed for what is told per lap but kept beside the laps (rear hop damping).

    Returns
    -------
    tuple of Metric
    """
    damping: Mapping[int, float | None] = {row.lap: row.damping_ratio for row in summary.oscillation.fade}
    return (
        *(metric for end in ENDS for metric in _end_metrics(end)),
        Metric(
            "balance.compression",
            "compression speed, rear over front",
            "",
            ENDS,
            False,
            lambda lap: lap.balance.speed_ratio.compression,
        ),
        Metric(
            "balance.rebound",
            "rebound speed, rear over front",
            "",
            ENDS,
            False,
            lambda lap: lap.balance.speed_ratio.rebound,
        ),
        Metric(
            "pitch.mean_deg",
            "pitch, mean (nose down positive)",
            "deg",
            ENDS,
            False,
            lambda lap: lap.balance.pitch.mean_deg,
        ),
        Metric(
            "rear.hop_damping_ratio",
            "rear wheel-hop damping ratio",
            "",
            ("rear",),
            False,
            lambda lap: damping.get(lap.lap),
        ),
        Metric("lap.time_s", "lap time", "s", (), False, lambda lap: lap.time_s),
    )
