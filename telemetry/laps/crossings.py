"""Crossings of the start line, from a lap channel, a beacon, a line on the ground, or the speed."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.decimals import Numbers, Times, as_column, kept_of
from telemetry.laps.corners import MOVING_M_S, PIT_SHARE, SAME_CIRCUIT
from telemetry.laps.gps import CentreLine, Fixes, to_plane_m
from telemetry.laps.lap import LapSource
from telemetry.laps.smooth import runs_longer
from telemetry.laps.speed import Speed, Thin
from telemetry.notes import QualityNote
from telemetry.signals import Run

# Two crossings closer than this are one. No circuit for motorcycles is lapped faster; no source.
MIN_LAP_S = 15.0
# A crossing counts this far to either side of the line's middle: pit lane included, next straight not.
LINE_HALF_WIDTH_M = 20.0
# A lap number that holds for less is a slip of the logger.
LEAST_HELD_S = 1.0
# Places tried as a line where the fastest point is passed too rarely.
TRIALS = 60

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
SAME_RIDE_LENGTH = 0.03

# Less riding than this holds no lap. [s]
LEAST_RIDDEN_S = 10.0

# Pulses of so many samples may fall between two: a pulse lasts as long as its samples, give or take one.
SHORT_PULSE = 1.5


def apart(times_s: FloatArray) -> FloatArray:
    """Leave out crossings that follow another within `MIN_LAP_S`."""
    kept: list[float] = []
    for time in times_s.tolist():
        if not kept or time - kept[-1] >= MIN_LAP_S:
            kept.append(time)
    return np.array(kept)


def from_lap_channel(t_s: Times, lap: FloatArray | Numbers) -> tuple[FloatArray, list[int]]:
    """Crossings where the lap number rises [s], half way between its two samples, and the number it rises to."""
    column = as_column(lap)
    # only where the counter changes is looked at: the rest of a long log is the same number
    starts = np.flatnonzero(column.changes())
    starts = starts[column.known(starts)]
    if not starts.size:
        return np.array([]), []
    ends = np.append(t_s[starts[1:]], t_s[-1] + LEAST_HELD_S)
    starts = starts[ends - t_s[starts] >= LEAST_HELD_S]
    number = np.round(column[starts]).astype(np.int64)
    rises = np.flatnonzero(np.diff(number) > 0) + 1
    times = 0.5 * (t_s[starts[rises]] + t_s[np.maximum(starts[rises] - 1, 0)])
    return times, number[rises].tolist()


def from_beacon(t_s: Times, beacon: FloatArray) -> FloatArray:
    """Crossings at the rising edges of a beacon pulse, interpolated to half its height. [s]"""
    level, half = _level(beacon)
    before = np.flatnonzero((level[:-1] < half) & (level[1:] >= half))
    part = (half - level[before]) / (level[before + 1] - level[before])
    return apart(t_s[before] + part * (t_s[before + 1] - t_s[before]))


def shortest_pulse(beacon: FloatArray) -> int:
    """Length of the shortest pulse of a beacon in samples, 0 without a pulse."""
    level, half = _level(beacon)
    return min((end - start for start, end in runs_longer(level >= half, 1)), default=0)


def _level(beacon: FloatArray) -> tuple[FloatArray, float]:
    """A beacon without blanks, and half the height of its pulses; infinite where it never changes."""
    if not np.isfinite(beacon).any():
        return np.zeros(len(beacon)), np.inf
    level = np.nan_to_num(beacon, nan=np.nanmin(beacon))
    return level, float(level.min() + level.max()) / 2 if level.max() > level.min() else np.inf


def from_line(fixes: Fixes, middle_m: tuple[float, float], heading_rad: float) -> FloatArray:
    """Crossings of a line on the ground in the direction of travel (from east towards north). [s]"""
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
    """Middle [m], heading [rad], crossings [s] of a line at the fastest point, or where the track is passed more."""

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


def from_speed_pattern(t_s: FloatArray, travelled_m: FloatArray) -> FloatArray:
    """Crossings of the fastest point of the lap, from the repetition of the speed on an even clock. [s]"""
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
    crossings = [float(fastest)]
    for direction in (1, -1):
        at = _same_place(speed, fastest, fastest + direction * lag, lag)
        while at is not None:
            crossings.append(at)
            at = _same_place(speed, fastest, round(at) + direction * lag, lag)
    return apart(np.interp(np.sort(crossings) * PATTERN_STEP_M, places, times))


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
    """Number of repetitions of the speed within a stretch, 1 if it does not repeat."""
    places, index = np.unique(travelled_m, return_index=True)
    start_m, end_m = np.interp([start_s, end_s], t_s, travelled_m)
    for laps in range(min(MOST_IN_ONE, int((end_m - start_m) // MIN_LAP_M)), 1, -1):
        at = np.interp(np.linspace(start_m, end_m, laps * PLACES_IN_LAP + 1), places, t_s[index])
        speed = 1.0 / np.maximum(np.diff(at), 1e-6).reshape(laps, PLACES_IN_LAP)
        if float(np.min(np.atleast_2d(np.corrcoef(speed))[0])) >= SAME_LAP:
            return laps
    return 1


def from_stops(t_s: FloatArray, travelled_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Start and end of each ride between stops at the box [s]; empty if the rides differ in length."""
    none = np.array([]), np.array([])
    step = t_s[1] - t_s[0]
    stops = runs_longer(np.gradient(travelled_m) / step < STILL_M_S, max(round(BOX_STOP_S / step), 1))
    if len(stops) < 3:
        return none
    leaves, comes = np.array([end for _, end in stops[:-1]]), np.array([start for start, _ in stops[1:]])
    length, lasts = travelled_m[comes] - travelled_m[leaves], t_s[comes] - t_s[leaves]
    alike = np.abs(length - np.median(length)) <= SAME_RIDE_LENGTH * np.median(length)
    if not alike.all() or np.median(length) < MIN_LAP_M or lasts.min() < MIN_LAP_S:
        return none
    return t_s[leaves], t_s[comes]


