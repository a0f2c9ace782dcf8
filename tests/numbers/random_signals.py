"""The parts that clock, calibration, cleaning and checks of a run are made of, each on small inputs about its limits.

Masks are returned as the indices they hold, so that one sample more or less is seen.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray
from telemetry.decimals import Column, Lines
from telemetry.errors import BothEndsError
from telemetry.logs import RawLog
from telemetry.signals import SensorSetup, sanity
from telemetry.signals.build import (
    Reading,
    _beyond_points,
    _clock_notes,
    _no_travel,
    _swapped_columns,
    read_sensor,
)
from telemetry.signals.calibrate import (
    TopOuts,
    _densest_cluster,
    _find_top_out_level,
    _turning_points,
    check_zero,
    find_top_outs,
    fit_calibration,
    fit_line,
    through_curve,
    zero_mm,
)
from telemetry.signals.channels import (
    _blanked,
    _hold_rows,
    _likely_unit,
    _on_clock,
    _pauses,
    _without_held,
    on_clock,
)
from telemetry.signals.clean import (
    Cleaning,
    SignalOrigin,
    _bridge,
    _check_ends,
    _mask_beside,
    _mask_held,
    _mask_outside,
    _mask_stuck,
    _mask_wild,
    find_spikes,
    widest_spike,
)
from telemetry.signals.clock import (
    Grid,
    _best_model,
    _between,
    _nominal,
    _resolution_s,
    _uneven_grid,
    bridge,
    common_rate_hz,
    even_grid,
    find_stretches,
    longest_bridge,
    place_on_grid,
    resample,
    runs,
)
from telemetry.signals.derivative import differentiate, differentiator_as_at
from telemetry.signals.spectra import (
    cross_spectrum,
    noise_notes,
    noise_share,
    power_spectrum,
    sensor_noise_mm,
)
from telemetry.signals.stamps import (
    _likely_symbol,
    _steps_share,
    check_repeated,
    in_order,
    read_stamps,
    similar_hint,
)
from tests.numbers.fingerprint import each

STROKE_MM = 100.0
SETUP = SensorSetup("fork", ((0.5, 0.0), (4.5, 100.0)), STROKE_MM, source="bike.toml")
RATES_HZ = (50.0, 100.0, 150.0, 200.0, 250.0, 400.0, 500.0, 1000.0)


def _about(rng: np.random.Generator, limit: float, factor: float = 2.0) -> float:
    """A size about a limit, as often below it as above."""
    return float(limit * factor ** rng.uniform(-1.0, 1.0))


def _at(mask: BoolArray) -> list[int]:
    return np.flatnonzero(mask).tolist()


def _tried(function: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
    try:
        return function(*args, **kwargs)
    except BothEndsError as error:
        return f"{type(error).__name__}: {error}"


def _log(**columns: FloatArray) -> RawLog:
    return RawLog("log.csv", columns, {}, first_row=3)


def _stamps(rng: np.random.Generator) -> Any:
    """Stamps that repeat, go back, jump, or are in another unit."""
    n, rate_hz = int(rng.integers(150, 400)), float(rng.choice([20.0, 100.0, 250.0]))
    t_s = np.arange(n) / rate_hz
    travel = 50.0 + 20.0 * np.sin(2 * np.pi * 1.3 * t_s) + rng.normal(0, 0.1, n)
    kind = int(rng.integers(0, 10))
    at = int(rng.integers(20, n - 20))
    if kind == 0:
        again = rng.integers(1, n, max(1, round(_about(rng, 0.05) * n)))
        t_s[again] = t_s[again - 1]
    elif kind == 1:
        back = rng.integers(1, n, max(1, round(_about(rng, 0.01, 4.0) * n)))
        t_s[back] -= _about(rng, 1.0)
    elif kind == 2:
        t_s[at:] -= _about(rng, 1.0)
    elif kind == 3:
        t_s[at:] += 2e4 * _about(rng, 1.0, 30.0) * n / rate_hz
    elif kind == 4:
        t_s = np.floor(t_s * rng.choice([10.0, 4.0]) + 1e-9) / 10.0
    elif kind == 5:
        rows = np.sort(np.concatenate([np.arange(n), rng.integers(0, n, 9)]))
        t_s, travel = t_s[rows], travel[rows] + rng.choice([0.0, 1e-3]) * np.arange(len(rows))
    elif kind == 6:
        for first in (at, max(1, at - 30)):
            t_s[first] += _about(rng, 1.0) * rng.choice([-1, 1])
    elif kind == 7:
        for _ in range(int(rng.integers(1, 12))):
            t_s[int(rng.integers(1, n)) :] += 4e6 * _about(rng, 1.0, 4.0) / rate_hz
    elif kind == 8:
        rows = rng.permutation(n)
        t_s, travel = (
            t_s[rows],
            np.where(rng.random(n) < _about(rng, 0.2), 10.0 * rng.normal(size=n), travel)[rows],
        )
    elif kind == 9:
        t_s[rng.integers(0, n, 4)] = np.nan
    log = _log(time=t_s, fork=travel)
    walk = np.cumsum(rng.normal(size=400)) + _about(rng, 3.0, 4.0) * rng.normal(size=400)
    steps = [_about(rng, 1 / 5.0, 1.5) * factor for factor in (1.0, 1e3, 1e6)]
    names = [f"{name}{rng.integers(0, 9)}" for name in ("fork", "frok", "shock", "speed", "f_pos", "for")]
    return each(
        _tried(in_order, log, "time", ["fork"]),
        _tried(read_stamps, log, "time", (travel,)),
        _tried(read_stamps, log, "time"),
        _tried(check_repeated, log, "fork", travel, np.maximum.accumulate(np.nan_to_num(t_s))),
        [_likely_symbol(step, (walk, walk[::-1])) for step in (*steps, 0.02, 20.0)],
        _likely_symbol(_about(rng, 40.0, 10.0), (np.repeat(walk, 9)[: 900 + int(rng.integers(0, 300))],)),
        _steps_share(np.where(rng.random(400) < 0.02, 1e4, walk)),
        [_steps_share(walk[:few]) for few in (1, 2, 3)],
        [
            similar_hint(_log(**dict.fromkeys(names, travel)), name, but={names[0]})
            for name in ("Fork", "Shok")
        ],
    )


def _clock(rng: np.random.Generator) -> Any:
    """Clocks through stamps with lost rows, pauses, jitter and few digits."""
    n = int(rng.integers(60, 240))
    rate_hz = float(rng.choice([64.0, 99.7, 100.0, 100.0003, 333.0, 500.0])) * (
        1 + rng.choice([0.0, 1e-6, 4e-6])
    )
    count = np.cumsum(rng.choice([1, 2, 3, 4, 5, 6, 9], n, p=[0.94, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01]))
    if rng.random() < 0.5:
        count = np.arange(n)
    t_s = count / rate_hz
    if rng.random() < 0.4:
        t_s += _about(rng, 0.07, 4.0) / rate_hz * rng.normal(size=n)
    if rng.random() < 0.2:
        t_s[int(rng.integers(1, n)) :] += _about(rng, 5.0) / rate_hz
    if rng.random() < 0.3:
        t_s = np.round(t_s, int(rng.integers(2, 5)))
    t_s = np.maximum.accumulate(t_s) + rng.choice([0.0, 1234.5])
    wanted = rng.random(n) > rng.choice([0.0, 0.03])
    grid = _tried(even_grid, t_s, wanted)
    found = [grid, _few(rng)]
    if isinstance(grid, Grid):
        others = [grid.at_rate(rate) for rate in (50.0, 100.0)]
        found += [grid.gaps, grid.t_s, [grid.row_of(i) for i in range(0, grid.n_samples, 7)], others]
        found += [
            _clock_notes(_log(time=t_s), grid),
            grid.is_row_by_row(n),
            _uneven_grid(grid.stamps_s, grid.rows),
        ]
        found += [_best_model(grid.stamps_s), _resolution_s(grid.stamps_s)]
    return each(*found)


def _few(rng: np.random.Generator) -> Any:
    """Rates near round ones, lengths of bridges, stretches of several rates."""
    lasts = rng.choice([0.3, 0.8, 1.2, 3.0], int(rng.integers(2, 6)))
    rates = rng.choice([100.0, 122.0, 128.0, 200.0, 400.0], len(lasts))
    steps = [np.full(round(last * rate) + 5, 1 / rate) for last, rate in zip(lasts, rates, strict=True)]
    stamps_s = np.cumsum(np.concatenate([np.full(310, 0.01), *steps]))
    stamps_s += rng.choice([0.0, 2e-4]) * rng.normal(size=len(stamps_s))
    stretches = find_stretches(np.sort(stamps_s))
    grid = _tried(even_grid, np.sort(stamps_s), np.ones(len(stamps_s), bool))
    wave = np.sin(20.0 * stamps_s)
    return each(
        stretches,
        [common_rate_hz(stretches, stamps_s)] if stretches else [],
        [_nominal(rate, 0.01) for rate in (0.3, 0.6, 99.2, 98.9, 100.9, _about(rng, 100.0, 1.02))],
        [longest_bridge(rate) for rate in (10.0, 100.0, 199.0, 200.0, 299.9, 301.0, 400.0, 999.0)],
        [place_on_grid(wave, np.sort(stamps_s), grid), grid.gaps, _clock_notes(_log(time=stamps_s), grid)]
        if isinstance(grid, Grid)
        else [],
    )


def _placed(rng: np.random.Generator) -> Any:
    """Values on clocks, over gaps, and at other rates."""
    n = int(rng.integers(30, 160))
    values = 50.0 + np.cumsum(rng.normal(size=n))
    values[rng.random(n) < rng.choice([0.0, 0.05, 0.15])] = np.nan
    filled, where = bridge(values.copy(), int(rng.integers(0, 4)))
    near, _ = bridge(values.copy(), 3, within_mm=(48.0, 54.0))
    t_s = np.sort(np.arange(n) / 100.0 + rng.uniform(-0.004, 0.004, n))
    t_s[int(rng.integers(1, n)) :] += _about(rng, 0.045)
    if rng.random() < 0.5:
        values[int(rng.integers(3, n - 3))] += _about(rng, 30.0, 3.0)
    grid = _tried(even_grid, t_s, np.isfinite(values))
    to_hz = float(rng.choice([20.0, 70.0, 100.0, 130.0]))
    inner = np.linspace(t_s[0], t_s[-1], 50)
    solid = np.nan_to_num(values, nan=50.0)
    return each(
        filled,
        _at(where),
        near,
        place_on_grid(values, t_s, grid) if isinstance(grid, Grid) else grid,
        resample(values, 100.0, to_hz),
        _between(t_s, solid, inner),
        _between(t_s[:3], solid[:3], inner[:9]),
        runs(np.isnan(values)),
    )


def _channels(rng: np.random.Generator) -> Any:
    """Slow channels, held, with pauses; units that are not written."""
    n, rate_hz = int(rng.integers(80, 300)), float(rng.choice([20.0, 100.0]))
    t_s = np.arange(n) / rate_hz
    wave = 20.0 + 10.0 * np.sin(1.7 * t_s)
    every = int(rng.integers(1, 13))
    kind = int(rng.integers(0, 4))
    if kind == 0:
        values = wave[np.arange(n) // every * every]
    elif kind == 1:
        values = np.where(np.arange(n) % every == every // 2, wave, np.nan)
    elif kind == 2:
        values = np.where(rng.random(n) < 0.2, np.nan, wave)
        start = int(rng.integers(0, n))
        values[start : start + round(_about(rng, 1.5) * rate_hz)] = np.nan
    else:
        values = np.round(wave * _about(rng, 0.3, 3.0))
    rows = np.sort(np.concatenate([np.arange(n), rng.integers(0, n, int(rng.choice([0, 3])))]))
    uneven_s = t_s[rows] + rng.choice([0.0, 3e-3]) * rng.random(len(rows))
    changed = rng.random(60) < rng.uniform(0.05, 0.95)
    held = np.zeros(120, dtype=bool)
    steps = np.full(40, every) + rng.choice([0, 1, 2, -1], 40, p=[0.7, 0.1, 0.15, 0.05])
    held[np.unique(np.clip(np.cumsum(np.maximum(steps, 1)), 0, 119))] = True
    own = np.sort(rng.choice(n, int(rng.integers(8, 30)), replace=False))
    blanked = wave.copy()
    _blanked(blanked, _pauses(t_s, t_s[own] + 1e-4, _about(rng, 8 / rate_hz), 5 / rate_hz))
    grids = [_tried(even_grid, t, np.ones(len(t), bool)) for t in (t_s, uneven_s)]
    return each(
        [
            on_clock(Column(v), t, grid, between)
            for v, t, grid in ((values, t_s, grids[0]), (values[rows], uneven_s, grids[1]))
            if isinstance(grid, Grid)
            for between in ("line", "hold", "pulse")
        ],
        [_hold_rows(changed), _hold_rows(held), _hold_rows(held[: int(rng.integers(20, 110))])],
        _without_held(Column(values), np.flatnonzero(np.isfinite(values))),
        [
            Lines((t_s[own] + 2e-3 * rng.random()) * rate_hz, wave[own], n).values
            if between == "line"
            else _on_clock(t_s, t_s[own] + 2e-3 * rng.random(), wave[own], between)
            for between in ("line", "hold", "pulse")
        ],
        blanked,
        [
            _likely_unit(meaning, "own", Column(np.array([0.0, -_about(rng, limit, 1.3), np.nan])))
            for meaning, limit in (("speed", 110.0), ("throttle", 1.05), ("acceleration", 2.5), ("lean", 2.0))
        ],
    )


def _calibration(rng: np.random.Generator) -> Any:
    """Bench points nearly on a line, and signals beyond them."""
    k = int(rng.integers(2, 7))
    signal = np.sort(rng.uniform(0.3, 4.7, k)) * rng.choice([1.0, 100.0])
    travel = 25.0 * (signal - signal[0]) / np.ptp(signal) * rng.choice([1.0, 3.0, -2.0])
    travel += _about(rng, 0.3) * rng.normal(size=k) * rng.choice([0.0, 1.0])
    points = list(zip(signal.tolist(), travel.tolist(), strict=True))
    at = np.linspace(signal[0] - np.ptp(signal), signal[-1] + np.ptp(signal), 25)
    found: list[Any] = [fit_line(signal, travel)]
    for shape in (None, "line", "curve"):
        zero = float(rng.choice([np.nan, signal[0], signal.mean()]))
        one = _tried(fit_calibration, points, None if np.isnan(zero) else zero, shape=shape)
        found.append(one if isinstance(one, str) else [one, one.linearity_pct, one.travel_mm(at)])
    table = np.sort(rng.uniform(0.0, 60.0, (2, 4)))
    found.append(through_curve(np.linspace(-20.0, 90.0, 23), list(zip(*table.tolist(), strict=True))))
    noisy = np.clip(40.0 + 45.0 * np.sin(np.arange(400) / 30.0) + rng.normal(0, 8, 400), 0.5, None)
    volts = 0.5 + (noisy + rng.choice([-6.0, 0.0, 25.0])) / 25.0
    volts[rng.random(400) < 0.02] = np.nan
    beyond = replace(
        SETUP,
        points=((0.5, 0.0), (0.5 + _about(rng, 3.4, 1.3), 85.0)),
        stroke_mm=float(rng.choice([90.0, np.inf])),
    )
    calibration = fit_calibration(beyond.points)
    found.append(_beyond_points(volts, calibration.travel_mm(volts), calibration, beyond))
    return each(*found)


def _zero(rng: np.random.Generator) -> Any:
    """Levels at which an end tops out, and the zero by them or by a time on the stand."""
    rate_hz = float(rng.choice([50.0, 100.0, 200.0]))
    lasts_s = 24.0
    t_s = np.arange(0.0, lasts_s, 1 / rate_hz)
    level = float(rng.choice([-3.0, -0.6, -0.4, 0.0, 0.6, 0.8, 3.0]))
    ride = 30.0 + 12.0 * np.sin(2 * np.pi * 0.31 * t_s) + 5.0 * np.sin(2 * np.pi * 1.2 * t_s + 1.0)
    every_s = float(rng.choice([0.9, 1.6, 4.0]))
    lift = np.clip(1.0 - np.abs((t_s % every_s) - every_s / 2) / _about(rng, 0.25), 0.0, 1.0)
    travel = np.maximum(ride * (1 - lift) - 2.0 * lift, _about(rng, 0.2) * rng.random(len(t_s))) + level
    travel += 0.05 * rng.normal(size=len(t_s))
    start = int(rng.integers(0, len(t_s) - 200))
    travel[start : start + round(_about(rng, 0.2, 3.0) * rate_hz)] = rng.choice([-1.2, -0.45, level])
    travel[rng.random(len(t_s)) < rng.choice([0.0, 0.01])] = np.nan
    still = replace(SETUP, zero_interval_s=(1.0, 1.0 + _about(rng, 0.55, 1.3)))
    stand = np.where(t_s < 2.0, _about(rng, 0.55, 1.6) * np.linspace(-1, 1, len(t_s)) * 6.0, travel)
    quiet = np.where(t_s < 2.0, level + _about(rng, 1.0, 1.5) * (rng.random(len(t_s)) - 0.5), travel)
    levels = np.sort(
        np.concatenate([rng.uniform(0, 0.5, 20 + int(rng.integers(-3, 9))), rng.uniform(-2, 8, 60)])
    )
    low = np.sort(rng.uniform(0.0, _about(rng, 0.4), int(rng.integers(2, 6))))
    turned = _turning_points(travel, rate_hz)
    return each(
        check_zero(travel, rate_hz, "front", SETUP),
        check_zero(travel[: round(_about(rng, 3.0) * rate_hz)], rate_hz, "rear", SETUP),
        turned,
        find_top_outs(travel, rate_hz),
        TopOuts(low, low).stop_mm,
        _find_top_out_level(travel, np.repeat(turned[1], int(rng.integers(1, 5)))),
        _densest_cluster(levels[levels > rng.choice([-2.0, -0.5, 0.0])]),
        [_tried(zero_mm, values, rate_hz, still, key="[front.sensor]") for values in (stand, quiet, travel)],
        _tried(zero_mm, travel, rate_hz, replace(SETUP, zero_topped_out=True), key="[front.sensor]"),
    )


def _smooth(rng: np.random.Generator, t_s: FloatArray, middle: float, swing: float) -> FloatArray:
    return (
        middle + swing * np.sin(2 * np.pi * 1.1 * t_s + rng.uniform(0, 6)) + 0.02 * rng.normal(size=len(t_s))
    )


def _spikes(rng: np.random.Generator) -> Any:
    """Spikes of every width and about the least height, single and in pairs, in the middle and near the stop."""
    rate_hz = float(rng.choice(RATES_HZ))
    t_s = np.arange(600) / rate_hz
    middle = float(rng.choice([50.0, 95.0]))
    travel = _smooth(rng, t_s, middle, float(rng.choice([0.5, 3.0])))
    bend_mm = 50_000.0 / rate_hz**2
    for at in range(20, 580, 28):
        width = int(rng.integers(1, 8))
        limit = max(1.5, bend_mm * ((width + 1) / 2) ** 2 * (3.0 if middle > 90 else 1.0))
        height = _about(rng, limit, 1.8) * rng.choice([-1, 1])
        shape = [np.ones(width), np.hanning(width + 2)[1:-1], rng.uniform(0.4, 1.0, width)][
            int(rng.integers(0, 3))
        ]
        travel[at : at + width] += height * shape
        if rng.random() < 0.4:
            beside = at + width + int(rng.integers(0, 5))
            travel[beside : beside + int(rng.integers(1, 3))] += _about(rng, limit, 2.0) * rng.choice([-1, 1])
        if rng.random() < 0.3:  # a step of the bank itself
            travel[at + width :] += _about(rng, 1.0, 3.0) * rng.choice([-1, 1])
    travel[rng.random(600) < rng.choice([0.0, 0.01])] = np.nan
    return each(
        widest_spike(rate_hz),
        [
            _at(find_spikes(travel, rate_hz, stroke, even=even))
            for stroke, even in ((100.0, True), (np.inf, False))
        ],
    )


def _work(
    travel: FloatArray, rate_hz: float, *, even: bool = True, gaps: tuple[tuple[int, int], ...] = ()
) -> Cleaning:
    origin = SignalOrigin("log.csv", "front", SETUP, rate_hz, lambda sample: sample + 3, gaps, even)
    return Cleaning(origin, travel.copy())


def _left(work: Cleaning) -> Any:
    return each(_at(np.isnan(work.travel_mm)), work.notes, work.history)


def _masks(rng: np.random.Generator) -> Any:
    """Each mask of the cleaning alone, on readings that nearly deserve it."""
    rate_hz = float(rng.choice(RATES_HZ))
    n = 900
    t_s = np.arange(n) / rate_hz
    even = bool(rng.random() < 0.8)
    bend_mm = 50_000.0 / rate_hz**2
    held = _smooth(rng, t_s, float(rng.choice([2.0, 50.0, 97.5])), float(rng.choice([0.3, 8.0])))
    held += rng.choice([0.0, 0.03]) * rng.normal(size=n)
    if rng.random() < 0.4:
        held = np.round(held / 0.04) * 0.04
    for at in range(30, 860, 60):
        long = max(2, round(_about(rng, 0.02, 3.0) * rate_hz))
        held[at : at + long] = held[at] + rng.choice([0.0, 0.0, 0.5, 1.0]) * _about(
            rng, max(1.0, bend_mm), 2.0
        )
    spikes = rng.random(n) < 0.01
    wild = _smooth(rng, t_s, 50.0, 5.0)
    for at in (80, 420, 700):
        here = slice(at, at + max(4, round(_about(rng, 0.2) * rate_hz)))
        loud = rng.random(len(wild[here])) < _about(rng, 0.3)
        wild[here] += loud * _about(rng, 3.0 + 2.4 * bend_mm) * rng.choice([-1, 1], len(loud))
        wild[min(here.stop + int(rng.integers(1, 20)), n - 1)] += 4 * (5.0 + 4 * bend_mm)
    out = _smooth(rng, t_s, 50.0, 20.0)
    for at in range(40, 860, 90):
        level = rng.choice([-1.0, 1.0]) * _about(rng, 5.0) + 100.0 * rng.integers(0, 2)
        long = max(1, round(_about(rng, 0.05, 3.0) * rate_hz))
        rise = np.linspace(0, 1, int(rng.integers(1, 40))) if rng.random() < 0.6 else np.array([0.5])
        shape = np.concatenate([rise[:-1], np.ones(long), rise[::-1][1:]])[: n - at]
        there = out[at : at + len(shape)]
        out[at : at + len(shape)] = (
            there + (level - there) * shape + _about(rng, 0.15) * rng.normal(size=len(shape))
        )
    beside = _smooth(rng, t_s, 50.0, 6.0)
    gone = rng.random(n) < 0.02
    for at in range(20, 880, 40):
        island = max(1, round(_about(rng, 0.015, 2.0) * rate_hz))
        gone[[at, min(at + island + 1, n - 1)]] = True
        beside[at + rng.choice([-3, -2, -1, 1, 2, 3])] += _about(rng, 2.0 + 3 * bend_mm, 2.0)
    fault = gone & (rng.random(n) < 0.9)
    beside[gone] = np.nan
    half = max(2, round(0.5 * rate_hz))
    long_s = np.arange(12 * half) / rate_hz
    still = _smooth(rng, long_s, 40.0, 15.0)
    other = _smooth(rng, long_s, 30.0, _about(rng, 1.9, 1.5))
    first, lasts = int(rng.integers(0, 6 * half)), round(_about(rng, 2.4 * half, 1.8))
    still[first : first + lasts] = rng.choice([0.4, 1.3, 1.7, 40.0]) + _about(rng, 0.2) * (
        rng.random(len(still[first : first + lasts])) - 0.5
    ) * rng.choice([0.0, 1.0, 1.0])
    speed = np.full(len(still), _about(rng, 8.0, 1.5))
    works = [
        (_work(held, rate_hz, even=even), lambda work: _mask_held(work, spikes)),
        (_work(wild, rate_hz, even=even), _mask_wild),
        (_work(out, rate_hz, even=even), lambda work: _at(_mask_outside(work))),
        (_work(beside, rate_hz, even=even), lambda work: _mask_beside(work, fault)),
        (_work(still, rate_hz, even=even), lambda work: _mask_stuck(work, other, None)),
        (_work(still, rate_hz), lambda work: _mask_stuck(work, None, speed)),
        (
            _work(still[: 2 * half + int(rng.integers(-2, 2))], rate_hz),
            lambda work: _mask_stuck(work, other, None),
        ),
        (_work(beside - 46.0, rate_hz), _bridge),
        (_work(beside + 44.0, rate_hz), _bridge),
    ]
    return each(*([_tried(mask, work), _left(work)] for work, mask in works))


def _ends(rng: np.random.Generator) -> Any:
    """Travel past either end of the stroke, by about as much and for about as long as it may be."""
    rate_hz = float(rng.choice([50.0, 200.0]))
    n = round(6.0 * rate_hz) if rng.random() < 0.5 else round(90.0 * rate_hz)
    travel = np.full(n, 50.0)
    limit = float(rng.choice([0.5, 1.0, 2.0, 3.0]))
    lasts_s = float(rng.choice([0.15, 0.25, 0.02]))
    for at in range(10, n - round(rate_hz), max(n // int(rng.choice([2, 8, 40])), 20)):
        past = _about(rng, limit, 1.5)
        travel[at : at + max(1, round(_about(rng, lasts_s, 1.6) * rate_hz))] = rng.choice(
            [100.0 + past, -past]
        )
    work = _work(travel, rate_hz)
    return each(_tried(_check_ends, work, travel), work.notes)


def _wires(rng: np.random.Generator) -> Any:
    """Open wires before and after the zero is known, and sensors that do not move."""
    rate_hz = float(rng.choice([20.0, 100.0, 200.0]))
    n = round(8.0 * rate_hz)
    t_s = np.arange(n) / rate_hz
    travel = _smooth(rng, t_s, 45.0, 15.0)
    start = int(rng.integers(0, n - round(2 * rate_hz)))
    there = slice(start, start + round(_about(rng, 1.1, 1.4) * rate_hz))
    low = rng.random() < 0.5
    past = _about(rng, float(rng.choice([3.0, 5.0])), 1.7)
    travel[there] = (-past if low else 100.0 + past) + _about(rng, 0.75, 1.8) * (
        rng.random(len(travel[there])) - rng.choice([0.0, 1.0])
    ) * rng.choice([0.0, 2.0])
    setups = [
        SETUP,
        replace(SETUP, zero_topped_out=True),
        replace(SETUP, zero_interval_s=(0.5, 1.6)),
        replace(SETUP, zero=0.6),
        replace(SETUP, to_shaft=((0.0, 0.0), (50.0, 40.0), (100.0, 90.0))),
    ]
    grid = even_grid(t_s, np.ones(n, bool))
    read: list[Any] = []
    for setup in setups:
        one = _tried(read_sensor, 0.5 + travel / 25.0, "front", setup, grid)
        read.append(one if isinstance(one, str) else [one, _at(one.wire_off), one.step("front", setup)])
    speed = np.where(np.arange(n) < _about(rng, 10.0, 1.2) * rate_hz, _about(rng, 8.0, 1.2), 2.0)
    long = np.tile(speed, 2)
    other = np.zeros(round(20.0 * rate_hz))
    moving = round(_about(rng, 10.0, 1.3) * rate_hz)
    other[:moving] = _about(rng, 1.6, 1.3) * np.sin(2 * np.pi * 3.1 * np.arange(moving) / rate_hz)
    return each(
        read,
        [_at(sanity.wire_off(travel, between, rate_hz)) for between in ((-3.0, 103.0), (-5.0, 105.0))],
        sanity.is_ridden(None, long, rate_hz),
        sanity.is_ridden(other, None, rate_hz),
    )


def _causes(rng: np.random.Generator) -> Any:
    """Sensors whose readings are no travel, for this reason or that."""
    t_s = np.arange(400) / 100.0
    stroke = float(rng.choice([100.0, 100.0, np.inf]))
    used = rng.choice([0.03, 0.05, 0.1, 0.8]) * _about(rng, 1.0, 1.4)
    travel = 100.0 * (0.5 * rng.uniform(0.2, 1.2) + 0.5 * used * np.sin(9.0 * t_s))
    points: tuple[tuple[float, float], ...] = ((0.5, 0.0), (4.5, 100.0))
    signal = 0.5 + travel / 25.0
    kind = int(rng.integers(0, 9))
    if kind == 0:
        points = tuple((mm, v) for v, mm in points)
    elif kind == 1:
        signal = signal * rng.choice([1e3, 1e-3])
    elif kind == 2:
        factor = rng.choice([1000.0, 10.0, 25.4]) * _about(rng, 1.0, 1.1)
        points = tuple((v, mm / factor) for v, mm in points)
    elif kind == 3:
        signal = 0.5 + (travel * _about(rng, 1.3, 1.3)) / 25.0
    elif kind == 4:
        signal = 0.5 - travel / 25.0 + rng.choice([0.0, 0.2])
    elif kind == 5:
        signal = np.full(400, rng.choice([0.2, 2.0, 5.0])) + _about(rng, 0.01, 3.0) * (rng.random(400) - 0.5)
    elif kind == 6:
        signal = signal + rng.choice([-1, 1]) * _about(rng, 0.2)
    elif kind == 7:
        signal[: round(_about(rng, 200.0, 1.3))] = 9.0
    setup = replace(SETUP, points=points, stroke_mm=stroke, zero=rng.choice([None, None, 0.5]))

    def read(of: SensorSetup, values: FloatArray) -> FloatArray | None:
        try:
            return fit_calibration(of.points, of.zero).travel_mm(values)
        except BothEndsError:
            return None

    columns = {"front": signal, "rear": rng.choice([0.5 + travel / 25.0, signal])}
    setups = {end: replace(SETUP, points=points, stroke_mm=float(rng.choice([90.0, 120.0]))) for end in ENDS}
    return each(
        [
            sanity.diagnose("front", signal, setup, read, ridden=ridden, doubted=doubted)
            for ridden in (True, False)
            for doubted in (True, False)
        ],
        sanity.swap_hint(columns, setups),
    )


def _riding(rng: np.random.Generator) -> Any:
    """Ends that move under brakes, and sags, about the limits at which they are called wrong."""
    rate_hz = float(rng.choice([5.0, 20.0, 50.0, 100.0]))
    t_s = np.arange(0.0, 40.0, 1 / rate_hz)
    pull = _about(rng, 4.0, 1.3)
    brakes = (t_s % 13.0) < _about(rng, 1.2, 2.0)
    acceleration = np.where(brakes, -pull, _about(rng, 1.0, 1.8) * ((t_s % 5.0) < 2.0))
    speed = np.clip(
        rng.uniform(11.0, 40.0) + np.cumsum(acceleration - acceleration.mean()) / rate_hz, 0.0, None
    )
    share = {
        end: np.full(len(t_s), rng.choice([0.07, 0.3, 0.65]) * _about(rng, 1.0, 1.3))
        + brakes * _about(rng, 0.04, 1.5) * rng.choice([-1, 1])
        + 0.01 * rng.normal(size=len(t_s))
        for end in ENDS
    }
    channels = {"speed_m_s": speed, "lean_deg": _about(rng, 15.0, 1.2) * ((t_s % 7.0) < 4.0)}
    kept = {name: channels[name] for name in ("speed_m_s", "lean_deg") if rng.random() > 0.1}
    setups = {
        end: replace(SETUP, channel=end, stroke_mm=float(rng.choice([100.0, 60.0, np.inf]))) for end in ENDS
    }
    travel = {end: share[end] * setups[end].scale_mm for end in ENDS}
    for end in ENDS:
        travel[end][rng.random(len(t_s)) < 0.01] = np.nan
    few = slice(0, round(rng.choice([1.3, 1.6, 8.0]) * rate_hz))
    short = {name: values[few] for name, values in kept.items()}
    return each(
        sanity.check_riding(travel, setups, kept, rate_hz),
        sanity.check_riding({"rear": travel["rear"]}, setups, kept, rate_hz),
        sanity.check_riding({end: values[few] for end, values in travel.items()}, setups, short, rate_hz),
        [sanity.moves_as_the_other(end, travel[end], setups[end], kept, rate_hz) for end in ENDS],
        _riding_blocks(kept, travel, rate_hz),
    )


def _riding_blocks(kept: dict[str, FloatArray], travel: dict[Any, FloatArray], rate_hz: float) -> Any:
    riding = sanity._riding(kept, rate_hz)
    blocks = [sanity._blocks(travel["front"], rate) for rate in (rate_hz, 3.0, 173.0)]
    if riding is None:
        return each(*blocks)
    masks = (riding.braking, riding.other, riding.steady)
    return each(each(*blocks), *map(_at, masks), *map(sanity._longest, masks))


def _columns(rng: np.random.Generator) -> Any:
    """Swapped columns, and ends of which nothing is left."""
    rate_hz = 100.0
    t_s = np.arange(0.0, 30.0, 1 / rate_hz)
    grid = even_grid(t_s, np.ones(len(t_s), bool))
    brakes = (t_s % 8.0) < 2.0
    speed = 25.0 + np.cumsum(np.where(brakes, -6.0, 2.0)) / rate_hz
    share = {"front": 0.3 + 0.08 * brakes, "rear": 0.3 - 0.08 * brakes}
    setups = {
        "front": SETUP,
        "rear": replace(SETUP, channel="shock", stroke_mm=float(rng.choice([60.0, 100.0]))),
    }
    swapped = rng.random() < 0.6
    read: dict[Any, Reading] = {}
    for end, other in (("front", "rear"), ("rear", "front")):
        of = other if swapped else end
        volts = 0.5 + share[of] * setups[of].stroke_mm / 25.0 + 0.01 * rng.normal(size=len(t_s))
        read[end] = read_sensor(volts, end, setups[end], grid)
    codes = rng.choice(["scale", "flat", "sign"], 2)
    faults = {
        end: sanity.Fault(str(code), "Words.", end)
        for end, code in zip(ENDS, codes, strict=True)
        if rng.random() < 0.6
    }
    cleaned = {end: _work(read[end].travel_mm, rate_hz) for end in ENDS if end not in faults}
    empty = _work(read["front"].travel_mm, rate_hz)
    for code in range(int(rng.integers(0, 4))):
        empty.note(
            (t_s > rng.uniform(0, 9)) & (t_s < rng.uniform(10, 29)), f"code {code}", "words {places} {count}"
        )
    return each(
        _swapped_columns(
            read, cleaned, setups, {"speed_m_s": speed} if rng.random() < 0.9 else {}, grid, faults
        ),
        _no_travel("front", empty, SETUP),
    )


def _spectra(rng: np.random.Generator) -> Any:
    """Spectra, noise and speed of short records with gaps."""
    n, rate_hz = int(rng.integers(100, 900)), float(rng.choice([60.0, 100.0, 195.0, 200.0, 240.0, 500.0]))
    t_s = np.arange(n) / rate_hz
    travel = 40.0 + 5.0 * np.sin(2 * np.pi * 1.7 * t_s) + _about(rng, 0.1, 4.0) * rng.normal(size=n)
    travel += rng.choice([0.0, 0.3]) * np.sin(2 * np.pi * 0.45 * rate_hz * t_s)
    other = np.roll(travel, 2) + rng.normal(size=n)
    travel[rng.random(n) < rng.choice([0.0, 0.004])] = np.nan
    segment = int(rng.choice([32, 33, 64]))
    both = cross_spectrum(travel, other, rate_hz, segment_samples=segment)
    noise = sensor_noise_mm(travel)
    speed = differentiate(travel, rate_hz, bandwidth_hz=float(rng.choice([0.1, 0.15])) * rate_hz)
    return each(
        power_spectrum(travel, rate_hz, segment_samples=segment),
        each(
            both.first_density,
            both.second_density,
            np.abs(both.cross_density),
            both.coherence,
            both.phase_deg,
            both.chance_coherence,
            both.band(3.0, 20.0),
            both.band(0.1, 0.2),
        ),
        each(
            noise,
            noise_share(travel, 0.1, rate_hz),
            noise_notes("front", travel, _about(rng, 0.1, 3.0), rate_hz),
        ),
        speed,
        differentiate(travel, rate_hz),
        [differentiator_as_at(rate_hz, 2 * rate_hz).weights],
    )


PARTS: dict[str, Callable[[np.random.Generator], Any]] = {
    "stamps": _stamps,
    "clock": _clock,
    "placed": _placed,
    "channels": _channels,
    "calibration": _calibration,
    "zero": _zero,
    "spikes": _spikes,
    "masks": _masks,
    "ends": _ends,
    "wires": _wires,
    "causes": _causes,
    "riding": _riding,
    "columns": _columns,
    "spectra": _spectra,
}


def parts_of_signals_at_random(seed: int) -> Any:
    """What each of the parts gives."""
    return {name: part(np.random.default_rng([seed, i])) for i, (name, part) in enumerate(PARTS.items())}
