"""Outings drawn at random, with sheets, dampers and circuits, and what two of them show against each other."""

from dataclasses import replace
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.balance import BounceTest, DampingBalance, DirectionBalance, Ratio, SpeedBalance
from telemetry.balance.balance import EndDamping
from telemetry.balance.bounce import BounceDirection, EndPush, Push
from telemetry.bike import DamperUse
from telemetry.damping import DamperCourse, LapDamping, Oscillation
from telemetry.damping.verdict import SpeedDamping
from telemetry.laps import PHASES, Corner
from telemetry.motion import LapPlace
from telemetry.notes import Step
from telemetry.setup import (
    Outing,
    SetupSheet,
    compare,
    compare_bounce,
    compare_damper,
    damper_history,
    parse_sheet,
    repeats,
    sheet_text,
    written,
)
from telemetry.summary import LapSummary, Summary, Traces
from telemetry.summary.results import FittedDamper, LoggedCondition
from tests.setup.made_summaries import balance, end_summary, lap, summary

LAP_M = 4000.0
CORNERS = tuple(
    Corner(k + 1, at - 90.0, at, at + 80.0, side, name)
    for k, (at, side, name) in enumerate(
        [(300.0, 1, "First"), (900.0, -1, ""), (1600.0, 1, ""), (2500.0, 1, ""), (3300.0, -1, "Last")]
    )
)


def outings_at_random(seed: int) -> Any:
    """Two outings compared, with repeats, and their dampers."""
    rng = np.random.default_rng(seed)
    base = rng.normal(size=8)
    made = [_outing(rng, base, number) for number in range(int(rng.choice([2, 3, 5])))]
    (a, sheet_a), (b, sheet_b) = made[:2]
    outings = [Outing(*one) for one in made]
    again = repeats(a, [*outings, outings[0], outings[0]][: len(outings) + int(rng.integers(0, 3))])
    traces = (lambda: _traces(a), lambda: _traces(b)) if rng.random() < 0.8 else None
    end = ENDS[int(rng.integers(0, 2))]
    return {
        "compared": compare(a, b, sheet_a, sheet_b, repeats=again, traces=traces),
        "repeats": [[one.run.source for one in group] for group in again],
        "damper": compare_damper(a, b, end),
        "history": damper_history("QB-R1", [(str(k), "", "", one) for k, (one, _) in enumerate(made)]),
        "bounce": compare_bounce(_pushed(rng, base[0]), _pushed(rng, base[1]), end),
        "sheets": []
        if sheet_a is None
        else [written(sheet_a), sheet_text(sheet_a.model_dump(exclude={"source"}))],
    }


