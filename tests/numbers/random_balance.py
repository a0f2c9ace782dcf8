"""The parts that the balance of both ends is told by, each on small made-up inputs drawn at random."""

from dataclasses import replace
from functools import cache
from typing import Any
from unittest.mock import patch

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.balance import bounce, delay_notes, find_pairs, light_wheels
from telemetry.balance.balance import Ratio, ratio_of_sums
from telemetry.balance.bumps import (
    MEASURES,
    BumpPairs,
    _at_once,
    _CommonRoad,
    _fully_extended,
    _place,
    _respond,
    _roughness,
    _smoothing,
    _stands_out_by,
    clear_from,
    disturbed_at,
    pairs_again,
    pairs_at,
    peaks_above,
    roughness_peak,
    standing_out,
    whitened,
)
from telemetry.balance.delay import _late, likeness
from telemetry.balance.measure import (
    _spectra,
    balance,
    chassis_motion,
    deming_slope,
    geometry_movement,
    quantile_slope,
    speed_balance,
)
from telemetry.balance.pairs import response_measures, stacked, summarise_pairs
from telemetry.balance.resistance import (
    Dampers,
    Ground,
    _compare,
    _explained,
    _residual_delay_s,
    _solve,
    _without_each,
    cubic,
    damper_parts,
    damping_balance,
    equations,
    verdict,
    vertex,
)
from telemetry.balance.road import (
    _at_a_stop,
    bandwidth_hz,
    derivative,
    find_riding,
    loads,
    road_model,
    windows,
)
from telemetry.balance.transfer import (
    _episodes,
    _gain,
    _held,
    _joined,
    _pieces,
    _releases,
    _ridden_gain,
    _running_mean,
    _steady_gains,
    _under,
    weight_transfer,
    zone_gains,
    zone_left,
)
from telemetry.bike import Bike
from telemetry.laps import Lap, Track
from telemetry.motion import EndMotion, Motion
from telemetry.signals import Mode, Run, free_decay
from tests.randomised.bikes import random_bike
from tests.randomised.outings import minimum_bike

_bike = cache(random_bike)


def parts_of_balance_at_random(seed: int) -> Any:
    """What each of the parts gives."""
    rng = np.random.default_rng(seed)
    return {
        "pushes": _pushes(rng),
        "modes": _modes(rng) if seed % 12 == 0 else None,
        "shapes": _shapes(rng),
        "peaks": _peaks(rng),
        "bumps": _bumps(rng),
        "pairs": _pairs(rng),
        "ratios": _ratios(rng),
        "speeds": _speeds(rng),
        "chassis": _chassis(rng),
        "delay": _delay(rng),
        "riding": _riding(rng),
        "road": _road(rng) if seed % 6 == 0 else None,
        "dampers": _dampers(rng),
        "transfer": _transfer(rng),
        "light": _light(rng),
        "zones": _zones(rng),
    }


def _end(end: Any, wheel_mm: FloatArray, rate_hz: float, ratio: float = 1.0) -> EndMotion:
    speed = np.gradient(wheel_mm) * rate_hz
    return EndMotion(
        end, 125.0 / ratio, 125.0, wheel_mm / ratio, speed / ratio, wheel_mm, speed, np.isfinite(wheel_mm),
        2.0 / ratio, 2.0, 60.0, 120.0,
    )  # fmt: skip


def _motion(rate_hz: float, front_mm: FloatArray, rear_mm: FloatArray, bike: Bike | None = None) -> Motion:
    ends = {"front": _end("front", front_mm, rate_hz), "rear": _end("rear", rear_mm, rate_hz, 1.8)}
    t_s = np.arange(len(front_mm)) / rate_hz
    pitch = np.degrees((front_mm - rear_mm) / 1400.0)
    return Motion("log.csv", t_s, rate_hz, ends, pitch, 1400.0, (), {"rear": "no [rear.sensor]."})


