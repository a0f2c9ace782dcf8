"""Bike files changed at random: what they say, and the words with which they are refused."""

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.arrays import ENDS
from telemetry.bike import (
    LOADS,
    Attitude,
    Bike,
    attitude,
    bike_modes,
    bike_warnings,
    implausible,
    leverage_curve,
    load_of,
    open_geometry,
    parse_bike,
    rear_end,
    rollout_mm,
    sag_lacks,
    spring_of,
    sprung_loads_n,
    squat,
    stand,
    static_sag,
    wheel_rate_n_per_mm,
    wheel_stroke_mm,
)
from telemetry.bike.geometry import front_axle_mm
from telemetry.bike.sections import RANGES
from telemetry.errors import BothEndsError
from telemetry.stand import apply_changes, least_change, parse_change, steps_words

SHOWS = Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml"
TABLE = [[0.0, 0.0], [10.0, 19.9], [25.0, 48.4], [40.0, 75.5], [55.0, 101.1], [70.0, 125.0]]
# What else a bike file may hold, to be put in by path.
MORE: tuple[tuple[str, Any], ...] = (
    ("front.spring.air", {"oil_level_mm": 120, "bore_mm": 40, "exponent": 1.2, "pressure_bar": 0.5}),
    ("front.spring.air", {"oil_level_mm": 90, "bore_mm": 38, "displacing_mm": 43, "legs": 1}),
    ("front.spring", {"second_rate_n_per_mm": 25.0, "second_from_mm": 60.0}),
    ("rear.spring.gas_force_n", 150.0),
    ("front.speed_split_mm_s", 120.0),
    ("front.tyre_circumference_mm", 1890.0),
    ("rear.leverage_table_mm", TABLE),
    ("rear.leverage_points_mm", [[x, y + 0.1 * (-1) ** i] for i, (x, y) in enumerate(TABLE)]),
    ("rear.eccentric", {"moves": "axle_mm", "radius_mm": 5.0, "angle_deg": -60.0}),
    ("rear.eccentric", {"moves": "pivot_mm", "radius_mm": 4.0, "angle_deg": 30.0}),
    ("rear.chain.pitch_mm", 12.7),
    ("rear.mount_insert.selected", "high"),
    ("rear.axle_back_mm", 8.0),
    ("rear.sensor.measures", "wheel"),
    ("rear.sensor", {"channel": "swing", "points": [[0.5, 250.0], [1.9, 285.0], [3.3, 320.0]],
                     "frame_mm": [-100.0, 150.0], "swingarm_mm": [-330.0, -55.0]}),
    ("rear.sensor", {"channel": "swing", "points": [[0.5, 250.0], [3.3, 280.0]],
                     "frame_mm": [-90.0, 140.0], "swingarm_mm": [-300.0, -65.0]}),
    ("front.sensor", {"channel": ["fork", "F1"], "mm_per_unit": 30.4, "zero": 0.4}),
    ("front.sensor.zero_topped_out", True),
    ("front.sensor.zero_interval_s", [2.0, 6.0]),
    ("measured_at", {"shock_length_mm": 330.0, "axle_back_mm": 2.0, "fork_height_mm": 4.0}),
    ("measured_at", {"mount_insert": "high", "front_tyre_radius_mm": 297.0, "fork_offset_mm": 28.0}),
    ("channels.speed", ["speed", "v"]),
    ("rear.linkage", {"kind": "direct", "shock_frame_mm": [-60.0, 190.0], "shock_swingarm_mm": [-330.0, -15.0]}),
)  # fmt: skip
# What cannot stand in a bike file, or not beside the rest of it.
NOT_SO: tuple[tuple[str, Any], ...] = (
    ("rear.sensor.frame_mm", [-100.0, 150.0]),
    ("rear.sensor.swingarm_mm", [-330.0, -55.0]),
    ("rear.sensor", {"channel": "s", "points": [[0.5, 0.0], [3.3, 70.0]], "measures": "wheel", "frame_mm": [0, 9]}),
    ("rear.sensor", {"channel": "s", "points": [[0.5, 0.0], [3.3, 70.0]], "measures": "wheel", "swingarm_mm": [0, 9]}),
    ("rear.sensor", {"channel": "s", "points": [[0.5, 250.0], [3.3, 320.0]], "frame_mm": [-300, -400],
                     "swingarm_mm": [-330, -55]}),
    ("rear.sensor", {"channel": "s"}),
    ("rear.sensor", {"channel": "s", "mm_per_unit": 0.0, "zero": 1.0}),
    ("rear.sensor", {"channel": "s", "mm_per_unit": 30.0}),
    ("rear.sensor", {"channel": "s", "mm_per_unit": 30.0, "zero_topped_out": True}),
    ("rear.sensor", {"channel": "s", "mm_per_unit": 30.0, "zero_interval_s": [1.0, 3.0]}),
    ("rear.sensor.mm_per_unit", 30.0),
    ("rear.sensor.zero_interval_s", [3.0, 3.0]),
    ("rear.sensor.zero_interval_s", [-1.0, 3.0]),
    ("rear.sensor.supply", "5V"),
    ("rear.sensor.supply_reference", 5.0),
    ("rear.sensor.points", [[0.5, 0.0]]),
    ("front.sensor.channel", " shock"),
    ("front.sensor.channel", ["fork", "shock"]),
    ("front.preload_mm", 80.0),
    ("front.spring.second_from_mm", 60.0),
    ("rear.leverage_table_mm", TABLE),
    ("rear.damper.serviced", "soon"),
    ("rear.mount_insert.selected", "low"),
    ("rear.swingarm.axle_mm", [-0.566, -0.122]),
    ("rear.swingarm.axle_mm", [-1010.0, 0.0]),
    ("rear.linkage.rod", "push"),
    ("rear.shock_length_mm", 355.0),
    ("rear.chain.front_teeth", 7),
    ("chassis.rider.mass_kg", 203.0),
    ("chassis.fuel.mass_kg", 137.0),
)  # fmt: skip
TABLES = (
    [[y, x] for x, y in TABLE],
    [[x, y + 3.0] for x, y in TABLE],
    [[x / 10, y / 10] for x, y in TABLE],
    [[x / 1000, y / 1000] for x, y in TABLE],
    [[x, 0.5 * y / 1.8] for x, y in TABLE],
    [[x, 4.5 * y / 1.8] for x, y in TABLE],
    [[x, x] for x, _ in TABLE],
    TABLE[:3],
    TABLE[2:],
    [*TABLE[:3], TABLE[2], *TABLE[3:]],
)
CHANGES = (
    "rear.shock_length_mm=+3", "rear.shock_length_mm=+9", "rear.preload_mm=-1", "rear.preload_mm=3",
    "front.preload_mm=+2",
    "front.spring_rate_n_per_mm=+5%", "rear.spring_rate_n_per_mm=-5", "front.fork_height_mm=+4", "rear.axle_back_mm=+6",
    "front.fork_offset_mm=28", "rear.mount_insert.selected=high", "rear.mount_insert.selected=low",
    "rear.rebound_clicks=+2", "rear.compression_clicks=-9", "chassis.rider.mass_kg=+8", "chassis.fuel.mass_kg=3",
    "chassis.rider.com_height_mm=-20", "rear.tyre_circumference_mm=+15", "front.tyre_radius_mm=-3", "rear=3",
    "rear.prelod_mm=+1", "rear.preload_mm=", "rear.chain.rear_teeth=+2", "rear.eccentric.angle_deg=+30", "name=+1",
    "front.rebound_clicks=+1",
)  # fmt: skip
BY = (-1.0, 1e-3, 0.1, 0.5, 0.8, 0.9, 0.97, 1.03, 1.1, 1.3, 1.6, 2.5, 9.8, 25.4, 1e3)


