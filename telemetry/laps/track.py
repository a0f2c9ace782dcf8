"""Lap, distance, corner and phase of every sample: the processing order of this package."""

from dataclasses import replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.decimals import Lines, as_kept, kept_of
from telemetry.laps.corners import (
    DRIVING_M_S2,
    MOVING_M_S,
    MeanLap,
    Span,
    classified_laps,
    corner_at,
    find_corners,
    is_braking,
    lean_from_curvature,
    lean_from_path,
    longitudinal_m_s2,
    mean_lap,
    measured_m_s2,
    phases_from_lean,
    phases_from_speed,
)
from telemetry.laps.course import Places, find_places, line_on_plane, not_this_circuit, to_degrees
from telemetry.laps.crossings import Crossings, find_crossings, with_missed
from telemetry.laps.gps import CentreLine, Fixes, find_fixes, nearest_m
from telemetry.laps.lap import Circuit, Corner, Lap, Track
from telemetry.laps.speed import PLACE_HZ, Speed, Thin, find_speed
from telemetry.notes import QualityNote
from telemetry.signals import Run

# A log is on a circuit when this share of its positions while riding lies so near to the centre line.
ON_CIRCUIT_SHARE, NEAR_M = 0.7, 25.0
# A pause of the positions longer than this, or than three of them, is not drawn over. [s]
LONGEST_BRIDGE_S = 1.5
# What differs less from a straight line is one. [m]
STRAIGHT_M = 1e-9
# A lap of which more than this share is not on the circuit of the others is not one of theirs.
ELSEWHERE_SHARE = 0.2


def find_track(
    run: Run, *, start_line: tuple[float, float] | None = None, circuit: Circuit | None = None
) -> Track:
    """Laps, distance, corners and phases of a run, from whatever channels it has.

    Laps come from the first of: a lap-number channel, a beacon, a line on the GPS track (given, of the circuit, or
    through the fastest point), the pattern of the speed, stops at the box. Distance is by the wheels, corrected by
    the positions' place along the centre line; without positions every complete lap is taken to be as long as the
    middle one. The same place is then the same distance in every lap.

    Parameters
    ----------
    start_line : tuple of float, optional
        Latitude and longitude of the middle of the start line. [deg]
    circuit : Circuit, optional
        From an earlier run: places and corner numbers are then those of the circuit.
    """
    notes: list[QualityNote] = []
    thin = Thin(len(run.t_s), run.sample_rate_hz, max(1, int(run.sample_rate_hz / PLACE_HZ)))
    speed, fixes = find_speed(run, thin, find_fixes(run), notes)
    line = _known_line(circuit, fixes, thin, speed, notes)
    if circuit is not None and line is None and fixes is not None and circuit.latitude_deg is not None:
        circuit = None
    crossings = find_crossings(run, thin, fixes, speed, start_line, line, notes)
    if crossings.source == "beacon":
        crossings = with_missed(crossings, run.channels["beacon"], thin, fixes, speed, notes)
    logged = kept_of(run.channels, "lean_deg") if "lean_deg" in run.channels else None
    places = find_places(thin, fixes, speed, logged, crossings, circuit, line, notes)
    crossings = crossings if places is None else places.crossings
    if places is not None and places.matched and circuit is not None and circuit.kept_in:
        notes.append(_kept_note(circuit))
    laps = _laps(run, thin, speed, crossings, places)
    _note_elsewhere(laps, places, notes)
    distance_m = _distance(run, thin, laps, places)
    distance = distance_m[thin.rows]
    lean, lean_from = _lean(thin, speed, places, fixes, None if logged is None else logged[thin.rows])
    phase, phase_sources = _phases(run, thin, speed, lean, lean_from, notes)
    inside = _complete(thin, laps)
    mean = None
    if places is not None and inside.any():
        mean = mean_lap(distance, inside, places.lap_m, speed.thin_m_s, lean)
    if places is not None and places.matched and circuit is not None:
        corners, corner_source = circuit.corners, "circuit"
    else:
        corners = find_corners(mean) if mean is not None else ()
        corner_source = (lean_from or "speed") if corners else ""
    number: IntArray = np.zeros(len(distance), dtype=np.int64)
    if corners and places is not None:
        number = corner_at(distance, corners, places.lap_m)
    east, north = _path(thin, fixes if places is None or places.fixes is None else places.fixes)
    return Track(
        laps=laps,
        lap_source=crossings.source,
        lap=_lap_numbers(run, laps),
        distance_m=distance_m,
        x_m=east,
        y_m=north,
        speed_m_s=speed.speed_m_s,
        phase=thin.hold(_small(phase)),
        corner=thin.hold(_small(number)),
        corners=corners,
        phase_sources=phase_sources,
        notes=tuple(notes),
        circuit=_circuit(mean, corners, places, fixes, circuit),
        corner_source=corner_source,
    )


