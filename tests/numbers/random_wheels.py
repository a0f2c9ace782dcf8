"""Wheels that ring on random roads, with dampers that fail or fade: what the search for lost damping says of them."""

from contextlib import nullcontext
from typing import Any
from unittest.mock import patch

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.balance import (
    balance,
    bounce_test,
    delay_notes,
    find_pairs,
    find_riding,
    light_wheels,
)
from telemetry.bike import leverage_curve
from telemetry.damping import detector_model, find_oscillation
from telemetry.damping.detect import assess
from telemetry.damping.detector_model import DetectorModel, fit_detector_model
from telemetry.damping.evidence import estimate
from telemetry.damping.questions import (
    checks,
    decay_ratio,
    evidence_where_sound,
    line_over_lost,
    place_check,
    slow_speed,
    speed_check,
    swing_by_place,
)
from telemetry.laps import Track, find_track
from telemetry.motion import Motion, to_motion
from telemetry.signals import Run
from tests.randomised.bikes import random_bike

LAP_S, STEP_M = 18.0, 0.04


def damping_at_random(seed: int) -> Any:
    """The answer for three short laps."""
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([100.0, 200.0, 250.0], p=[0.2, 0.6, 0.2]))
    t_s = np.arange(round((0.4 + rng.choice([1.2, 3.0, 3.0])) * LAP_S * rate_hz)) / rate_hz
    speed = 32.0 + 12.0 * np.sin(2 * np.pi * t_s / LAP_S) + rng.uniform(-4, 4)
    gone = np.cumsum(speed) / rate_hz
    bike = random_bike(int(rng.integers(0, 6)))
    road = _road(rng, gone[-1], float(rng.choice([0.6, 1.0, 2.0])))
    hop_hz = float(rng.uniform(12.5, 18.0))
    late_s = float(rng.choice([0.0, 0.0, 0.012])) + rng.choice([0.0, 3e-4]) * t_s
    travel = {}
    for end, behind_m in (("front", 0.0), ("rear", bike.wheelbase_mm / 1e3)):
        under = np.interp(gone - behind_m, STEP_M * np.arange(len(road)), road)
        wheel = _rung(under, _ratio(rng, t_s), hop_hz, rate_hz)
        if end == "front":
            wheel = np.interp(t_s - late_s, t_s, wheel)
        body = 6.0 * np.sin(2 * np.pi * 0.4 * t_s) + 2.0 * np.sin(2 * np.pi * 2.1 * t_s)
        travel[end] = leverage_curve(bike, end).shaft_travel_mm(45.0 + body + wheel)
        travel[end] += rng.choice([0.01, 0.05]) * rng.standard_normal(len(t_s))
    if rng.random() < 0.3:
        travel["rear"] += 0.15 * np.sin(2 * np.pi * rng.uniform(12.0, 20.0) * t_s)
    if rng.random() < 0.3:  # a tyre out of round
        travel["rear"] += 0.2 * np.sin(gone / 0.32)
    for end in ENDS:
        at = int(rng.integers(0, len(t_s)))
        travel[end][at : at + int(rng.integers(1, 200))] = np.nan
    if rng.random() < 0.12:
        del travel["front"]
    channels = {"speed_m_s": speed, "lap": np.floor(t_s / LAP_S + 0.6)}
    if rng.random() < 0.12:
        del channels["speed_m_s"]
    noise = dict.fromkeys(travel, 0.03)
    run = Run("log.csv", t_s, rate_hz, travel, channels, dict.fromkeys(channels, rate_hz), noise, noise)
    motion, track = to_motion(run, bike), find_track(run)
    # two clocks that run apart are looked for over minutes; here over as much of a minute
    shorter = {"FROM_S": 14.0, "AGAIN_S": 10.0, "LEAST_S": 8.0} if seed % 2 else {}
    with patch.multiple(detector_model, **shorter) if shorter else nullcontext():
        model = fit_detector_model(motion, track, bike)
    moving, ridden = t_s > 2.0, find_riding(track, rate_hz, run)
    balanced = [
        balance(motion, track, moving, find_pairs(motion, track), bike, t_s < t_s[-1] - 5.0, ridden),
        delay_notes(motion, track),
        light_wheels(motion, track, bike, ridden, moving),
    ]
    if model is None:
        return [balanced, find_oscillation(motion, track, bike)]
    return [balanced, assess(model, motion, track, bike), _asked(rng, model, motion, track)]


