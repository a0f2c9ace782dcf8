"""The registry of what is measured: every number with its key, label, unit, decimals, group and how it is read.

Tables, tiles, comparisons, trends, CSV and programs take label, unit and format from here. To show a new number
everywhere, add one entry.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Literal

from telemetry.arrays import ENDS, End
from telemetry.motion import EndSummary, PlaneSummary, SpeedSide, SpeedSummary, TravelSummary
from telemetry.summary.results import LapSummary
from telemetry.summary.wording import number

# A lap with more of its time masked than this is left out for that end. A choice, no source.
MAX_MASKED_SHARE = 0.05

Plane = Literal["wheel", "shaft"]
Group = Literal["travel", "speed", "balance", "bump", "chassis", "damping", "lap", "log", ""]


def decimals_of(unit: str) -> int:
    """Decimals of a mean, a spread or a change in this unit; a metric may have its own for single numbers."""
    return {"mm": 1, "mm/s": 1, "deg": 2, "s": 2, "%": 0, "Hz": 1, "ms": 0, "N": 0, "times": 0}.get(unit, 3)


@dataclass(frozen=True)
class Metric:
    """One number.

    Parameters
    ----------
    key : str
        Stable name, for programs.
    label, unit : str
        For a person.
    ends : tuple of End
        Whose samples it rests on; empty when on none, or where it is one of either end.
    read : callable
        The number, in ``unit``, of what it is a number of: an `EndAt`, a lap, a value; None where it cannot be told.
    decimals : int or None
        None for those usual for the unit (`decimals_of`).
    group : str
        The table it stands in.
    extra : bool
        Whether a short table leaves it out.
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
    read: Callable[[Any], float | None]
    decimals: int | None = None
    group: Group = ""
    extra: bool = False
    outing_sd: float = 0.0
    outing_share: float = 0.0
    speed: bool = False

    @property
    def digits(self) -> int:
        """Decimals it is written with."""
        return decimals_of(self.unit) if self.decimals is None else self.decimals

    @property
    def heading(self) -> str:
        """Label with unit: ``maximum travel [mm]``."""
        return headed(self.label, self.unit)

    def text(self, subject: Any) -> str:
        """The number of a subject as it is written; a dash where it cannot be told."""
        return number(self.read(subject), self.digits)


def headed(label: str, unit: str) -> str:
    """A label with its unit: ``maximum travel [mm]``, ``damping ratio``."""
    return f"{label} [{unit}]".lstrip() if unit else label


@dataclass(frozen=True)
class EndAt:
    """One end at one place of measurement: what the metrics of an end are read from."""

    end: EndSummary
    plane: Plane = "wheel"

    @property
    def here(self) -> PlaneSummary:
        """Its numbers there."""
        return self.end.wheel if self.plane == "wheel" else self.end.shaft

    @property
    def travel(self) -> TravelSummary:
        """Travel there."""
        return self.here.travel

    @property
    def speed(self) -> SpeedSummary:
        """Speed there."""
        return self.here.speed

    @property
    def stroke_mm(self) -> float:
        """Full stroke there. [mm]"""
        return self.end.wheel_stroke_mm if self.plane == "wheel" else self.end.stroke_mm


def _travel(
    key: str, label: str, read: Callable[[EndAt], float | None], unit: str = "mm", **more: Any
) -> Metric:
    return Metric(f"travel.{key}", label, unit, (), read, group="travel", **more)


def _speed(
    key: str,
    label: str,
    read: Callable[[EndAt], float | None],
    unit: str = "mm/s",
    decimals: int = 0,
    extra: bool = False,
) -> Metric:
    return Metric(f"speed.{key}", label, unit, (), read, decimals, "speed", extra)


def _direction(name: Literal["compression", "rebound"]) -> tuple[Metric, ...]:
    def side(at: EndAt) -> SpeedSide:
        return at.speed.compression if name == "compression" else at.speed.rebound

    return (
        _speed(f"{name}.rms_mm_s", f"{name} speed, RMS", lambda at: side(at).rms_mm_s),
        _speed(f"{name}.p95_mm_s", f"{name} speed, 95th percentile", lambda at: side(at).p95_mm_s),
        _speed(f"{name}.p99_mm_s", f"{name} speed, 99th percentile", lambda at: side(at).p99_mm_s, extra=True),
        _speed(f"{name}.max_mm_s", f"{name} speed, maximum", lambda at: side(at).max_mm_s, extra=True),
        _speed(f"{name}.share", f"time in {name}", lambda at: 100 * side(at).share, "%", decimals=1, extra=True),
        _speed(f"{name}.low_share", f"time in low-speed {name}",
               lambda at: 100 * side(at).low_speed_share, "%", decimals=1, extra=True),
        _speed(f"{name}.high_share", f"time in high-speed {name}",
               lambda at: 100 * side(at).high_speed_share, "%", decimals=1, extra=True),
    )  # fmt: skip