def _known_line(
    circuit: Circuit | None, fixes: Fixes | None, thin: Thin, speed: Speed, notes: list[QualityNote]
) -> CentreLine | None:
    """The centre line of the circuit that was given, if the run has positions and they lie on it."""
    line = None if circuit is None or fixes is None else line_on_plane(circuit, fixes.origin_deg)
    if line is None or fixes is None or circuit is None or speed.thin_m_s is None:
        return None
    riding = np.flatnonzero(np.interp(fixes.t_s, thin.t_s, speed.thin_m_s) > MOVING_M_S)
    look = riding[:: max(1, len(riding) // 1000)]
    if not len(look):
        return None
    away, _ = nearest_m(line, fixes.east_m[look], fixes.north_m[look])
    if np.mean(away <= NEAR_M) >= ON_CIRCUIT_SHARE:
        return line
    far = float(np.median(away))
    where = f"{far / 1000:.0f} km" if far > 2000 else f"{far:.0f} m"
    notes.append(not_this_circuit(circuit, f"its positions are {where} away"))
    return None


def _kept_note(circuit: Circuit) -> QualityNote:
    message = (
        f"Start line, places and corner numbers are those of {circuit.name or 'the circuit'} that is kept for this "
        f"place, in {circuit.kept_in}. --line or --circuit comes first; without the file they are found anew."
    )
    return QualityNote("info", "circuit_kept", message)


def _laps(run: Run, thin: Thin, speed: Speed, crossings: Crossings, places: Places | None) -> tuple[Lap, ...]:
    """Laps between crossings, with the part laps at both ends."""
    times = crossings.times_s.tolist()
    if not times:
        return ()
    numbers = crossings.numbers or list(range(1, len(times) + 1))
    if crossings.ends_s is not None:
        rides = zip(numbers, times, crossings.ends_s.tolist(), strict=True)
        spans = [Span(n, a, b, from_line=True, to_line=True) for n, a, b in rides]
    else:
        edges = [0.0, *times, float(run.t_s[-1])]
        last = len(times)
        spans = [
            Span(number, edges[i], edges[i + 1], from_line=i > 0, to_line=i < last)
            for i, number in enumerate([numbers[0] - 1, *numbers])
        ]
    several = np.zeros(len(spans), dtype=bool)
    if crossings.several is not None:
        several[1:-1] = crossings.several
    slow = np.full(len(thin.t_s), np.inf) if speed.thin_m_s is None else speed.thin_m_s
    elsewhere = np.zeros(len(spans), dtype=bool)
    if places is not None and places.elsewhere.any():
        for i, span in enumerate(spans):
            here = places.elsewhere[(thin.t_s >= span.start_s) & (thin.t_s < span.end_s)]
            elsewhere[i] = bool(len(here)) and float(np.mean(here)) > ELSEWHERE_SHARE
    # whether laps are of one length the wheels say where no position does; how long they are, the place
    along = None if places is None else speed.travelled_m if places.line is None else places.place_m
    laps = classified_laps(
        spans, thin.t_s, slow, along, elsewhere, several, box_to_box=crossings.ends_s is not None
    )
    if places is None or speed.travelled_m is None:
        return laps
    by_wheels, by_place = speed.travelled_m, places.place_m

    def length(lap: Lap) -> float | None:
        if lap.kind != "elsewhere" and not places.matched:
            return lap.distance_m
        by = by_wheels if lap.kind == "elsewhere" else by_place
        return float(np.ptp(np.interp([lap.start_s, lap.end_s], thin.t_s, by)))

    return tuple(replace(lap, distance_m=length(lap)) for lap in laps)


def _note_elsewhere(laps: tuple[Lap, ...], places: Places | None, notes: list[QualityNote]) -> None:
    """Note on laps of different wheel distance; with positions the note is made where they are matched."""
    odd = [lap for lap in laps if lap.kind == "elsewhere"]
    even = [lap for lap in laps if lap.complete]
    if not odd or not even or places is None or places.line is not None:
        return
    usual, other = (float(np.median([lap.distance_m or 0.0 for lap in some])) for some in (even, odd))
    numbers = ", ".join(str(lap.lap) for lap in odd[:6])
    message = (
        f"By the wheels lap {numbers} is {other:.0f} m long, the others {usual:.0f} m: not once round the same "
        "circuit. Nothing is placed there; split the log if it holds two circuits."
    )
    notes.append(QualityNote("warning", "two_circuits", message, start_s=odd[0].start_s, end_s=odd[-1].end_s))


def _complete(thin: Thin, laps: tuple[Lap, ...]) -> BoolArray:
    """Thin samples inside complete laps."""
    inside = np.zeros(len(thin.t_s), dtype=bool)
    for lap in laps:
        if lap.complete:
            inside[slice(*np.searchsorted(thin.t_s, (lap.start_s, lap.end_s)).tolist())] = True
    return inside


def _within(place: FloatArray, zero: float, lap_m: float, first: bool) -> FloatArray:
    """Distance since the start of a lap; one that is longer than a lap, because a crossing was missed, begins again."""
    along = place - zero
    if lap_m == 0.0 or not len(along) or (along[0] >= 0.0 and along[-1] < 1.02 * lap_m):
        return along
    along = along % lap_m if first else np.maximum(along, 0.0)
    return np.where(along < 1.02 * lap_m, along, along % lap_m)


def _distance(run: Run, thin: Thin, laps: tuple[Lap, ...], places: Places | None) -> Lines:
    """Distance since the start of the lap at every sample. [m]"""
    if places is None:
        return thin.lines(np.full(len(thin.t_s), np.nan))
    along = thin.lines(places.place_m)

    def at(rows: IntArray) -> FloatArray:
        return _split(run.t_s[rows], along[rows], laps, places, places.elsewhere[thin.nearest(rows)])

    rows = np.append(thin.samples, thin.n_samples - 1)
    distance = at(rows)
    # straight between two thin samples, but where a lap begins or what is known ends between them
    bent = ~(np.abs(np.diff(distance) - np.diff(along[rows])) < STRAIGHT_M)
    bent &= np.isfinite(distance[1:]) | np.isfinite(distance[:-1])
    between = (rows[:-1][bent, None] + np.arange(thin.step)).ravel()
    kept = np.zeros(thin.n_samples, dtype=bool)
    kept[rows] = kept[between[between < thin.n_samples]] = True
    rows = np.flatnonzero(kept)
    return Lines(rows.astype(np.float64), at(rows), thin.n_samples)


def _split(
    t_s: FloatArray, place: FloatArray, laps: tuple[Lap, ...], places: Places, elsewhere: BoolArray
) -> FloatArray:
    """Distance since the start of the lap at the given instants. [m]"""
    if not laps:
        distance = place % places.lap_m if places.matched else place.copy()
    else:
        distance = np.full(len(place), np.nan)
        by_line = places.crossings.ends_s is None
        # of the part lap before the first crossing the start is a lap before that
        before = [places.starts_m[0] - places.lap_m] if by_line else []
        for i, (lap, zero) in enumerate(zip(laps, [*before, *places.starts_m.tolist()], strict=True)):
            stop = len(t_s) if by_line and i == len(laps) - 1 else np.searchsorted(t_s, lap.end_s)
            here = slice(np.searchsorted(t_s, lap.start_s), stop)
            if lap.kind != "elsewhere" or places.line is not None:
                distance[here] = _within(place[here], zero, places.lap_m, first=by_line and i == 0)
    distance[elsewhere] = np.nan
    return distance


def _lap_numbers(run: Run, laps: tuple[Lap, ...]) -> IntArray:
    number = np.zeros(len(run.t_s), dtype=_small(np.array([0, *(lap.lap for lap in laps)])).dtype)
    for i, lap in enumerate(laps):
        stop = len(number) if i == len(laps) - 1 and not lap.complete else np.searchsorted(run.t_s, lap.end_s)
        number[np.searchsorted(run.t_s, lap.start_s) : stop] = lap.lap
    return number


def _small(numbers: IntArray) -> IntArray:
    """The same numbers in the smallest type that holds them."""
    least, most = int(numbers.min()), int(numbers.max())
    kinds = (np.int8, np.int16, np.int32, np.int64)
    return numbers.astype(next(k for k in kinds if np.iinfo(k).min <= least and most <= np.iinfo(k).max))


def _lean(
    thin: Thin, speed: Speed, places: Places | None, fixes: Fixes | None, lean: FloatArray | None
) -> tuple[FloatArray | None, str]:
    """Lean on the thin clock and what it is from: the channel, or what balances the bend of the track."""
    if lean is not None and np.isfinite(lean).any():
        return lean, "lean"
    if speed.thin_m_s is None:
        return None, ""
    if places is not None and places.line is not None:
        bend = places.line.at(places.place_m, places.line.curvature_1_m)
        return lean_from_curvature(bend, speed.thin_m_s), "GPS track"
    if fixes is not None:
        east, north = (np.interp(thin.t_s, fixes.t_s, v) for v in (fixes.east_m, fixes.north_m))
        return lean_from_path(east, north, speed.thin_m_s, thin.rate_hz), "GPS track"
    return None, ""


def _phases(
    run: Run, thin: Thin, speed: Speed, lean: FloatArray | None, lean_from: str, notes: list[QualityNote]
) -> tuple[IntArray, tuple[str, ...]]:
    """Phases on the thin clock, and the channels they were decided from."""

    def picked(name: str) -> FloatArray | None:
        return kept_of(run.channels, name)[thin.rows] if name in run.channels else None

    acceleration = None
    if speed.thin_m_s is not None:
        acceleration = longitudinal_m_s2(speed.speed_m_s[thin.rows], thin.rate_hz)
    from_what = speed.source
    if (logged := picked("acceleration_m_s2")) is not None:
        measured = measured_m_s2(logged, acceleration, thin.rate_hz)
        if measured is not None:
            acceleration, from_what = measured, "acceleration"
        else:
            message = (
                "The acceleration does not go with the speed: phases are found without it. Check its direction "
                "(forwards is positive) and its mounting."
            )
            notes.append(QualityNote("warning", "acceleration_unlike_speed", message, channel="acceleration"))
    if lean is None:
        if acceleration is None:
            return np.full(len(thin.t_s), -1, dtype=np.int64), ()
        return phases_from_speed(acceleration), (from_what,)
    if acceleration is None:
        acceleration = np.full(len(thin.t_s), np.nan)
    driving = np.nan_to_num(acceleration) > DRIVING_M_S2
    if (throttle := picked("throttle_pct")) is not None:
        driving |= np.nan_to_num(throttle) > 50.0
    braking = is_braking(picked("brake"), acceleration)
    phase = phases_from_lean(lean, braking, driving, thin.rate_hz)
    used = (
        lean_from,
        "brake" if "brake" in run.channels else from_what,
        "" if throttle is None else "throttle",
    )
    return phase, tuple(dict.fromkeys(filter(None, used)))


def _path(thin: Thin, fixes: Fixes | None) -> tuple[Lines | None, Lines | None]:
    """East and north at every sample, straight between positions; NaN over their pauses."""
    if fixes is None:
        return None, None
    t = thin.t_s
    pause = np.flatnonzero(np.diff(fixes.t_s) > max(LONGEST_BRIDGE_S, 3.0 / fixes.rate_hz))
    unknown = (t < fixes.t_s[0] - LONGEST_BRIDGE_S) | (t > fixes.t_s[-1] + LONGEST_BRIDGE_S)
    for i in pause.tolist():
        unknown[np.searchsorted(t, fixes.t_s[i], "right") : np.searchsorted(t, fixes.t_s[i + 1])] = True
    east, north = (
        thin.lines(np.where(unknown, np.nan, np.interp(t, fixes.t_s, v)))
        for v in (fixes.east_m, fixes.north_m)
    )
    return east, north


def _circuit(
    mean: MeanLap | None,
    corners: tuple[Corner, ...],
    places: Places | None,
    fixes: Fixes | None,
    given: Circuit | None,
) -> Circuit | None:
    """The circuit as this run knows it, to be kept for the next; the one that was given stays as it was."""
    if places is not None and places.matched:
        return given
    if mean is None or places is None:
        return None
    found = Circuit(
        name="", length_m=places.lap_m, corners=corners, speed_m_s=mean.speed_m_s, lean_deg=mean.lean_deg
    )
    if places.line is None or fixes is None:
        return found
    latitude, longitude = to_degrees(places.line, fixes.origin_deg)
    return replace(found, latitude_deg=latitude, longitude_deg=longitude)


def is_moving(track: Track) -> BoolArray:
    """True for samples at which the motorcycle moves, shape (n_samples,); all True without speed."""
    speed = as_kept(track.speed_m_s)
    moving = np.ones(len(speed), dtype=bool)
    if speed.any_known:
        for rows, values in speed.blocks():
            np.greater(values, MOVING_M_S, out=moving[rows])
    return moving
