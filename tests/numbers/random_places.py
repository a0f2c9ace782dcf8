"""The parts that speed, positions, start line and places are found by, on small rides about their limits."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.laps import Circuit, Corner, Lap, Place, by_place, laps_at_pace, passing_times_s
from telemetry.laps.circuitfile import _goes_round, _passed_places, _resampled, circuit_text, is_line_of
from telemetry.laps.corners import MeanLap
from telemetry.laps.course import (
    Course,
    _best_move,
    _correction,
    _elsewhere,
    _first_guess,
    _line_through,
    _same_laps,
    _standard,
    _wheel_errors,
    find_places,
    follow,
    line_on_plane,
    match_by_pattern,
    to_degrees,
)
from telemetry.laps.crossings import (
    Crossings,
    _lap_lag,
    _laps_in_one,
    _nearest,
    _passed_unseen,
    _same_place,
    _self_correlation,
    _usual_heading,
    find_crossings,
    found_line,
    from_line,
    from_stops,
    with_missed,
)
from telemetry.laps.gps import (
    CentreLine,
    Fixes,
    _evenly,
    _kinks,
    _usual_speed,
    dropouts,
    fit_line,
    path_speed,
)
from telemetry.laps.lap import _apart_m
from telemetry.laps.smooth import penalised_fit
from telemetry.laps.speed import Speed, Thin, _factor, find_speed
from telemetry.laps.track import _known_line, _note_elsewhere, _path, _split, _within, is_moving
from telemetry.signals import Run
from tests.numbers.fingerprint import each

ORIGIN_DEG = (48.0, 9.0)


def _about(rng: np.random.Generator, limit: float, factor: float = 1.5) -> float:
    """A size about a limit, as often below it as above."""
    return float(limit * factor ** rng.uniform(-1.0, 1.0))


def _at(mask: BoolArray) -> list[int]:
    return np.flatnonzero(mask).tolist()


def _ring(rng: np.random.Generator, n: int = 300) -> CentreLine:
    """A closed line of some 600 m that bends both ways."""
    turn = 2 * np.pi * np.arange(n) / n
    radius = 95.0 + 16.0 * np.cos(3 * turn + rng.uniform(0, 6)) + 6.0 * np.cos(5 * turn)
    side = rng.choice([-1.0, 1.0])
    return _evenly(radius * np.cos(turn) + 1j * side * radius * np.sin(turn))


def _ride(
    rng: np.random.Generator, line: CentreLine, laps: float, *, rate_hz: float = 10.0, noise_m: float = 0.3
) -> tuple[FloatArray, FloatArray, FloatArray, Fixes]:
    """Time, speed, place along a line and the fixes of a ride round it."""
    t_s = np.arange(0.0, laps * line.length_m / 22.0, 1 / rate_hz)
    speed = 22.0 + 7.0 * np.sin(2 * np.pi * t_s / 13.0) + 1.5 * np.sin(t_s / 5.9 + 1.0) + rng.uniform(-2, 2)
    place = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) / rate_hz + rng.uniform(0, 500)
    # no fix falls on a sample: which side of one it lies on must not rest on rounding
    fix_s = t_s + rng.uniform(0.005, 0.03, len(t_s))
    at = np.interp(fix_s, t_s, place)
    east, north = (line.at(at, values) + rng.normal(0, noise_m, len(at)) for values in (line.x_m, line.y_m))
    return t_s, speed, place, Fixes(fix_s, east, north, ORIGIN_DEG, rate_hz)


def _course(rng: np.random.Generator) -> Any:
    """Place along a line by wheels that read wrong and positions that are late."""
    line = _ring(rng)
    t_s, speed, place, fixes = _ride(rng, line, 3.3)
    scale = 1.0 + rng.choice([0.0, 0.02, -0.03]) * np.sin(t_s / 9.0)
    travelled = np.concatenate(([0.0], np.cumsum(0.05 * (speed * scale)[1:] + 0.05 * (speed * scale)[:-1])))
    late_s = rng.choice([0.0, _about(rng, 0.04), 0.3, 1.6])
    fixes = fixes.earlier(-late_s)
    laps = np.arange(np.ceil(place[0] / line.length_m), np.floor(place[-1] / line.length_m) + 1)
    crossings = np.interp(laps * line.length_m, place, t_s) + rng.choice([0.0, 0.4]) * rng.normal(
        size=len(laps)
    )
    off = rng.random(len(t_s)) < 0.05
    wide = replace(fixes, east_m=fixes.east_m + off * _about(rng, 15.0))
    away = np.interp(fixes.t_s, fixes.t_s, 2.0 * np.sin(t_s / 4.0)) + rng.normal(0, 0.4, len(t_s))
    shorter = _about(rng, 200.0) / line.length_m
    small = CentreLine(line.x_m * shorter, line.y_m * shorter, line.length_m * shorter)
    tiny = replace(fixes, east_m=fixes.east_m * shorter, north_m=fixes.north_m * shorter)
    at_crossing = np.interp(crossings, t_s, travelled)
    at_fix = np.interp(fixes.t_s, t_s, travelled)
    course = Course(line, place, np.ones(len(t_s), bool))
    lap_m = float(np.median(np.diff(at_crossing)))
    elsewhere = replace(
        wide, east_m=wide.east_m + ((t_s > 20.0) & (t_s < 20.0 + _about(rng, 30.0))) * _about(rng, 500.0, 1.2)
    )
    notes: list[Any] = []
    thin = Thin(len(t_s), 10.0, 1)
    given = line.from_place(float(rng.uniform(0, 500)))
    kinds = (
        Crossings(crossings, "lap channel"),
        Crossings(crossings, "beacon", by_place=np.arange(len(crossings)) == 1),
        Crossings(crossings, "gps line", line_m=(float(line.x_m[0]), float(line.y_m[0]))),
        Crossings(crossings[:1], "speed pattern"),
    )
    on = given if rng.random() < 0.6 else None
    wheels = Speed(speed, speed, travelled, "speed")
    by_positions = find_places(thin, wide, wheels, None, kinds[int(rng.integers(0, 4))], None, on, notes)
    alone = find_places(thin, None, wheels, None, kinds[int(rng.integers(0, 4))], None, None, notes)
    return each(
        follow(wide, t_s, travelled, crossings[: int(rng.choice([1, 9]))], given),
        by_positions,
        alone,
        follow(tiny, t_s, travelled * shorter, crossings) is None,
        follow(
            tiny.only(np.arange(len(t_s)) % int(rng.integers(3, 9)) == 0),
            t_s,
            travelled * shorter,
            crossings,
            small,
        ),
        _same_laps(
            replace(fixes, east_m=fixes.east_m + (t_s > t_s[-1] / 2) * _about(rng, 40.0)), at_fix, at_crossing
        ),
        _first_guess(fixes, at_fix, travelled, at_crossing[:0], line, None),
        _first_guess(wide, at_fix, travelled, at_crossing, line, lap_m),
        _line_through(fixes, t_s, travelled - at_crossing[0], lap_m),
        _correction(t_s, fixes.t_s[::3], away[::3]),
        _correction(t_s, fixes.t_s[:4], away[:4]),
        *_wheel_errors(course, t_s, travelled, fixes.t_s, away, np.ones(len(away), bool)),
        _at(
            _elsewhere(
                thin, elsewhere, Course(line, place, np.abs(elsewhere.east_m - fixes.east_m) < 15.0), notes
            )
        ),
        notes,
    )


def _lines(rng: np.random.Generator) -> Any:
    """Lines through positions, from and to a circuit, and what is beside them."""
    line = _ring(rng, int(rng.integers(60, 200)))
    t_s, speed, place, fixes = _ride(rng, line, 2.2, noise_m=float(rng.choice([0.1, 0.8])))
    lap_s = float(t_s[-1] / 2.2)
    along = place % line.length_m / line.length_m * lap_s
    latitude, longitude = to_degrees(line, ORIGIN_DEG)
    circuit = Circuit("", line.length_m, (), latitude_deg=latitude[::4], longitude_deg=longitude[::4])
    again = line_on_plane(circuit, (48.001, 9.001))
    near = (ORIGIN_DEG[0] + _about(rng, 30.0) / 111_200.0, float(longitude[0]))
    ridden = to_degrees(CentreLine(fixes.east_m, fixes.north_m, 1.0), ORIGIN_DEG)
    aside = (fixes.t_s % lap_s < _about(rng, 0.08) * lap_s) * _about(rng, 25.0, 1.3)
    beside = to_degrees(CentreLine(fixes.east_m + aside, fixes.north_m, 1.0), ORIGIN_DEG)
    part = slice(0, round(_about(rng, 0.95, 1.1) * len(along) / 2.2))
    slow = np.repeat(np.arange(40), rng.integers(1, 9, 40)) * _about(rng, 6.0)
    kinked = np.interp(np.arange(200), np.arange(0, 200, 7), rng.normal(size=29)) * 1e-7
    riding = replace(fixes, t_s=fixes.t_s + (fixes.t_s > 20.0) * _about(rng, 1.5))
    notes: list[Any] = []
    moving = np.interp(riding.t_s, riding.t_s, speed) > 20.0
    dropouts(riding, moving, notes)
    return each(
        fit_line(along, fixes.east_m, fixes.north_m, lap_s, line.length_m),
        again,
        is_line_of(replace(circuit, latitude_deg=np.array([48.0, 48.1])), near),
        [_goes_round(a[part], b[part], circuit) for a, b in (ridden, beside)],
        _goes_round(ridden[0][::-1], ridden[1][::-1], circuit),
        _passed_places(slow, 0.3 * slow),
        _kinks(kinked, np.zeros(200)),
        _usual_speed(np.abs(rng.normal(size=30)), np.full(30, 0.1)),
        line.curvature_1_m,
        line.project(fixes.east_m + 3.0, fixes.north_m, place + rng.normal(0, 20, len(place)), 48.0),
        path_speed(fixes, np.arange(-1.0, t_s[-1] + 1.0, 0.05)),
        _path(Thin(len(t_s) * 2, 20.0, 2), riding),
        notes,
        _factor(fixes, place * _about(rng, 1.0, 1.2)),
    )


def _starts(rng: np.random.Generator) -> Any:
    """Start lines, and pulses of a beacon that fall between two samples."""
    line = _ring(rng)
    t_s, speed, place, fixes = _ride(rng, line, 4.2)
    thin = Thin(len(t_s), 10.0, 1)
    index = int(rng.integers(5, len(t_s) - 5))
    aside = _about(rng, 20.0)
    middle = (float(fixes.east_m[index]) + aside, float(fixes.north_m[index]))
    away, nearest = _nearest(fixes, middle)
    laps = np.arange(np.ceil(place[0] / line.length_m), np.floor(place[-1] / line.length_m) + 1)
    crossings = np.interp(laps * line.length_m, place, t_s)
    fewer = np.delete(crossings, 1)
    beacon = np.zeros(len(t_s))
    for time in fewer:
        beacon[round(time * 10) :][: int(rng.integers(1, 4))] = 1.0
    slower = np.where(np.abs(t_s - crossings[0]) < 3.0, speed * _about(rng, 0.6, 1.4), speed)
    speed_of = Speed(speed, speed, place - place[0], "speed")
    notes: list[Any] = []
    start = tuple(
        float(v[0]) for v in to_degrees(CentreLine(*(np.array([m]) for m in middle), 1.0), ORIGIN_DEG)
    )
    run = Run("ride.csv", t_s, 10.0, {}, {"beacon": beacon}, {}, {}, {})
    found = [
        find_crossings(run, thin, some, speed_of, at, on, notes)
        for some, at, on in ((fixes, start, None), (fixes, start, line), (None, None, None))
    ]
    bare = replace(run, channels={})
    found += [
        find_crossings(bare, thin, some, speed_of, None, on, notes)
        for some, on in ((fixes, line), (None, None))
    ]
    standing = Speed(speed, np.where(t_s < _about(rng, 10.0), 6.0, 0.0), place - place[0], "speed")
    found.append(find_crossings(bare, thin, fixes, standing, None, None, notes))
    found.append(find_crossings(bare, thin, fixes, replace(speed_of, thin_m_s=None), None, None, notes))
    missed = [
        with_missed(Crossings(fewer, "beacon"), beacon, thin, some, of, notes)
        for some, of in ((fixes, speed_of), (None, speed_of), (fixes, replace(speed_of, thin_m_s=None)))
    ]
    return each(
        away,
        nearest,
        _usual_heading(fixes, middle, nearest),
        from_line(fixes, middle, float(rng.uniform(0, 6))),
        found_line(fixes, np.where(rng.random(len(t_s)) < 0.02, np.nan, speed)),
        found_line(fixes.only(t_s < crossings[1] + 3.0), speed[t_s < crossings[1] + 3.0]),
        _passed_unseen(fewer, fixes, slower),
        _passed_unseen(fewer + rng.normal(0, _about(rng, 1.0, 2.0), len(fewer)), fixes, speed),
        _at(_laps_in_one(fewer, beacon, thin, place - place[0])),
        _at(_laps_in_one(fewer, np.repeat(beacon[::2], 2)[: len(beacon)], thin, place - place[0])),
        *found,
        *missed,
        notes,
    )


def _repeats(rng: np.random.Generator) -> Any:
    """Speed that repeats, nearly; and rides from stop to stop."""
    n = int(rng.integers(150, 420))
    lap = int(rng.integers(110, 200))
    of_lap = sum(rng.uniform(-1, 1) * np.sin(2 * np.pi * k * np.arange(lap) / lap + k) for k in range(1, 9))
    speed = 30.0 + 5.0 * np.resize(of_lap, n) + _about(rng, 3.0, 3.0) * rng.normal(size=n)
    lags = np.arange(60, max(n * 2 // 3, 62))
    reference = int(rng.integers(lap // 6, n - lap // 6))
    rides = []
    for _ in range(rng.integers(2, 6)):
        rides += [np.zeros(round(_about(rng, 8.0, 1.4) * 5)), np.full(round(_about(rng, 150.0, 1.02)), 30.0)]
    box = np.concatenate([*rides, np.full(60, rng.choice([0.0, 0.5, 1.5]))])
    return each(
        _lap_lag(speed),
        _self_correlation(speed, lags),
        [
            _same_place(speed, reference, reference + move * lap + int(rng.integers(-4, 5)), lap)
            for move in (-1, 1)
        ],
        from_stops(0.2 * np.arange(len(box)), np.cumsum(box) * 0.2 * rng.choice([0.65, 1.0])),
    )


def _patterns(rng: np.random.Generator) -> Any:
    """Mean laps laid over a circuit's."""
    n = 180
    place = 2 * np.pi * np.arange(n) / n
    speed = 30.0 + sum(rng.uniform(-4, 4) * np.sin(k * place + rng.uniform(0, 6)) for k in range(1, 9))
    lean = sum(rng.uniform(-12, 12) * np.sin(k * place + rng.uniform(0, 6)) for k in range(1, 9))
    circuit = Circuit("Ring", 700.0, (), speed_m_s=speed, lean_deg=lean)
    warped = np.interp(np.arange(n) + _about(rng, 6.0) * np.sin(place), np.arange(n), speed, period=n)
    other = warped + _about(rng, 5.0, 1.6) * rng.normal(size=n)
    ours = MeanLap(700.0 * _about(rng, 1.0, 1.08), np.roll(other, int(rng.integers(-40, 40))), None)
    theirs, mine = np.array([_standard(speed, 400)]), np.array([_standard(warped, 400)])
    lap_s = 30.0
    t_s = np.arange(0.0, 3.4 * lap_s, 0.2)
    travelled = 700.0 * t_s / lap_s
    thin_speed = np.interp(travelled % 700.0, np.arange(n) * 700.0 / n, speed, period=700.0)
    crossings = Crossings(
        lap_s * np.arange(1.0, 4.0) * _about(rng, 1.0, 1.02), str(rng.choice(["beacon", "gps line"]))
    )
    notes: list[Any] = []
    places = find_places(
        Thin(len(t_s), 5.0, 1),
        None,
        Speed(thin_speed, thin_speed, travelled, "speed"),
        np.interp(travelled % 700.0, np.arange(n) * 700.0 / n, lean, period=700.0),
        crossings,
        circuit,
        None,
        notes,
    )
    return each(
        [match_by_pattern(circuit, ours, line_known=known) for known in (True, False)],
        [_best_move(theirs, mine, node, int(rng.integers(-3, 4))) for node in (0, 90, 200, 390)],
        _standard(speed, int(rng.integers(50, 400))),
        places,
        notes,
    )


