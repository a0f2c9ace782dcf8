"""Stretches, laps and limits drawn at random about where the answer on lost damping changes."""

from typing import Any

import numpy as np

from telemetry.arrays import ENDS
from telemetry.damping import (
    DamperCourse,
    LapDamping,
    OscillationEvent,
    clearest,
    gather,
    limit_sentence,
)
from telemetry.damping.course import (
    damper_course,
    find_change,
    find_fall,
    least_fall_pct,
    level_state,
    without_leaks,
)
from telemetry.damping.detector_model import find_tone
from telemetry.damping.evidence import (
    FrontFilter,
    Pole,
    Swing,
    Windows,
    best_run,
    found_mode,
    hop_near,
    joined,
    over_threshold,
    stopped_by_bounds,
    swing_evidence,
    swing_over,
    take_out,
    usual_swing,
)
from telemetry.damping.hop import WheelHop
from telemetry.damping.judge import _clearly, confidence
from telemetry.damping.verdict import DetectionLimit, verdict, with_levels
from telemetry.laps import Lap

LAP_M, LAP_S = 3000.0, 80.0


def answer_at_random(seed: int) -> Any:
    """The answer over a few stretches, and the course of both dampers over the laps."""
    rng = np.random.default_rng(seed)
    laps = tuple(Lap(k, LAP_S * k, LAP_S * (k + 1), LAP_M, bool(rng.random() > 0.1)) for k in range(1, 7))
    events = _events(rng)
    ends_m = [None if e.distance_m is None else e.distance_m + 50.0 * (e.end_s - e.start_s) for e in events]
    if rng.random() < 0.2:
        ends_m = []
    for_line = [] if rng.random() < 0.5 else [float(rng.normal(-1.0, 2.0)) for _ in events]
    limits = tuple(
        DetectionLimit(ratio, float(rng.choice([0.75, 1.25, 2.0])) if rng.random() < 0.8 else None, 0.2,
                       float(rng.uniform(0.9, 1.0)))
        for ratio in (0.05, 0.08, 0.12)[: rng.integers(0, 4)]
    )  # fmt: skip
    levelled = with_levels(events, limits, laps, ends_m, for_line)
    poles = {end: _pole(rng) for end in ENDS}
    hop = WheelHop(from_bike=bool(rng.random() < 0.5))
    by_lap = {end: _by_lap(rng) for end in ENDS}
    change = without_leaks({end: find_change(here) for end, here in by_lap.items()})
    course: dict[str, DamperCourse] = {
        end: damper_course(
            by_lap[end],
            poles[end].damping_ratio,
            end,
            level_state(poles[end], poles[end].damping_ratio, hop),
            knows_road=bool(rng.random() < 0.8),
            change=change[end],
        )
        for end in ENDS
    }
    nothing = np.empty(0)
    fitted = FrontFilter(poles["rear"], nothing, nothing, nothing, 0.5, 321.0)
    missing = str(rng.choice(["", "", "", "front travel"]))
    unexplained = int(rng.choice([0, 0, 1, 2]))
    share = float(rng.choice([1.0, 0.96, 0.9, 0.45]))
    return {
        "levels": levelled,
        "places": [gather(levelled, LAP_M), clearest(levelled, LAP_M), gather(levelled, None)],
        "verdict": verdict(fitted, missing, levelled, unexplained, limits, course["rear"], share),
        "limits": limit_sentence(limits),
        "course": course,
        "falls": [[find_fall(here), find_change(here), least_fall_pct(here)] for here in by_lap.values()],
        "poles": [[found_mode(p, hop), hop_near(p, hop), stopped_by_bounds(p, hop)] for p in poles.values()],
        "sure": [(confidence(over, 1.0), _clearly(over)) for over in rng.uniform(0.0, 9.0, 4)],
        "swing": _swung(rng),
        "tone": _tone(rng),
        "taken out": take_out(_products(rng), float(rng.choice([0.0, 0.1, 10.0]))),
    }


