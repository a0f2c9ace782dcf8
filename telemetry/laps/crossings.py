"""When the start line was crossed: from a lap channel, a beacon, a GPS line, or the speed alone."""

import numpy as np

from telemetry.arrays import FloatArray

# Two crossings closer than this are one. No circuit for motorcycles is lapped faster; no source.
MIN_LAP_S = 15.0
# A crossing counts this far to either side of the line's middle: pit lane included, next straight not.
LINE_HALF_WIDTH_M = 20.0
# A lap pattern in the speed must repeat this well to be believed (correlation of whole laps).
MIN_PATTERN_CORRELATION = 0.75
PATTERN_STEP_M = 5.0
MIN_LAP_M = 600.0


def _apart(times_s: FloatArray) -> FloatArray:
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
    known = np.flatnonzero(np.isfinite(lap))
    number = np.round(lap[known]).astype(np.int64)
    rises = np.flatnonzero(np.diff(number) > 0)
    times = (t_s[known[rises]] + t_s[known[rises + 1]]) / 2
    return times, number[rises + 1].tolist()


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
    level = np.nan_to_num(beacon, nan=np.nanmin(beacon))
    half = (level.min() + level.max()) / 2
    if level.max() == level.min():
        return np.array([])
    before = np.flatnonzero((level[:-1] < half) & (level[1:] >= half))
    part = (half - level[before]) / (level[before + 1] - level[before])
    return _apart(t_s[before] + part * (t_s[before + 1] - t_s[before]))


def from_line(t_s: FloatArray, east_m: FloatArray, north_m: FloatArray, heading_rad: float) -> FloatArray:
    """Crossings of a line through the origin, in the direction of travel, interpolated in time.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        [s]
    east_m, north_m : ndarray of shape (n_samples,)
        Position relative to the middle of the line; NaN where unknown. [m]
    heading_rad : float
        Direction of travel across the line, from east towards north. [rad]

    Returns
    -------
    ndarray
        [s]
    """
    along = east_m * np.cos(heading_rad) + north_m * np.sin(heading_rad)
    across = -east_m * np.sin(heading_rad) + north_m * np.cos(heading_rad)
    with np.errstate(invalid="ignore"):
        before = np.flatnonzero(
            (along[:-1] < 0) & (along[1:] >= 0) & (np.abs(across[1:]) < LINE_HALF_WIDTH_M)
        )
    part = -along[before] / (along[before + 1] - along[before])
    return _apart(t_s[before] + part * (t_s[before + 1] - t_s[before]))


def from_speed_pattern(t_s: FloatArray, speed_m_s: FloatArray) -> FloatArray:
    """Crossings of the fastest point of the lap, found because the speed repeats from lap to lap.

    Parameters
    ----------
    t_s, speed_m_s : ndarray of shape (n_samples,)
        [s, m/s]

    Returns
    -------
    ndarray
        Empty when no pattern repeats well enough. [s]
    """
    step_s = t_s[1] - t_s[0]
    travelled = np.cumsum(np.nan_to_num(speed_m_s)) * step_s
    grid = np.arange(0.0, travelled[-1], PATTERN_STEP_M)
    if len(grid) * PATTERN_STEP_M < 2 * MIN_LAP_M:
        return np.array([])
    # distance stands still while the bike does: keep one sample per place
    places, index = np.unique(travelled, return_index=True)
    speed = np.interp(grid, places, speed_m_s[index])
    lag = _lap_lag(speed)
    if lag is None:
        return np.array([])
    fastest = int(np.argmax(speed))
    marks = [fastest]
    for direction in (1, -1):
        at = _same_place(speed, fastest, fastest + direction * lag, lag)
        while at is not None:
            marks.append(at)
            at = _same_place(speed, fastest, at + direction * lag, lag)
    return _apart(np.interp(grid[sorted(marks)], places, t_s[index]))


def _lap_lag(speed: FloatArray) -> int | None:
    """Steps of distance after which the speed repeats; None when it does not."""
    n = len(speed)
    lags = np.arange(round(MIN_LAP_M / PATTERN_STEP_M), n * 2 // 3)
    score = np.array([np.corrcoef(speed[:-lag], speed[lag:])[0, 1] for lag in lags])
    if not len(score) or np.nanmax(score) < MIN_PATTERN_CORRELATION:
        return None
    # two laps repeat as well as one: take the first lag that is nearly as good as the best
    peaks = np.flatnonzero(score > max(MIN_PATTERN_CORRELATION, np.nanmax(score) - 0.08))
    first = peaks[peaks < peaks[0] + 40]
    return int(lags[first[np.argmax(score[first])]])


def _same_place(speed: FloatArray, reference: int, guess: int, lag: int) -> int | None:
    """The step near ``guess`` that looks like ``reference``; None outside the run or when nothing fits."""
    half = lag // 6
    if reference - half < 0 or reference + half >= len(speed):
        return None
    pattern = speed[reference - half : reference + half]
    slack = max(lag // 30, 2)
    best, best_score = None, MIN_PATTERN_CORRELATION
    for at in range(guess - slack, guess + slack + 1):
        if at - half >= 0 and at + half < len(speed):
            score = np.corrcoef(pattern, speed[at - half : at + half])[0, 1]
            if score > best_score:
                best, best_score = at, score
    return best
