"""Run: travel in mm and the other channels of a log on one even clock."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from telemetry.arrays import End, FloatArray
from telemetry.notes import QualityNote, Step


@dataclass(frozen=True)
class SensorSetup:
    """Setup of one travel sensor, for `to_run`.

    Parameters
    ----------
    channel : str
        Column of the log.
    points : tuple of (signal, mm)
        Two or more bench points.
    stroke_mm : float
        Of the damper; travel beyond it is refused. [mm]
    zero : float or None
        Signal at full extension on the bike; shifts the curve.
    source : str
        The bike file, for messages.
    shape : {"line", "curve"} or None
        Shape of the calibration; None: a line if the points lie on one.
    zero_interval_s : tuple of float or None
        Start and end of a time in the log with the wheels off the ground. [s]
    zero_topped_out : bool
        Take the zero from the moments at which the end is topped out.
    supply : str or None
        Column of the sensor's supply voltage; the signal is a share of it.
    supply_reference : float or None
        Reading of that column when the points were measured.
    to_shaft : tuple of (measured mm, shaft mm)
        Conversion to shaft travel if the points measure something else, as a rear sensor on the swingarm does; both
        rising. Empty if they measure the shaft.
    """

    channel: str
    points: tuple[tuple[float, float], ...]
    stroke_mm: float
    zero: float | None = None
    source: str = "bike file"
    shape: Literal["line", "curve"] | None = None
    zero_interval_s: tuple[float, float] | None = None
    zero_topped_out: bool = False
    supply: str | None = None
    supply_reference: float | None = None
    to_shaft: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Run:
    """One log on one even clock.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        Uniform, starting at 0. [s]
    shaft_travel_mm : mapping of end to ndarray of shape (n_samples,)
        Calibrated shaft travel, 0 at full extension, compression positive; NaN where invalid. An end
        without a sensor is not in the mapping. [mm]
    channels : mapping of str to ndarray of shape (n_samples,)
        Other channels of the log by meaning, in these units; NaN where missing:
        ``speed_m_s``, ``latitude_deg``, ``longitude_deg``, ``throttle_pct``, ``brake`` (as logged),
        ``lean_deg`` (right side down positive), ``lap`` (as logged), ``beacon`` (as logged).
        Slower channels are interpolated between their own samples (``lap`` holds its last value).
    channel_rate_hz : mapping of str to float
        Logged rate of each of ``channels``. [Hz]
    sensor_noise_mm : mapping of end to float
        Estimated noise of the travel signal, standard deviation (quantisation and electronics). [mm]
    masked_share : mapping of end to float
        Share of the run's time in which travel is NaN.
    not_judged : mapping of end to str
        Ends with a sensor but no usable travel: the reason, and what to do.
    """

    source: str
    t_s: FloatArray
    sample_rate_hz: float
    shaft_travel_mm: Mapping[End, FloatArray]
    channels: Mapping[str, FloatArray]
    channel_rate_hz: Mapping[str, float]
    sensor_noise_mm: Mapping[End, float]
    masked_share: Mapping[End, float]
    not_judged: Mapping[End, str] = field(default_factory=dict)
    notes: tuple[QualityNote, ...] = ()
    history: tuple[Step, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the run. [s]"""
        return float(self.t_s[-1] - self.t_s[0])