def limits_of_keys() -> Any:
    """What is said of numbers about the limits of every key, and far from them."""
    sizes = np.geomspace(1e-4, 1e5, 46)
    return {
        key: [implausible(*_place(key, float(value))) for value in (*sizes, *-sizes, 0.0)] for key in RANGES
    }


def _place(key: str, value: float) -> tuple[str, float, str]:
    section, _, name = key.rpartition(".")
    return (name, value, section) if section in ("front", "rear", "chassis") else (key, value, "")


def changed_in_one_place() -> Any:
    """What is said of the bike file with one key put in or taken out, or with another leverage table."""
    found = {}
    whole = tomllib.loads(SHOWS.read_text(encoding="utf-8"))
    whole["rear"]["damper"] = _damper(np.random.default_rng(2))

    def said(data: dict[str, Any]) -> Any:
        try:
            return parse_bike(data, source="bike.toml")
        except BothEndsError as error:
            return str(error)

    for number, (path, value) in enumerate((*NOT_SO, *MORE)):
        data = deepcopy(whole)
        _put(data, path, deepcopy(value))
        found[f"{number} {path}"] = said(data)
    for section, keys in whole.items():
        for key in keys if isinstance(keys, dict) else ():
            data = deepcopy(whole)
            del data[section][key]
            found[f"without {section} {key}"] = said(data)
    for number, table in enumerate(TABLES):
        data = deepcopy(whole)
        data["rear"] = {k: v for k, v in data["rear"].items() if k not in ("linkage", "mount_insert")}
        found[f"table {number}"] = said({**data, "rear": data["rear"] | {"leverage_table_mm": table}})
    longer = []
    for longer_mm in (-4.0, 4.0):  # the shock was lengthened since the table was measured: it is continued
        data = deepcopy(whole)
        data["rear"] = {k: v for k, v in data["rear"].items() if k not in ("linkage", "mount_insert")}
        data["rear"]["leverage_table_mm"] = TABLE
        data["measured_at"] = {"shock_length_mm": 332.0 - longer_mm}
        rear = rear_end(parse_bike(data).rear, parse_bike(data).measured_at)
        longer.append([rear.curve, rear.extended_axle_mm, rear.extended_by_mm])
    words = {key: value for key, value in found.items() if isinstance(value, str)}
    return [words, [value.rear.sensor for value in found.values() if not isinstance(value, str)], longer]