def _track(rng: np.random.Generator, n: int, rate_hz: float, speed: FloatArray) -> Track:
    gone = np.cumsum(np.nan_to_num(speed, nan=20.0)) / rate_hz
    length_m = max(gone[-1] / rng.choice([1.2, 3.5, 5.5]), 1.0)
    lap = (gone // length_m).astype(np.int64) + int(rng.integers(0, 2))
    at_m = gone % length_m
    corner = np.where(np.sin(2 * np.pi * at_m / length_m * 3) > 0.2, 1 + (3 * at_m / length_m).astype(int), 0)
    phase = (at_m / length_m * 11).astype(np.int64) % 5 - 1
    if rng.random() < 0.3:
        at_m = np.where(rng.random() < 0.5, np.nan, at_m)
    whole = (
        tuple(Lap(int(i), 0.0, 60.0, "complete", length_m) for i in np.unique(lap))
        if rng.random() < 0.8
        else ()
    )
    return Track(whole, "channel", lap, at_m, None, None, speed, phase, corner, (), ())


def _waves(
    rng: np.random.Generator, t_s: FloatArray, low_hz: float, high_hz: float, many: int = 6
) -> FloatArray:
    """Waves of random frequency, as high together as one of 1."""
    return sum(
        np.sin(2 * np.pi * rng.uniform(low_hz, high_hz) * t_s + rng.uniform(0, 6)) for _ in range(many)
    ) / np.sqrt(many)


def _speed(rng: np.random.Generator, t_s: FloatArray) -> FloatArray:
    """Speeds from about walking pace on, unknown for a while in some. [m/s]"""
    speed = rng.uniform(12.0, 40.0) + rng.uniform(1.0, 9.0) * _waves(rng, t_s, 0.03, 0.25)
    if rng.random() < 0.3:
        at = int(rng.integers(0, len(speed)))
        speed[at : at + len(speed) // 9] = np.nan
    return np.maximum(speed, 0.0)


def _with_gap(rng: np.random.Generator, values: FloatArray, share: float = 0.3) -> FloatArray:
    if rng.random() < share:
        at = int(rng.integers(0, len(values)))
        values[at : at + int(rng.integers(1, len(values) // 12 + 2))] = np.nan
    return values


def _pushes(rng: np.random.Generator) -> Any:
    """Pushes by hand: early, late, close together, of one end, held down, and with gaps."""
    rate_hz = float(rng.choice([20.0, 50.0, 100.0]))
    t_s = np.arange(round(rng.uniform(9.0, 14.0) * rate_hz)) / rate_hz
    starts = rng.uniform(0.3, 1.8) + np.cumsum([0.0, *rng.choice([0.9, 1.4, 2.2, 2.9], 4)])
    ends = []
    for _ in ENDS:
        hz, ratio = rng.uniform(1.4, 3.0), rng.choice([0.06, 0.15, 0.3, 0.5, 0.8])
        wheel = np.full(len(t_s), 31.0)
        for start in starts:
            since, pressed_s = t_s - start, rng.uniform(0.15, 0.45)
            depth = rng.choice([3.0, 9.0, 18.0, 30.0], p=[0.1, 0.2, 0.4, 0.3]) * rng.uniform(0.8, 1.2)
            held = rng.choice([0.0, 0.0, 0.0, 0.15, 0.25]) * depth
            free = np.maximum(since - pressed_s, 0.0)
            let_go = np.exp(-2 * np.pi * hz * ratio * free) * np.cos(2 * np.pi * hz * free)
            wheel += np.where(
                since < pressed_s, depth * np.clip(since / pressed_s, 0, 1), held + (depth - held) * let_go
            ) * (since < 2.5)
        ends.append(_with_gap(rng, wheel + 0.03 * rng.normal(size=len(t_s)), 0.15))
    motion = _motion(rate_hz, *ends)
    rest = {end: bounce.rest_mm(motion, end) for end in ENDS}
    with patch.object(bounce, "fit_free_modes", lambda decays, rate: (len(decays), *decays)):
        test = bounce.bounce_test(motion, "QB-6")
    known = dict.fromkeys(ENDS, 31.0)
    pushes = bounce.find_pushes(motion, known)
    used = [push for push in pushes if all(one.depth_mm > 0 and one.time_up_s for one in push.ends.values())]
    found = [bounce._course(motion, known, push) for push in used]
    told = []
    if len(used) > 1 and all(one.up_mm_s > 0 < one.down_mm_s for push in used for one in push.ends.values()):
        told = [bounce._direction(used, side) for side in ("down", "up")]
        told = [told, bounce._sentences(used, *told), [bounce._typical(used, end) for end in ENDS]]
        told = [told, bounce._picture(motion, known, used)]
    near = 1.0 + rng.uniform(-0.3, 0.3, (6, 2))
    verdicts = [bounce._verdict(Ratio(float(a), (float(min(a, b)), float(max(a, b))))) for a, b in near]
    return [rest, pushes, test, found, told, verdicts]


def _modes(rng: np.random.Generator) -> Any:
    """Two modes let go, one of them hardly there in some."""
    t_s, rate_hz = np.arange(0.0, 1.5, 0.005), 200.0
    one, other = (np.exp(-2 * np.pi * hz * z * t_s) * np.cos(2 * np.pi * hz * t_s + 0.2)
                  for hz, z in ((rng.uniform(1.5, 2.2), 0.25), (rng.uniform(2.6, 3.6), 0.3)))  # fmt: skip
    share = rng.choice([1.0, 0.12, 0.05])
    decays = [
        np.array([a * one + share * b * other, 0.8 * a * one - share * b * other]) + 0.01 * rng.normal(size=(2, 300))
        for a, b in rng.uniform(8.0, 20.0, (2, 2))
    ]  # fmt: skip
    slow = [one[:, ::5] for one in decays]
    return [bounce.fit_free_modes(decays, rate_hz), bounce.fit_free_modes(slow, 40.0)]


def _shapes(rng: np.random.Generator) -> Any:
    """Two known modes in which the ends move out of step, the front hardly in some: what is told of them."""
    t_s = np.arange(120) / 100.0
    modes = tuple(Mode(*(float(one) for one in rng.uniform((1.5, 0.1), (4.0, 0.5)))) for _ in "ab")
    decays = []
    for _ in range(2):
        mixed = free_decay(modes, t_s) @ (rng.normal(size=(4, 2)) * rng.choice([1.0, 0.05, 1e-3], (4, 1)))
        decays.append(
            mixed.T * np.array([[rng.choice([1.0, 1e-3])], [9.0]]) + 0.01 * rng.normal(size=(2, 120))
        )
    return bounce._told(modes, decays, [t_s, t_s])


def _peaks(rng: np.random.Generator) -> Any:
    """Rows of noise with bumps in them: how far these stand out, and from where they are clear of the grain."""
    rate_hz, n = float(rng.choice([60.0, 125.0, 250.0])), int(rng.integers(200, 1500))
    road = rng.normal(size=n) * (1.0 + (rng.random() < 0.5) * np.abs(np.sin(np.arange(n) / 150.0)))
    for at in rng.integers(0, n - 12, int(rng.integers(0, 9))):
        road[at : at + 12] += rng.uniform(2.0, 9.0) * np.sin(2 * np.pi * (np.arange(12) + 0.5) / 12)
    if rng.random() < 0.3:
        road[: n // 3] = 0.0
    out = standing_out(road, rate_hz)
    peaks = peaks_above(out, 1.5, int(rng.integers(2, 30)))
    speed = _with_gap(rng, np.convolve(rng.normal(size=n), np.ones(4), "same"), 0.7)
    heights = np.concatenate((
        3.0 + rng.exponential(rng.choice([0.2, 0.4, 0.9]), int(rng.integers(0, 120))),
        rng.uniform(4.0, 11.0, int(rng.integers(0, 25))),
    ))  # fmt: skip
    block = int(rng.integers(10, 120))
    step = int(rng.choice([1, 2]))
    return [
        out,
        peaks,
        [peaks_above(np.where(np.arange(n) % every, 0.0, road), 0.3, 10) for every in (1, 2, 5, 10)],
        whitened(speed),
        whitened(speed[: int(rng.choice([45, 48, 49, 50, 60]))]),
        _roughness(road, block),
        _roughness(np.zeros(20), 5),
        _stands_out_by(_CommonRoad(road, step, rate_hz), step * peaks),
        clear_from(heights),
        [clear_from(np.array(one)) for one in ([], [3.1], [3.2, 4.1, 6.0], [7.0] * 3)],
        roughness_peak(speed),
        [
            roughness_peak(np.array(one))
            for one in ([np.nan], [1.0, 2.0], [-1.0, 1.0, -2.0, 3.0, -1.0, 2.0, -1.0, 1.0])
        ],
    ]


def _bumps(rng: np.random.Generator) -> Any:
    """Both ends over bumps, the rear later by wheelbase / speed or by nearly that."""
    rate_hz = float(rng.choice([50.0, 100.0, 250.0, 500.0]))
    t_s = np.arange(round(12.0 * rate_hz)) / rate_hz
    speed = _speed(rng, t_s)
    track = _track(rng, len(t_s), rate_hz, speed)
    ends = [
        40.0 + rng.uniform(0.0, 14.0) * _waves(rng, t_s, 0.1, 2.5) + _waves(rng, t_s, 3.0, 20.0) for _ in ENDS
    ]
    bumps = np.sort(rng.integers(0, len(t_s), 14))
    for at in bumps:
        size, lasts_s = rng.uniform(2.0, 15.0), rng.uniform(0.02, 0.1)
        later_s = 1.4 / max(float(np.nan_to_num(speed[at], nan=20.0)), 5.0) + rng.choice([0.0, 0.008, 0.015])
        for wheel, since in ((ends[0], t_s - t_s[at]), (ends[1], t_s - t_s[at] - later_s)):
            wheel += (
                size
                * np.sin(np.pi * np.clip(since / lasts_s, 0.0, 2.0))
                * np.exp(-np.maximum(since, 0) / 0.08)
            )
            wheel += 0.4 * size * np.exp(-((since / 0.05) ** 2)) * rng.random()
    lift = rng.choice([0.0, 0.0, 25.0])
    motion = _motion(rate_hz, *(_with_gap(rng, np.maximum(end - lift, 0.0)) for end in ends))
    found = pairs_at(motion, track, bumps)
    again = _motion(rate_hz, *(_with_gap(rng, 1.1 * motion.ends[end].wheel_travel_mm) for end in ENDS))
    gap = int(rng.integers(len(t_s) // 3, len(t_s) // 2))
    near = gap + np.arange(-round(0.3 * rate_hz), round(0.3 * rate_hz))
    ends[0][gap : gap + 3] = np.nan
    torn = _motion(rate_hz, *ends)
    moved = track.speed_m_s + rng.choice([0.0, 6.0]) * np.sin(t_s * 2.0)
    at = rng.integers(0, len(t_s), 30)
    slow, low = _motion(15.0, *ends), _motion(rate_hz, *(np.maximum(end - 40.0, 0.0) for end in ends))
    return [
        found,
        find_pairs(motion, track),
        find_pairs(slow, track) is None,
        pairs_again(again, track, found),
        [_respond(one, "front", by)[:2] for one, by in ((motion, at), (torn, near))],
        [_fully_extended(one, end, at) for one in (motion, low) for end in ENDS],
        _smoothing(rate_hz),
        find_pairs(replace(motion, ends={"rear": motion.ends["rear"]}), track) is None,
        disturbed_at(replace(track, speed_m_s=moved), at, rate_hz),
        _at_once(rng.integers(0, 5, 40), rng.random(40) < 0.5, np.sort(rng.integers(0, 900, 40)), 20),
        _place(np.where(rng.random(40) < 0.1, np.nan, rng.uniform(0.0, 900.0, 40)), np.arange(40)),
        summarise_pairs(found, t_s > 4.0, track, whole=True),
        found.during(len(t_s) // 4, 3 * len(t_s) // 4),
    ]


def _pairs(rng: np.random.Generator) -> Any:
    """Pairs of bumps at a few places, of which some groups are just too small to tell; and average bumps."""
    n, samples, rate_hz = int(rng.integers(3, 60)), 2000, 250.0
    bump = np.sort(rng.integers(0, samples, n))
    track = _track(rng, samples, rate_hz, np.full(samples, 30.0))
    lag = np.arange(-50, 201) / 250.0
    peaks = rng.choice([100.0, 220.0, 450.0, 900.0]) * rng.uniform(0.4, 1.6, (6, n))
    response = {end: dict(zip(MEASURES, peaks[3 * i : 3 * i + 3], strict=True)) for i, end in enumerate(ENDS)}
    travel = {
        end: rng.uniform(2.0, 20.0, n)[:, None] * _average(rng, lag) + 0.2 * rng.normal(size=(n, len(lag)))
        for end in ENDS
    }
    travel["rear"][0, :3] = np.nan
    pairs = BumpPairs(
        bump, bump + 1, bump + 12, rng.integers(0, int(rng.choice([3, 4, 5, 12, 30])), n), rng.random(n) < 0.3,
        rng.uniform(2.5, 9.0, n), rng.random(n) < 0.7, rng.random(n) < 0.15, rng.uniform(0.2, 1.0, n), response,
        {"front": 6.0, "rear": 9.0}, travel, lag, rng.normal(0.0, 0.004, n),
    )  # fmt: skip
    pairs = replace(pairs, travel_mm={end: rows[pairs.clear] for end, rows in travel.items()})
    selected = (
        np.arange(samples) % int(rng.choice([2, 10**6])) == 0
        if rng.random() < 0.5
        else np.full(samples, True)
    )
    return [
        summarise_pairs(pairs, selected, track, whole=True),
        summarise_pairs(pairs, selected),
        stacked(pairs, pairs.clear),
        [response_measures(lag, scale * _average(rng, lag)) for scale in (12.0, 12.0, 12.0, -5.0)],
        [response_measures(lag, 3.0 * rng.normal(size=len(lag)))],
    ]


def _average(rng: np.random.Generator, lag: FloatArray) -> FloatArray:
    """An average bump: risen, let go, with a second crest in some."""
    hz, zeta = rng.uniform(1.5, 5.0), rng.choice([0.05, 0.2, 0.4, 0.9])
    rise_s, late_s = rng.uniform(0.02, 0.15), rng.choice([-0.06, -0.03, 0.0, 0.05, 0.1])
    since = lag - late_s
    after = np.exp(-2 * np.pi * hz * zeta * np.maximum(since, 0)) * np.cos(
        2 * np.pi * hz * np.maximum(since, 0)
    )
    found = np.where(since < 0, np.clip(1 + since / rise_s, 0, 1), after)
    return found + rng.choice([0.0, 0.5, 0.62, 1.3]) * np.exp(
        -(((lag - rng.uniform(0.03, 0.14)) / 0.012) ** 2)
    )


def _ratios(rng: np.random.Generator) -> Any:
    """Sums of rear over front: few places, one that outweighs all, weights and noise."""
    found = []
    for _ in range(6):
        n = int(rng.integers(1, 30))
        front, rear = rng.uniform(20.0, 400.0, (2, n))
        front[0] *= rng.choice([1.0, 8.0, 40.0, 120.0])
        place = rng.integers(0, int(rng.choice([3, 4, 5, 20])), n)
        noise = None if rng.random() < 0.5 else (8.0, 12.0)
        weight = None if rng.random() < 0.5 else rng.uniform(0.2, 1.0, n)
        found.append(ratio_of_sums(front, rear, place, noise, weight))
    low = np.exp(rng.uniform(-0.35, 0.2, 40))
    words = [
        verdict(Ratio(float(a * b), (float(a), float(a * b * b))))
        for a, b in zip(low, np.exp(rng.uniform(0.0, 0.2, 40)), strict=True)
    ]
    return [found, words, verdict(Ratio(None)), verdict(Ratio(1.0))]


def _speeds(rng: np.random.Generator) -> Any:
    """Speeds of both ends in each direction, about as many samples as are asked for."""
    rate_hz = float(rng.choice([50.0, 125.0, 250.0, 400.0]))
    t_s = np.arange(round(rng.choice([3.4, 6.0, 12.0, 12.0]) * rate_hz)) / rate_hz
    ends = [
        40.0
        + rng.uniform(0.2, 12.0) * _waves(rng, t_s, 0.3, 3.0)
        + rng.uniform(0.0, 2.0) * _waves(rng, t_s, 8.0, 15.0)
        for _ in ENDS
    ]
    motion = _motion(rate_hz, *ends)
    a, b = np.sort(np.abs(rng.normal(size=(2, int(rng.choice([199, 200, 201, 400]))))), axis=1)
    still = _motion(rate_hz, np.full(len(t_s), 9.0), ends[1])
    track = _track(rng, len(t_s), rate_hz, np.full(len(t_s), 30.0))
    track = replace(track, phase=np.where(t_s < 6.1, rng.integers(0, 3), 3))
    return [
        [speed_balance(one, np.arange(len(t_s)) % 7 > 0) for one in (motion, still)],
        quantile_slope(a, 1.3 * b),
        [deming_slope(a[:k], b[:k], variance_ratio=by) for k in (2, 3, 9) for by in (1.0, 3.0)],
        deming_slope(np.array([1.0, 2.0, 3.0]), np.array([5.0, 5.0, 5.0])),
        balance(motion, track, t_s > 0.5, None),
        balance(motion, track, t_s < 0.0, None),
        balance(replace(motion, ends={"front": motion.ends["front"]}), track, t_s > 0.5, None).reason,
    ]


def _chassis(rng: np.random.Generator) -> Any:
    """Pitch and heave of waves in every band, over stretches just long enough or not."""
    rate_hz = float(rng.choice([30.0, 100.0, 200.0]))
    t_s = np.arange(round(rng.choice([4.9, 5.3, 8.0, 13.0, 24.0]) * rate_hz)) / rate_hz
    ends = [
        40.0
        + sum(
            rng.uniform(0.1, 6.0) * _waves(rng, t_s, *band, 3)
            for band in ((0.1, 1.1), (0.9, 4.2), (3.8, 24.0))
        )
        for _ in ENDS
    ]
    motion, use = _motion(rate_hz, *ends), _with_gap(rng, np.ones(len(t_s)), 0.4) == 1.0
    bike = _bike(int(rng.integers(0, 6)))
    if rng.random() < 0.2:
        bike = minimum_bike(bike)
    heights = [np.clip(one[:: len(one) // 40], 0.0, None) for one in ends]
    with patch("telemetry.balance.measure.MOST_STANDS", int(rng.choice([12, 25, 40_000]))):
        moved = geometry_movement(bike, *(_with_gap(rng, 2.5 * one) for one in heights))
    with patch("telemetry.balance.measure.MOST_SEGMENTS", int(rng.choice([3, 600]))):
        spectra = _spectra(*ends, rate_hz)
    return [chassis_motion(motion, use, None), moved, spectra, _spectra(np.arange(9.0), np.arange(9.0), 0.4)]


def _delay(rng: np.random.Generator) -> Any:
    """One road under both wheels, the rear by another multiple of wheelbase / speed or by another time."""
    rate_hz = float(rng.choice([60.0, 125.0, 250.0]))
    t_s = np.arange(round(rng.choice([4.0, 14.0]) * rate_hz)) / rate_hz
    speed = np.maximum(28.0 + rng.choice([2.0, 12.0, 19.0]) * _waves(rng, t_s, 0.05, 0.2), 6.0)
    multiple, lag_s = (
        rng.choice([1.0, 1.0, 0.74, 0.82, 1.3, 1.4, 2.0, -0.3, -1.0]),
        rng.choice([0.0, 0.02, -0.016, 0.03]),
    )
    gone = np.cumsum(speed) / rate_hz
    spread = 0.0 * gone
    for _ in range(25):
        every_m, turned = rng.uniform(2.0, 14.0), rng.uniform(0, 6)
        spread = spread + np.sin(2 * np.pi * gone / every_m + turned)
    under = np.interp(t_s - multiple * 1.4 / speed - (lag_s if multiple == 1.0 else 0.0), t_s, spread)
    noise = rng.choice([0.2, 1.5, 5.0])
    ends = [_with_gap(rng, one + noise * rng.normal(size=len(t_s))) for one in (spread, under)]
    motion, track = _motion(rate_hz, *ends), _track(rng, len(t_s), rate_hz, speed)
    most = {"MOST_SAMPLES": int(rng.choice([500, 1000, 40_000])), "STRETCH_SAMPLES": 120}
    with patch.multiple("telemetry.balance.delay", **most):
        notes = delay_notes(motion, track)
        like = likeness(motion, track, np.array([1.0, 2.0, -0.5]), np.array([0.0, 0.02, -0.05]))
    unknown = replace(track, speed_m_s=np.full(len(t_s), np.nan))
    return [
        [one.message for one in (_late(0.02), _late(-0.011))],
        notes,
        like,
        delay_notes(motion, unknown),
        delay_notes(replace(motion, ends={}), track),
    ]


def _riding(rng: np.random.Generator) -> Any:
    """What the rider does, from whichever channels there are."""
    rate_hz = float(rng.choice([40.0, 100.0, 250.0]))
    n = round(rng.choice([1.0, 12.0, 30.0]) * rate_hz)
    t_s = np.arange(n) / rate_hz
    own_hz = float(rng.choice([1.5, 5.0, 10.0, rate_hz]))
    speed = 30.0 + 8.0 * _waves(rng, t_s, 0.05, 0.5) + rng.choice([0.002, 0.03, 0.3]) * rng.normal(size=n)
    speed = np.interp(t_s, t_s[:: max(1, round(rate_hz / own_hz))], speed[:: max(1, round(rate_hz / own_hz))])
    speed = _with_gap(rng, speed)
    track = _track(rng, n, rate_hz, speed if rng.random() < 0.8 else np.full(n, np.nan))
    turned = np.cumsum(0.4 * _waves(rng, t_s, 0.05, 0.3)) / rate_hz
    if rng.random() < 0.5:
        way = np.nan_to_num(speed, nan=30.0) / rate_hz
        track = replace(track, x_m=np.cumsum(way * np.cos(turned)), y_m=np.cumsum(way * np.sin(turned)))
    channels = {
        "acceleration_m_s2": 4.0 * _waves(rng, t_s, 0.05, 0.5), "lean_deg": 50.0 * _waves(rng, t_s, 0.05, 0.2),
        "brake": np.maximum(_waves(rng, t_s, 0.1, 0.4), 0.0), "throttle_pct": 50.0 + 50.0 * _waves(rng, t_s, 0.1, 0.4),
        "speed_m_s": speed, "latitude_deg": t_s,
    }  # fmt: skip
    kept = {name: values for name, values in channels.items() if rng.random() < 0.6}
    kept |= {name: np.full(n, np.nan) for name in kept if rng.random() < 0.1}
    run = Run("log.csv", t_s, rate_hz, {}, kept, {"speed_m_s": own_hz, "latitude_deg": 7.0}, {}, {})
    ridden = find_riding(track, rate_hz, run)
    bike = _bike(int(rng.integers(0, 6)))
    return [
        ridden,
        find_riding(track, rate_hz),
        bandwidth_hz(np.nan_to_num(speed), rate_hz, own_hz),
        derivative(speed, rate_hz, own_hz),
        loads(ridden, t_s[:: max(1, n // 50)], bike, 0.8),
        road_model(bike),
        road_model(minimum_bike(bike)),
        _at_a_stop(
            {end: 60.0 + 62.0 * _waves(rng, t_s, 0.1, 0.5) for end in ENDS},
            {"front": 125.0, "rear": 120.0},
            rate_hz,
        ),
    ]


def _road(rng: np.random.Generator) -> Any:
    """Windows of both ends, what each says of its road, and where a tyre was lifted."""
    rate_hz, bike = 60.0, _bike(int(rng.integers(0, 6)))
    t_s = np.arange(round(rng.choice([17.0, 30.0, 42.0]) * rate_hz)) / rate_hz
    model = road_model(bike)
    assert not isinstance(model, str)
    ends = [45.0 + 14.0 * _waves(rng, t_s, 0.4, 3.0) + 4.0 * _waves(rng, t_s, 3.0, 15.0) for _ in ENDS]
    motion, track = _motion(rate_hz, *ends), _track(rng, len(t_s), rate_hz, 25.0 + 6.0 * np.sin(t_s / 4.0))
    ridden = find_riding(track, rate_hz)
    with patch("telemetry.balance.road.MOST_WINDOWS", 2):
        cut = list(
            windows(motion, track, model, ridden, None if rng.random() < 0.5 else np.abs(t_s - 19.0) > 0.5)
        )
    grounds = [Ground(model, one) for one in cut]
    unknowns = rng.uniform(0.5, 3.0, 10 + (len(cut[0].free) if cut else 0))
    found = []
    for ground in grounds:
        lifted = ground.lifted(unknowns)
        ground.leave_out_lifted(unknowns)
        found.append([lifted, ground.front, ground.rear, ground.meeting(0.004), ground.unlike(0.004)])
    return [
        cut,
        found,
        [np.asarray(one) for one in equations(grounds, 0.003)],
        _residual_delay_s(grounds, unknowns),
        damping_balance(motion, track, bike),
        damping_balance(motion, track, minimum_bike(bike)).reason,
    ]


def _dampers(rng: np.random.Generator) -> Any:
    """Equations of both dampers, and what follows from their unknowns."""
    blocks = []
    for _ in range(30):
        rows = rng.normal(size=(30, 14)) * np.geomspace(1.0, 30.0, 14)
        rows[:, 0] = rows[:, 1:] @ np.linspace(0.2, 3.0, 13) + rng.uniform(1.0, 20.0) * rng.normal(size=30)
        blocks.append(rows.T @ rows)
    t_s = np.arange(900) / 100.0
    motion = _motion(100.0, *(40.0 + rng.uniform(2.0, 20.0) * _waves(rng, t_s, 0.2, 2.0) for _ in ENDS))
    total = rng.uniform(1.0, 6.0, 12)
    each = total * np.exp(rng.normal(0.0, 0.03, (24, 12)))
    if rng.random() < 0.2:
        each[3, :4] = -9.0
    y = rng.normal(size=7)
    products = np.array(blocks)
    solved = _solve(products, np.full(30, 30.0))
    return [
        solved,
        _without_each(products, solved[1]),
        _explained(products, solved[1], solved[0]),
        damper_parts(rng.uniform(-400.0, 400.0, 40), rng.uniform(1.0, 2.5)),
        _compare(motion, _bike(int(rng.integers(0, 6))), Dampers(total, each, 0.9, 0.002, 7)),
        vertex(np.linspace(-0.3, 0.3, 7), y),
        cubic(y, np.linspace(1.0, 4.9, 12)),
    ]


def _transfer(rng: np.random.Generator) -> Any:
    """Brake and drive, upright and leaned over, in stretches just long enough or not."""
    rate_hz = float(rng.choice([50.0, 100.0]))
    t_s = np.arange(round(40.0 * rate_hz)) / rate_hz
    acceleration = np.clip(9.0 * _waves(rng, t_s, 0.05, 0.3), -11.0, 5.0)
    speed = 35.0 + np.cumsum(acceleration - acceleration.mean()) / rate_hz
    lean = rng.choice([4.0, 15.0, 40.0]) * _waves(rng, t_s, 0.03, 0.15)
    push = np.convolve(acceleration, np.exp(-np.arange(int(rate_hz)) / (0.15 * rate_hz)) / (0.15 * rate_hz))[
        : len(t_s)
    ]
    front = 50.0 - 3.0 * push + 0.004 * speed**2 + rng.choice([0.5, 4.0]) * _waves(rng, t_s, 1.0, 12.0)
    rear = 40.0 + 2.0 * push + 0.003 * speed**2 + rng.choice([0.5, 4.0]) * _waves(rng, t_s, 1.0, 12.0)
    motion = _motion(rate_hz, *(_with_gap(rng, one) for one in (front, rear)))
    track = _track(rng, len(t_s), rate_hz, speed)
    ridden = replace(
        find_riding(track, rate_hz), acceleration_m_s2=acceleration[:: int(rate_hz / 50)],
        lean_deg=lean[:: int(rate_hz / 50)], sources={"acceleration": "speed", "lean": "lean"},
    )  # fmt: skip
    slow = np.interp(np.arange(0.0, 40.0, 0.05), t_s, acceleration)
    travel = np.interp(np.arange(0.0, 40.0, 0.05), t_s, front)
    during = slow < -3.0
    beside = bool(rng.random() < 0.5)
    held = [_held(slow, slow**2, during, width, 20.0, beside=beside) for width in (4, 8, 12)]
    starts = rng.integers(0, 700, int(rng.choice([5, 6, 12])))
    few = _pieces(starts, starts + 15)
    ends, by = np.repeat(rng.integers(0, 799, 5), 2), np.tile([-9.0, 9.0], 5)
    return [
        weight_transfer(motion, track, t_s > 1.0, ridden),
        weight_transfer(motion, track, t_s > 1.0),
        {
            "episodes": [_episodes(slow < -4.0, travel > 5.0, slow, travel, rate) for rate in (2.0, 20.0)],
            "returns": _releases(travel, ends, by, 20.0),
            "means": [_running_mean(travel[:k], width) for k in (4, 5, 40) for width in (3, 4, 5)],
            "held": held,
            "gains": [one.gain(travel) for one in held],
            "steady": _steady_gains((travel, -travel, slow), slow, slow**2, (during, ~during), 20.0),
            "ridden": _ridden_gain(travel, slow, few),
            "together": _gain(travel[few.rows], [slow[few.rows], 2.0 * slow[few.rows]], few),
        },
    ]


def _light(rng: np.random.Generator) -> Any:
    """Ends near full extension, under brake and drive, with and without masses."""
    rate_hz, bike = float(rng.choice([50.0, 100.0, 200.0])), _bike(int(rng.integers(0, 6)))
    t_s = np.arange(round(16.0 * rate_hz)) / rate_hz
    front, rear = (np.maximum(rng.uniform(4.0, 22.0) + 16.0 * _waves(rng, t_s, 0.2, 1.0), 0.0) for _ in ENDS)
    acceleration = np.clip(7.0 * _waves(rng, t_s, 0.05, 0.6), -10.0, 5.0)
    track = _track(rng, len(t_s), rate_hz, 30.0 + np.cumsum(acceleration - acceleration.mean()) / rate_hz)
    ridden = replace(
        find_riding(track, rate_hz), acceleration_m_s2=acceleration[:: max(1, int(rate_hz / 50))]
    )
    motion = _motion(rate_hz, _with_gap(rng, front), _with_gap(rng, rear))
    less = bike if rng.random() < 0.5 else minimum_bike(bike)
    if rng.random() < 0.2:
        less = bike.model_copy(update={"front": bike.front.model_copy(update={"preload_mm": None})})
    if rng.random() < 0.2:
        motion = replace(motion, ends={"rear": motion.ends["rear"]})
    return [
        light_wheels(motion, track, less, ridden, t_s > 1.0),
        [_joined(np.repeat(rng.random(60) < 0.5, int(rng.integers(1, 12))), 40.0) for _ in range(3)],
        [_under(np.array([by])) for by in (-4.0, -2.5, 0.0, 1.2, 2.0)],
    ]


def _zones(rng: np.random.Generator) -> Any:
    """Corners met on few laps, for longer or shorter than is asked for."""
    rate_hz, n = 20.0, 1200
    lap = np.arange(n) // int(rng.choice([250, 300, 420]))
    corner = (np.arange(n) % 300) // 60
    push = 5.0 * _waves(rng, np.arange(n) / rate_hz, 0.1, 0.8)
    speed = 30.0 + 5.0 * _waves(rng, np.arange(n) / rate_hz, 0.02, 0.1)
    travel = _with_gap(rng, 40.0 + 2.5 * push + 0.01 * speed**2 + rng.normal(size=n))
    upright, pushed = rng.random(n) < 0.9, push > rng.choice([1.0, 4.0])
    return [
        zone_gains("dive", travel, push, speed, upright, pushed, corner, lap, rate_hz),
        zone_gains("squat", travel, push, np.full(n, 30.0), upright, pushed, corner, lap, rate_hz),
        zone_left(travel, pushed, corner, lap, rate_hz),
    ]
