"""The parts that laps, corners and places are found by, each on many small rides drawn at random."""

from typing import Any

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps import Circuit, along_the_lap, lap_length_m, lean_from_path, measured_m_s2
from telemetry.laps.corners import (
    MeanLap,
    Span,
    classified_laps,
    corner_at,
    find_corners,
    in_pits,
    is_braking,
    longitudinal_m_s2,
    mean_lap,
    phases_from_lean,
    phases_from_speed,
)
from telemetry.laps.course import by_wheels, laps_between, match_by_pattern
from telemetry.laps.crossings import (
    apart,
    found_line,
    from_beacon,
    from_lap_channel,
    from_line,
    from_speed_pattern,
    from_stops,
    heading_at,
    laps_within,
    shortest_pulse,
)
from telemetry.laps.gps import CentreLine, Fixes, dropouts, find_fixes, nearest_m, path_speed, without_jumps
from telemetry.laps.smooth import commonest, moving_mean, penalised_fit, robust_sd
from telemetry.laps.speed import Thin
from telemetry.signals import Run
from tests.numbers.fingerprint import each


def parts_at_random(seed: int) -> Any:
    """What each of the parts gives."""
    rng = np.random.default_rng(seed)
    return {
        "corners": _corners(rng),
        "phases": _phases(rng),
        "kinds": _kinds(rng),
        "signals": _signals(rng),
        "pattern": _pattern(rng),
        "positions": _positions(rng),
        "fixes": _fixes(rng),
        "circuit": _circuit(rng),
        "small": _small(rng),
    }


def _wave(rng: np.random.Generator, n: int, most: int = 7) -> FloatArray:
    """A smooth closed curve of a few waves, between about -1 and 1."""
    place = 2 * np.pi * np.arange(n) / n
    return sum(rng.uniform(-0.6, 0.6) * np.sin(k * place + rng.uniform(0, 6)) for k in range(1, most))


def _corners(rng: np.random.Generator) -> Any:
    n, length_m = int(rng.integers(60, 400)), float(rng.uniform(300.0, 2500.0))
    lean, speed = 45.0 * _wave(rng, n), 30.0 + 14.0 * _wave(rng, n)
    by_lean, by_speed = (
        find_corners(MeanLap(length_m, speed, lean)),
        find_corners(MeanLap(length_m, speed, None)),
    )
    at_m = rng.uniform(-50.0, length_m + 50.0, 200)
    used = rng.random(200) > 0.2
    return each(
        by_lean,
        by_speed,
        find_corners(MeanLap(length_m, None, lean)),
        [corner_at(at_m, found, length_m) for found in (by_lean, by_speed) if found],
        mean_lap(at_m % length_m, used, length_m, 30.0 + at_m / 100, None),
        [mean_lap(at_m[:k] % 4.0, used[:k] | True, 4.0, at_m[:k], None) for k in (1, 2, 3)],
    )


def _phases(rng: np.random.Generator) -> Any:
    rate_hz = float(rng.choice([5.0, 20.0, 50.0]))
    n = int(20 * rate_hz)
    acceleration = 6.0 * _wave(rng, n, 12)
    lean = 40.0 * _wave(rng, n, 10)
    lean[int(rng.integers(0, n)) :][:9] = np.nan
    brake = np.where(rng.random() < 0.2, np.nan, np.maximum(-acceleration, 0.0) * rng.choice([0.0, 1.0, 1.0]))
    braking = is_braking(None if rng.random() < 0.3 else brake, acceleration)
    speed = np.cumsum(acceleration) / rate_hz + 30.0
    own = np.where(rng.random(n) < 0.02, np.nan, acceleration + rng.choice([1.0, 5.0]) * rng.normal(size=n))
    along = longitudinal_m_s2(speed, rate_hz)
    return each(
        braking,
        phases_from_lean(lean, braking, acceleration > 1.5, rate_hz),
        phases_from_speed(np.where(rng.random(n) < 0.01, np.nan, acceleration)),
        along,
        [measured_m_s2(values, by, rate_hz) for values in (own, -own) for by in (along, None)],
        lean_from_path(
            np.cumsum(speed * np.cos(lean / 40)), np.cumsum(speed * np.sin(lean / 40)), speed, rate_hz
        ),
    )


