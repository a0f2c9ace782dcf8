"""The place on the circuit over time: wheel speed for the short term, positions on the centre line for the long."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.constants import GRAVITY_M_S2
from telemetry.decimals import Numbers
from telemetry.laps.corners import SAME_CIRCUIT, MeanLap, mean_lap
from telemetry.laps.crossings import Crossings
from telemetry.laps.gps import STEP_M, CentreLine, Fixes, fit_line, nearest_m, radii_m, to_plane_m
from telemetry.laps.lap import Circuit
from telemetry.laps.smooth import commonest, moving_mean, penalised_fit, robust_sd, sums_at
from telemetry.laps.speed import Speed, Thin
from telemetry.notes import QualityNote

# How fast the wheel's error of speed (slip, lean, tyre growth) changes: random walk. [m/s per square root of s]
SLIP_WALK = 0.3
# The correction is worked out this far apart: it changes more slowly. [s]
CORRECTION_S = 0.1
# Noise of a position along the line is never taken for less. [m]
LEAST_NOISE_M = 0.05
# How far a lap's distance by the wheels may be out before positions correct it. [m]
SEARCH_M = 48.0
# A lap that differs by more from the usual one is not stretched to its length.
STRETCH_SHARE = 0.1
# A position further from the line is on another road: pit lane, paddock, run-off. [m]
ON_LINE_M = 15.0
WIDE_SEARCH_M = 240.0
# Laps are compared at this many points; they go the same way when these are mostly so near to one another.
PATH_POINTS, SAME_PATH_M = 64, 40.0
# Positions that lag the wheels by less are not moved: the wheel's own errors look like as much. [s]
LEAST_DELAY_S, SAME_DELAY_S, LARGEST_DELAY_S = 0.04, 0.01, 1.5
MOST_ROUNDS = 4
WINDOW_S = 12.0
DELAY_PARTS = 6
LEAST_FIXES = 50
# No circuit is shorter: what comes back to its start sooner was pushed about. [m]
LEAST_LAP_M = 200.0

# The pattern of the mean lap must agree this well (correlation) to be the circuit's. Own choice.
SAME_PATTERN = 0.75
# The length by the wheels may differ so much from the circuit's: wrong tyre, slip.
SAME_LENGTH = 0.06
# The lap signal of another day stands within so much of the start line. [m]
SEARCH_LINE_M = 100.0
# Around each of these places the two laps are laid over one another: nodes this far apart, compared over so much to
# either side, moved by at most this. [m]
NODE_M, WINDOW_M, MOVE_M = 60.0, 150, 40

# A lap is usual when its length is within this share of the middle one.
USUAL_SHARE = 0.05
# A lap signal further from the circuit's start line than this is of another line. [m]
SAME_LINE_M = 30.0
# Positions further from the line than this are not on the circuit: beyond any pit lane or paddock. [m]
ELSEWHERE_M = 250.0
# Least delay of positions that gets a note. [s]
GPS_DELAY_NOTE_S = 0.05


@dataclass(frozen=True)
class Course:
    """Position of the motorcycle on the circuit over time."""

    line: CentreLine  # 0 is the start line
    place_m: FloatArray  # along the line from the first crossing on, never falling; shape (n_thin,)
    on_line: BoolArray  # which fixes lie on the line; shape (n_fixes,)
    delay_s: float = 0.0  # lag of positions behind the wheel speed, already removed
    delay_error_s: float = 0.0  # standard error


def laps_between(travelled_m: FloatArray, lap_m: float) -> FloatArray:
    """Whole laps from the first crossing to each, from distances [m]; one may have been missed between two."""
    laps = np.maximum(np.round(np.diff(travelled_m) / lap_m), 1.0)
    return np.concatenate(([0.0], np.cumsum(laps)))


def follow(
    fixes: Fixes,
    t_s: FloatArray,
    travelled_m: FloatArray,
    crossings_s: FloatArray,
    line: CentreLine | None = None,
) -> Course | None:
    """Place on the circuit over a run with positions; None without a known line or a whole lap to estimate one.

    ``t_s`` is even, with the wheels' distance on it [m]; ``crossings_s`` may be a second or so out.
    """
    first, there, delay = _first_course(fixes, t_s, travelled_m, crossings_s, line), fixes, 0.0
    if first is not None and (
        max(LEAST_DELAY_S, 4.0 * first[0].delay_error_s) < abs(first[0].delay_s) < LARGEST_DELAY_S
    ):
        delay = first[0].delay_s
        for _ in range(MOST_ROUNDS):
            there, first = fixes.earlier(delay), None  # the one before goes first
            first = _first_course(there, t_s, travelled_m, crossings_s - delay, line)
            # the line found from late positions was a little out itself: estimate again what is left
            if first is None or abs(first[0].delay_s) < SAME_DELAY_S:
                break
            delay += first[0].delay_s
    course = None if first is None else _corrected(*first, there, t_s)
    if course is not None and line is None:
        course = _second_course(course, there, t_s)
    return None if course is None else replace(course, delay_s=delay)


def _first_course(
    fixes: Fixes, t_s: FloatArray, travelled_m: FloatArray, crossings_s: FloatArray, line: CentreLine | None
) -> tuple[Course, FloatArray] | None:
    """The wheels' distance on the line, given or through the whole laps; how far ahead positions on it are. [m]"""
    at_fix = np.interp(fixes.t_s, t_s, travelled_m)
    at_crossing = np.interp(crossings_s, t_s, travelled_m)
    same = _same_laps(fixes, at_fix, at_crossing)
    lap_m = float(np.median(np.diff(at_crossing)[same])) if same.any() else None
    if lap_m is not None and lap_m < LEAST_LAP_M:
        return None
    sure = np.zeros(len(at_fix), dtype=bool)
    if len(at_crossing):
        sure = np.concatenate(([False], same, [False]))[np.searchsorted(at_crossing, at_fix, side="right")]
    if line is not None:
        place = _first_guess(fixes, at_fix, travelled_m, at_crossing, line, lap_m)
    elif lap_m is not None and np.count_nonzero(sure) > LEAST_FIXES:
        place = by_wheels(travelled_m, at_crossing, lap_m, lap_m)
        line = _line_through(fixes.only(sure), t_s, place, lap_m)
        if line is None:
            return None
        place *= line.length_m / lap_m
    else:
        return None
    del at_fix
    on_line, away = _on_line(line, fixes, t_s, place, ((sure, SEARCH_M), (~sure, WIDE_SEARCH_M)))
    if not on_line.any():
        return None
    at_s, certain = fixes.t_s[on_line], sure[on_line]
    delay = delay_error = 0.0
    if np.count_nonzero(certain) > LEAST_FIXES:
        course = Course(line, place, on_line)
        error, delay, delay_error = _wheel_errors(course, t_s, travelled_m, at_s, away, certain)
        place += error
        away -= np.interp(at_s, t_s, error)
    return Course(line, place, on_line, delay, delay_error), away