def _events(rng: np.random.Generator) -> Any:
    """Events along a lap, at pace and not."""
    length_m = float(rng.uniform(300.0, 900.0))
    events = [
        Place(
            lap=int(rng.integers(1, 4)),
            distance_m=None if rng.random() < 0.1 else float(rng.uniform(0.0, length_m)),
            corner=int(rng.integers(1, 4)) if rng.random() < 0.3 else None,
            phase=str(rng.choice(["braking", "drive"])),
        )
        for _ in range(12)
    ]
    start = 0.0
    laps = []
    for number in range(5):
        lasts = _about(rng, 60.0, 1.1)
        laps.append(Lap(number, start, start + lasts, float(rng.uniform(590, 610)), bool(rng.random() < 0.8)))
        start += lasts
    t_s = np.linspace(laps[0].start_s, laps[0].end_s, 200)
    along = np.linspace(0.0, 600.0, 200) + rng.normal(0, 1.0, 200)
    along[rng.random(200) < _about(rng, 0.1)] = np.nan
    return each(
        by_place(events, length_m),
        by_place(events, None),
        laps_at_pace(laps),
        passing_times_s(laps[0], t_s, along),
        _apart_m(rng.uniform(0, length_m, 9), rng.uniform(0, length_m, 9), length_m),
    )