def _kinds(rng: np.random.Generator) -> Any:
    """Spans of laps with stops, pit lanes, missed crossings and other lengths."""
    lap_s, n_laps = 60.0, int(rng.integers(2, 6))
    t_s = np.arange(0.0, lap_s * (n_laps + 1.2), 0.2)
    place = t_s / lap_s
    speed = 34.0 + 10.0 * np.sin(2 * np.pi * place + 0.4) + rng.uniform(-8, 8)
    for _ in range(rng.integers(0, 4)):
        middle, reach = rng.uniform(0, t_s[-1]), rng.uniform(1.0, 14.0)
        slow = rng.choice([0.0, 3.0, 12.0, 16.0, 21.0, 25.0])
        speed = np.where(np.abs(t_s - middle) < reach, np.minimum(speed, slow), speed)
    travelled = np.cumsum(speed) * 0.2
    times = np.sort(
        lap_s * (np.arange(n_laps) + 0.5) + rng.choice([0.0, 2.0, 17.0]) * rng.normal(size=n_laps)
    )
    if n_laps > 3 and rng.random() < 0.3:
        times = np.delete(times, 1)
    edges = [0.0, *times.tolist(), float(t_s[-1])]
    last = len(times)
    spans = [Span(i, edges[i], edges[i + 1], i > 0, i < last) for i in range(last + 1)]
    nowhere = np.zeros(len(spans), dtype=bool)
    elsewhere, several = nowhere.copy(), nowhere.copy()
    if rng.random() < 0.2:
        elsewhere[int(rng.integers(0, len(spans)))] = True
    if rng.random() < 0.2:
        several[int(rng.integers(1, len(spans)))] = True
    by = None if rng.random() < 0.2 else travelled
    laps = classified_laps(spans, t_s, speed, by, elsewhere, several, box_to_box=bool(rng.random() < 0.15))
    return [laps, in_pits(times, t_s, speed), lap_length_m(laps), _stops(rng)]


def _stops(rng: np.random.Generator) -> Any:
    """Rides from the box to the box, nearly of one length."""
    parts = []
    for _ in range(rng.integers(1, 5)):
        parts += [
            np.zeros(int(rng.uniform(7.0, 14.0) * 5)),
            np.full(int(rng.uniform(0.98, 1.02) * 130), 30.0),
        ]
    speed = np.concatenate([*parts, np.zeros(60)])
    return from_stops(0.2 * np.arange(len(speed)), np.cumsum(speed) * 0.2 * rng.choice([0.7, 1.0]))


def _signals(rng: np.random.Generator) -> Any:
    n = 1500
    t_s = 0.1 * np.arange(n)
    lap = np.floor(t_s / rng.uniform(12.0, 40.0)) + 1
    for _ in range(rng.integers(0, 3)):
        here = int(rng.integers(0, n))
        lap[here : here + int(rng.integers(3, 20))] = rng.choice([np.nan, 0.0, 9.0])
    beacon = np.zeros(n)
    for at in np.arange(rng.uniform(0, 20), 150.0, rng.uniform(9.0, 30.0)):
        beacon[int(at * 10) :][: int(rng.integers(1, 6))] = rng.choice([5.0, 4.0])
    beacon[rng.random(n) < 0.01] = np.nan
    return each(
        from_lap_channel(t_s, lap),
        from_beacon(t_s, beacon),
        shortest_pulse(beacon),
        apart(np.sort(rng.uniform(0, 200, 12))),
    )


def _pattern(rng: np.random.Generator) -> Any:
    """Speed that repeats from lap to lap, more or less."""
    lap_m = float(rng.uniform(620.0, 1500.0))
    of_lap = np.maximum(30.0 + 18.0 * _wave(rng, 300, 9), 8.0)
    gone = np.arange(0.0, lap_m * rng.uniform(1.1, 4.5), 2.0)
    speed = np.interp(gone % lap_m, np.arange(300) * lap_m / 300, of_lap, period=lap_m)
    speed *= 1.0 + rng.choice([0.0, 0.03, 0.15]) * np.interp(
        gone, gone[::60], rng.normal(size=len(gone[::60]))
    )
    time = np.concatenate(([0.0], np.cumsum(2.0 / np.maximum(speed[1:], 4.0))))
    t_s = np.arange(0.0, time[-1], 0.1)
    travelled = np.interp(t_s, time, gone)
    end_s = float(np.interp(lap_m * rng.integers(1, 4) * rng.choice([1.0, 1.05]), gone, time))
    return [from_speed_pattern(t_s, travelled), laps_within(t_s, travelled, 0.0, min(end_s, t_s[-1]))]