def _second_course(course: Course, fixes: Fixes, t_s: FloatArray) -> Course | None:
    """The course again, on a line through the positions at the places it gives them."""
    line = _line_through(fixes.only(course.on_line), t_s, course.place_m, course.line.length_m)
    if line is None:
        return None
    place = course.place_m * (line.length_m / course.line.length_m)
    on_line, away = _on_line(line, fixes, t_s, place, ((slice(None), 0.0),))
    if not on_line.any():
        return None
    return _corrected(replace(course, line=line, place_m=place, on_line=on_line), away, fixes, t_s)


def _on_line(
    line: CentreLine,
    fixes: Fixes,
    t_s: FloatArray,
    place_m: FloatArray,
    windows_m: Iterable[tuple[BoolArray | slice, float]],
) -> tuple[BoolArray, FloatArray]:
    """Which positions lie on the line, each looked for so far about its place, and how far ahead these are. [m]"""
    guess = np.interp(fixes.t_s, t_s, place_m)
    at, aside = np.empty_like(guess), np.empty_like(guess)
    for some, window in windows_m:
        at[some], aside[some] = line.project(fixes.east_m[some], fixes.north_m[some], guess[some], window)
    on_line = np.abs(aside) <= ON_LINE_M
    return on_line, (at - guess)[on_line]


