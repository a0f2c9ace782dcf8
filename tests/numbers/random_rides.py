"""Laps of a circuit, ridden and logged at random: what laps, corners and phases are found from."""

from dataclasses import replace
from typing import Any

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps import Circuit, Place, by_place, find_track, laps_at_pace, passing_times_s, place_at
from telemetry.signals import Run

ORIGIN_DEG = (48.0, 9.0)
LATITUDE_M, LONGITUDE_M = 111_200.0, 74_600.0  # of a degree there, near enough


def track_at_random(seed: int) -> Any:
    """The track of a ride, of another on the same circuit, and places on it."""
    rng = np.random.default_rng(seed)
    east, north = _circuit(rng)
    run = _ridden(rng, east, north)
    line = _start_line(rng, east, north)
    track = find_track(run, start_line=line)
    samples = rng.integers(0, len(run.t_s), 40)
    events = [place_at(track, int(sample)) for sample in samples]
    events += [replace(event, corner=None) for event in events[::3]]
    events += [Place(1, None, None, phase) for phase in ("braking", "straight")]
    length_m = track.circuit.length_m if track.circuit else None
    found = {
        "track": track,
        "pace": laps_at_pace(track.laps),
        "shared": [by_place(events, length_m), by_place(events, None)],
        "passed": [
            passing_times_s(lap, run.t_s[rows], track.distance_m[rows])
            for lap in track.laps
            for rows in [slice(*np.searchsorted(run.t_s, [lap.start_s, lap.end_s]))]
        ],
    }
    if track.circuit is not None and rng.random() < 0.35:
        again = _ridden(rng, east, north)
        if rng.random() < 0.2:
            again = _ridden(rng, *_circuit(rng))
        found["again"] = find_track(again, circuit=_kept(rng, track.circuit))
    return found


def _kept(rng: np.random.Generator, circuit: Circuit) -> Circuit:
    if rng.random() < 0.4:
        return replace(circuit, latitude_deg=None, longitude_deg=None)
    return replace(circuit, kept_in="place.toml") if rng.random() < 0.3 else circuit


def _circuit(rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """A closed line, a point about every 2 m."""
    angle = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    radius = 115.0 + sum(
        rng.uniform(-34, 34) / k * np.cos(k * angle + rng.uniform(0, 6)) for k in range(2, 6)
    )
    side = rng.choice([-1.0, 1.0])
    return radius * np.cos(angle), side * 0.8 * radius * np.sin(angle)


def _start_line(rng: np.random.Generator, east: FloatArray, north: FloatArray) -> tuple[float, float] | None:
    if rng.random() < 0.6:
        return None
    i, aside = int(rng.integers(0, len(east))), float(rng.choice([0.0, 12.0, 60.0]))
    return ORIGIN_DEG[0] + (north[i] + aside) / LATITUDE_M, ORIGIN_DEG[1] + east[i] / LONGITUDE_M


def _ridden(rng: np.random.Generator, east: FloatArray, north: FloatArray) -> Run:
    rate_hz = float(rng.choice([20.0, 30.0, 50.0, 120.0], p=[0.3, 0.4, 0.2, 0.1]))
    laps = int(rng.choice([1, 3, 4, 5], p=[0.1, 0.4, 0.4, 0.1]))
    closed = np.append(east, east[0]), np.append(north, north[0])
    arc = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(closed[0]), np.diff(closed[1])))))
    length_m = float(arc[-1])
    place = np.arange(0.0, length_m, 2.0)
    x, y = np.interp(place, arc, closed[0]), np.interp(place, arc, closed[1])
    turn = np.gradient(np.unwrap(np.arctan2(np.gradient(y), np.gradient(x))), 2.0)
    fast = np.minimum(np.sqrt(7.0 / np.maximum(np.abs(turn), 1e-4)), rng.uniform(35, 60))
    apart_m = np.abs(place[:, None] - place)
    apart_m = np.minimum(apart_m, length_m - apart_m)
    fast = np.sqrt((fast**2 + 2 * 5.0 * apart_m).min(axis=1))  # braking and drive take room
    start_m, total_m = rng.uniform(0, length_m), (laps + rng.uniform(0.2, 0.9)) * length_m
    gone = np.arange(0.0, total_m, 2.0)
    speed = np.interp((start_m + gone) % length_m, place, fast, period=length_m)
    speed *= np.interp(gone, np.arange(laps + 2) * length_m, rng.uniform(0.92, 1.0, laps + 2))
    for _ in range(rng.integers(0, 3)):  # slow stretches and stops
        middle, reach = rng.uniform(0, total_m), rng.uniform(20, 90)
        slowest = rng.choice([0.02, 0.1, 0.35, 0.6])
        speed *= 1 - (1 - slowest) * np.exp(-(((gone - middle) / reach) ** 4))
    time = np.concatenate(([0.0], np.cumsum(2.0 / np.maximum(0.5 * (speed[1:] + speed[:-1]), 0.3))))
    t_s = np.arange(0.0, time[-1], 1 / rate_hz)
    at = start_m + np.interp(t_s, time, gone)
    speed = np.gradient(at, t_s)
    bend = np.interp(at % length_m, place, turn, period=length_m)
    acceleration = np.gradient(np.convolve(speed, np.ones(9) / 9, mode="same"), t_s)
    channels = {
        "speed_m_s": speed * rng.choice([1.0, 1.02, 1.05, 3.6, 0.7], p=[0.5, 0.2, 0.1, 0.1, 0.1]),
        "lean_deg": np.degrees(np.arctan(-(speed**2) * bend / 9.81)) + rng.normal(0, 1.0, len(t_s)),
        "brake": np.clip(-acceleration, 0, 9) * rng.choice([1.0, 0.0], p=[0.8, 0.2]),
        "throttle_pct": np.clip(30 + 20 * acceleration, 0, 100),
        "acceleration_m_s2": acceleration * rng.choice([1.0, -1.0], p=[0.8, 0.2])
        + rng.normal(0, 0.5, len(t_s)),
        "lap": np.floor(at / length_m) + 3,
        "beacon": (at % length_m < speed / rate_hz * rng.choice([1.0, 3.0])) * 1.0,
    }
    _spoil(rng, channels, rate_hz)
    keep = {"speed_m_s": 0.8, "lean_deg": 0.6, "brake": 0.5, "throttle_pct": 0.5, "acceleration_m_s2": 0.4,
            "lap": 0.2, "beacon": 0.3}  # fmt: skip
    channels = {name: values for name, values in channels.items() if rng.random() < keep[name]}
    rates = dict.fromkeys(channels, rate_hz)
    if rng.random() < 0.75 or "speed_m_s" not in channels:
        x_m, y_m = (np.interp(at % length_m, place, v, period=length_m) for v in (x, y))
        gps_hz = float(rng.choice([5.0, 10.0, rate_hz]))
        channels |= _positions(rng, t_s, x_m, y_m, gps_hz)
        rates |= {"latitude_deg": gps_hz, "longitude_deg": gps_hz}
    n = len(t_s)
    return Run(
        "ride.csv", t_s, rate_hz, {"front": np.zeros(n)}, channels, rates, {"front": 0.0}, {"front": 0.0}
    )


