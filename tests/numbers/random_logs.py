"""Short logs drawn at random, with faults as large as the limits at which they are noticed."""

from dataclasses import replace
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.errors import BothEndsError
from telemetry.logs import RawLog
from telemetry.signals import SensorSetup, to_run
from telemetry.signals.calibrate import _find_drift_mm
from telemetry.signals.clock import find_stretches

STROKES_MM = {"front": 120.0, "rear": 70.0}
NAMES = {"front": "fork", "rear": "shock"}
CHANNELS = {
    name: name
    for name in (
        "speed",
        "latitude",
        "longitude",
        "throttle",
        "brake",
        "lean",
        "acceleration",
        "lap",
        "beacon",
        "fuel",
    )
}


def run_at_random(seed: int) -> Any:
    """The run of a log with faults, or the words with which it is refused."""
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([10.0, 50.0, 100.0, 200.0, 250.0, 500.0], p=[0.05, 0.15, 0.2, 0.3, 0.2, 0.1]))
    duration_s = float(rng.uniform(3.0, 8.0)) if rate_hz > 50 else float(rng.choice([25.0, 60.0, 200.0]))
    t_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    speed_m_s = 30.0 + 14.0 * np.sin(2 * np.pi * t_s / 7.0 + rng.uniform(0, 6)) + rng.uniform(-15, 15)
    travel = {end: _ridden(rng, t_s, speed_m_s, end) for end in ENDS}
    for end in ENDS:
        for _ in range(rng.integers(0, 3)):
            _spoil_travel(rng, travel[end], STROKES_MM[end], rate_hz)
    setups, signals = {}, {}
    for end in ENDS:
        setups[end], signals[end] = _sensor(rng, end, travel[end], duration_s)
    columns = {
        "time": t_s.copy(),
        **{NAMES[end]: signals[end] for end in ENDS},
        "supply": _supply(rng, len(t_s)),
    }
    columns |= _channels(rng, t_s, speed_m_s)
    units = {"time": "s", "fork": "V", "shock": "V", "speed": "m/s"}
    columns, units = _spoil_time(rng, columns, units, rate_hz)
    log = RawLog(source="log.csv", columns=columns, units=units, first_row=3)
    kept = [end for end in ENDS if rng.random() > 0.08] or ["front"]
    try:
        return to_run(
            log,
            sensors={end: setups[end] for end in kept},
            channels=CHANNELS,
            time_channel="time",
            resample_hz=float(rng.choice([100.0, 150.0])) if rng.random() < 0.06 and rate_hz > 150 else None,
        )
    except BothEndsError as error:
        return f"{type(error).__name__}: {error}"


def _size(rng: np.random.Generator, middle: float, factor: float = 3.0) -> float:
    """A size about a limit, as often below it as above."""
    return float(middle * factor ** rng.uniform(-1.0, 1.0))


def _ridden(rng: np.random.Generator, t_s: FloatArray, speed_m_s: FloatArray, end: str) -> FloatArray:
    stroke_mm = STROKES_MM[end]
    pitch = np.gradient(speed_m_s, t_s) / 12.0 * (-1.0 if end == "front" else 1.0)
    pitch *= -1.0 if rng.random() < 0.08 else 1.0
    body = np.sin(2 * np.pi * 1.1 * t_s + rng.uniform(0, 6)) + 0.5 * np.sin(2 * np.pi * 2.3 * t_s)
    hop = np.sin(2 * np.pi * 13.7 * t_s + 3.0 * np.sin(0.9 * t_s))
    swing = rng.choice([0.02, 0.05, 0.1, 0.2], p=[0.1, 0.2, 0.5, 0.2])
    middle = rng.choice([0.05, 0.35, 0.5], p=[0.1, 0.7, 0.2])
    share = middle + swing * body + 0.1 * np.clip(pitch, -1, 1) + 0.01 * hop
    if rng.random() < 0.5:  # tops out now and then
        contacts = np.sin(2 * np.pi * 0.8 * t_s) + 0.3 * np.sin(2 * np.pi * 0.31 * t_s) > rng.uniform(
            0.6, 0.97
        )
        lift = np.convolve(contacts, np.hanning(max(3, round(0.25 / (t_s[1] - t_s[0])))), mode="same")
        share = share * np.clip(1 - lift, 0.0, 1.0)
    travel = np.clip(share, 0.0, 0.98) * stroke_mm
    travel += rng.choice([0.0, _size(rng, 0.6), -_size(rng, 0.6), -_size(rng, 3.0)], p=[0.5, 0.2, 0.2, 0.1])
    travel += rng.choice([0.0, _size(rng, 0.8)]) * t_s / t_s[-1]
    return travel + _size(rng, 0.05, 4.0) * rng.standard_normal(len(t_s))