def _corrected(course: Course, away_m: FloatArray, fixes: Fixes, t_s: FloatArray) -> Course:
    """The course less its smooth difference from the positions on its line, never falling."""
    place = course.place_m + _correction(t_s, fixes.t_s[course.on_line], away_m)
    return replace(course, place_m=np.maximum.accumulate(place, out=place))


def _same_laps(fixes: Fixes, at_fix_m: FloatArray, at_crossing_m: FloatArray) -> BoolArray:
    """Mask of laps on the common path: not through the pits, not over two laps, not on another circuit."""
    if len(at_crossing_m) < 2:
        return np.zeros(0, dtype=bool)
    share = (np.arange(PATH_POINTS) + 0.5) / PATH_POINTS
    at = at_crossing_m[:-1, None] + share * np.diff(at_crossing_m)[:, None]
    path = np.interp(at, at_fix_m, fixes.east_m) + 1j * np.interp(at, at_fix_m, fixes.north_m)
    near = np.array([np.median(np.abs(path - one), axis=1) < SAME_PATH_M for one in path])
    return np.asarray(near[int(np.argmax(near.sum(axis=1)))])


def _first_guess(
    fixes: Fixes,
    at_fix_m: FloatArray,
    travelled_m: FloatArray,
    at_crossing_m: FloatArray,
    line: CentreLine,
    lap_m: float | None,
) -> FloatArray:
    """First estimate of the place on a known line: wheel distance, aligned by crossings or by positions."""
    if len(at_crossing_m):
        # a lap signal need not stand at the line's 0
        place = by_wheels(travelled_m, at_crossing_m, lap_m or line.length_m, line.length_m)
    else:
        place = travelled_m.copy()
    every = max(1, round(fixes.rate_hz))
    away, nearest = nearest_m(line, fixes.east_m[::every], fixes.north_m[::every])
    guess = np.interp(at_fix_m[::every], travelled_m, place)
    turn = np.exp(2j * np.pi * (nearest - guess)[away <= ON_LINE_M] / line.length_m)
    if not len(turn):
        return place
    # the middle of angles: round the lap there is no first and no last
    first = np.angle(turn.mean())
    shift = first + np.median(np.angle(turn * np.exp(-1j * first)))
    return np.asarray(place + shift / (2 * np.pi) * line.length_m)


def _line_through(fixes: Fixes, t_s: FloatArray, place_m: FloatArray, lap_m: float) -> CentreLine | None:
    """Centre line through positions whose place along the lap is roughly known; None without a whole lap."""
    first, last = np.ceil(place_m[0] / lap_m), np.floor(place_m[-1] / lap_m)
    along = np.linspace(0.0, lap_m, max(round(lap_m / 5.0), 8))
    times = [np.interp(lap * lap_m + along, place_m, t_s) for lap in np.arange(first, last)]
    if not times:
        return None
    # the middle step of all laps: a stop on one of them does not stretch the mean lap
    steps = np.median(np.diff(times, axis=1), axis=0)
    mean_s = np.concatenate(([0.0], np.cumsum(np.maximum(steps, 1e-3))))
    along_s = np.interp(np.interp(fixes.t_s, t_s, place_m) % lap_m, along, mean_s)
    return fit_line(along_s, fixes.east_m, fixes.north_m, float(mean_s[-1]), lap_m)