def _events(rng: np.random.Generator) -> tuple[OscillationEvent, ...]:
    """Ridges at one point of every lap, and losses here and there."""
    found = []
    ridge_m = rng.uniform(0.0, LAP_M)
    n_ridges = int(rng.choice([0, 2, 3, 4]))
    for k in range(n_ridges + int(rng.integers(0, 4))):
        ridge = k < n_ridges
        at_m = ridge_m + rng.uniform(-12.0, 12.0) if ridge else rng.uniform(0.0, LAP_M)
        lap = k + 1 if ridge else int(rng.integers(1, 7))
        long_s = rng.uniform(0.5, 0.55) if ridge else rng.choice([0.55, 0.7, 1.15, 1.3, 2.2])
        start_s = LAP_S * lap + at_m / LAP_M * LAP_S
        ratio = float(rng.choice([0.04, 0.07, 0.1, 0.2]))
        found.append(
            OscillationEvent(
                start_s,
                start_s + float(long_s),
                lap,
                None if rng.random() < 0.1 else float(at_m % LAP_M),
                int(rng.integers(1, 5)) if rng.random() < 0.5 else None,
                str(rng.choice(["mid-corner", "drive"])),
                float(rng.uniform(13.0, 16.0)),
                ratio,
                (0.7 * ratio, 1.5 * ratio),
                float(rng.uniform(0.5, 3.0)),
                0.4,
                float(rng.choice([0.5, 0.75, 0.9, 0.96, 0.99])),
                "",
            )
        )
    return tuple(found)


def _pole(rng: np.random.Generator) -> Pole:
    hz, damping = (
        float(rng.choice([8.0, 10.1, 14.0, 17.0, 22.0])),
        float(rng.choice([0.0201, 0.3, 0.9, 1.69])),
    )
    return Pole(hz, damping, 1.1 * hz, float(rng.choice([0.08, 0.12, 0.15, 0.2, 0.35, 0.82])), 0.0)


def _by_lap(rng: np.random.Generator) -> tuple[LapDamping, ...]:
    """Laps of a damper that is steady, falls, falls and recovers, or rises."""
    n = int(rng.integers(2, 12))
    place = np.linspace(0.0, 1.0, n)
    shape = [np.zeros(n), -place, -np.sin(np.pi * place), place, np.minimum(0.0, 0.4 - place)][
        rng.integers(0, 5)
    ]
    ratios = 0.32 * np.exp(
        rng.choice([0.06, 0.15, 0.3, 0.7]) * shape + rng.choice([0.01, 0.04]) * rng.normal(size=n)
    )
    return tuple(
        LapDamping(k, None, None)
        if rng.random() < 0.06
        else LapDamping(
            k,
            float(r),
            (0.9 * float(r), 1.1 * float(r)),
            float(rng.uniform(0.01, 0.05)) if rng.random() < 0.7 else None,
        )
        for k, r in enumerate(ratios, start=1)
    )


def _swung(rng: np.random.Generator) -> Any:
    """Blocks in which a wheel swings further than its road, and the windows over a threshold."""
    n = int(rng.integers(1, 60))
    road = np.exp(rng.normal(0.0, 1.0, n))
    own = road * np.exp(rng.normal(0.0, 0.3, n))
    own[n // 2 : n // 2 + 4] *= rng.uniform(2.0, 8.0)
    swing, blocks = Swing(own, road), int(rng.integers(1, 7))
    usual = usual_swing(swing, rng.random(n) > 0.1, blocks)
    over = swing_over(swing, usual, blocks)
    evidence = swing_evidence(over, usual.scatter)
    found = over_threshold((Windows(blocks, evidence, 0.5), Windows(blocks + 1, evidence[1:], 1.5)), 0.3)
    return [usual, over, evidence, found, joined(found), best_run(own - 1.5 * road)]


def _tone(rng: np.random.Generator) -> Any:
    """A tone in noise, as strong as is noticed, in a signal with gaps."""
    t_s = 0.01 * np.arange(int(rng.uniform(25.0, 60.0) * 100))
    signal = rng.normal(size=len(t_s)) + _size(rng) * np.sin(2 * np.pi * rng.uniform(5.0, 38.0) * t_s)
    usable = np.ones(len(t_s), dtype=bool)
    usable[1000 : 1000 + int(rng.integers(1, 300))] = False
    line = find_tone(signal, usable, 0.01)
    return None if line is None else line.without_line(signal[None])


def _size(rng: np.random.Generator) -> float:
    return float(0.2 * 3.0 ** rng.uniform(-1.0, 1.0))


def _products(rng: np.random.Generator) -> np.ndarray:
    signals = rng.normal(size=(9, 40))
    signals[:5] += 0.5 * signals[5:6]
    return np.asarray(signals @ signals.T / 40)
