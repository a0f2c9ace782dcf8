"""Corner phases: braking, entry, mid-corner, drive, straight; from whichever channels the log has."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.laps.lap import PHASES
from telemetry.laps.smooth import moving_mean, runs_longer

BRAKING, ENTRY, MID, DRIVE, STRAIGHT = range(len(PHASES))

# Choices of ours, from what the words mean on a circuit; no source.
LEANING_DEG = 15.0
MID_SHARE_OF_PEAK_LEAN = 0.85
BRAKING_M_S2 = -3.0
DRIVING_M_S2 = 1.5
BRAKE_SHARE = 0.08
SMOOTH_S = 0.4
EXIT_S = 2.0
# An accelerometer that agrees less with the speed (correlation) shows something else.
SAME_ACCELERATION = 0.7
GRAVITY_M_S2 = 9.81


def longitudinal_m_s2(speed_m_s: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Acceleration along the track from a smoothed speed. [m/s2]"""
    return np.gradient(moving_mean(speed_m_s, max(round(SMOOTH_S * sample_rate_hz), 3))) * sample_rate_hz


def measured_m_s2(
    measured_m_s2: FloatArray, by_speed_m_s2: FloatArray | None, sample_rate_hz: float
) -> FloatArray | None:
    """An accelerometer's reading along the motorcycle, smoothed, if it goes with what the speed says.

    Parameters
    ----------
    measured_m_s2 : ndarray of shape (n_samples,)
        Positive forwards. [m/s2]
    by_speed_m_s2 : ndarray of shape (n_samples,) or None
        From the speed; None where there is none to compare with. [m/s2]

    Returns
    -------
    ndarray of shape (n_samples,) or None
        None if it is turned round, mounted across, or shows something else.
    """
    smooth = moving_mean(measured_m_s2, max(round(SMOOTH_S * sample_rate_hz), 3))
    if by_speed_m_s2 is None:
        return smooth if np.isfinite(smooth).any() else None
    both = np.isfinite(smooth) & np.isfinite(by_speed_m_s2)
    if np.count_nonzero(both) < 10 or np.ptp(smooth[both]) == 0.0:
        return None
    return smooth if np.corrcoef(smooth[both], by_speed_m_s2[both])[0, 1] >= SAME_ACCELERATION else None


def phases_from_lean(
    lean_deg: FloatArray, braking: BoolArray, driving: BoolArray, sample_rate_hz: float
) -> IntArray:
    """Phases from the lean, with braking and driving telling apart what happens upright.

    Inside a corner: entry until the lean comes within 15 % of its peak, mid-corner while it stays there, then
    drive. Upright: braking, driving (for the exit that goes on upright) or straight.

    Parameters
    ----------
    lean_deg : ndarray of shape (n_samples,)
        Either side; NaN where unknown. [deg]
    braking, driving : ndarray of bool, shape (n_samples,)

    Returns
    -------
    ndarray of int, shape (n_samples,)
        Index into PHASES; -1 where the lean is unknown.
    """
    signed = moving_mean(lean_deg, max(round(SMOOTH_S * sample_rate_hz), 3))
    known = np.isfinite(signed)
    signed = np.nan_to_num(signed)
    phase = np.full(len(signed), STRAIGHT)
    phase[braking] = BRAKING
    for side in (-1.0, 1.0):
        lean = side * signed
        for start, end in runs_longer(lean > LEANING_DEG, 1):
            middle = start + np.flatnonzero(lean[start:end] >= MID_SHARE_OF_PEAK_LEAN * lean[start:end].max())
            # later dips below 85 % between two peaks are still the middle
            phase[start : middle[0]] = ENTRY
            phase[middle[0] : middle[-1] + 1] = MID
            phase[middle[-1] + 1 : end] = DRIVE
    leaning = np.abs(signed) > LEANING_DEG
    phase[_exits(leaning, phase, driving, round(EXIT_S * sample_rate_hz))] = DRIVE
    phase[~known] = -1
    return phase