def by_wheels(
    travelled_m: FloatArray, at_crossing_m: FloatArray, wheel_lap_m: float, lap_m: float
) -> FloatArray:
    """Place by the wheels alone, 0 at the first crossing: every lap as long as the line. [m]

    Part laps, and laps far too long or short, keep the usual scale; the latter from both ends, with a jump half way.
    """
    scale = lap_m / wheel_lap_m
    if not len(at_crossing_m):
        return travelled_m * scale
    known = laps_between(at_crossing_m, wheel_lap_m) * lap_m
    gone = np.diff(at_crossing_m)
    odd = np.flatnonzero(np.abs(scale * gone - np.diff(known)) > STRETCH_SHARE * np.diff(known))
    half = at_crossing_m[odd] + 0.5 * gone[odd]
    knots = np.concatenate((at_crossing_m, half, half))
    values = np.concatenate(
        (known, known[odd] + 0.5 * scale * gone[odd], known[odd + 1] - 0.5 * scale * gone[odd])
    )
    order = np.argsort(knots, kind="stable")
    place = np.interp(travelled_m, knots[order], np.maximum.accumulate(values[order]))
    place += np.minimum(travelled_m - at_crossing_m[0], 0.0) * scale
    return np.asarray(place + np.maximum(travelled_m - at_crossing_m[-1], 0.0) * scale)


def _correction(t_s: FloatArray, at_s: FloatArray, away_m: FloatArray) -> FloatArray:
    """Smooth correction of the place by the wheels, fitted robustly to the positions and continued over pauses."""
    step = CORRECTION_S
    n = max(int(np.ceil(t_s[-1] / step)) + 1, 3)
    index = np.clip(np.round(at_s / step).astype(np.int64), 0, n - 1)
    noise = max(robust_sd(np.diff(away_m, n=2)) / np.sqrt(6.0), LEAST_NOISE_M) if len(away_m) > 4 else 1.0
    penalty = noise**2 / (SLIP_WALK**2 * step**3)
    weight, smooth = np.ones(len(away_m)), np.zeros(n)
    for _ in range(4):
        diagonal = sums_at(index, weight, n)
        smooth = penalised_fit(diagonal, None, sums_at(index, weight * away_m, n), penalty, 2)
        left = away_m - smooth[index]
        weight = 1.0 / (1.0 + (left / (3.0 * max(robust_sd(left), noise))) ** 2) ** 2
    return np.interp(t_s, step * np.arange(n), smooth)


def _wheel_errors(
    course: Course,
    t_s: FloatArray,
    travelled_m: FloatArray,
    at_s: FloatArray,
    away_m: FloatArray,
    certain: BoolArray,
) -> tuple[FloatArray, float, float]:
    """Error of the wheels' distance explained by riding [m], and delay of positions with standard error [s].

    Least squares of positions less wheels on scale, drive (slip), lean (smaller radius), speed squared (tyre growth)
    and speed: a position tau late lies tau times the speed behind. Changes slower than `WINDOW_S` (drift) are left out.
    """
    step = t_s[1] - t_s[0]
    ridden = _ridden(course, travelled_m, step)
    found, delay_error = _fitted(_columns(ridden, step, at_s[certain], away_m[certain]))
    terms = np.empty((4, len(t_s)))
    for row, rate in enumerate(_error_rates(*ridden)):
        terms[row] = _integral(rate, step)
    return found[:4] @ terms, -float(found[4]), delay_error


def _ridden(course: Course, travelled_m: FloatArray, step: float) -> tuple[FloatArray, ...]:
    """Speed [m/s], drive [g] and 1 - cos of the lean that balances the bend."""
    speed = moving_mean(np.gradient(travelled_m) / step, round(0.3 / step))
    drive = np.maximum(np.gradient(moving_mean(speed, round(0.3 / step))) / step, 0.0) / GRAVITY_M_S2
    sideways = course.line.at(course.place_m, course.line.curvature_1_m)
    sideways *= speed**2
    sideways /= GRAVITY_M_S2
    return speed, drive, 1.0 - 1.0 / np.hypot(1.0, sideways)


