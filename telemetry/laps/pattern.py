"""Laps from the speed alone: it repeats from lap to lap, or the motorcycle comes back to its box."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.laps.crossings import MIN_LAP_S, apart
from telemetry.laps.smooth import runs_longer

# A lap pattern in the speed must repeat this well to be believed (correlation of whole laps).
MIN_PATTERN_CORRELATION = 0.75
# A stretch that repeats twice as long is not the lap: the first that is nearly as good as the best is.
NEARLY = 0.08
PATTERN_STEP_M = 5.0
MIN_LAP_M, LONGEST_LAP_M = 600.0, 25_000.0
# Parts of one stretch that agree this well in speed are laps: those of one rider agree to 0.99 and more, like parts of
# one lap to 0.7 on 30 random circuits. So many laps at most are sought in one.
SAME_LAP, MOST_IN_ONE = 0.9, 8
PLACES_IN_LAP = 400
# Standing this long is a stop at the box; the rides between stops are laps when their lengths agree this well.
BOX_STOP_S = 8.0
STILL_M_S = 1.0
SAME_LENGTH = 0.03


def from_speed_pattern(t_s: FloatArray, travelled_m: FloatArray) -> FloatArray:
    """Crossings of the fastest point of the lap, found because the speed repeats from lap to lap.

    Parameters
    ----------
    t_s, travelled_m : ndarray of shape (n,)
        Even clock, and distance on it. [s, m]

    Returns
    -------
    ndarray
        Empty when no pattern repeats well enough. [s]
    """
    grid = np.arange(0.0, travelled_m[-1], PATTERN_STEP_M)
    if len(grid) * PATTERN_STEP_M < 2 * MIN_LAP_M:
        return np.array([])
    # distance stands still while the motorcycle does: keep one sample per place
    places, index = np.unique(travelled_m, return_index=True)
    times = t_s[index]
    speed = PATTERN_STEP_M / np.gradient(np.interp(grid, places, times))
    lag = _lap_lag(speed)
    if lag is None:
        return np.array([])
    # the fastest point that has enough of its lap around it to be recognised by
    margin = lag // 6
    fastest = margin + int(np.argmax(speed[margin : len(speed) - margin]))
    marks = [float(fastest)]
    for direction in (1, -1):
        at = _same_place(speed, fastest, fastest + direction * lag, lag)
        while at is not None:
            marks.append(at)
            at = _same_place(speed, fastest, round(at) + direction * lag, lag)
    return apart(np.interp(np.sort(marks) * PATTERN_STEP_M, places, times))


def _lap_lag(speed: FloatArray) -> int | None:
    """Steps of distance after which the speed repeats; None when it does not."""
    n = len(speed)
    first = round(MIN_LAP_M / PATTERN_STEP_M)
    lags = np.arange(first, min(n * 2 // 3, round(LONGEST_LAP_M / PATTERN_STEP_M)), dtype=np.int64)
    if not len(lags):
        return None
    score = _self_correlation(speed, lags)
    if score.max() < MIN_PATTERN_CORRELATION:
        return None
    peaks = np.flatnonzero(score > max(MIN_PATTERN_CORRELATION, score.max() - NEARLY))
    near = peaks[peaks < peaks[0] + 40]
    return int(lags[near[np.argmax(score[near])]])


def _self_correlation(values: FloatArray, lags: IntArray) -> FloatArray:
    """Pearson correlation of a signal with itself, that many samples later, over what overlaps."""
    n = len(values)
    centred = values - values.mean()
    size = 1 << int(np.ceil(np.log2(2 * n)))
    products = np.fft.irfft(np.abs(np.fft.rfft(centred, size)) ** 2, size)[lags]
    sums = np.concatenate(([0.0], np.cumsum(centred)))
    squares = np.concatenate(([0.0], np.cumsum(centred**2)))
    count = n - lags
    early, late = sums[n - lags] / count, (sums[n] - sums[lags]) / count
    spread = (squares[n - lags] / count - early**2) * ((squares[n] - squares[lags]) / count - late**2)
    return np.asarray((products / count - early * late) / np.sqrt(np.maximum(spread, 1e-12)))


def _same_place(speed: FloatArray, reference: int, guess: int, lag: int) -> float | None:
    """The place near ``guess`` that looks like ``reference``, in steps; None outside the run or when nothing fits."""
    half, slack = lag // 6, max(lag // 30, 2)
    if reference - half < 0 or reference + half >= len(speed):
        return None
    pattern = speed[reference - half : reference + half]
    trials = np.arange(guess - slack, guess + slack + 1)
    trials = trials[(trials - half >= 0) & (trials + half < len(speed))]
    if not len(trials):
        return None
    score = np.array([np.corrcoef(pattern, speed[at - half : at + half])[0, 1] for at in trials.tolist()])
    best = int(np.argmax(score))
    if score[best] < MIN_PATTERN_CORRELATION:
        return None
    if not 0 < best < len(score) - 1:
        return None  # better still beyond the end of the run
    # between the steps: the top of the parabola through the three best
    before, here, after = score[best - 1 : best + 2]
    bend = before - 2 * here + after
    return float(trials[best]) + (0.5 * float((before - after) / bend) if bend < 0 else 0.0)


def laps_within(t_s: FloatArray, travelled_m: FloatArray, start_s: float, end_s: float) -> int:
    """How many times over the speed repeats within a stretch; 1 when it does not.

    Parameters
    ----------
    t_s, travelled_m : ndarray of shape (n,)
        Even clock, and distance on it. [s, m]
    start_s, end_s : float
        [s]
    """
    places, index = np.unique(travelled_m, return_index=True)
    start_m, end_m = np.interp([start_s, end_s], t_s, travelled_m)
    for laps in range(min(MOST_IN_ONE, int((end_m - start_m) // MIN_LAP_M)), 1, -1):
        at = np.interp(np.linspace(start_m, end_m, laps * PLACES_IN_LAP + 1), places, t_s[index])
        speed = 1.0 / np.maximum(np.diff(at), 1e-6).reshape(laps, PLACES_IN_LAP)
        if float(np.min(np.atleast_2d(np.corrcoef(speed))[0])) >= SAME_LAP:
            return laps
    return 1


def from_stops(t_s: FloatArray, travelled_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rides between stops at the box, when they are of one length: laps from box to box.

    Parameters
    ----------
    t_s, travelled_m : ndarray of shape (n,)
        Even clock, and distance on it. [s, m]

    Returns
    -------
    ndarray, ndarray of shape (n_rides,)
        When each set off and when it came back; empty when rides differ. [s]
    """
    none = np.array([]), np.array([])
    step = t_s[1] - t_s[0]
    stops = runs_longer(np.gradient(travelled_m) / step < STILL_M_S, max(round(BOX_STOP_S / step), 1))
    if len(stops) < 3:
        return none
    leaves, comes = np.array([end for _, end in stops[:-1]]), np.array([start for start, _ in stops[1:]])
    length, lasts = travelled_m[comes] - travelled_m[leaves], t_s[comes] - t_s[leaves]
    alike = np.abs(length - np.median(length)) <= SAME_LENGTH * np.median(length)
    if not alike.all() or np.median(length) < MIN_LAP_M or lasts.min() < MIN_LAP_S:
        return none
    return t_s[leaves], t_s[comes]
