"""Run: travel in mm and the other channels of a log on one even clock."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

from telemetry.arrays import End, FloatArray
from telemetry.notes import QualityNote, Step

# Of a rear shock in road racing (common practice, no source); a fork's is longer. [mm]
USUAL_STROKE_MM = 70.0


@dataclass(frozen=True)
class SensorSetup:
    """Setup of one travel sensor, for `to_run`."""

    channel: str  # column of the log
    points: tuple[tuple[float, float], ...]  # bench points (signal, mm), two or more
    stroke_mm: float  # of the damper; travel beyond it is refused. inf: not known
    zero: float | None = None  # signal at full extension on the bike; shifts the curve
    source: str = "bike file"  # for messages
    shape: Literal["line", "curve"] | None = None  # of the calibration; None: a line if the points lie on one
    zero_interval_s: tuple[float, float] | None = None  # time in the log with the wheels off the ground
    zero_topped_out: bool = False  # take the zero from the moments at which the end is topped out
    supply: str | None = None  # column of the sensor's supply voltage; the signal is a share of it
    supply_reference: float | None = None  # reading of that column when the points were measured
    to_shaft: tuple[
        tuple[float, float], ...
    ] = ()  # (measured mm, shaft mm); empty if the points measure the shaft

    @property
    def scale_mm(self) -> float:
        """Stroke that shares are taken of: a usual one where it is not known. [mm]"""
        return self.stroke_mm if isfinite(self.stroke_mm) else USUAL_STROKE_MM


@dataclass(frozen=True)
class Run:
    """One log on one even clock; arrays of shape (n_samples,), NaN where missing or invalid.

    ``channels`` are the other channels by meaning, in these units: ``speed_m_s``, ``latitude_deg``, ``longitude_deg``,
    ``throttle_pct``, ``brake`` (as logged), ``lean_deg`` (right side down positive), ``lap`` (as logged), ``beacon``
    (as logged). Slower channels are interpolated between their own samples (``lap`` holds its last value).
    """

    source: str
    t_s: FloatArray  # uniform, starting at 0
    sample_rate_hz: float
    shaft_travel_mm: Mapping[
        End, FloatArray
    ]  # 0 at full extension, compression positive; only ends with a sensor
    channels: Mapping[str, FloatArray]
    channel_rate_hz: Mapping[str, float]  # logged rate of each of ``channels``
    sensor_noise_mm: Mapping[
        End, float
    ]  # standard deviation of the noise of travel (quantisation and electronics)
    masked_share: Mapping[End, float]  # share of the run's time in which travel is NaN
    not_judged: Mapping[End, str] = field(default_factory=dict)  # ends without usable travel: why, what to do
    notes: tuple[QualityNote, ...] = ()
    history: tuple[Step, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the run. [s]"""
        return float(self.t_s[-1] - self.t_s[0])
