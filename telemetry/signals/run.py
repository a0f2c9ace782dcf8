"""A run: one uniform clock, travel in mm, masks. No motorcycle in it beyond the names of its sensors."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from telemetry.arrays import End, FloatArray
from telemetry.notes import QualityNote, Step


@dataclass(frozen=True)
class SensorSetup:
    """What `to_run` needs to know of one travel sensor.

    Parameters
    ----------
    channel : str
        Column of the log.
    points : tuple of (signal, mm)
        Two or more bench points.
    stroke_mm : float
        Travel beyond it is refused. [mm]
    zero : float or None
        Signal at full extension on the bike; shifts the curve.
    source : str
        The bike file, for messages.
    shape : {"line", "curve"} or None
        Of the calibration; None takes a line where the points lie on one.
    zero_interval_s : tuple of float or None
        From when to when of the log the wheels hung free. [s]
    zero_topped_out : bool
        Take the zero from the moments at which the end is topped out.
    supply : str or None
        Column of the voltage that feeds the sensor; the signal is a share of it.
    supply_reference : float or None
        Reading of that column when the points were measured.
    to_shaft : tuple of (measured mm, shaft mm)
        Where the points measure something else than shaft travel, as a rear sensor on the swingarm does: the
        way from there to the shaft, both rising. Empty where they measure the shaft.
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
    """One log on one uniform clock.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        Uniform, starting at 0. [s]
    shaft_travel_mm : mapping of end to ndarray of shape (n_samples,)
        Calibrated shaft travel, 0 at full extension, compression positive; NaN where invalid. An end
        without a sensor is not in the mapping. [mm]
    channels : mapping of str to ndarray of shape (n_samples,)
        Others, by what they mean and in these units; NaN where not known; only those that the log has:
        ``speed_m_s``, ``latitude_deg``, ``longitude_deg``, ``throttle_pct``, ``brake`` (as logged),
        ``lean_deg`` (right side down positive), ``lap`` (as logged), ``beacon`` (as logged).
        Slower channels are interpolated between their own samples (``lap`` holds its last value).
    channel_rate_hz : mapping of str to float
        The rate each of ``channels`` was logged at, by the same names. [Hz]
    sensor_noise_mm : mapping of end to float
        Estimated noise of the travel signal, standard deviation (quantisation and electronics). [mm]
    masked_share : mapping of end to float
        Share of the run's time in which travel is NaN.
    not_judged : mapping of end to str
        Ends that have a sensor but are not in ``shaft_travel_mm``, because nothing it logged is travel: why, and what
        to do.
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