def _outing(rng: np.random.Generator, base: FloatArray, number: int) -> tuple[Summary, SetupSheet | None]:
    shifted = base + rng.choice([0.0, 0.3, 2.0]) * rng.normal(size=8)
    n_laps = int(rng.choice([1, 2, 3, 4, 6, 8], p=[0.05, 0.1, 0.2, 0.25, 0.2, 0.2]))
    rate = rng.choice([40.0, 40.0, 43.0, 60.0])
    length_m = LAP_M * rng.choice([1.0, 1.001, 1.03], p=[0.6, 0.35, 0.05])
    pace = _pace(rng)
    laps, walk = [], np.zeros(8)
    for k in range(n_laps):
        walk = rng.choice([0.0, 0.6]) * walk + 0.5 * rng.normal(size=8)
        laps.append(_lap(rng, k + 1, shifted + walk, pace, float(rate), length_m))
    corners = CORNERS
    if rng.random() < 0.15:
        corners = tuple(replace(one, direction=-one.direction) for one in corners)
    if rng.random() < 0.15:
        corners = tuple(replace(one, apex_m=one.apex_m + 150.0) for one in corners)
    if rng.random() < 0.1:
        corners = ()
    bike_values = {"front.rake_deg": 23.5, "wheelbase_mm": 1410.0, "front.stroke_mm": 125.0}
    bike_values |= {"rear.shock_stroke_mm": 70.0, "rear.preload_mm": float(rng.choice([10.0, 10.0, 12.0]))}
    if rng.random() < 0.2:
        bike_values["front.rebound_clicks"] = float(rng.integers(6, 9))
    laps_damped = _damped(rng, n_laps)
    course = {
        end: DamperCourse(
            str(rng.choice(["steady", "sound", "doubtful"], p=[0.6, 0.3, 0.1])), "", laps_damped, None,
            tuple(SpeedDamping(low, low + 60.0, _damped(rng, n_laps)) for low in (20.0, 80.0)[: rng.integers(0, 3)]),
        )
        for end in ENDS
        if rng.random() < 0.9
    }  # fmt: skip
    verdict = str(rng.choice(["no", "cannot_tell", "yes"], p=[0.8, 0.15, 0.05]))
    made = summary(
        laps,
        source=f"run-{number}.csv",
        bike=str(rng.choice(["QB-6", "QB-6", "QB-6", "QB-7"], p=[0.3, 0.3, 0.3, 0.1])),
        corners=corners,
        ends=dict.fromkeys(ENDS, end_summary(bandwidth_hz=float(rate))),
        bike_values=bike_values,
        oscillation=Oscillation(verdict, "", fade=laps_damped, course=course),
        dampers={"rear": FittedDamper("QB-R1", str(rng.choice(["", "2026-04-20", "2026-05-01"])))},
        damper_work={"rear": DamperUse(90.0, (), 100.0, 10.0, 900.0, float(rng.choice([4e4, np.nan])), ())},
        conditions={
            name: LoggedCondition(float(rng.uniform(20, 60)), str(rng.choice(["degC", "degC", "F"])))
            for name in ("track_temperature", "front_tyre_temperature")
            if rng.random() < 0.5
        },
        history=tuple(
            Step("zero", {"end": end, "topped_out_mm": float(rng.choice([0.0, 0.5, 1.1]))}) for end in ENDS
        ),
    )
    if rng.random() < 0.6:
        ratios = {end: EndDamping(*rng.uniform(0.2, 0.6, 2), *rng.uniform(0.02, 0.1, 2)) for end in ENDS}
        told = DampingBalance(Ratio(1.0), Ratio(1.0), ratios, 0.0, 0.5, 9)
        made = replace(made, balance=replace(made.balance, damping=told))
    if n_laps and rng.random() < 0.1:
        made = replace(made, run=replace(made.run, distance_m=None))
    return made, _sheet(rng)


def _pace(rng: np.random.Generator) -> FloatArray:
    place = (np.arange(100) + 0.5) / 100
    if rng.random() < 0.1:
        place = place[::-1]
    start = rng.choice([0.0, 0.0, 0.01, 0.04])
    swing = rng.choice([0.25, 0.02], p=[0.93, 0.07])
    return (
        1.0
        + swing * np.sin(2 * np.pi * 3 * (place + start))
        + 0.7 * swing * np.sin(2 * np.pi * (place + start))
    )


