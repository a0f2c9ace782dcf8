"""What is said of a lap in one number each, and which laps count: for comparing runs and for shift over an outing."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite

from telemetry.arrays import ENDS, End
from telemetry.motion.summary import EndSummary
from telemetry.summary import LapSummary

# A lap with more of its time masked than this is left out for that end. A choice, no source.
MAX_MASKED_SHARE = 0.05


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
    read : callable
        The number of a lap; None where it cannot be told.
    outing_sd, outing_share : float
        Standard deviation between outings with the same set-up, over and above that of their laps, before any repeat
        is known: absolute, and as a share of the value.
    speed : bool
        Whether it rests on travel speed, and so on the bandwidth of the differentiation.
    """

    key: str
    label: str
    unit: str
    ends: tuple[End, ...]
    read: Callable[[LapSummary], float | None]
    outing_sd: float = 0.0
    outing_share: float = 0.0
    speed: bool = False


# How far outings with one set-up lie apart (standard deviations; common practice, no source): 2 kg of fuel and
# clothing move an end by about 0.5 mm at 20 N/mm, as does a sensor that was taken off and put back; 3 % of damping,
# by a few degrees of oil, moves the RMS speed by a little over 1 %. Fuel moves both ends, so pitch less. Pace.
OUTING_MM = 0.5
OUTING_SPEED_SHARE = 0.012
OUTING_PITCH_DEG = 0.02
OUTING_TIME_SHARE = 0.003
# Rake turns with the pitch, and 0.02 deg of it are about 0.13 mm of trail on a road-race motorcycle.
OUTING_TRAIL_MM = 0.13


def _of_end(end: End, read: Callable[[EndSummary], float]) -> Callable[[LapSummary], float | None]:
    return lambda lap: read(lap.ends[end]) if lap.ends[end].judged else None


def _end_metrics(end: End) -> tuple[Metric, ...]:
    def travel(key: str, label: str, read: Callable[[EndSummary], float]) -> Metric:
        return Metric(
            f"{end}.travel.{key}",
            f"{end} travel, {label}",
            "mm",
            (end,),
            _of_end(end, read),
            outing_sd=OUTING_MM,
        )

    def speed(key: str, label: str, read: Callable[[EndSummary], float]) -> Metric:
        return Metric(
            f"{end}.speed.{key}", f"{end} {label} speed, RMS", "mm/s", (end,), _of_end(end, read),
            outing_share=OUTING_SPEED_SHARE, speed=True,
        )  # fmt: skip

    return (
        travel("median_mm", "median", lambda e: e.wheel.travel.median_mm),
        travel("p95_mm", "95 % below", lambda e: e.wheel.travel.p95_mm),
        travel("max_mm", "most", lambda e: e.wheel.travel.max_mm),
        speed("compression_mm_s", "compression", lambda e: e.wheel.speed.compression.rms_mm_s),
        speed("rebound_mm_s", "rebound", lambda e: e.wheel.speed.rebound.rms_mm_s),
    )


def _ratio(key: str, label: str, read: Callable[[LapSummary], float | None]) -> Metric:
    return Metric(
        f"balance.{key}", f"{label}, rear over front", "", ENDS, read,
        outing_share=OUTING_SPEED_SHARE, speed=True,
    )  # fmt: skip


# Everything that is compared, most asked for first. The rear's hop damping is not among them: it is told with what
# the front learned in its own outing, and a fork setting alone moved it by 16 % between simulated outings of one
# sound shock, steadily on every lap.
METRICS: tuple[Metric, ...] = (
    *(metric for end in ENDS for metric in _end_metrics(end)),
    _ratio("compression", "compression speed, RMS", lambda lap: lap.balance.speed_ratio.compression),
    _ratio("rebound", "rebound speed, RMS", lambda lap: lap.balance.speed_ratio.rebound),
    Metric(
        "pitch.mean_deg", "pitch, mean (nose down positive)", "deg", ENDS,
        lambda lap: lap.balance.pitch.mean_deg, outing_sd=OUTING_PITCH_DEG,
    ),
    Metric("lap.time_s", "lap time", "s", (), lambda lap: lap.time_s, outing_share=OUTING_TIME_SHARE),
)  # fmt: skip


def _asymmetry(end: End) -> Metric:
    # temperature, fuel and pace act on both directions of one end alike: no spread between outings of its own
    return Metric(
        f"{end}.asymmetry", f"{end} speed, compression over rebound", "", ENDS,
        lambda lap: lap.balance.speed.asymmetry.get(end) if lap.balance.speed else None, speed=True,
    )  # fmt: skip


# What two runs are compared by. Typical speeds are slopes of quantiles, 10 to 90 %: the few largest bumps, which differ
# from lap to lap, do not count there.
COMPARED: tuple[Metric, ...] = (
    *METRICS,
    Metric(
        "geometry.rake_deg", "rake at the median travels", "deg", ENDS,
        lambda lap: lap.places[0].rake_deg if lap.places else None, outing_sd=OUTING_PITCH_DEG,
    ),
    Metric(
        "geometry.trail_mm", "trail at the median travels", "mm", ENDS,
        lambda lap: lap.places[0].trail_mm if lap.places else None, outing_sd=OUTING_TRAIL_MM,
    ),
    _ratio(
        "compression_slope", "compression speed, typical",
        lambda lap: lap.balance.speed.compression.slope if lap.balance.speed else None,
    ),
    _ratio(
        "rebound_slope", "rebound speed, typical",
        lambda lap: lap.balance.speed.rebound.slope if lap.balance.speed else None,
    ),
    *(_asymmetry(end) for end in ENDS),
    _ratio(
        "same_bump_compression", "every common bump, compression speed",
        lambda lap: lap.balance.same_bump.every_compression_ratio if lap.balance.same_bump else None,
    ),
    _ratio(
        "same_bump_rebound", "every common bump, rebound speed",
        lambda lap: lap.balance.same_bump.every_rebound_ratio if lap.balance.same_bump else None,
    ),
)  # fmt: skip


def values_of(lap: LapSummary) -> dict[str, float | None]:
    """Every number of a lap by its key; None where it cannot be told.

    Returns
    -------
    dict of str to float or None
        In the order of `METRICS`.
    """
    read = {metric.key: metric.read(lap) for metric in METRICS}
    return {key: value if value is not None and isfinite(value) else None for key, value in read.items()}


def values_by_lap(laps: Sequence[LapSummary], metric: Metric) -> tuple[tuple[int, ...], tuple[float, ...]]:
    """One number over laps, without the laps where its ends are masked or it cannot be told.

    Parameters
    ----------
    laps : sequence of LapSummary
        At pace (`telemetry.laps.laps_at_pace`).

    Returns
    -------
    lap numbers, values : tuple of int, tuple of float
        As many of both.
    """
    clean = [
        lap for lap in laps if all(lap.masked_share.get(end, 0.0) <= MAX_MASKED_SHARE for end in metric.ends)
    ]
    read = [(lap.lap, value) for lap in clean if (value := metric.read(lap)) is not None and isfinite(value)]
    return tuple(lap for lap, _ in read), tuple(float(value) for _, value in read)