def _spoil(rng: np.random.Generator, channels: dict[str, FloatArray], rate_hz: float) -> None:
    n = len(channels["lap"])
    if rng.random() < 0.5:  # a pulse missed, and one too many
        pulses = np.flatnonzero(np.diff(channels["beacon"]) > 0) + 1
        if len(pulses):
            here = int(rng.choice(pulses))
            channels["beacon"][here : here + round(rate_hz)] = 0.0
        channels["beacon"][int(rng.integers(0, n))] = 1.0
    if rng.random() < 0.5:  # the lap number slips, and is missing for a while
        here = int(rng.integers(0, n))
        channels["lap"][here : here + round(rng.uniform(0.5, 2.0) * rate_hz)] += 4
        channels["lap"][: int(rng.integers(1, 90))] = np.nan
    for name in ("speed_m_s", "lean_deg", "throttle_pct"):
        if rng.random() < 0.3:
            here = int(rng.integers(0, n))
            channels[name][here : here + round(rng.uniform(0.2, 6.0) * rate_hz)] = np.nan


def _positions(
    rng: np.random.Generator, t_s: FloatArray, x_m: FloatArray, y_m: FloatArray, gps_hz: float
) -> dict[str, FloatArray]:
    """Fixes late and noisy, with jumps and pauses, and lines between them."""
    fix_s = np.arange(0.0, t_s[-1], 1 / gps_hz)
    late_s = rng.choice([0.0, 0.1, 0.3])
    noise_m = rng.choice([0.05, 0.5, 2.0])
    x, y = (np.interp(fix_s - late_s, t_s, v) + rng.normal(0, noise_m, len(fix_s)) for v in (x_m, y_m))
    for _ in range(rng.integers(0, 3)):
        here, long = int(rng.integers(0, len(fix_s))), int(rng.uniform(1, 40))
        x[here : here + long] += rng.uniform(5, 60)
    kept = np.ones(len(fix_s), dtype=bool)
    for _ in range(rng.integers(0, 3)):
        here = int(rng.integers(1, len(fix_s)))
        kept[here : here + round(rng.uniform(0.5, 5.0) * gps_hz)] = False
    kept[[0, -1]] = True
    latitude, longitude = ORIGIN_DEG[0] + y / LATITUDE_M, ORIGIN_DEG[1] + x / LONGITUDE_M
    if rng.random() < 0.3:
        latitude, longitude = np.round(latitude, 5), np.round(longitude, 5)
    made = {"latitude_deg": latitude, "longitude_deg": longitude}
    made = {name: np.interp(t_s, fix_s[kept], values[kept]) for name, values in made.items()}
    for start, stop in zip(fix_s[kept][:-1], fix_s[kept][1:], strict=True):
        if stop - start > 1.5:
            for values in made.values():
                values[(t_s > start) & (t_s < stop)] = np.nan
    return made