# Of one end, read from an `EndAt`. What is left at the deepest point is never less than nothing: a stroke in the bike
# file that is short by a millimetre is no travel in hand.
END_METRICS: tuple[Metric, ...] = (
    _travel("used_pct", "travel used", lambda at: at.travel.used_pct, "% of stroke", decimals=0),
    _travel("max_mm", "maximum travel", lambda at: at.travel.max_mm),
    _travel("left_mm", "travel left at the deepest point", lambda at: max(at.travel.margin_mm, 0.0)),
    _travel("p95_mm", "95th percentile of travel", lambda at: at.travel.p95_mm),
    _travel("median_mm", "median travel", lambda at: at.travel.median_mm),
    _travel("below_sag_mm", "median travel beyond static sag", lambda at: at.end.use.below_sag_mm),
    _travel("deep_share", "time in the last tenth of the stroke", lambda at: 100 * at.end.use.deep_share, "%",
            decimals=1),
    _travel("stroke_mm", "full stroke", lambda at: at.stroke_mm),
    _travel("bottomed", "times bottomed",
            lambda at: None if at.end.stroke_open else len(at.end.bottomed), "", decimals=0),
    _travel("topped_out", "times topped out", lambda at: len(at.end.topped_out), "", decimals=0),
    _travel("valid_share", "valid time", lambda at: 100 * at.end.valid_share, "%", decimals=1),
    _travel("mean_mm", "mean travel", lambda at: at.travel.mean_mm, extra=True),
    _travel("min_mm", "minimum travel", lambda at: at.travel.min_mm, extra=True),
    *_direction("compression"),
    *_direction("rebound"),
    _speed("noise_mm_s", "speed noise", lambda at: at.speed.noise_mm_s, decimals=1),
    _speed("bandwidth_hz", "speed bandwidth", lambda at: at.speed.bandwidth_hz, "Hz", decimals=0),
)  # fmt: skip
OF_END = {metric.key: metric for metric in END_METRICS}

# How far outings with one set-up lie apart (standard deviations; common practice, no source): 2 kg of fuel and
# clothing move an end by about 0.5 mm at 20 N/mm, as does a sensor that was taken off and put back; 3 % of damping,
# by a few degrees of oil, moves the RMS speed by a little over 1 %. Fuel moves both ends, so pitch less. Pace.
OUTING_MM = 0.5
OUTING_SPEED_SHARE = 0.012
OUTING_RATIO_SHARE = 2**0.5 * OUTING_SPEED_SHARE  # the oil of each end for itself
OUTING_PITCH_DEG = 0.02
OUTING_TIME_SHARE = 0.003
# Rake turns with the pitch, and 0.02 deg of it are about 0.13 mm of trail on a road-race motorcycle.
OUTING_TRAIL_MM = 0.13


def _of_lap(end: End, key: str, short: str = "", **more: Any) -> Metric:
    """A metric of one end as one of a lap, at the wheel; ``short`` is its key where that differs."""
    metric = OF_END[key]

    def read(lap: LapSummary) -> float | None:
        return metric.read(EndAt(lap.ends[end])) if lap.ends[end].judged else None

    return replace(
        metric, key=f"{end}.{short or key}", label=f"{end} {metric.label}", ends=(end,), read=read, **more
    )


def _end_metrics(end: End) -> tuple[Metric, ...]:
    return (
        *(_of_lap(end, f"travel.{key}", outing_sd=OUTING_MM) for key in ("median_mm", "p95_mm", "max_mm")),
        *(
            _of_lap(end, f"speed.{way}.rms_mm_s", f"speed.{way}_mm_s", outing_share=OUTING_SPEED_SHARE, speed=True)
            for way in ("compression", "rebound")
        ),
    )  # fmt: skip


def _ratio(key: str, label: str, read: Callable[[LapSummary], float | None]) -> Metric:
    return Metric(
        f"balance.{key}", f"{label}, rear over front", "", ENDS, read, group="balance",
        outing_share=OUTING_RATIO_SHARE, speed=True,
    )  # fmt: skip


# Of a lap, read from a `LapSummary`: what shifts over an outing and stands in a CSV, most asked for first. The rear's
# hop damping is not among them: it is told with what the front learned in its own outing, and a fork setting alone
# moved it by 16 % between simulated outings of one sound shock, steadily on every lap.
METRICS: tuple[Metric, ...] = (
    *(metric for end in ENDS for metric in _end_metrics(end)),
    _ratio("compression", "compression speed, RMS", lambda lap: lap.balance.speed_ratio.compression),
    _ratio("rebound", "rebound speed, RMS", lambda lap: lap.balance.speed_ratio.rebound),
    Metric(
        "pitch.mean_deg", "mean pitch, nose down positive", "deg", ENDS,
        lambda lap: lap.balance.pitch.mean_deg, group="chassis", outing_sd=OUTING_PITCH_DEG,
    ),
    Metric("lap.time_s", "lap time", "s", (), lambda lap: lap.time_s, group="lap", outing_share=OUTING_TIME_SHARE),
)  # fmt: skip


def _asymmetry(end: End) -> Metric:
    # temperature, fuel and pace act on both directions of one end alike: no spread between outings of its own
    return Metric(
        f"{end}.asymmetry", f"{end} speed, compression over rebound, 10th to 90th percentile", "", ENDS,
        lambda lap: lap.balance.speed.asymmetry.get(end) if lap.balance.speed else None, speed=True,
    )  # fmt: skip


