"""Logs, motorcycles and questions whose every number is kept: short, together much of the numerical rooms."""

import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from telemetry.arrays import ENDS
from telemetry.bike import (
    Bike,
    bike_modes,
    bike_warnings,
    build_mechanism,
    leverage_curve,
    load_bike,
    solve_linkage,
    spring_of,
    static_sag,
)
from telemetry.cli.inputs import with_channels
from telemetry.errors import BothEndsError
from telemetry.logs import RawLog, read_log
from telemetry.prediction import predict, prepare
from telemetry.prediction import reach as reach_on_laps
from telemetry.prediction import steps as steps_on_laps
from telemetry.review import Review, measure, pushes_of, review
from telemetry.setup import (
    Outing,
    compare,
    compare_bounce,
    compare_damper,
    damper_history,
    load_sheet,
    repeats,
)
from telemetry.stand import at_stand, check_sags, parse_change
from tests.balance.pushed_log import pushed_log
from tests.benchmarks.distorted.distort import distorted
from tests.benchmarks.distorted.run import ridden
from tests.bike.rear_linkages import LINKAGES, STROKE_MM, SWINGARM
from tests.numbers.random_answers import answer_at_random
from tests.numbers.random_balance import parts_of_balance_at_random
from tests.numbers.random_bike_parts import parts_of_bikes_at_random
from tests.numbers.random_bikes import bike_at_random, changed_in_one_place, changes_at_random, limits_of_keys
from tests.numbers.random_laps import parts_at_random
from tests.numbers.random_logs import parts_of_logs_at_random, run_at_random
from tests.numbers.random_motions import motion_at_random
from tests.numbers.random_outings import outings_at_random
from tests.numbers.random_places import parts_of_places_at_random
from tests.numbers.random_rides import track_at_random
from tests.numbers.random_signals import parts_of_signals_at_random
from tests.numbers.random_wheels import damping_at_random, pushes_at_random
from tests.randomised.bikes import random_bike
from tests.randomised.outings import minimum_bike
from tests.randomised.pushes import HandPush

FIXTURES = Path(__file__).parents[2] / "fixtures"
SPOILT_LOGS, SPOILT_SEED = 12, 7


def _log(name: str) -> RawLog:
    return replace(read_log(FIXTURES / f"{name}.csv.gz"), source=name)


def _bike(name: str) -> Bike:
    bike = load_bike(FIXTURES / f"{name}.toml")
    return bike.model_copy(update={"source": name})


@cache
def _review(log: str, bike: str = "qb-6") -> Review:
    return review(_log(log), _bike(bike))


def _least_known() -> Review:
    """The least bike file, and a front without a sensor."""
    bike = minimum_bike(_bike("qb-6"))
    return review(
        _log("vellmoor-soft-fork"),
        bike.model_copy(update={"front": bike.front.model_copy(update={"sensor": None})}),
    )


def _tone_and_few_fixes() -> Review:
    """A tone on the rear travel, and a position that is rounded and held for a tenth of a second."""
    log = _log("vellmoor-soft-fork")
    t_s, held = log.columns["time"], np.arange(log.n_rows) // 20 * 20
    changed = {"shock": log.columns["shock"] + 0.02 * np.sin(2.0 * np.pi * 31.3 * t_s)}
    changed |= {name: np.round(log.columns[name][held], 5) for name in ("latitude", "longitude")}
    return review(replace(log, columns={**log.columns, **changed}), _bike("qb-6-soft-fork"))


def _another_logger() -> Review:
    log = replace(read_log(FIXTURES / "qb3-semicolon.csv"), source="qb3-semicolon")
    return review(log, _bike("qb-3"))


def _spoilt() -> dict[str, Any]:
    """What is left of logs with several faults at once, and of the words of those that are refused."""
    found: dict[str, Any] = {}
    with TemporaryDirectory() as folder:
        for number in range(SPOILT_LOGS):
            log = distorted(ridden((0, 3)[number % 2], SPOILT_SEED, Path(folder)), random.Random(number))
            path = Path(folder) / "log.csv"
            log.write(path)
            try:
                raw = replace(read_log(path), source="log.csv")
                found[str(number)] = measure(raw, with_channels(_bike("qb-6"), raw, log.given))
            except BothEndsError as error:
                found[str(number)] = str(error).replace(folder, "")
    return found


def _motorcycles() -> dict[str, Any]:
    """Statics, vibration, geometry and springs of motorcycles of every kind, and each linkage over its stroke."""
    found: dict[str, Any] = {
        name: solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM, positions=24)
        for name, linkage in LINKAGES.items()
    }
    bikes = {name: _bike(name) for name in ("qb-3", "qb-6", "qb-6-soft-fork", "qb-6-stand")}
    bikes |= {str(seed): random_bike(seed) for seed in (1, 2)}
    for name, bike in bikes.items():
        curve = leverage_curve(bike, "rear")
        at = np.linspace(0.0, bike.rear.shock_stroke_mm or 60.0, 20)
        found[name] = {
            "bike": bike,
            "doubts": bike_warnings(bike),
            "curve": [curve, curve.wheel_travel_mm(at), curve.ratio(at), curve.shaft_travel_mm(1.7 * at)],
        }
        if bike.chassis is not None:
            springs = [spring_of(bike, end) for end in ENDS]
            found[name] |= {
                "modes": bike_modes(bike),
                "sag": static_sag(bike),
                "springs": [
                    (one.force_n(x), one.rate_n_per_mm(x)) for one in springs for x in (0, 5, 20, 40, 60, 65)
                ],
            }
    return found