def _error_rates(speed: FloatArray, drive: FloatArray, leaned: FloatArray) -> Iterator[FloatArray]:
    """What the wheels' distance may be wrong by in a second."""
    yield speed
    yield drive * speed
    yield leaned * speed
    yield (speed / 100.0) ** 2 * speed


def _columns(ridden: tuple[FloatArray, ...], step: float, at_s: FloatArray, away_m: FloatArray) -> FloatArray:
    """At each position what the wheels may be wrong by, the speed, and how far it is ahead, a row each.

    Of each stretch of `WINDOW_S` the mean is left out.
    """
    speed = ridden[0]
    index = np.clip(np.round(at_s / step).astype(np.int64), 0, len(speed) - 1)
    wrong = (_integral(rate, step)[index] for rate in _error_rates(*ridden))
    window = np.floor((at_s - at_s[0]) / WINDOW_S).astype(np.int64)
    count = np.maximum(np.bincount(window), 1)
    columns = np.empty((6, len(index)), order="F")  # in another order their products round otherwise
    for row, values in enumerate((*wrong, speed[index], away_m)):
        columns[row] = values - (np.bincount(window, values) / count)[window]
    return columns


def _fitted(columns: FloatArray) -> tuple[FloatArray, float]:
    """What times each row but the last is nearest to the last, with little weight on what fits badly.

    And the standard error of that of the last but one.
    """
    weight = np.ones(columns.shape[1])
    found = np.zeros(5)
    for _ in range(3):
        found = np.linalg.lstsq((columns[:5] * weight).T, columns[5] * weight, rcond=1e-6)[0]
        left = columns[5] - found @ columns[:5]
        weight = 1.0 / (1.0 + (left / (3.0 * max(robust_sd(left), LEAST_NOISE_M))) ** 2)
    # one estimate of the delay per stretch of the run: their spread includes the drift of the positions
    parts = np.array_split(np.arange(len(weight)), DELAY_PARTS)
    each = [
        -np.linalg.lstsq((columns[:5, p] * weight[p]).T, columns[5, p] * weight[p], rcond=1e-6)[0][4]
        for p in parts
    ]
    return found, float(np.std(each, ddof=1)) / np.sqrt(DELAY_PARTS)


def _integral(rate: FloatArray, step: float) -> FloatArray:
    """Integral of a rate by the trapezoidal rule, from 0."""
    found = np.empty(len(rate))
    found[0] = 0.0
    np.add(rate[1:], rate[:-1], out=found[1:])
    found *= 0.5 * step
    return np.cumsum(found, out=found)


def line_on_plane(circuit: Circuit, origin_deg: tuple[float, float]) -> CentreLine | None:
    """The circuit's centre line on a run's plane; None if it has none."""
    if circuit.latitude_deg is None or circuit.longitude_deg is None:
        return None
    from scipy.interpolate import CubicSpline

    east, north = to_plane_m(circuit.latitude_deg, circuit.longitude_deg, origin_deg)
    points = np.column_stack((np.append(east, east[0]), np.append(north, north[0])))
    n = max(round(circuit.length_m / STEP_M), 8)
    fine = CubicSpline(np.linspace(0.0, 1.0, len(points)), points, bc_type="periodic")(np.arange(n) / n)
    return CentreLine(fine[:, 0].copy(), fine[:, 1].copy(), circuit.length_m)