# What two runs are compared by. Speeds from the 10th to the 90th percentile are slopes of quantiles: the few largest
# bumps, which differ from lap to lap, do not count there.
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
        "compression_slope", "compression speed, 10th to 90th percentile",
        lambda lap: lap.balance.speed.compression.slope if lap.balance.speed else None,
    ),
    _ratio(
        "rebound_slope", "rebound speed, 10th to 90th percentile",
        lambda lap: lap.balance.speed.rebound.slope if lap.balance.speed else None,
    ),
    *(_asymmetry(end) for end in ENDS),
    _ratio(
        "same_bump_compression", "peak compression speed on the same bumps",
        lambda lap: lap.balance.same_bump.every_compression_ratio if lap.balance.same_bump else None,
    ),
    _ratio(
        "same_bump_rebound", "peak rebound speed on the same bumps",
        lambda lap: lap.balance.same_bump.every_rebound_ratio if lap.balance.same_bump else None,
    ),
)  # fmt: skip
BY_KEY = {metric.key: metric for metric in COMPARED}


def _rest_of_end(end: End) -> tuple[Metric, ...]:
    """The metrics of an end that are not compared."""
    compared = {metric.label for metric in _end_metrics(end)}
    found = (_of_lap(end, key) for key in OF_END)
    return tuple(metric for metric in found if metric.label not in compared)


# Everything that can be read of a lap: what a season shows and its dataset holds.
LAP_METRICS: tuple[Metric, ...] = (
    *COMPARED,
    _ratio(
        "bump_compression", "compression speed on the same bump, clear bumps",
        lambda lap: lap.balance.same_bump.compression_ratio if lap.balance.same_bump else None,
    ),
    _ratio(
        "bump_rebound", "rebound speed on the same bump, clear bumps",
        lambda lap: lap.balance.same_bump.rebound_ratio if lap.balance.same_bump else None,
    ),
    *(metric for end in ENDS for metric in _rest_of_end(end)),
)  # fmt: skip


def _plain(key: str, label: str, unit: str = "", decimals: int | None = None, scale: float = 1.0) -> Metric:
    """A number that a table holds ready: its subject is the number itself."""
    return Metric(key, label, unit, (), lambda value: None if value is None else scale * value, decimals)


def pushed(key: str, label: str, unit: str = "", decimals: int | None = None, scale: float = 1.0) -> Metric:
    """A number of an end that was pushed by hand: the attribute named ``key``, times ``scale`` to be in ``unit``."""

    def read(end: Any) -> float | None:
        value = getattr(end, key)
        return None if value is None else scale * value

    return Metric(key, label, unit, (), read, decimals)


RATIO = _plain("ratio", "rear over front", decimals=2)
# The average answer to a bump, by the names of `telemetry.balance.balance.BumpMeasure`.
BUMP = {
    metric.key: metric
    for metric in (
        _plain("depth_mm", "depth", "mm"),
        _plain("time_to_peak_ms", "time to the deepest point", "ms"),
        _plain("back_ms", "time from deepest point back to ride height", "ms"),
        _plain("overshoot_share", "overshoot", "% of depth", 0, 100.0),
        _plain("cycles_to_settle", "cycles to settle", "", 1),
    )
}
# Columns that several tables have.
COUNT, SECONDS, SHARE = (
    _plain("times", "times", decimals=0),
    _plain("for_s", "duration", "s", 1),
    _plain("share", "share", "%", 0, 100.0),
)
TRAVEL, SPEED = _plain("travel_mm", "wheel travel", "mm"), _plain("speed_mm_s", "speed", "mm/s", 0)
CONTACT_MS = _plain("contact_ms", "longest contact", "ms", 0, 1000.0)
FREQUENCY, DAMPING = (
    _plain("frequency_hz", "frequency", "Hz"),
    _plain("damping_ratio", "damping ratio", decimals=2),
)
RMS_SPEED, PITCH_DEG = _plain("rms_mm_s", "RMS speed", "mm/s", 0), _plain("pitch_deg", "pitch", "deg")
TIME_S = _plain("time_s", "time", "s", 1)


def values_of(lap: LapSummary) -> dict[str, float | None]:
    """Every number of a lap by its key, in the order of `METRICS`; None if unknown. [unit of the metric]"""
    read = {metric.key: metric.read(lap) for metric in METRICS}
    return {key: value if value is not None and isfinite(value) else None for key, value in read.items()}


def values_by_lap(laps: Sequence[LapSummary], metric: Metric) -> tuple[tuple[int, ...], tuple[float, ...]]:
    """One number over laps at pace, without those where its ends are masked or it cannot be told.

    The laps' numbers, and as many values. [unit of the metric]
    """
    clean = [
        lap for lap in laps if all(lap.masked_share.get(end, 0.0) <= MAX_MASKED_SHARE for end in metric.ends)
    ]
    read = [(lap.lap, value) for lap in clean if (value := metric.read(lap)) is not None and isfinite(value)]
    return tuple(lap for lap, _ in read), tuple(float(value) for _, value in read)