def _lap(
    rng: np.random.Generator,
    number: int,
    x: FloatArray,
    pace: FloatArray,
    bandwidth_hz: float,
    length_m: float,
) -> LapSummary:
    ends = {
        end: end_summary(
            40 + 2 * x[i],
            80 + 2 * x[i + 1],
            105 + x[i + 2],
            150 + 8 * x[i + 3],
            140 + 8 * x[i + 4],
            bandwidth_hz,
        )
        for i, end in enumerate(ENDS)
    }
    seconds = float(rng.choice([0.9, 0.93, 1.05], p=[0.8, 0.15, 0.05]) * (90 + 0.3 * x[0]) / 0.9)
    steps = pace * (1 + 0.01 * rng.normal(size=len(pace)))
    passing = np.concatenate(([0.0], np.cumsum(steps))) * seconds / steps.sum()
    places = tuple(
        LapPlace(corner, phase, 45 + x[1], 38 + x[2], 0.3 + 0.1 * x[3], 23.0 - 0.05 * x[1],
                 None if corner == 3 else 94.0 + 0.4 * x[4])
        for corner, phase in [(None, None), *((None, one) for one in PHASES[:3]), *((k, None) for k in (1, 2, 3))]
    )  # fmt: skip
    direction = DirectionBalance(1.0 + 0.05 * x[5], 1.0 + 0.04 * x[6], None, None)
    speed = SpeedBalance(direction, direction, 120.0, {"front": 1.0 + 0.03 * x[7], "rear": None})
    ratio = balance(1 + 0.03 * x[5], 1 + 0.03 * x[6], 0.2 + 0.1 * x[7])
    masked = float(rng.choice([0.0, 0.0, 0.04, 0.06]))
    return replace(
        lap(number, time_s=seconds, ends=ends, complete=rng.random() > 0.08, masked=masked),
        distance_m=length_m,
        balance=replace(ratio, speed=speed),
        passing_s=tuple(passing) if rng.random() > 0.05 else (),
        places=places,
        kind=str(rng.choice(["timed", "left out"])),
    )  # fmt: skip


def _damped(rng: np.random.Generator, n: int) -> tuple[LapDamping, ...]:
    level = rng.choice([0.2, 0.24, 0.28, 0.4])
    return tuple(
        LapDamping(k + 1, None if rng.random() < 0.1 else float(level * np.exp(0.08 * rng.normal())), None)
        for k in range(n)
    )


def _sheet(rng: np.random.Generator) -> SetupSheet | None:
    if rng.random() < 0.15:
        return None
    data: dict[str, Any] = {"front": {}, "rear": {}, "name": str(rng.choice(["A", "B"]))}
    keys = (
        ("compression_clicks", 10),
        ("rebound_clicks", 12),
        ("preload_mm", 10),
        ("spring_rate_n_per_mm", 19),
    )
    for end in ENDS:
        for key, value in keys:
            if rng.random() < 0.6:
                data[end][key] = value + (0 if end == "front" else 2) + float(rng.choice([0, 0, 0, 1, -2]))
    if rng.random() < 0.5:
        data |= {"fuel_l": float(rng.choice([4.0, 8.0])), "rider": str(rng.choice(["R1", "R2"]))}
        data["front"] |= {"tyre_pressure_bar": 2.1, "tyre_temperature_c": float(rng.choice([60, 70]))}
        data["rear"] |= {"rider_sag_mm": float(rng.integers(28, 32))}
    return parse_sheet(data, source="sheet.toml")


def _traces(run: Summary) -> Traces:
    rng = np.random.default_rng(len(run.laps))
    t_s = np.arange(0.0, max(one.end_s for one in run.laps) + 5.0, 0.02)
    travel = {
        f"{end}_wheel_mm": 40 + 9 * np.sin(9 * t_s + i) + rng.normal(size=len(t_s))
        for i, end in enumerate(ENDS)
    }
    valid = {f"{end}_valid": (rng.random(len(t_s)) > 0.001) * 1.0 for end in ENDS}
    return Traces({"t_s": t_s, **travel, **valid})


def _pushed(rng: np.random.Generator, level: float) -> BounceTest:
    def end_push() -> EndPush:
        depth = float(rng.uniform(20, 50))
        ratio = float(0.4 * np.exp(0.4 * level + 0.08 * rng.normal()))
        speed = depth * 12.0 * np.exp(-ratio)
        return EndPush(depth, 200.0, speed, 0.3, 0.4, 0.1, 1.0, ratio if rng.random() < 0.8 else None)

    pushes = tuple(
        Push(3.0 * k, {end: end_push() for end in ENDS}, "uneven" if rng.random() < 0.15 else "")
        for k in range(int(rng.integers(2, 7)))
    )
    nothing = BounceDirection(Ratio(None), None, None, "cannot tell")
    reason = "No push was found." if rng.random() < 0.1 else ""
    return BounceTest("push.csv", "QB-6", pushes, {}, nothing, nothing, (), None, (), reason)