def _positions(rng: np.random.Generator) -> Any:
    rate_hz = float(rng.choice([1.0, 5.0, 10.0]))
    t_s = np.arange(0.0, 120.0, 1 / rate_hz)
    kept = np.ones(len(t_s), dtype=bool)
    for _ in range(rng.integers(0, 3)):
        at = int(rng.integers(1, len(t_s)))
        kept[at : at + int(rng.uniform(0.5, 6.0) * rate_hz)] = False
    t_s = t_s[kept]
    angle = 2 * np.pi * t_s / rng.uniform(25.0, 50.0)
    east, north = 150.0 * np.cos(angle) + 20.0 * np.sin(2 * angle), 110.0 * np.sin(angle)
    for _ in range(rng.integers(0, 4)):
        at = int(rng.integers(0, len(t_s)))
        east[at : at + int(rng.integers(1, 40))] += rng.uniform(4.0, 40.0) * rng.choice([-1, 1])
    fixes = Fixes(t_s, east + rng.normal(0, 0.3, len(t_s)), north, (48.0, 9.0), rate_hz)
    notes: list[Any] = []
    travelled = None if rng.random() < 0.5 else 26.0 * t_s
    good = without_jumps(fixes, travelled, notes)
    dropouts(good, rng.random(len(good.t_s)) > 0.05, notes)
    even_s = np.arange(0.0, 118.0, 0.1)
    index = int(rng.integers(0, len(t_s)))
    middle = (float(east[index]) + rng.normal(0, 8), float(north[index]) + rng.normal(0, 8))
    speed = 20.0 + 10.0 * np.cos(angle)
    return each(
        good,
        notes,
        path_speed(good, even_s),
        heading_at(fixes, index),
        from_line(fixes, middle, heading_at(fixes, index)),
        found_line(fixes, speed),
    )


def _fixes(rng: np.random.Generator) -> Any:
    """Fixes that do not fall on samples, with lines between them; rounded or with noise in some."""
    rate_hz, gps_hz = 20.0, float(rng.choice([3.0, 3.0, 6.0, 7.0]))
    t_s = np.arange(0.0, 30.0, 1 / rate_hz)
    fix_s = np.arange(0.0, 31.0, 1 / gps_hz)
    straight = rng.random(len(fix_s)) < rng.choice([0.0, 0.4, 0.7])
    bends = np.where(straight, 0.0, 0.3 * rng.standard_normal(len(fix_s)))
    way = np.cumsum(np.cumsum(bends)) * 1e-6
    latitude, longitude = np.interp(t_s, fix_s, 48.0 + way), np.interp(t_s, fix_s, 9.0 + 1e-4 * fix_s)
    more = rng.random(len(t_s)) < rng.choice([0.0, 0.08, 0.12, 0.2])
    latitude = latitude + np.where(more, 2e-9, 0.0)
    channels = {"latitude_deg": latitude, "longitude_deg": longitude}
    rates = dict.fromkeys(channels, gps_hz)
    return find_fixes(Run("ride.csv", t_s, rate_hz, {}, channels, rates, {}, {}))


def _circuit(rng: np.random.Generator) -> Any:
    n = int(rng.integers(160, 260))
    speed, lean = 30.0 + 12.0 * _wave(rng, n), 40.0 * _wave(rng, n)
    length_m = 2.0 * n
    circuit = Circuit("", length_m, (), speed_m_s=speed, lean_deg=lean if rng.random() < 0.7 else None)
    shift = int(rng.choice([0, 20, n // 3, n - 30]))
    noise = rng.choice([0.2, 1.0])
    ours = MeanLap(
        length_m * float(rng.choice([1.0, 1.02, 1.07])),
        np.roll(speed, -shift) + noise * 4.0 * _wave(rng, n, 20),
        np.roll(lean, -shift),
    )
    radius_m = 60.0 + 15.0 * _wave(rng, 240, 4)
    turn = 2 * np.pi * np.arange(240) / 240
    line = CentreLine(radius_m * np.cos(turn), radius_m * np.sin(turn), 380.0)
    at_m = rng.uniform(0.0, 1000.0, 30)
    east, north = (line.at(at_m, v) + rng.normal(0, 8, 30) for v in (line.x_m, line.y_m))
    return each(
        [match_by_pattern(circuit, ours, line_known=known) for known in (True, False)],
        line.curvature_1_m,
        line.from_place(37.0),
        line.project(east, north, at_m + rng.normal(0, 12, 30), float(rng.choice([0.0, 40.0]))),
        nearest_m(line, east, north),
    )


def _small(rng: np.random.Generator) -> Any:
    values = np.cumsum(rng.normal(size=80)) + 20.0
    gaps = np.where(rng.random(80) < 0.1, np.nan, values)
    crossings = np.cumsum(rng.choice([100.0, 101.0, 130.0, 205.0], size=5, p=[0.5, 0.3, 0.1, 0.1]))
    travelled = np.linspace(0.0, crossings[-1] + 60.0, 90)
    thin = Thin(80, 40.0, int(rng.integers(1, 9)))
    few = values[thin.rows]
    weight = (rng.random(80) > 0.3) * 1.0
    return each(
        moving_mean(gaps, int(rng.integers(2, 9))),
        robust_sd(values),
        commonest(np.abs(values) + 90.0, 0.03),
        by_wheels(travelled, crossings, 100.0, 102.0),
        laps_between(crossings, 100.0),
        [thin.integral(values), thin.lines(few)[:], thin.hold(np.arange(len(few)))],
        penalised_fit(weight, None, weight * values, float(rng.choice([1.0, 50.0])), int(rng.integers(1, 4))),
        along_the_lap(rng.uniform(-100.0, 900.0, 12).tolist(), rng.choice([800.0, None])),
    )