def _exits(leaning: BoolArray, phase: IntArray, driving: BoolArray, longest: int) -> BoolArray:
    """Upright driving that directly follows a corner, for at most ``longest`` samples."""
    exits = np.zeros(len(leaning), dtype=bool)
    for end in (np.flatnonzero(leaning[:-1] & ~leaning[1:]) + 1).tolist():
        stop = min(end + longest, len(leaning))
        goes_on = driving[end:stop] & (phase[end:stop] == STRAIGHT)
        length = int(np.argmin(goes_on)) if not goes_on.all() else stop - end
        exits[end : end + length] = True
    return exits


def phases_from_speed(acceleration_m_s2: FloatArray) -> IntArray:
    """Phases when nothing but the speed is known: mid-corner is the slow part between braking and driving.

    Parameters
    ----------
    acceleration_m_s2 : ndarray of shape (n_samples,)
        Along the track; NaN where unknown. [m/s2]

    Returns
    -------
    ndarray of int, shape (n_samples,)
        Index into PHASES, never entry (the turn-in does not show in the speed); -1 where unknown.
    """
    a = np.nan_to_num(acceleration_m_s2)
    phase = np.full(len(a), STRAIGHT)
    phase[a < BRAKING_M_S2] = BRAKING
    phase[a > DRIVING_M_S2] = DRIVE
    edges = np.flatnonzero(np.diff(phase)) + 1
    starts, stops = np.concatenate(([0], edges)), np.concatenate((edges, [len(phase)]))
    for index in range(1, len(starts) - 1):
        before, here, after = phase[starts[index - 1]], phase[starts[index]], phase[starts[index + 1]]
        if here == STRAIGHT and before == BRAKING and after == DRIVE:
            phase[starts[index] : stops[index]] = MID
    phase[~np.isfinite(acceleration_m_s2)] = -1
    return phase


def is_braking(brake: FloatArray | None, acceleration_m_s2: FloatArray) -> BoolArray:
    """Brake applied, from the brake channel where there is one, else from the deceleration."""
    if brake is not None and np.isfinite(brake).any():
        low, high = np.nanpercentile(brake, [5, 99.5])
        if high > low:
            return np.asarray(np.nan_to_num(brake, nan=low) > low + BRAKE_SHARE * (high - low))
    return np.asarray(np.nan_to_num(acceleration_m_s2) < BRAKING_M_S2)


def lean_from_curvature(curvature_1_m: FloatArray, speed_m_s: FloatArray) -> FloatArray:
    """Lean that balances a bend: atan(v^2 x curvature / g), right positive.

    Parameters
    ----------
    curvature_1_m, speed_m_s : ndarray of shape (n_samples,)
        Curvature positive to the right. [1/m, m/s]

    Returns
    -------
    ndarray of shape (n_samples,)
        The angle of the line from contact point to centre of mass; the chassis leans a little more. [deg]
    """
    return np.degrees(np.arctan(speed_m_s**2 * curvature_1_m / GRAVITY_M_S2))


def lean_from_path(
    east_m: FloatArray, north_m: FloatArray, speed_m_s: FloatArray, sample_rate_hz: float
) -> FloatArray:
    """Lean that balances the bends of a ride's own path, where there is no centre line to take them from.

    Parameters
    ----------
    east_m, north_m, speed_m_s : ndarray of shape (n_samples,)
        [m, m, m/s]

    Returns
    -------
    ndarray of shape (n_samples,)
        Right positive. [deg]
    """
    width = max(round(0.5 * sample_rate_hz), 3)
    east, north = np.gradient(moving_mean(east_m, width)), np.gradient(moving_mean(north_m, width))
    known = np.isfinite(east) & np.isfinite(north)
    heading = np.full(len(east), np.nan)
    heading[known] = np.unwrap(np.arctan2(north[known], east[known]))
    yaw_rate = np.gradient(moving_mean(heading, width)) * sample_rate_hz
    return np.degrees(np.arctan(-speed_m_s * yaw_rate / GRAVITY_M_S2))
