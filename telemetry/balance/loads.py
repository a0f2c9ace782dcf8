"""What the rider does to the motorcycle: acceleration along the track, lean and speed, and the loads they put on it.

In the plane of the motorcycle, about the centre of mass of what the springs carry:

    weight   m g / cos(lean)                         on every mass
    moment   -M a h, nose down under braking         on the chassis
    front    -tan(rake) B                            brake force along the raked fork
    rear     share of T h / wheelbase                chain and swingarm, past the spring
    drag     c v^2                                   more drive than M a, a moment, lift

a is the acceleration along the track, M the whole mass, h the height of the centre of mass, B = -M a while braking and
T = M a under drive.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfiltfilt

from telemetry.arrays import ENDS, FloatArray
from telemetry.bike import GRAVITY_M_S2, Bike
from telemetry.bike.springs import chassis_of
from telemetry.laps import Track
from telemetry.laps.corners import lean_from_path, measured_m_s2
from telemetry.signals import Run

RIDING_HZ = 50.0
# A speed is differentiated up to where its spectrum is twice its own noise, within these. [Hz]
SMOOTHING_HZ = (0.8, 8.0)
SEGMENT_S = 10.24
MOST_LEAN_DEG = 70.0
SLOW_M_S = 15.0


@dataclass(frozen=True)
class Load:
    """What one load does, over some samples: forces along both ends at the wheel, weight of a mass, moment.

    Arrays of shape (n_samples,). [N, N, m/s2, N m]
    """

    front_n: FloatArray
    rear_n: FloatArray
    weight_m_s2: FloatArray
    moment_n_m: FloatArray


@dataclass(frozen=True)
class Riding:
    """Acceleration along the track, lean and speed on an even clock that begins with the run; NaN where unknown.

    Parameters
    ----------
    speed_m_s, acceleration_m_s2, lean_deg : ndarray of shape (n_samples,)
        Acceleration positive under drive; lean to either side.
    sources : mapping of str to str
        What acceleration and lean are from; a quantity that is not known is not in it.
    brake, throttle : ndarray of shape (n_samples,) or None
        As logged; None where the log has none.
    """

    rate_hz: float
    speed_m_s: FloatArray
    acceleration_m_s2: FloatArray
    lean_deg: FloatArray
    sources: Mapping[str, str]
    brake: FloatArray | None = None
    throttle: FloatArray | None = None

    def at(self, t_s: FloatArray, values: FloatArray) -> FloatArray:
        """One of its arrays at other instants, straight lines between."""
        return np.interp(t_s, np.arange(len(values)) / self.rate_hz, values)


def find_riding(track: Track, sample_rate_hz: float, run: Run | None = None) -> Riding:
    """Acceleration, lean and speed from whichever channels there are.

    Parameters
    ----------
    track : Track
        Its speed is the run's, put right where the unit was wrong.
    sample_rate_hz : float
        Of the track.
    run : Run, optional
        With its channels; without it only speed and positions of the track are used.

    Returns
    -------
    Riding
        Acceleration from the speed, else from an accelerometer; lean from its channel, else from speed and the bends
        of the positions.
    """
    channels = {} if run is None else run.channels
    own_hz = {} if run is None else run.channel_rate_hz
    step = max(1, int(sample_rate_hz / RIDING_HZ))
    rate_hz = sample_rate_hz / step
    sources: dict[str, str] = {}
    speed = track.speed_m_s[::step]
    acceleration = np.full(len(speed), np.nan)
    if np.isfinite(speed).any():
        name = "speed_m_s" if "speed_m_s" in channels else "latitude_deg"
        acceleration, sources["acceleration"] = derivative(speed, rate_hz, own_hz.get(name, rate_hz)), "speed"
    elif "acceleration_m_s2" in channels:
        measured = measured_m_s2(channels["acceleration_m_s2"][::step], None, rate_hz)
        if measured is not None:
            acceleration, sources["acceleration"] = measured, "acceleration"
    lean = np.full(len(speed), np.nan)
    if "lean_deg" in channels and np.isfinite(channels["lean_deg"]).any():
        lean, sources["lean"] = channels["lean_deg"][::step], "lean"
    elif track.x_m is not None and track.y_m is not None and np.isfinite(speed).any():
        lean = lean_from_path(track.x_m[::step], track.y_m[::step], speed, rate_hz)
        sources["lean"] = "positions"
    brake, throttle = (
        channels[name][::step] if name in channels and np.isfinite(channels[name]).any() else None
        for name in ("brake", "throttle_pct")
    )
    lean = np.clip(lean, -MOST_LEAN_DEG, MOST_LEAN_DEG)
    return Riding(rate_hz, speed, acceleration, lean, sources, brake, throttle)


def derivative(values: FloatArray, rate_hz: float, own_rate_hz: float) -> FloatArray:
    """Derivative of a noisy signal, up to the frequency at which its spectrum sinks into its own noise.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where unknown.
    own_rate_hz : float
        Rate at which it was logged; between its own samples are straight lines.

    Returns
    -------
    ndarray of shape (n_samples,)
        Per second; NaN where the values are.
    """
    known = np.isfinite(values)
    filled = np.interp(np.arange(len(values)), np.flatnonzero(known), values[known])
    cut_hz = min(bandwidth_hz(filled, rate_hz, own_rate_hz), 0.45 * rate_hz)
    if len(filled) > 15:
        filled = sosfiltfilt(butter(2, cut_hz, fs=rate_hz, output="sos"), filled)
    return np.where(known, np.gradient(filled) * rate_hz, np.nan)


def bandwidth_hz(values: FloatArray, rate_hz: float, own_rate_hz: float) -> float:
    """Up to where the spectrum of a signal stands out of its noise, taken from the top of its own band. [Hz]"""
    low, high = SMOOTHING_HZ
    length = round(SEGMENT_S * rate_hz)
    top = 0.4 * min(rate_hz, own_rate_hz)
    if len(values) < 2 * length or top <= low:
        return low
    segments = np.lib.stride_tricks.sliding_window_view(np.diff(values), length)[:: length // 2]
    lines = np.fft.rfft((segments - segments.mean(axis=1, keepdims=True)) * np.hanning(length), axis=1)
    power = np.mean(np.abs(lines) ** 2, axis=0)
    frequency = np.fft.rfftfreq(length, 1 / rate_hz)
    # of the differences white noise rises as sin^2
    power /= np.maximum(np.sin(np.pi * frequency / rate_hz) ** 2, 1e-12)
    noise = float(np.median(power[(frequency > 0.6 * top) & (frequency <= top)]))
    sunk = np.flatnonzero((power < 2 * noise) & (frequency > low))
    return float(np.clip(frequency[sunk[0]], low, high)) if len(sunk) else high


def loads(riding: Riding, t_s: FloatArray, bike: Bike, anti_squat: float) -> tuple[Load, tuple[Load, ...]]:
    """The loads as far as they follow from mass and place of the centre of mass, and what may be added to them.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        [s]
    bike : Bike
        With [chassis].
    anti_squat : float
        Share of the load transfer under drive that chain and swingarm carry; 0 where the bike file does not tell.

    Returns
    -------
    tuple of Load
        Of unknown size, as many and in the same order for every part of a run: brake and drive about another height, a
        share of the brake at the front and at the rear, of the drive at the rear, drag and lift, weight by a lean
        that reads too much, and what brake and throttle channels show faster than the speed does.
    """
    chassis = chassis_of(bike)
    mass = chassis.sprung_mass_kg + sum(bike.end(end).unsprung_mass_kg or 0.0 for end in ENDS)
    height_m = chassis.com_height_mm / 1e3
    nil = np.zeros(len(t_s))
    lean, speed, acceleration = (
        np.nan_to_num(riding.at(t_s, values))
        for values in (riding.lean_deg, riding.speed_m_s, riding.acceleration_m_s2)
    )
    weight = GRAVITY_M_S2 / np.cos(np.radians(lean))
    brake, drive, drag = mass * np.maximum(-acceleration, 0.0), mass * np.maximum(acceleration, 0.0), speed**2
    known = Load(
        -float(np.tan(np.radians(bike.front.rake_deg))) * brake,
        anti_squat * 1e3 * height_m / bike.wheelbase_mm * drive,
        -weight,
        height_m * (brake - drive),
    )

    def front(values: FloatArray) -> Load:
        return Load(values, nil, nil, nil)

    def rear(values: FloatArray) -> Load:
        return Load(nil, values, nil, nil)

    def moment(values: FloatArray) -> Load:
        return Load(nil, nil, nil, values)

    free = [moment(brake), moment(drive), moment(drag), front(brake), front(drag)]
    free += [rear(brake), rear(drive), rear(drag), Load(nil, nil, GRAVITY_M_S2 - weight, nil)]
    if riding.brake is not None:
        pressed = np.nan_to_num(riding.at(t_s, riding.brake))
        free += [moment(pressed), front(pressed)]
    if riding.throttle is not None:
        opened = np.nan_to_num(riding.at(t_s, riding.throttle))
        for shape in (opened, opened / np.maximum(speed, SLOW_M_S)):  # by force at low speed, by power above
            free += [moment(shape), rear(shape)]
    return known, tuple(free)