def bike_at_random(seed: int) -> Any:
    """A bike file with a few numbers, keys and sections changed, and what follows from it."""
    try:
        return _follows(parse_bike(_file(np.random.default_rng(seed)), source="bike.toml"))
    except BothEndsError as error:
        return str(error)


def changes_at_random(seed: int) -> Any:
    """Settings of a bike file changed, and the steps of its adjusters."""
    rng = np.random.default_rng(seed)
    texts = [str(CHANGES[i]) for i in rng.choice(len(CHANGES), int(rng.integers(1, 4)), replace=False)]
    bike = parse_bike(_sound_file(rng), source="bike.toml")
    steps = [
        [least_change(bike, key), *(steps_words(bike, key, by) for by in (-2.0, 0.1, 1.0, 1.6))]
        for key in bike.adjusters
    ]
    try:
        return [texts, steps, apply_changes(bike, [parse_change(text) for text in texts])]
    except BothEndsError as error:
        return [texts, str(error)]


def _sound_file(rng: np.random.Generator) -> dict[str, Any]:
    """The demo bike file, with an axle eccentric, a chain or a shock of another length in some."""
    data = deepcopy(tomllib.loads(SHOWS.read_text(encoding="utf-8")))
    data["rear"]["damper"] = _damper(rng)
    for path, value in MORE:
        if (
            path in ("rear.eccentric", "rear.axle_back_mm", "measured_at", "front.spring.air")
            and rng.random() < 0.3
        ):
            _put(data, path, deepcopy(value))
    data["rear"]["shock_length_mm"] = float(rng.uniform(330.0, 335.0))
    data["chassis"]["com_to_rear_axle_mm"] = float(rng.uniform(660.0, 740.0))
    if rng.random() < 0.3:
        del data["front"]["tyre_rate_n_per_mm"]
    return data


def _file(rng: np.random.Generator) -> dict[str, Any]:
    data = deepcopy(tomllib.loads(SHOWS.read_text(encoding="utf-8")))
    data["rear"]["damper"] = {"low": 1.0} if rng.random() < 0.02 else _damper(rng)
    if rng.random() < 0.4:  # a table in place of the linkage
        for key in ("linkage", "mount_insert"):
            del data["rear"][key]
        data["rear"]["leverage_table_mm"] = TABLE[: int(rng.integers(4, 7))]
    for _ in range(int(rng.choice([0, 1, 2, 3]))):
        path, value = MORE[rng.integers(0, len(MORE))]
        _put(data, path, deepcopy(value))
    _one_of(rng, data["front"], ("tyre_radius_mm", "tyre_circumference_mm"))
    _one_of(rng, data["rear"], ("linkage", "leverage_table_mm", "leverage_points_mm"))
    for _ in range(int(rng.choice([0, 1, 2], p=[0.3, 0.5, 0.2]))):
        numbers = list(_numbers(data))
        within, key = numbers[rng.integers(0, len(numbers))]
        within[key] = float(within[key] * rng.choice(BY))
    if rng.random() < 0.2:
        section = data[rng.choice(["front", "rear", "chassis"])]
        del section[rng.choice(list(section))]
    if rng.random() < 0.05:
        _put(data, rng.choice(["rear.prelod_mm", "front.sensor.chanel", "wheelbse_mm"]), 1.0)
    return data