def _stand() -> dict[str, Any]:
    bike = _bike("qb-6-stand")
    changes = [
        ["rear.shock_length_mm=+3"],
        ["front.preload_mm=-2", "rear.preload_mm=+1"],
        ["front.spring_rate_n_per_mm=+5%"],
        ["rear.tyre_radius_mm=+4", "rear.mount_insert.selected=high"],
    ]
    found: dict[str, Any] = {
        " ".join(texts): at_stand(bike, [parse_change(text) for text in texts]) for texts in changes
    }
    found["sags"] = at_stand(bike, measured={"front.rider_sag_mm": 44.0, "rear.rider_sag_mm": 24.0})
    found["targets"] = at_stand(bike, targets={"front.rider_sag_mm": 36.0, "rear.rider_sag_mm": 30.0})
    found["springs"] = check_sags(bike)
    return found


def _setups_compared() -> dict[str, Any]:
    """Two outings of the demo compared, with and without sheets and repeats, and their damper over both."""
    before, after = (_review(f"vellmoor-{name}").summary for name in ("before", "after"))
    sheets = [load_sheet(FIXTURES / f"vellmoor-{name}-sheet.toml") for name in ("before", "after")]
    ridden_twice = [Outing(before, sheets[0]), Outing(after, sheets[1]), Outing(after, sheets[1])]
    return {
        "reviews": [before, after],
        "plain": compare(before, after),
        "sheets": compare(before, after, *sheets, repeats=repeats(before, ridden_twice)),
        "damper": compare_damper(before, after, "rear"),
        "front damper": compare_damper(after, before, "front"),
        "history": damper_history("QB-R1", [("1", "first", "", before), ("2", "second", "", after)]),
    }


def _tried() -> dict[str, Any]:
    """Changes tried on the laps of a short log, and the ways to two wishes."""
    bike = _bike("qb-6-stand")
    laps = prepare(measure(_log("vellmoor-soft-fork"), bike), bike)
    changes = [
        ["front.spring_rate_n_per_mm=+1"],
        ["front.preload_mm=+3", "rear.preload_mm=-2"],
        ["rear.rebound_clicks=+2", "rear.compression_clicks=-2"],
    ]
    found: dict[str, Any] = {"values": laps.values}
    for texts in changes:
        result = predict(laps, [parse_change(text) for text in texts], draws=2)
        found[" ".join(texts)] = [result.prediction, result.after]
    found["wish"] = [
        reach_on_laps(laps, "front.travel.left_mm", 12.0),
        reach_on_laps(laps, "balance.speed_ratio.rebound", 1.0),
    ]
    found["steps"] = steps_on_laps(laps)
    return found


def _pushed() -> dict[str, Any]:
    """Two bounce tests of the demo motorcycle, before and after its fork rebound was opened."""
    tests = []
    pushes = [HandPush(at) for at in (1.0, 4.0, 7.0)] + [
        HandPush(10.0, ahead_m=0.4),
        HandPush(13.0, ahead_m=-0.4),
    ]
    with TemporaryDirectory() as folder:
        for clicks in (5, 14):
            log, bike = pushed_log(Path(folder), clicks, pushes)
            tests.append(pushes_of(replace(read_log(log), source="push.csv"), load_bike(bike))[0])
    return {"tests": tests, "compared": [compare_bounce(*tests, end) for end in ENDS]}


# The quick ones first. What is drawn at random meets the limits from both sides.
CASES: dict[str, Callable[[], Any]] = {
    "motorcycles": _motorcycles,
    "limits of keys": limits_of_keys,
    "bike file changed in one place": changed_in_one_place,
    "bike files at random": lambda: [bike_at_random(seed) for seed in range(30)],
    "parts of bikes at random": lambda: [parts_of_bikes_at_random(seed) for seed in range(64)],
    "changes at random": lambda: [changes_at_random(seed) for seed in range(40)],
    "logs at random": lambda: [run_at_random(seed) for seed in range(64)],
    "parts of logs at random": lambda: [parts_of_logs_at_random(seed) for seed in range(80)],
    "parts of signals at random": lambda: [parts_of_signals_at_random(seed) for seed in range(50)],
    "answers at random": lambda: [answer_at_random(seed) for seed in range(60)],
    "outings at random": lambda: [outings_at_random(seed) for seed in range(12)],
    "motions at random": lambda: [motion_at_random(seed) for seed in range(24)],
    "parts of laps at random": lambda: [parts_at_random(seed) for seed in range(20)],
    "parts of places at random": lambda: [parts_of_places_at_random(seed) for seed in range(20)],
    # of rides 2 and 6 the lap length rests on rounding: positions jump about and fit no line
    "rides at random": lambda: [track_at_random(seed) for seed in range(18) if seed not in (2, 6)],
    "parts of balance at random": lambda: [parts_of_balance_at_random(seed) for seed in range(30)],
    "least known": _least_known,
    "another logger": _another_logger,
    "pushes at random": lambda: [pushes_at_random(seed) for seed in range(4)],
    "wheels at random": lambda: [damping_at_random(seed) for seed in range(5)],
    "pushed": _pushed,
    "tone and few fixes": _tone_and_few_fixes,
    "soft fork": lambda: _review("vellmoor-soft-fork", "qb-6-soft-fork"),
    "stand": _stand,
    "lost damping": lambda: _review("vellmoor-lost-damping"),
    "compared": _setups_compared,
    "tried": _tried,
    "spoilt logs": _spoilt,
}