def pushes_at_random(seed: int) -> Any:
    """A bounce test of a motorcycle that stands: pushes of both ends, even and uneven, deep and shallow."""
    rng = np.random.default_rng(seed)
    bike = random_bike(int(rng.integers(0, 6)))
    rate_hz = float(rng.choice([100.0, 200.0]))
    t_s = np.arange(round(16.0 * rate_hz)) / rate_hz
    travel = {}
    starts = 1.5 + 3.4 * np.arange(int(rng.choice([2, 4, 4, 4]))) + rng.choice([0.0, 0.4]) * rng.random()
    for end in ENDS:
        hz, ratio = rng.uniform(1.8, 2.8), rng.choice([0.1, 0.25, 0.45, 0.8, 1.2])
        wheel = np.full(len(t_s), 32.0)
        for start in starts:
            if rng.random() < 0.1:
                continue
            pressed_s = rng.uniform(0.2, 0.5)
            depth = rng.choice([5.0, 18.0, 30.0], p=[0.1, 0.5, 0.4]) * rng.uniform(0.8, 1.2)
            push = np.clip((t_s - start) / pressed_s, 0.0, 1.0)
            wheel += depth * 0.5 * (1 - np.cos(np.pi * push)) * (t_s < start + pressed_s)
            wheel += np.where(
                t_s >= start + pressed_s, depth * _let_go(t_s - start - pressed_s, hz, ratio), 0.0
            )
        travel[end] = leverage_curve(bike, end).shaft_travel_mm(wheel) + 0.02 * rng.standard_normal(len(t_s))
    noise = dict.fromkeys(travel, 0.02)
    return bounce_test(
        to_motion(Run("push.csv", t_s, rate_hz, travel, {}, {}, noise, noise), bike), bike.name
    )


def _let_go(t_s: FloatArray, hz: float, ratio: float) -> FloatArray:
    """Free decay of one mode from rest at 1: S. S. Rao, Mechanical Vibrations, 5th ed., section 2.6."""
    w = 2 * np.pi * hz
    root = np.sqrt(complex(ratio**2 - 1.0)) * w
    since = np.maximum(t_s, 0.0)
    grown = np.cosh(root * since) + ratio * w / root * np.sinh(root * since)
    return np.real(np.exp(-ratio * w * since) * grown)


def _asked(rng: np.random.Generator, model: DetectorModel, motion: Motion, track: Track) -> Any:
    """What the questions give for stretches anywhere, and for those in which the wheel swings most."""
    equation = model.equation
    slow, by_place = slow_speed(model, motion), swing_by_place(model, motion, track)
    found = []
    for k in range(8):
        length = round(rng.uniform(0.4, 3.0) / equation.step_s)
        first = int(rng.integers(0, len(equation.t_s) - length))
        if k % 2:
            first = min(
                max(int(np.argmax(np.abs(equation.own[2]) * (rng.random() < 0.9))) - length // 3, 0), first
            )
        inside = slice(first, first + length)
        start_s, end_s = float(equation.t_s[first]), float(equation.t_s[inside.stop - 1])
        there = [] if by_place is None else place_check(by_place, "rear", start_s, end_s)
        around = [] if by_place is None else [
            by_place.beyond_place(start_s, end_s),
            by_place.on_every_lap(start_s, end_s),
            by_place.over_on_other_laps(start_s, end_s),
        ]  # fmt: skip
        found.append(
            [
                checks(model, model.predicted, inside, float(rng.choice([0.3, 0.099]))),
                line_over_lost(model, model.predicted, inside),
                decay_ratio(equation, inside, 15.0),
                speed_check(
                    model,
                    slow,
                    inside,
                    estimate(equation, inside, model.fitted, model.hop).damping_ratio_ci95[1],
                ),
                evidence_where_sound(model, inside, float(rng.choice([0.1, 0.2, 0.4]))),
                estimate(equation, inside, model.reference, model.hop),
                there,
                around,
            ]
        )
    return found


def _road(rng: np.random.Generator, length_m: float, roughness: float) -> FloatArray:
    """Height over the way, so that its slope is white, with some rough stretches. [mm]"""
    n = int(length_m / STEP_M) + 2
    slope = roughness * rng.standard_normal(n)
    for _ in range(4):
        at = int(rng.integers(0, n))
        slope[at : at + int(30 / STEP_M)] *= rng.uniform(0.3, 3.0)
    height = np.cumsum(slope)
    wide = round(8.0 / STEP_M)
    return height - np.convolve(height, np.ones(wide) / wide, mode="same")


def _ratio(rng: np.random.Generator, t_s: FloatArray) -> FloatArray:
    """Damping ratio over time: sound, lost now and then, or fading."""
    ratio = np.full(len(t_s), rng.uniform(0.25, 0.45)) * np.exp(rng.choice([0.0, 0.0, -0.008]) * t_s)
    for _ in range(rng.integers(0, 5)):
        at, seconds = rng.uniform(0, t_s[-1]), rng.choice([0.4, 0.8, 1.5, 3.0])
        ratio[(t_s > at) & (t_s < at + seconds)] = rng.choice([0.03, 0.08, 0.16])
    return ratio


def _rung(road: FloatArray, ratio: FloatArray, hop_hz: float, rate_hz: float) -> FloatArray:
    """A mass on spring and damper over the road: x'' + 2 z w x' + w2 x = w2 road, by steps too short to matter. [mm]"""
    parts, w = 2, 2 * np.pi * hop_hz
    step = 1.0 / rate_hz / parts
    fine = np.interp(np.arange(len(road) * parts) / parts, np.arange(len(road)), road).tolist()
    damping = np.repeat(2 * w * ratio, parts).tolist()
    x = v = 0.0
    found = []
    for height, c in zip(fine, damping, strict=True):
        v += step * (w * w * (height - x) - c * v)
        x += step * v
        found.append(x)
    return np.array(found[::parts])