def _damper(rng: np.random.Generator) -> dict[str, Any]:
    if rng.random() < 0.5:
        sides = {"low_n_s_per_mm": 9.0, "high_n_s_per_mm": 4.0, "knee_mm_s": 90.0}
        return {"friction_n": 15.0, "compression": sides, "rebound": sides | {"low_n_s_per_mm": 14.0}}
    rows = [
        [
            clicks,
            speed,
            float(np.tanh(speed / 120.0) * (900.0 - 30.0 * clicks) + 2.0 * speed + rng.normal(0, 4)),
        ]
        for clicks in (6, 12, 18)
        for speed in (-400, -200, -100, -50, -25, 25, 50, 100, 200, 400)
    ]
    return {"friction_n": 15.0, "dyno": rows}


def _one_of(rng: np.random.Generator, section: dict[str, Any], keys: tuple[str, ...]) -> None:
    """Nearly always only one of the keys that exclude one another."""
    given = [key for key in keys if key in section]
    if len(given) > 1 and rng.random() < 0.95:
        for key in given[:-1]:
            del section[key]


def _put(data: dict[str, Any], path: str, value: Any) -> None:
    *sections, key = path.split(".")
    for section in sections:
        data = data.setdefault(section, {})
    data[key] = value


def _numbers(data: Any) -> Iterator[tuple[Any, Any]]:
    """Every number of the file, as where it stands and its key or place there."""
    for key, value in data.items() if isinstance(data, dict) else enumerate(data):
        if key == "dyno":
            continue
        if isinstance(value, dict | list):
            yield from _numbers(value)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield data, key


def _follows(bike: Bike) -> dict[str, Any]:
    shaft = np.linspace(-3.0, 80.0, 9)

    def tried(what: Any) -> Any:
        try:
            return what()
        except BothEndsError as error:
            return str(error)

    found: dict[str, Any] = {"bike": bike, "warnings": bike_warnings(bike), "open": open_geometry(bike)}
    for end in ENDS:
        curve = leverage_curve(bike, end)
        found[end] = [
            curve.wheel_travel_mm(shaft),
            curve.ratio(shaft),
            curve.trusted(shaft),
            curve.shaft_travel_mm(2.0 * shaft),
            wheel_stroke_mm(bike, end),
            tried(lambda end=end: [spring_of(bike, end).force_n(at) for at in (0.0, 6.0, 30.0, 55.0, 65.0)]),
            tried(lambda end=end: [wheel_rate_n_per_mm(bike, end, at) for at in (1.0, 20.0, 60.0)]),
            bike.end(end).sensor.names("channel") if bike.end(end).sensor else None,
        ]
    found["sag"] = tried(lambda: static_sag(bike))
    found["modes"] = tried(lambda: bike_modes(bike))
    found["lacks"] = sag_lacks(bike)
    rear = rear_end(bike.rear, bike.measured_at)
    found["axle"] = [
        rear.extended_by_mm,
        rear.extended_axle_mm,
        [[rear.axle_mm(at), rear.axle_slope(at)] for at in (0.0, 30.0, 60.0)],
    ]
    for name in LOADS:
        found[name] = tried(lambda name=name: _standing(bike, name))
    found["attitude"] = tried(lambda: _settled(bike, attitude(bike, 20.0, 12.0)))
    return found


def _standing(bike: Bike, name: Any) -> Any:
    load = load_of(bike, name)
    if load is None:
        return None
    there = stand(bike, load)
    return [there, sprung_loads_n(bike, load, there.attitude), squat(bike, there.attitude, 620.0)]


def _settled(bike: Bike, there: Attitude) -> Any:
    return [there, squat(bike, there, 600.0), rollout_mm(bike), front_axle_mm(bike, 10.0)]