def _spoil_travel(rng: np.random.Generator, travel: FloatArray, stroke_mm: float, rate_hz: float) -> None:
    """One fault of a sensor, in place."""
    n = len(travel)
    at = int(rng.integers(5, n - 5))
    kind = rng.integers(0, 13)
    reach = max(1, round(_size(rng, 0.05, 6.0) * rate_hz))
    here = slice(at, at + reach)
    if kind == 0:
        for _ in range(rng.integers(1, 6)):
            first, width = int(rng.integers(2, n - 9)), int(rng.integers(1, 7))
            travel[first : first + width] += _size(rng, 2.0, 4.0) * rng.choice([-1, 1]) + 0.1 * rng.random(
                width
            )
    elif kind == 1:
        for _ in range(rng.integers(1, 4)):
            first, width = int(rng.integers(2, n - 9)), max(3, round(_size(rng, 0.03, 4.0) * rate_hz))
            travel[first : first + width] = travel[first] + rng.choice([0.0, 0.0, 1.5])
    elif kind == 2:
        travel[here] = rng.choice([-1, 1]) * _size(rng, 4.0) + rng.choice([0.0, stroke_mm])
    elif kind == 3:
        travel[here] += _size(rng, 12.0) * rng.standard_normal(len(travel[here]))
    elif kind == 4:
        held = slice(at, at + round(_size(rng, 1.5) * rate_hz))
        travel[held] = travel[at] + _size(rng, 0.08) * rng.random(len(travel[held]))
    elif kind == 5:
        bump = np.hanning(max(9, round(_size(rng, 0.3) * rate_hz)))
        first = int(rng.integers(0, max(1, n - len(bump))))
        there = travel[first : first + len(bump)]
        there += (stroke_mm + rng.choice([-1, 1]) * _size(rng, 2.5) - there) * bump[: len(there)]
    elif kind == 6:
        for _ in range(rng.integers(1, 5)):
            first = int(rng.integers(0, n - 9))
            travel[first : first + rng.integers(1, 7)] = np.nan
    elif kind == 7:
        long = slice(at, at + round(_size(rng, 1.2) * rate_hz))
        level = rng.choice([-_size(rng, 4.0), stroke_mm + _size(rng, 4.0), 3.0 * stroke_mm])
        travel[long] = level + _size(rng, 0.5) * rng.random(len(travel[long]))
    elif kind == 8 and rng.random() < 0.4:
        travel *= rng.choice([0.02, 0.07, 1.6, -1.0])
    elif kind == 9 and rng.random() < 0.4:
        travel[:] = rng.choice([0.4, 1.2, -0.2]) * stroke_mm + _size(rng, 0.08) * rng.random(n)
    elif kind == 10:
        travel[:: rng.integers(20, 60)] += _size(rng, 2.0)
    elif kind == 11:
        travel[:] = np.round(travel / 0.15) * 0.15
    elif kind == 12:
        start = slice(0, round(1.2 * rate_hz))
        travel[start] = rng.uniform(-2, 2) + _size(rng, 0.2) * rng.standard_normal(len(travel[start]))