@dataclass(frozen=True)
class Crossings:
    """Crossings of the start line."""

    times_s: FloatArray
    source: LapSource
    numbers: list[int] | None = None  # of the lap that begins at each; None if the log does not number them
    line_m: tuple[float, float] | None = None  # middle of the line on the ground, if one was crossed
    ends_s: FloatArray | None = None  # end of each lap if not the next crossing: rides from box to box
    by_place: BoolArray | None = None  # crossings that come from positions, not from the signal
    several: BoolArray | None = None  # more than one lap lies between two crossings; shape (n_crossings - 1,)


def find_crossings(
    run: Run,
    thin: Thin,
    fixes: Fixes | None,
    speed: Speed,
    start_line: tuple[float, float] | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Crossings:
    """Crossings by ``start_line`` (latitude, longitude [deg]), lap channel, beacon, ground or speed. Adds notes."""
    if speed.thin_m_s is not None and np.mean(speed.thin_m_s > MOVING_M_S) * thin.t_s[-1] < LEAST_RIDDEN_S:
        words = "The motorcycle is hardly ridden in this log: there are no laps in it."
        notes.append(QualityNote("warning", "not_ridden", words))
        return Crossings(np.array([]), "none")
    if start_line is None:
        crossings = _by_signal(run)
        if crossings is not None:
            return crossings
    if fixes is not None:
        crossings = _on_the_ground(thin, fixes, speed, start_line, line, notes)
        if speed.thin_m_s is not None:
            # standing on the line, positions wander over it and back
            rides = np.interp(crossings.times_s, thin.t_s, speed.thin_m_s) > STILL_M_S
            crossings = replace(crossings, times_s=crossings.times_s[rides])
        if len(crossings.times_s):
            return crossings
    return _by_speed(thin, speed, notes)


def _by_signal(run: Run) -> Crossings | None:
    if "lap" in run.channels:
        times, numbers = from_lap_channel(run.t_s, kept_of(run.channels, "lap"))
        if len(times):
            return Crossings(times, "lap channel", numbers)
    if "beacon" in run.channels:
        times = from_beacon(run.t_s, run.channels["beacon"])
        if len(times):
            return Crossings(times, "beacon")
    return None


def _on_the_ground(
    thin: Thin,
    fixes: Fixes,
    speed: Speed,
    start_line: tuple[float, float] | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Crossings:
    if start_line is not None:
        return _given_line(fixes, start_line, notes)
    if line is not None:
        (east, north), middle = line.tangent, (float(line.x_m[0]), float(line.y_m[0]))
        return Crossings(
            from_line(fixes, middle, float(np.arctan2(north[0], east[0]))), "gps line", None, middle
        )
    if speed.thin_m_s is None:
        return Crossings(np.array([]), "none")
    middle, _, times = found_line(fixes, np.interp(fixes.t_s, thin.t_s, speed.thin_m_s))
    if len(times):
        message = (
            "No start line given: laps are counted from the fastest point of the track. "
            "Give its position once with --line LAT,LON: it is kept for this place."
        )
        notes.append(QualityNote("info", "start_line_assumed", message))
    return Crossings(times, "gps line", None, middle)


def _given_line(fixes: Fixes, start_line: tuple[float, float], notes: list[QualityNote]) -> Crossings:
    east, north = to_plane_m(np.array([start_line[0]]), np.array([start_line[1]]), fixes.origin_deg)
    middle = (float(east[0]), float(north[0]))
    away, nearest = _nearest(fixes, middle)
    if away <= LINE_HALF_WIDTH_M:
        heading = _usual_heading(fixes, middle, nearest)
        return Crossings(from_line(fixes, middle, heading), "gps line", None, middle)
    message = (
        f"The start line given is {away:.0f} m from the nearest point of the track; no laps were counted by it. "
        "Check its position."
    )
    notes.append(QualityNote("warning", "start_line_missed", message))
    return Crossings(np.array([]), "none")


def _nearest(fixes: Fixes, middle: tuple[float, float]) -> tuple[float, int]:
    """Distance of the line's middle from the track (between fixes too), and the fix nearest to it."""
    east, north = fixes.east_m - middle[0], fixes.north_m - middle[1]
    step_east, step_north = np.diff(east), np.diff(north)
    square = np.maximum(step_east**2 + step_north**2, 1e-9)
    share = np.clip(-(east[:-1] * step_east + north[:-1] * step_north) / square, 0.0, 1.0)
    away = np.hypot(east[:-1] + share * step_east, north[:-1] + share * step_north)
    best = int(np.argmin(away))
    return float(away[best]), best + int(share[best] > 0.5)


def _usual_heading(fixes: Fixes, middle: tuple[float, float], nearest: int) -> float:
    """Direction of travel over the line: of the fastest pass near it, which is the circuit and not the pit lane."""
    near = np.hypot(fixes.east_m - middle[0], fixes.north_m - middle[1])
    step = np.hypot(
        np.diff(fixes.east_m, append=fixes.east_m[-1]), np.diff(fixes.north_m, append=fixes.north_m[-1])
    )
    reach = max(2.0 * LINE_HALF_WIDTH_M, 1.5 * float(near[nearest]))
    close = np.flatnonzero(near <= reach)
    return heading_at(fixes, int(close[np.argmax(step[close])]))


def _by_speed(thin: Thin, speed: Speed, notes: list[QualityNote]) -> Crossings:
    if speed.travelled_m is not None:
        times = from_speed_pattern(thin.t_s, speed.travelled_m)
        leaves, comes = from_stops(thin.t_s, speed.travelled_m)
        # rides that each go once round repeat as well, but every repetition has a stop in it
        stopped = np.histogram(comes, times)[0] if len(times) > 1 else np.array([])
        if len(times) and not (len(leaves) and stopped.all()):
            message = (
                "Laps were found because the speed repeats; they are counted from the fastest point, "
                "not from the start line. Log a lap number, a beacon or GPS to do better."
            )
            notes.append(QualityNote("info", "laps_by_speed", message))
            return Crossings(times, "speed pattern")
        if len(leaves):
            message = (
                "Laps were found between stops: each goes from where it set off to where it came back. "
                "Log a lap number, a beacon or GPS to do better."
            )
            notes.append(QualityNote("info", "laps_by_stops", message))
            return Crossings(leaves, "pit stops", ends_s=comes)
    notes.append(
        QualityNote(
            "warning", "no_laps", "No laps found: the log is reviewed as one stretch, without places."
        )
    )
    return Crossings(np.array([]), "none")


def with_missed(
    crossings: Crossings,
    beacon: FloatArray,
    thin: Thin,
    fixes: Fixes | None,
    speed: Speed,
    notes: list[QualityNote],
) -> Crossings:
    """Beacon crossings with those missed at speed that positions show (``by_place``). Adds notes.

    ``several`` marks spans where it is only known that some are missing.
    """
    if speed.thin_m_s is None or speed.travelled_m is None:
        if shortest_pulse(beacon) <= SHORT_PULSE:
            message = (
                "Pulses of the beacon last no longer than a sample: one may have fallen between two, so that two laps "
                "are counted as one. Without speed and positions that cannot be told; log the beacon faster."
            )
            notes.append(QualityNote("info", "beacon_short", message, channel="beacon"))
        return crossings
    if fixes is not None:
        added = _passed_unseen(crossings.times_s, fixes, np.interp(fixes.t_s, thin.t_s, speed.thin_m_s))
        if not len(added):
            return crossings
        notes.append(_added_note(added))
        times = np.concatenate((crossings.times_s, added))
        order = np.argsort(times)
        by_place = np.concatenate((np.zeros(len(crossings.times_s), bool), np.ones(len(added), bool)))
        return replace(crossings, times_s=times[order], by_place=by_place[order])
    missed = _laps_in_one(crossings.times_s, beacon, thin, speed.travelled_m)
    if not missed.any():
        return crossings
    notes.append(_missed_note(crossings.times_s, missed))
    return replace(crossings, several=missed)


def _passed_unseen(times_s: FloatArray, fixes: Fixes, speed_m_s: FloatArray) -> FloatArray:
    """Times at which the place of the beacon was passed at speed without a logged pulse. [s]"""
    known = (times_s >= fixes.t_s[0]) & (times_s <= fixes.t_s[-1])
    if not known.any():
        return np.array([])
    at_pulse = np.interp(times_s[known], fixes.t_s, speed_m_s)
    limit = PIT_SHARE * float(np.median(at_pulse[at_pulse >= np.median(at_pulse)]))
    seen = times_s[known][at_pulse >= limit]
    east, north = (np.interp(seen, fixes.t_s, v) for v in (fixes.east_m, fixes.north_m))
    middle = (float(np.median(east)), float(np.median(north)))
    # pulses of more than one beacon have no common place
    if np.median(np.hypot(east - middle[0], north - middle[1])) > LINE_HALF_WIDTH_M:
        return np.array([])
    fast = np.flatnonzero(speed_m_s >= limit)
    near = np.hypot(fixes.east_m[fast] - middle[0], fixes.north_m[fast] - middle[1])
    passed = from_line(fixes, middle, heading_at(fixes, int(fast[np.argmin(near)])))
    passed = passed[np.interp(passed, fixes.t_s, speed_m_s) >= limit]
    away = np.abs(passed[:, None] - times_s).min(axis=1) if len(passed) else np.array([])
    return passed[away >= MIN_LAP_S]


def _laps_in_one(times_s: FloatArray, beacon: FloatArray, thin: Thin, travelled_m: FloatArray) -> BoolArray:
    """Between which pulses lies more than one lap, because the speed repeats there.

    On a circuit of two like halves it repeats within a lap, so it counts only where a pulse can have been missed: some
    last no longer than a sample, or another lap is as long as what repeats.
    """
    lengths = np.diff(np.interp(times_s, thin.t_s, travelled_m))
    spans = zip(times_s[:-1].tolist(), times_s[1:].tolist(), strict=True)
    laps = np.array([laps_within(thin.t_s, travelled_m, *span) for span in spans])
    if shortest_pulse(beacon) <= SHORT_PULSE:
        return np.asarray(laps > 1)
    known = [bool(np.any(np.abs(lengths - part) <= SAME_CIRCUIT * part)) for part in lengths / laps]
    return np.asarray((laps > 1) & np.array(known, dtype=bool))


def _added_note(added_s: FloatArray) -> QualityNote:
    where = ", ".join(f"{time:.1f}" for time in added_s[:6].tolist())
    message = (
        f"The beacon has no pulse at {len(added_s)} of the times the motorcycle passed its place ({where}"
        f"{', ...' if len(added_s) > 6 else ''} s): laps are counted there by the positions. A pulse shorter than a "
        "sample can fall between two; log the beacon faster, or have the logger hold it longer."
    )
    return QualityNote(
        "warning",
        "beacon_missed",
        message,
        channel="beacon",
        start_s=float(added_s[0]),
        end_s=float(added_s[-1]),
    )


def _missed_note(times_s: FloatArray, missed: BoolArray) -> QualityNote:
    first = np.flatnonzero(missed)
    where = ", ".join(f"{times_s[i]:.1f} to {times_s[i + 1]:.1f} s" for i in first[:3].tolist())
    message = (
        f"A pulse of the beacon was missed: {where}{', ...' if len(first) > 3 else ''} is longer than one lap by the "
        "speed, and is not timed. A pulse shorter than a sample can fall between two; log the beacon faster, or have "
        "the logger hold it longer."
    )
    return QualityNote(
        "warning",
        "beacon_missed",
        message,
        channel="beacon",
        start_s=float(times_s[first[0]]),
        end_s=float(times_s[first[-1] + 1]),
    )
