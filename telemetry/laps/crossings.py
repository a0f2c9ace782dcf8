"""When the start line was crossed: from a lap channel, a beacon, or a line on the ground."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps.fixes import Fixes
from telemetry.laps.smooth import runs_longer

# Two crossings closer than this are one. No circuit for motorcycles is lapped faster; no source.
MIN_LAP_S = 15.0
# A crossing counts this far to either side of the line's middle: pit lane included, next straight not.
LINE_HALF_WIDTH_M = 20.0
# A lap number that holds for less is a slip of the logger.
LEAST_HELD_S = 1.0
# Places tried as a line where the fastest point is passed too rarely.
TRIALS = 60


def apart(times_s: FloatArray) -> FloatArray:
    """Leave out crossings that follow another within `MIN_LAP_S`."""
    kept: list[float] = []
    for time in times_s.tolist():
        if not kept or time - kept[-1] >= MIN_LAP_S:
            kept.append(time)
    return np.array(kept)


def from_lap_channel(t_s: FloatArray, lap: FloatArray) -> tuple[FloatArray, list[int]]:
    """Crossings where the lap number rises, and the number it rises to.

    The line was crossed somewhere between two samples of the counter; half way is the best guess.

    Parameters
    ----------
    t_s, lap : ndarray of shape (n_samples,)
        [s, lap number held between its own samples]

    Returns
    -------
    tuple of ndarray and list of int
        [s]
    """
    known = np.isfinite(lap)
    if not known.any():
        return np.array([]), []
    # only where the counter changes is looked at: the rest of a long log is the same number
    changes = np.flatnonzero(np.diff(np.where(known, lap, -1.0)) != 0) + 1
    starts = np.concatenate(([0], changes))
    starts = starts[known[starts]]
    ends = np.append(t_s[starts[1:]], t_s[-1] + LEAST_HELD_S)
    starts = starts[ends - t_s[starts] >= LEAST_HELD_S]
    number = np.round(lap[starts]).astype(np.int64)
    rises = np.flatnonzero(np.diff(number) > 0) + 1
    times = 0.5 * (t_s[starts[rises]] + t_s[np.maximum(starts[rises] - 1, 0)])
    return times, number[rises].tolist()


def from_beacon(t_s: FloatArray, beacon: FloatArray) -> FloatArray:
    """Crossings at the rising edges of a beacon pulse, interpolated to half its height.

    Parameters
    ----------
    t_s, beacon : ndarray of shape (n_samples,)

    Returns
    -------
    ndarray
        [s]
    """
    level, half = _level(beacon)
    before = np.flatnonzero((level[:-1] < half) & (level[1:] >= half))
    part = (half - level[before]) / (level[before + 1] - level[before])
    return apart(t_s[before] + part * (t_s[before + 1] - t_s[before]))


def shortest_pulse(beacon: FloatArray) -> int:
    """How many samples the shortest pulse of a beacon lasts; 0 without a pulse."""
    level, half = _level(beacon)
    return min((end - start for start, end in runs_longer(level >= half, 1)), default=0)


def _level(beacon: FloatArray) -> tuple[FloatArray, float]:
    """A beacon without blanks, and half the height of its pulses; infinite where it never changes."""
    if not np.isfinite(beacon).any():
        return np.zeros(len(beacon)), np.inf
    level = np.nan_to_num(beacon, nan=np.nanmin(beacon))
    return level, float(level.min() + level.max()) / 2 if level.max() > level.min() else np.inf


def from_line(fixes: Fixes, middle_m: tuple[float, float], heading_rad: float) -> FloatArray:
    """Crossings of a line on the ground, in the direction of travel, interpolated between fixes.

    Parameters
    ----------
    middle_m : tuple of float
        Middle of the line. [m]
    heading_rad : float
        Direction of travel across it, from east towards north. [rad]

    Returns
    -------
    ndarray
        [s]
    """
    cos, sin = np.cos(heading_rad), np.sin(heading_rad)
    east, north = fixes.east_m - middle_m[0], fixes.north_m - middle_m[1]
    along, across = east * cos + north * sin, north * cos - east * sin
    before = np.flatnonzero((along[:-1] < 0) & (along[1:] >= 0))
    step = along[before + 1] - along[before]
    part = -along[before] / step
    at = across[before] + part * (across[before + 1] - across[before])
    # a road that crosses this one goes mainly across, however slowly it gains along
    straight = np.abs(across[before + 1] - across[before]) < 1.7 * step
    good = straight & (np.abs(at) < LINE_HALF_WIDTH_M)
    t_s = fixes.t_s
    return apart((t_s[before] + part * (t_s[before + 1] - t_s[before]))[good])


def heading_at(fixes: Fixes, index: int) -> float:
    """Direction of travel at a fix, over about half a second to either side. [rad]"""
    reach = max(round(0.5 * fixes.rate_hz), 1)
    first, last = max(index - reach, 0), min(index + reach, len(fixes.t_s) - 1)
    return float(
        np.arctan2(fixes.north_m[last] - fixes.north_m[first], fixes.east_m[last] - fixes.east_m[first])
    )


def found_line(fixes: Fixes, speed_m_s: FloatArray) -> tuple[tuple[float, float], float, FloatArray]:
    """A line across the fastest point of the track, or where it is passed more often if that is hardly passed.

    Parameters
    ----------
    speed_m_s : ndarray of shape (n_fixes,)
        [m/s]

    Returns
    -------
    tuple
        Middle [m], heading [rad] and crossings [s].
    """

    def through(index: int) -> tuple[tuple[float, float], float, FloatArray]:
        middle, heading = (float(fixes.east_m[index]), float(fixes.north_m[index])), heading_at(fixes, index)
        return middle, heading, from_line(fixes, middle, heading)

    fastest = through(int(np.nanargmax(speed_m_s)))
    if len(fastest[2]) > 2:
        return fastest
    riding = np.flatnonzero(np.nan_to_num(speed_m_s) > 0.3 * np.nanmax(speed_m_s))
    trials = riding[np.linspace(0, len(riding) - 1, min(TRIALS, len(riding))).astype(np.int64)]
    tried = [(len(trial[2]), float(speed_m_s[i]), trial) for i in trials.tolist() for trial in [through(i)]]
    most, _, line = max(tried, key=lambda row: row[:2])
    return line if most > len(fastest[2]) else fastest