def _sensor(
    rng: np.random.Generator, end: str, travel: FloatArray, duration_s: float
) -> tuple[SensorSetup, FloatArray]:
    stroke_mm = STROKES_MM[end]
    mm = np.linspace(0.0, stroke_mm * rng.choice([1.0, 0.7]), int(rng.choice([2, 3, 5])))
    bend = rng.choice([0.0, 0.0, _size(rng, 0.004)])
    full = np.linspace(-40.0, 2.0 * stroke_mm, 200)

    def volts(values: Any) -> Any:
        bent = 0.5 + 4.0 * full / stroke_mm + bend * np.sin(np.pi * full / stroke_mm) * 10.0
        return np.interp(values, full, bent if end == "front" else 5.0 - bent)

    points = [(float(volts(x)), float(x)) for x in mm]
    setup = SensorSetup(NAMES[end], tuple(points), stroke_mm=stroke_mm, source="bike.toml")
    signal = volts(travel)
    choice = rng.integers(0, 16)
    if choice == 0:
        setup = replace(setup, zero=float(volts(rng.uniform(-1, 1))))
    elif choice == 1:
        setup = replace(setup, zero_interval_s=(0.1, _size(rng, 0.6)))
    elif choice == 2:
        setup = replace(setup, zero_topped_out=True)
    elif choice == 3:
        setup = replace(setup, supply="supply", supply_reference=5.0)
    elif choice == 4:
        setup = replace(
            setup, to_shaft=((0.0, 0.0), (stroke_mm / 2, stroke_mm / 2.2), (stroke_mm, stroke_mm))
        )
    elif choice == 5:
        setup = replace(setup, shape=str(rng.choice(["line", "curve"])))
    elif choice == 6:
        setup = replace(setup, stroke_mm=np.inf)
    elif choice == 7:
        setup = replace(setup, points=tuple((x, v) for v, x in points))
    elif choice == 8:
        signal = signal * rng.choice([1e3, 1e-3])
    elif choice == 9:
        setup = replace(setup, points=tuple((v, x / rng.choice([10.0, 25.4, 1000.0])) for v, x in points))
    elif choice == 10 and rng.random() < 0.4:
        setup = replace(setup, channel=NAMES["rear" if end == "front" else "front"])
    return setup, signal