def to_degrees(line: CentreLine, origin_deg: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of a line on the plane of an origin: the way back from `to_plane_m`. [deg]"""
    meridian, normal = radii_m(origin_deg[0])
    across = normal * np.cos(np.radians(origin_deg[0]))
    return origin_deg[0] + np.degrees(line.y_m / meridian), origin_deg[1] + np.degrees(line.x_m / across)


def match_by_pattern(circuit: Circuit, lap: MeanLap, *, line_known: bool) -> tuple[FloatArray, float] | None:
    """Places of a mean lap on a circuit by speed and lean (n_nodes + 1, may begin before 0) [m], and correlation.

    None if it is another circuit; with ``line_known`` the laps start about at the start line.
    """
    if lap.speed_m_s is None or circuit.speed_m_s is None:
        return None
    if abs(lap.length_m / circuit.length_m - 1.0) > SAME_LENGTH:
        return None
    n = round(circuit.length_m / STEP_M)
    pairs = [(circuit.speed_m_s, lap.speed_m_s)]
    if circuit.lean_deg is not None and lap.lean_deg is not None:
        pairs.append((circuit.lean_deg, lap.lean_deg))
    theirs, ours = (np.array([_standard(pair[side], n) for pair in pairs]) for side in (0, 1))
    # ours at place s looks like theirs at s + shift
    spectrum = np.fft.rfft(theirs, axis=1) * np.conj(np.fft.rfft(ours, axis=1))
    agreement = np.fft.irfft(spectrum.sum(axis=0), n) / (n * len(pairs))
    near = np.minimum(np.arange(n), n - np.arange(n)) * STEP_M <= SEARCH_LINE_M
    shift = int(np.argmax(np.where(near, agreement, -1.0) if line_known else agreement))
    if agreement[shift] < SAME_PATTERN:
        return None
    shift -= n if shift > n // 2 else 0
    nodes = max(round(circuit.length_m / NODE_M), 4)
    at = np.round(np.arange(nodes) * n / nodes).astype(np.int64)
    moved = np.array([_best_move(theirs, ours, int(node), shift) for node in at])
    # neighbours share their windows: an average over three takes out a lone slip
    moved = (np.roll(moved, 1) + moved + np.roll(moved, -1)) / 3.0
    place = (at + shift + moved) * circuit.length_m / n
    return np.append(place, place[0] + circuit.length_m), float(agreement[shift])


def _standard(values: FloatArray, n: int) -> FloatArray:
    """Values round a lap at n places, mean 0 and standard deviation 1."""
    cells = len(values)
    at = np.interp((np.arange(n) + 0.5) / n * cells - 0.5, np.arange(cells), values, period=cells)
    return np.asarray((at - at.mean()) / max(float(at.std()), 1e-9))


def _best_move(theirs: FloatArray, ours: FloatArray, node: int, shift: int) -> float:
    """Shift of our lap around a place with the least misfit to theirs. [steps]"""
    n = theirs.shape[1]
    around = np.arange(node - WINDOW_M, node + WINDOW_M + 1)
    moves = np.arange(-MOVE_M, MOVE_M + 1)
    mine = ours[:, around % n]
    miss = np.array([np.sum((theirs[:, (around + shift + move) % n] - mine) ** 2) for move in moves])
    # of nearly equal ones the smallest: on a straight at one speed any would do
    return float(moves[np.argmin(miss + miss.mean() * 1e-3 * np.abs(moves))])


@dataclass(frozen=True)
class Places:
    """Position of the motorcycle along the circuit."""

    crossings: Crossings  # crossings of the start line, corrected by the places
    place_m: FloatArray  # along the circuit over all laps, never falling; shape (n_thin,)
    starts_m: FloatArray  # the start line in ``place_m`` at each crossing
    lap_m: float  # 0 without laps
    elsewhere: BoolArray  # not on the circuit; shape (n_thin,)
    line: CentreLine | None = None  # 0 is the start line
    fixes: Fixes | None = None  # without their delay
    matched: bool = False  # the places are those of a given circuit


def find_places(
    thin: Thin,
    fixes: Fixes | None,
    speed: Speed,
    lean_deg: FloatArray | Numbers | None,
    crossings: Crossings,
    circuit: Circuit | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Places | None:
    """Places by positions and wheels, or wheels alone, adding notes; None if neither speed nor positions are known.

    ``lean_deg`` is of every sample of the run.
    """
    if speed.travelled_m is None:
        return None
    if fixes is not None and crossings.ends_s is None:
        course = follow(fixes, thin.t_s, speed.travelled_m, crossings.times_s, line)
        if course is not None:
            return _on_course(thin, fixes, course, crossings, line is not None, notes)
    places = _by_wheels(thin, speed, crossings)
    if (
        circuit is None
        or circuit.speed_m_s is None
        or len(crossings.times_s) < 2
        or crossings.ends_s is not None
    ):
        return places
    return _on_pattern(thin, speed, lean_deg, places, circuit, notes)


def _on_course(
    thin: Thin, fixes: Fixes, course: Course, crossings: Crossings, matched: bool, notes: list[QualityNote]
) -> Places:
    line, place, lap = course.line, course.place_m, course.line.length_m
    moved = fixes.earlier(course.delay_s)
    if abs(course.delay_s) >= GPS_DELAY_NOTE_S:
        message = (
            f"Positions are logged {course.delay_s:.2f} s later than the speed; they are moved by as much."
        )
        notes.append(QualityNote("info", "gps_delay", message))
    elsewhere = _elsewhere(thin, moved, course, notes)
    if matched:
        at = np.interp(crossings.times_s, thin.t_s, place)
        away = float(np.median((at + lap / 2) % lap - lap / 2)) if len(at) else 0.0
        by_signal = crossings.source in ("lap channel", "beacon") and abs(away) <= SAME_LINE_M
        if len(at) and not by_signal and crossings.source != "gps line":
            side = "after" if away > 0 else "before"
            message = (
                f"The {crossings.source} counts laps {abs(away):.0f} m {side} the start line of the circuit file; "
                "laps are counted at the line of the file."
            )
            notes.append(QualityNote("info", "lap_signal_elsewhere", message))
    elif crossings.line_m is not None:
        middle_east, middle_north = crossings.line_m
        at, _ = line.project(np.array([middle_east]), np.array([middle_north]), np.zeros(1), 60.0)
        line, place, by_signal = line.from_place(float(at[0])), place - at[0], False
    else:
        at = np.interp(crossings.times_s, thin.t_s, place)
        zero = float(np.median(at - laps_between(at, lap) * lap))
        line, place, by_signal = line.from_place(zero), place - zero, True
    if by_signal:
        at = np.interp(crossings.times_s, thin.t_s, place)
        starts = np.round(at / lap) * lap
        if crossings.by_place is not None:
            at_line = np.interp(starts, place, thin.t_s)
            crossings = replace(crossings, times_s=np.where(crossings.by_place, at_line, crossings.times_s))
    else:
        starts = lap * np.arange(np.ceil(place[0] / lap), np.floor(place[-1] / lap) + 1)
        starts = starts[starts > place[0]]
        # a lap on another circuit has no crossings of this line
        times = np.interp(starts, place, thin.t_s)
        here = ~elsewhere[np.clip(np.round(times * thin.rate_hz).astype(np.int64), 0, len(place) - 1)]
        starts = starts[here]
        crossings = replace(
            crossings, times_s=times[here], source="gps line", numbers=None, by_place=None, several=None
        )
    return Places(crossings, place, starts, lap, elsewhere, line, moved, matched)


def _elsewhere(thin: Thin, fixes: Fixes, course: Course, notes: list[QualityNote]) -> BoolArray:
    """Mask of thin samples at which the motorcycle was not on this circuit."""
    off = ~course.on_line
    far = np.zeros(len(off))
    if off.any():
        look = np.flatnonzero(off)[:: max(1, round(fixes.rate_hz / 2))]
        away, _ = nearest_m(course.line, fixes.east_m[look], fixes.north_m[look])
        far[off] = np.interp(np.flatnonzero(off), look, (away > ELSEWHERE_M).astype(np.float64))
    elsewhere = np.interp(thin.t_s, fixes.t_s, far) > 0.5
    lasts = float(np.sum(elsewhere)) / thin.rate_hz
    if lasts > 30.0:
        where = thin.t_s[elsewhere]
        message = (
            f"For {lasts:.0f} s the motorcycle is not on the circuit of the other laps: nothing is placed there. "
            "Split the log to review the rest."
        )
        notes.append(
            QualityNote("warning", "two_circuits", message, start_s=float(where[0]), end_s=float(where[-1]))
        )
    return elsewhere


def _by_wheels(thin: Thin, speed: Speed, crossings: Crossings) -> Places:
    travelled = speed.travelled_m
    assert travelled is not None
    nowhere = np.zeros(len(travelled), dtype=bool)
    at = np.interp(crossings.times_s, thin.t_s, travelled)
    if len(at) < 2 and crossings.ends_s is None:
        zero = float(at[0]) if len(at) else 0.0
        return Places(crossings, travelled - zero, at - zero, 0.0, nowhere)
    if crossings.ends_s is not None:
        back = np.interp(crossings.ends_s, thin.t_s, travelled)
        lap = float(np.median(back - at))
        knots, values = np.column_stack((at, back)).ravel(), np.tile([0.0, lap], len(at))
        values += np.repeat(np.arange(len(at)) * lap, 2)
        starts = lap * np.arange(len(at), dtype=np.float64)
        return Places(crossings, np.interp(travelled, knots, values), starts, lap, nowhere)
    lap = commonest(np.diff(at), SAME_CIRCUIT)
    place = by_wheels(travelled, at, lap, lap)
    return Places(crossings, place, np.interp(crossings.times_s, thin.t_s, place), lap, nowhere)


def _on_pattern(
    thin: Thin,
    speed: Speed,
    lean_deg: FloatArray | Numbers | None,
    places: Places,
    circuit: Circuit,
    notes: list[QualityNote],
) -> Places:
    """Places on a known circuit, matched by speed and lean along the lap."""
    lap = places.lap_m
    usual = np.abs(np.diff(places.starts_m) - lap) <= USUAL_SHARE * lap
    index = np.searchsorted(places.starts_m, places.place_m, side="right") - 1
    inside = (index >= 0) & (index < len(usual))
    inside[inside] = usual[index[inside]]
    ours = mean_lap(
        places.place_m % lap, inside, lap, speed.thin_m_s, None if lean_deg is None else lean_deg[thin.rows]
    )
    by_signal = places.crossings.source in ("lap channel", "beacon")
    match = match_by_pattern(circuit, ours, line_known=by_signal)
    if match is None:
        notes.append(not_this_circuit(circuit, "the speed goes round the lap in another way"))
        return places
    nodes, _ = match
    rounds, along = np.divmod(places.place_m, lap)
    place = np.interp(along, np.linspace(0.0, lap, len(nodes)), nodes) + rounds * circuit.length_m
    place = np.maximum.accumulate(place)
    if by_signal:
        starts = np.round(places.starts_m / lap) * circuit.length_m
        return replace(places, place_m=place, starts_m=starts, lap_m=circuit.length_m, matched=True)
    length = circuit.length_m
    starts = length * np.arange(np.ceil(place[0] / length), np.floor(place[-1] / length) + 1)
    crossings = replace(places.crossings, times_s=np.interp(starts, place, thin.t_s), several=None)
    return replace(places, crossings=crossings, place_m=place, starts_m=starts, lap_m=length, matched=True)


def not_this_circuit(circuit: Circuit, why: str) -> QualityNote:
    """Note that a log is not of the given circuit."""
    return QualityNote(
        "warning",
        "other_circuit",
        f"The log is not from {circuit.name or 'this circuit'}: {why}. It is reviewed without the circuit file.",
    )
