"""Where every sample of a run is: laps, distance, corners, phases."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.laps import crossings, phases
from telemetry.laps.corners import corner_at, find_corners
from telemetry.laps.gps import to_plane_m
from telemetry.laps.lap import Corner, Lap, LapSource, Track
from telemetry.notes import QualityNote
from telemetry.signals import Run

# Slower than this the motorcycle is not riding: pushed, in the pit box, on the stand. A choice of ours.
MOVING_M_S = 5.0
# A lap whose time is further from the median than this share is a stop, a pit visit or a missed crossing.
LAP_TIME_SPREAD = 0.25


def find_track(run: Run, *, start_line: tuple[float, float] | None = None) -> Track:
    """Laps, distance, corners and phases of a run, from whatever channels it has.

    Laps come from the first of: a lap-number channel, a beacon, a line on the GPS track (given, or through
    the fastest point), the pattern of the speed. Distance is the integral of the speed, stretched so that
    every complete lap is as long as the median one: the same place is then the same distance in every lap.

    Parameters
    ----------
    run : Run
    start_line : tuple of float, optional
        Latitude and longitude of the middle of the start line. [deg]

    Returns
    -------
    Track
    """
    east, north = _plane(run)
    speed = _speed(run, east, north)
    notes: list[QualityNote] = []
    times, numbers, source = _crossings(run, east, north, speed, start_line, notes)
    laps = _laps(run, times, numbers)
    travelled = _travelled_m(speed, run.sample_rate_hz)
    lap, distance, laps, length = _along_lap(run, laps, travelled)
    acceleration = phases.longitudinal_m_s2(speed, run.sample_rate_hz)
    lean, lean_from = _lean(run, east, north, speed)
    phase, phase_sources = _phases(run, acceleration, lean, lean_from)
    corners = _corners(run, laps, distance, lean)
    return Track(
        laps=laps,
        lap_source=source,
        lap=lap,
        distance_m=distance,
        x_m=east,
        y_m=north,
        speed_m_s=speed,
        phase=phase,
        corner=corner_at(distance, corners, length) if corners else np.zeros(len(run.t_s), dtype=np.int64),
        corners=corners,
        phase_sources=phase_sources,
        notes=tuple(notes),
    )


def _plane(run: Run) -> tuple[FloatArray | None, FloatArray | None]:
    latitude, longitude = run.channels.get("latitude_deg"), run.channels.get("longitude_deg")
    if latitude is None or longitude is None:
        return None, None
    fixed = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if not len(fixed):
        return None, None
    return to_plane_m(latitude, longitude, (latitude[fixed[0]], longitude[fixed[0]]))


def _speed(run: Run, east: FloatArray | None, north: FloatArray | None) -> FloatArray:
    """Ground speed: the speed channel, else from the GPS track, else unknown. [m/s]"""
    if "speed_m_s" in run.channels:
        return run.channels["speed_m_s"]
    if east is None or north is None:
        return np.full(len(run.t_s), np.nan)
    width = max(round(0.5 * run.sample_rate_hz), 3)
    east, north = phases.smooth(east, width), phases.smooth(north, width)
    return np.hypot(np.gradient(east), np.gradient(north)) * run.sample_rate_hz


def _crossings(
    run: Run,
    east: FloatArray | None,
    north: FloatArray | None,
    speed: FloatArray,
    start_line: tuple[float, float] | None,
    notes: list[QualityNote],
) -> tuple[FloatArray, list[int] | None, LapSource]:
    if "lap" in run.channels and start_line is None:
        times, numbers = crossings.from_lap_channel(run.t_s, run.channels["lap"])
        if len(times):
            return times, numbers, "lap channel"
    if "beacon" in run.channels and start_line is None:
        times = crossings.from_beacon(run.t_s, run.channels["beacon"])
        if len(times):
            return times, None, "beacon"
    if east is not None and north is not None:
        times = _line_crossings(run, east, north, speed, start_line, notes)
        if len(times):
            return times, None, "gps line"
    if np.isfinite(speed).any():
        times = crossings.from_speed_pattern(run.t_s, speed)
        if len(times):
            notes.append(
                QualityNote(
                    "info",
                    "laps_by_speed",
                    "Laps were found because the speed repeats; they are counted from the fastest point, "
                    "not from the start line. Log a lap number, a beacon or GPS to do better.",
                )
            )
            return times, None, "speed pattern"
    notes.append(
        QualityNote(
            "warning", "no_laps", "No laps found: the log is reviewed as one stretch, without places."
        )
    )
    return np.array([]), None, "none"


def _line_crossings(
    run: Run,
    east: FloatArray,
    north: FloatArray,
    speed: FloatArray,
    start_line: tuple[float, float] | None,
    notes: list[QualityNote],
) -> FloatArray:
    """Crossings of the given line, or of one through the fastest point of the track."""
    if start_line is None:
        middle = int(np.nanargmax(np.where(np.isfinite(east), speed, np.nan)))
        x0, y0 = east[middle], north[middle]
        notes.append(
            QualityNote(
                "info",
                "start_line_assumed",
                "No start line given: laps are counted from the fastest point of the track. "
                "Give its position to count from the line.",
            )
        )
    else:
        latitude, longitude = run.channels["latitude_deg"], run.channels["longitude_deg"]
        fixed = np.flatnonzero(np.isfinite(east))[0]
        line_east, line_north = to_plane_m(
            np.array([start_line[0]]), np.array([start_line[1]]), (latitude[fixed], longitude[fixed])
        )
        x0, y0 = float(line_east[0]), float(line_north[0])
        middle = int(np.nanargmin(np.hypot(east - x0, north - y0)))
        if np.hypot(east[middle] - x0, north[middle] - y0) > crossings.LINE_HALF_WIDTH_M:
            notes.append(
                QualityNote(
                    "warning",
                    "start_line_missed",
                    f"The start line given is {np.hypot(east[middle] - x0, north[middle] - y0):.0f} m from "
                    "the nearest point of the track; no laps were counted by it. Check its position.",
                )
            )
            return np.array([])
    reach = max(round(0.3 * run.sample_rate_hz), 1)
    first, last = max(middle - reach, 0), min(middle + reach, len(east) - 1)
    heading = float(np.arctan2(north[last] - north[first], east[last] - east[first]))
    return crossings.from_line(run.t_s, east - x0, north - y0, heading)


def _laps(run: Run, times_s: FloatArray, numbers: list[int] | None) -> tuple[Lap, ...]:
    """Laps between crossings, with the part laps at both ends."""
    if not len(times_s):
        return ()
    numbers = numbers or list(range(1, len(times_s) + 1))
    edges = [0.0, *times_s.tolist(), float(run.t_s[-1])]
    names = [numbers[0] - 1, *numbers]
    whole = [False, *[True] * (len(times_s) - 1), False]
    times = np.diff(times_s)
    median = float(np.median(times)) if len(times) else 0.0
    return tuple(
        Lap(
            lap=name,
            start_s=start,
            end_s=end,
            distance_m=None,
            complete=complete and abs(end - start - median) <= LAP_TIME_SPREAD * median,
        )
        for name, start, end, complete in zip(names, edges[:-1], edges[1:], whole, strict=True)
    )


def _travelled_m(speed_m_s: FloatArray, sample_rate_hz: float) -> FloatArray | None:
    if not np.isfinite(speed_m_s).any():
        return None
    # across a dropout of the speed the bike goes on at the speed between: distance must not stand still
    known = np.flatnonzero(np.isfinite(speed_m_s))
    filled = np.interp(np.arange(len(speed_m_s)), known, speed_m_s[known])
    return np.concatenate(([0.0], np.cumsum((filled[1:] + filled[:-1]) / 2))) / sample_rate_hz


def _along_lap(
    run: Run, laps: tuple[Lap, ...], travelled: FloatArray | None
) -> tuple[IntArray, FloatArray, tuple[Lap, ...], float]:
    """Lap number and distance of every sample, the laps with their own length, and the length of a lap."""
    number = np.zeros(len(run.t_s), dtype=np.int64)
    distance = np.full(len(run.t_s), np.nan)
    if not laps:
        return number, distance if travelled is None else travelled, laps, 0.0
    edges = np.array([lap.start_s for lap in laps] + [laps[-1].end_s])
    index = np.clip(np.searchsorted(edges, run.t_s, side="right") - 1, 0, len(laps) - 1)
    number = np.array([lap.lap for lap in laps])[index]
    if travelled is None:
        return number, distance, laps, 0.0
    at_edge = np.interp(edges, run.t_s, travelled)
    lengths = np.diff(at_edge)
    whole = np.array([lap.complete for lap in laps])
    length = float(np.median(lengths[whole])) if whole.any() else float(np.max(lengths))
    stretch = np.where(whole, length / np.maximum(lengths, 1.0), 1.0)
    distance = (travelled - at_edge[index]) * stretch[index]
    # the part lap before the first crossing ends at the line: count back from it
    first = index == 0
    if not laps[0].complete:
        distance[first] = length - (at_edge[1] - travelled[first])
    placed = tuple(
        Lap(lap.lap, lap.start_s, lap.end_s, float(lengths[i]), lap.complete) for i, lap in enumerate(laps)
    )
    return number, distance, placed, length


def _lean(
    run: Run, east: FloatArray | None, north: FloatArray | None, speed: FloatArray
) -> tuple[FloatArray | None, str]:
    if "lean_deg" in run.channels:
        return run.channels["lean_deg"], "lean"
    if east is not None and north is not None:
        return phases.lean_from_path(east, north, speed, run.sample_rate_hz), "GPS track"
    return None, ""


def _phases(
    run: Run, acceleration: FloatArray, lean: FloatArray | None, lean_from: str
) -> tuple[IntArray, tuple[str, ...]]:
    brake, throttle = run.channels.get("brake"), run.channels.get("throttle_pct")
    known = np.isfinite(acceleration).any()
    if lean is None and not known:
        return np.full(len(run.t_s), -1, dtype=np.int64), ()
    if lean is None:
        return phases.phases_from_speed(acceleration), ("speed",)
    used = [lean_from]
    braking = phases.is_braking(brake, acceleration)
    used.append("brake" if brake is not None else "speed")
    driving = np.nan_to_num(acceleration) > phases.DRIVING_M_S2
    if throttle is not None:
        driving |= np.nan_to_num(throttle) > 50.0
        used.append("throttle")
    return phases.phases_from_lean(lean, braking, driving, run.sample_rate_hz), tuple(dict.fromkeys(used))


def _corners(
    run: Run, laps: tuple[Lap, ...], distance: FloatArray, lean: FloatArray | None
) -> tuple[Corner, ...]:
    """Corners from the fastest complete lap."""
    whole = [lap for lap in laps if lap.complete]
    if lean is None or not whole or not np.isfinite(distance).any():
        return ()
    best = min(whole, key=lambda lap: lap.time_s)
    inside = (run.t_s >= best.start_s) & (run.t_s < best.end_s)
    width = max(round(phases.SMOOTH_S * run.sample_rate_hz), 3)
    return find_corners(distance[inside], phases.smooth(lean, width)[inside])


def is_moving(track: Track) -> BoolArray:
    """Samples at which the motorcycle rides; all of them when the speed is not known."""
    if not np.isfinite(track.speed_m_s).any():
        return np.ones(len(track.speed_m_s), dtype=bool)
    return np.asarray(np.nan_to_num(track.speed_m_s) > MOVING_M_S)