def _supply(rng: np.random.Generator, n: int) -> FloatArray:
    supply = 5.0 + 0.2 * rng.standard_normal(n)
    supply[n // 3 : n // 3 + rng.integers(1, 50)] = 5.0 * _size(rng, 0.8)
    return supply


def _channels(rng: np.random.Generator, t_s: FloatArray, speed_m_s: FloatArray) -> dict[str, FloatArray]:
    n = len(t_s)
    made = {
        "speed": speed_m_s * rng.choice([1.0, 1.0, 3.6]),
        "latitude": 50.0 + 1e-4 * t_s,
        "longitude": np.where(rng.random(n) < 0.01, 0.0, 7.0 + 1e-4 * t_s),
        "throttle": (50.0 + 40.0 * np.sin(t_s)) * rng.choice([1.0, 0.01, 0.0117]),
        "brake": (np.sin(t_s) < -0.5).astype(float),
        "lean": 40.0 * np.sin(0.7 * t_s),
        "acceleration": np.gradient(speed_m_s, t_s) * rng.choice([1.0, 0.102]),
        "lap": np.floor(t_s / 3.1),
        "beacon": (np.arange(n) % 700 == 350).astype(float),
        "fuel": 10.0 - 0.01 * t_s,
    }
    for name, values in made.items():
        choice = rng.integers(0, 8)
        every = int(rng.integers(2, 26))
        if choice == 0:
            made[name] = values[np.arange(n) // every * every]
        elif choice == 1:
            made[name] = np.where(np.arange(n) % every == 1, values, np.nan)
        elif choice == 2:
            start = int(rng.integers(0, n))
            made[name] = values.copy()
            made[name][start : start + round(_size(rng, 1.5) * n / t_s[-1])] = np.nan
        elif choice == 3:
            made[name] = values.copy()
            made[name][rng.integers(0, n, 2)] = rng.choice([1e12, 2e3, 150.0])
        elif choice == 4 and rng.random() < 0.3:
            made[name] = np.full(n, np.nan)
    return {name: values for name, values in made.items() if rng.random() > 0.1}


def _spoil_time(
    rng: np.random.Generator, columns: dict[str, FloatArray], units: dict[str, str], rate_hz: float
) -> tuple[dict[str, FloatArray], dict[str, str]]:
    """One fault of the clock, or none; and its unit."""
    time, n = columns["time"], len(columns["time"])
    rows = np.arange(n)
    at = int(rng.integers(60, n - 60))
    kind = rng.integers(0, 20)
    if kind == 0:
        time += _size(rng, 0.1) / rate_hz * rng.standard_normal(n)
    elif kind == 1:
        time[:] = np.round(time, int(rng.choice([2, 3])))
    elif kind == 2:
        rows = np.delete(rows, rng.integers(0, n, rng.integers(1, 30)))
    elif kind == 3:
        rows = np.delete(rows, np.arange(at, min(n - 20, at + rng.integers(2, 9))))
    elif kind == 4:
        time[at:] += _size(rng, 1.0)
    elif kind == 5:
        again = rng.integers(1, n, max(1, round(_size(rng, 0.05) * n)))
        time[again] = time[again - 1]
    elif kind == 6:
        again = np.sort(rng.integers(0, n, rng.integers(1, 40)))
        rows = np.sort(np.concatenate([rows, again]))
    elif kind == 7:
        back = rng.integers(1, n, max(1, round(_size(rng, 0.01) * n)))
        time[back] -= _size(rng, 1.0)
    elif kind == 8:
        time[at:] -= _size(rng, 1.0)
    elif kind == 9:
        time[at:] += rng.choice([1e3, 1e5, 1e7])
    elif kind in (10, 11):  # another rate from there on
        every = int(rng.choice([2, 3]))
        rows = (
            np.concatenate([rows[:at], rows[at::every]])
            if kind == 10
            else np.concatenate([rows[:at:every], rows[at:]])
        )
    elif kind == 12:
        time[at:] = time[at] + (time[at:] - time[at]) * _size(rng, 1.25, 1.4)
    elif kind == 13:
        time[rng.integers(0, n, rng.integers(1, 9))] = np.nan
    elif kind == 14:
        rows = rng.permutation(n) if rng.random() < 0.3 else np.concatenate([rows[at:], rows[:at]])
    elif kind == 15:
        time += 1234.5678
    elif kind == 16:  # both ends in rows of their own
        columns["fork"][::2] = np.nan
        columns["shock"][1::2] = np.nan
    unit, factor = (
        ("s", 1.0),
        ("s", 1.0),
        ("", 1.0),
        ("ms", 1e3),
        ("", 1e3),
        ("us", 1e6),
        ("ticks", 1e3),
        ("s", 1e3),
    )[rng.integers(0, 8)]
    columns["time"] = time * factor
    units = {**units, "time": unit} if unit else {name: one for name, one in units.items() if name != "time"}
    if rng.random() < 0.3:
        units.pop("speed")
    return {name: values[rows] for name, values in columns.items()}, units


def parts_of_logs_at_random(seed: int) -> Any:
    """Drift of the topped-out level from its contacts, and stretches of a clock whose rate changes."""
    rng = np.random.default_rng(seed)
    lasts_s, n = float(rng.choice([170.0, 300.0])), int(rng.integers(20, 300))
    time_s = np.sort(rng.uniform(0.0, lasts_s, n))
    levels = rng.choice([0.0, 0.5, 1.0, 3.0]) * time_s / lasts_s + 0.12 * rng.standard_normal(n)
    ridden = rng.random(n) < rng.uniform(0.1, 0.9)
    levels[ridden] += rng.uniform(0.0, 3.0, int(ridden.sum()))
    steps = [
        np.full(max(3, round(rng.choice([0.3, 0.8, 1.3, 4.0]) * rate_hz)), 1.0 / rate_hz)
        for rate_hz in rng.choice([100.0, 118.0, 130.0, 200.0, 400.0], int(rng.integers(1, 6)))
    ]
    steps = np.concatenate([np.full(400, 0.01), *steps])
    lost = rng.random(len(steps)) < rng.choice([0.0, 0.03])
    stamps_s = np.concatenate(([0.0], np.cumsum(steps * (1.0 + lost))))
    return [_find_drift_mm(lasts_s, time_s, levels), find_stretches(stamps_s)]