def _speeds(rng: np.random.Generator) -> Any:
    """Wheel speeds in a wrong unit, with gaps, or none; with and without positions."""
    line = _ring(rng)
    t_s, speed, place, fixes = _ride(rng, line, 2.0, rate_hz=10.0)
    factor = rng.choice(
        [1 / 3.6, 3.6, 0.447, 1.609, 1.852, 0.514, 1.0, _about(rng, 1.0, 1.2), _about(rng, 1.0, 1.04)]
    )
    wheel = speed / factor * _about(rng, 1.0, 1.07)
    wheel[rng.random(len(wheel)) < rng.choice([0.0, 0.03])] = np.nan
    jump = int(rng.integers(5, len(t_s) - 50))
    east = fixes.east_m.copy()
    east[jump : jump + int(rng.integers(1, 30))] += _about(rng, 11.0, 1.6)
    fixes = replace(fixes, east_m=east)
    few = fixes.only(t_s < _about(rng, 12.0, 1.2))
    channels = {"speed_m_s": wheel}
    run = Run("ride.csv", t_s, 10.0, {}, channels, {}, {}, {})
    notes: list[Any] = []
    thin = Thin(len(t_s), 10.0, int(rng.integers(1, 4)))
    return each(
        *(
            find_speed(replace(run, channels=given), thin, some, notes)
            for given in (channels, {}, {"speed_m_s": np.where(np.arange(len(t_s)) == 3, 1.0, np.nan)})
            for some in (fixes, few, None)
        ),
        notes,
    )


