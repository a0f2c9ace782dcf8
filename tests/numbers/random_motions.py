"""Motions of both ends drawn at random: stops, packing, gaps and still stretches about the limits of what is found."""

from typing import Any

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.bike import Bike, damper_use, stroke_mm
from telemetry.laps import PHASES
from telemetry.motion import (
    at_places,
    find_packing,
    find_stops,
    find_sums,
    frequencies,
    lap_places,
    stop_notes,
    summarise_end,
    to_motion,
    use_by_place,
)
from telemetry.signals import Run
from tests.randomised.bikes import random_bike


def motion_at_random(seed: int) -> Any:
    """What motion, stops and use of travel give for a few seconds of riding."""
    rng = np.random.default_rng(seed)
    rate_hz = float(
        rng.choice([2.5, 50.0, 100.0, 200.0, 499.0, 1000.0], p=[0.05, 0.15, 0.2, 0.35, 0.15, 0.1])
    )
    t_s = np.arange(round(rng.uniform(4.0, 12.0) * rate_hz)) / rate_hz
    bike = _less_known(rng, random_bike(int(rng.integers(0, 4))))
    travel = {
        end: _travel(rng, t_s, 122.0 if np.isnan(stroke_mm(bike, end)) else stroke_mm(bike, end))
        for end in ENDS
        if end == "rear" or rng.random() < 0.93
    }
    noise = {end: float(rng.choice([0.0, 0.03, 0.2])) for end in travel}
    run = Run("log.csv", t_s, rate_hz, travel, {}, {}, noise, dict.fromkeys(travel, 0.0))
    motion = to_motion(run, bike)
    moving = t_s > rng.uniform(0.0, 1.0)
    speed = 40.0 + rng.choice([0.0, 1.0, 5.0]) * t_s + rng.choice([0.0, 1.0, 3.0]) * np.sin(t_s)
    stops = tuple(stop for end in motion.ends.values() for stop in find_stops(end, t_s, moving))
    corner = np.round(2.0 + 2.0 * np.sin(0.9 * t_s)).astype(np.int64)
    phase = np.floor(t_s * 1.3).astype(np.int64) % 6 - 1
    third = len(t_s) // 3
    laps = [slice(0, third), slice(third, 2 * third), slice(2 * third, len(t_s))][: int(rng.integers(1, 4))]
    whole = [(t_s[lap][0], t_s[lap][-1]) for lap in laps]
    at, once = (
        at_places(
            motion,
            some,
            moving,
            corner,
            phase,
            PHASES,
            find_sums(motion, (moving, corner, phase), some),
            [
                {end: summarise_end(one.during(lap), moving[lap], ()) for end, one in motion.ends.items()}
                for lap in some
            ],
        )
        for some in (laps, [slice(0, len(t_s))])
    )
    dampers = {end: bike.end(end).damper for end in motion.ends}
    return {
        "motion": motion,
        "stops": stops,
        "notes": stop_notes(stops, rate_hz),
        "packing": find_packing(motion, moving, np.where(t_s > 11.5, np.nan, speed)),
        "frequencies": frequencies(motion, moving, bike),
        "ends": {end: summarise_end(one, moving, stops) for end, one in motion.ends.items()},
        "places": {end: use_by_place(one, at, range(len(laps))) for end, one in motion.ends.items()},
        "lap": lap_places(once, bike)[0],
        "dampers": {
            end: damper_use(damper, motion.ends[end].shaft_speed_mm_s, rate_hz, 80.0, whole)
            for end, damper in dampers.items()
            if damper is not None
        },
    }


def _less_known(rng: np.random.Generator, bike: Bike) -> Bike:
    """Some of the bikes lack masses, strokes or dampers, or have a short leverage table."""
    front, rear = bike.front, bike.rear
    open_base, open_fork, open_stroke = rng.random(3) < (0.15, 0.15, 0.1)
    if open_base or open_fork or open_stroke or rng.random() < 0.1:  # masses say nothing without them
        bike = bike.model_copy(update={"chassis": None})
    if open_base:
        bike = bike.model_copy(update={"wheelbase_mm": None})
    if open_fork:
        front = front.model_copy(update={"stroke_mm": None, "rake_deg": None})
    if rng.random() < 0.3:
        rear = rear.model_copy(update={"leverage_table_mm": rear.leverage_table_mm[:-2]})
    if open_stroke:
        rear = rear.model_copy(update={"shock_stroke_mm": None})
    return bike.model_copy(update={"front": front, "rear": rear})


def _travel(rng: np.random.Generator, t_s: FloatArray, stroke_mm: float) -> FloatArray:
    """Body motion, bumps in a row, and blows on both stops."""
    body = rng.choice([0.0, 0.01, 0.1])
    share = (
        0.3
        + body * np.sin(2 * np.pi * rng.uniform(0.5, 3) * t_s)
        + rng.choice([0.003, 0.02]) * np.sin(2 * np.pi * 14 * t_s)
    )
    travel = share * stroke_mm + rng.choice([0.02, 0.4]) * rng.standard_normal(len(t_s))
    for _ in range(rng.integers(0, 4)):  # to a stop, as deep as counts or a little less
        at, width_s = rng.uniform(0, t_s[-1]), rng.choice([0.006, 0.03, 0.2])
        level = (stroke_mm if rng.random() < 0.6 else 0.0) + rng.uniform(-2.5, 1.5)
        blow = np.exp(-(np.abs((t_s - at) / width_s) ** rng.choice([1, 2, 4])))
        travel += (level - travel) * blow
    if rng.random() < 0.6:  # a run of bumps in which it sinks
        start, every = rng.uniform(0.6, 3.0), rng.uniform(0.15, 0.45)
        sink, depth = rng.uniform(2.0, 22.0), rng.uniform(4.0, 20.0)
        for bump in range(rng.integers(3, 9)):
            since = (t_s - start - bump * every) / every
            quick = rng.uniform(0.1, 0.45)
            here = (since >= 0) & (since < 1)
            shape = np.where(since < quick, since / quick, 1 - (since - quick) / (1 - quick))
            travel = np.where(here, 0.3 * stroke_mm + min(1.0, bump / 2) * sink + depth * shape, travel)
    if rng.random() < 0.5:
        at = int(rng.integers(0, len(t_s)))
        travel[at : at + int(rng.integers(1, 60))] = np.nan
    return travel