def _tracks(rng: np.random.Generator) -> Any:
    """Distances within laps, kept circuits, and their file."""
    line = _ring(rng)
    t_s, speed, place, fixes = _ride(rng, line, 3.3)
    lap_m = line.length_m
    zero = float(rng.uniform(-0.5, 0.5) * lap_m)
    lengths = [place[: int(rng.integers(2, len(place)))] for _ in range(3)]
    latitude, longitude = to_degrees(line, ORIGIN_DEG)
    corners = (
        Corner(1, 10.04, 20.06, 35.0, 1, "One"),
        Corner(2, 60.0, 70.0, 85.0, -1),
        Corner(3, 90, 95, 99, 0),
    )
    circuit = Circuit(
        "Ring", lap_m, corners, latitude, longitude, 30.0 + np.sin(np.arange(90)), np.cos(np.arange(70))
    )
    moved = _about(rng, 25.0, 1.2) * (rng.random(len(t_s)) < _about(rng, 0.3, 1.3))
    aside = replace(fixes, east_m=fixes.east_m + 1e3 * moved / 25.0 * rng.choice([0.025, 1.0, 3.0]))
    notes: list[Any] = []
    thin = Thin(len(t_s), 10.0, 1)
    some = Speed(speed, np.where(t_s < 5.0, 2.0, speed), place - place[0], "speed")
    laps = tuple(
        Lap(
            k, k * 20.0, k * 20.0 + 20.0, 400.0 + 100.0 * (k == 2), k != 2, "elsewhere" if k == 2 else "timed"
        )
        for k in range(4)
    )
    crossings = Crossings(np.arange(1.0, 4.0) * 20.0, "beacon")
    places = find_places(thin, None, some, None, crossings, None, None, notes)
    _note_elsewhere(laps, places, notes)
    track_speed = np.where(rng.random(len(t_s)) < 0.1, np.nan, _about(rng, 5.0))
    return each(
        [_within(part, zero, lap_m, first) for part in lengths for first in (True, False)],
        _known_line(circuit, aside, thin, some, notes),
        _split(t_s, places.place_m, laps, places, np.arange(len(t_s)) % 50 == 7)
        if places is not None
        else None,
        circuit_text(circuit),
        circuit_text(replace(circuit, latitude_deg=None, lean_deg=None)),
        _resampled(np.column_stack((latitude, longitude)), lap_m, 33.0, at=float(rng.choice([0.0, 0.5]))),
        _at(is_moving(_Bare(track_speed))),
        penalised_fit(np.ones(20), np.full(19, 0.1), np.sin(np.arange(20.0)), 2.0, int(rng.integers(1, 4))),
        notes,
    )


class _Bare:
    """A track of which only the speed is looked at."""

    def __init__(self, speed_m_s: FloatArray) -> None:
        self.speed_m_s = speed_m_s


PARTS: dict[str, Callable[[np.random.Generator], Any]] = {
    "course": _course,
    "lines": _lines,
    "starts": _starts,
    "repeats": _repeats,
    "patterns": _patterns,
    "events": _events,
    "speeds": _speeds,
    "tracks": _tracks,
}


def parts_of_places_at_random(seed: int) -> Any:
    """What each of the parts gives; the quick ones three times."""
    return {
        name: [part(np.random.default_rng([seed, i, again])) for again in range(1 if part is _course else 3)]
        for i, (name, part) in enumerate(PARTS.items())
    }
