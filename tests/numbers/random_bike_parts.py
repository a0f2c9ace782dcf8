"""The parts that a bike file is read and reckoned by, each on small inputs drawn at random, with slips of the pen."""

import tomllib
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from pydantic import ValidationError

from telemetry.bike import bike_modes, load_bike, solve_linkage
from telemetry.bike.bikefile import (
    LEFT_OPEN,
    LEFT_OUT,
    Answer,
    Bike,
    left_open,
    new_bike_text,
    shaft_sensor,
    swingarm_sensor_length_mm,
    value_at,
    why_no_key,
)
from telemetry.bike.dampers import damper_force_n, damper_use
from telemetry.bike.dyno import dyno_clicks, dyno_force_n, fitted_sides, read_dyno
from telemetry.bike.ends import Damper, Rear, _on_another_arm, _shifted, rear_end, table_mistake
from telemetry.bike.geometry import attitude, load_of, pitch_deg, sprung_loads_n, squat, trail_mm, upper_run
from telemetry.bike.leverage import LeverageCurve, build_mechanism, fit_leverage
from telemetry.bike.sections import (
    RANGES,
    AirColumn,
    BumpStop,
    Chain,
    Load,
    MeasuredAt,
    Range,
    SpringParts,
    Swingarm,
    TopOut,
    implausible,
    read_bench_table,
    slip,
)
from telemetry.bike.springs import (
    ShaftSpring,
    SpringEnd,
    beyond_limit,
    half_vehicle,
    modes,
    quarter_vehicle,
    unit_hint,
)
from telemetry.errors import BothEndsError
from tests.bike.rear_linkages import LINKAGES, STROKE_MM, SWINGARM
from tests.randomised.bikes import random_bike

STAND = Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml"
KEYS = (
    "front.stroke_mm", "rear.prelod_mm", "front.tyre_circumference_mm", "rear.sensor.table", "front.damper.dyno_file",
    "rear.linkage.rod", "rear.leverage_tabel_mm", "wheelbase", "name", "front", "x.y.z", "adjusters.front.min",
    "chassis.rider.mass_kg", "rear.mount_insert.positions.offset_mm", "rear.table",
)  # fmt: skip
BENCH = (
    "signal,mm\n0.5,0\n2.5,60\n", "# bench\n0,5;0\n2,5;60,5\n", "0.5\t0\n\n1.5\t30\n2.5\t60\n", "0.5,0\n", "", "a,b\n",
    "0.5,0\noops\n2.5,60\n", '"0.5","0"\n"2.5","60",\n', "0.5,0,1\n2.5,60,2\n", "\ufeffsignal;mm\n0,5;0;;\n2,5;60;;\n",
    "0.5,0\n#2,3\n,;\n2.5,60\n",
)  # fmt: skip
DYNO = (
    "clicks,speed_mm_s,force_n\n8,50,100\n8,-50,-150\n", "\ufeffclicks,speed_mm_s,force_n\n8,50,100\n",
    "clicks,speed_mm_s\n8,50\n", "clicks,speed_mm_s,force_n\n8,50,x\n", "clicks,speed_mm_s,force_n\n8,50\n", "",
    "force_n,clicks,speed_mm_s\n100,8,50\n",
)  # fmt: skip


def _tried(what: Callable[[], Any]) -> Any:
    try:
        return what()
    except (ValueError, BothEndsError) as error:
        return str(error.errors()[0]["msg"] if isinstance(error, ValidationError) else error)


@cache
def _stand_bike() -> Bike:
    return load_bike(STAND)


@cache
def _stand_keys() -> dict[str, Any]:
    return tomllib.loads(STAND.read_text(encoding="utf-8"))


def parts_of_bikes_at_random(seed: int) -> Any:
    """What each of the parts gives."""
    rng = np.random.default_rng(seed)
    return {
        "dampers": _dampers(rng),
        "dyno": _dyno(rng),
        "leverage": _leverage(rng),
        "linkage": _linkage(rng),
        "fit": _fit(rng) if seed % 3 == 0 else None,
        "rear": _rear(rng),
        "springs": _springs(rng),
        "geometry": _geometry(rng),
        "words": _words(rng),
        "files": _files(rng) if seed % 8 == 0 else None,
    }


def _rows(rng: np.random.Generator) -> list[list[float]]:
    """Rows of a dynamometer, at times too few of a side or of one sign too many."""
    speeds = np.concatenate([-np.geomspace(15.0, 400.0, 5), np.geomspace(12.0, 450.0, 5)])
    rows = [
        [float(clicks), float(v), float((900.0 - 22.0 * clicks) * np.tanh(v / 130.0) + 1.5 * v)]
        for clicks in rng.choice([4, 9, 15, 20], int(rng.integers(1, 4)), replace=False)
        for v in speeds
    ]
    if rng.random() < 0.3:  # one setting on one side only
        one, side = rows[0][0], rng.choice([-1.0, 1.0])
        rows = [row for row in rows if row[0] != one or row[1] * side > 0] + [
            [7.0, -v, -f] for _, v, f in rows[:5]
        ]
    for _ in range(int(rng.choice([0, 0, 1, 2]))):
        del rows[int(rng.integers(0, len(rows)))]
    if rng.random() < 0.1:
        rows[0][2] *= -1.0
    if rng.random() < 0.1:
        rows = [row for row in rows if row[1] > 0]
    return rows


def _dampers(rng: np.random.Generator) -> Any:
    """Force and work of both kinds of damper, over laps that begin between two samples."""
    low, high, knee = rng.uniform(2.0, 9.0, 2), rng.uniform(0.5, 2.0, 2), rng.uniform(40.0, 200.0, 2)
    sides = [
        {"low_n_s_per_mm": float(a), "high_n_s_per_mm": float(b), "knee_mm_s": float(c)}
        for a, b, c in zip(low, high, knee, strict=True)
    ]
    given: dict[str, Any] = {"compression": sides[0], "rebound": sides[1], "friction_n": 15.0}
    if rng.random() < 0.3:
        given = {"dyno": _rows(rng), "friction_n": 12.0, "compression_clicks": 9.0, "rebound_clicks": 12.0}
    rate_hz, n = float(rng.choice([3.0, 100.0])), int(rng.integers(1, 120))
    speed = rng.uniform(20.0, 300.0) * rng.normal(size=n)
    speed[rng.random(n) < 0.2] = rng.choice([0.0, np.nan, 100.0, -100.0])
    laps = [(0.0, 10.0 / rate_hz), (10.0 / rate_hz, 25.5 / rate_hz), (30.0 / rate_hz, 90.0 / rate_hz)]
    damper = _tried(lambda: Damper(**given))
    if isinstance(damper, str):
        return damper
    return _tried(
        lambda: [
            damper,
            damper_force_n(np.nan_to_num(speed), damper),
            damper_use(damper, speed, rate_hz, 100.0, laps),
            damper_use(damper, np.full(3, np.nan), rate_hz, 100.0, laps),
            damper_use(damper, np.zeros(3), rate_hz, 100.0, laps),
        ]
    )


def _dyno(rng: np.random.Generator) -> Any:
    rows = tuple((c, v, f) for c, v, f in _rows(rng))
    clicks = [
        None if rng.random() < 0.3 else float(rng.choice([3.0, 4.0, 9.0, 11.0, 18.0, 21.0])) for _ in "ab"
    ]
    speed = np.array([-600.0, -400.0, -100.0, -5.0, 0.0, 3.0, 90.0, 449.0, 700.0])
    fitted = _tried(lambda: fitted_sides([list(row) for row in rows], *clicks))
    if not any(row[1] < 0 for row in rows):
        return fitted
    return [
        fitted,
        _tried(lambda: dyno_clicks(rows, *clicks)),
        _tried(lambda: dyno_force_n(rows, speed, clicks[0] or 9.0, clicks[1] or 15.0)),
        _tried(lambda: fitted_sides([[1.0, 2.0]], None, None)),
    ]


def _leverage(rng: np.random.Generator) -> Any:
    """Curves within, at and beyond their ends; longer and shorter shocks; other swingarms."""
    n = int(rng.integers(2, 9))
    shaft = np.cumsum(rng.uniform(6.0, 14.0, n)) - 10.0 * (rng.random() < 0.8)
    shaft -= shaft[0] * (rng.random() < 0.7)
    wheel = np.cumsum(np.concatenate(([0.0], np.diff(shaft) * rng.uniform(1.4, 2.2, n - 1))))
    slopes = tuple(rng.uniform(1.5, 2.1, n).tolist()) if rng.random() < 0.4 else None
    part = (float(shaft[0] + 2.0), float(shaft[-1] - 3.0)) if rng.random() < 0.4 else None
    curve = LeverageCurve(tuple(shaft.tolist()), tuple(wheel.tolist()), slopes, part)
    at = np.concatenate((rng.uniform(shaft[0] - 9.0, shaft[-1] + 9.0, 24), [shaft[0], shaft[-1], np.nan]))
    length = float(rng.uniform(480.0, 620.0))
    arm = np.array([-0.97 * length, -0.2 * length])
    stroke = float(shaft[-1] + rng.choice([-4.0, 0.0, 6.0]))
    from_zero = LeverageCurve(tuple((shaft - shaft[0]).tolist()), curve.wheel_mm, slopes)
    return [
        curve.wheel_travel_mm(at),
        curve.ratio(at),
        curve.trusted(at),
        curve.shaft_travel_mm(1.7 * at),
        [curve.ratio_slope_per_mm(float(one)) for one in (shaft[0], shaft[0] + 0.1, shaft.mean(), shaft[-1])],
        [_shifted(base, by, stroke) for base in (curve, from_zero) for by in (-4.0, 0.0, 5.0)],
        _on_another_arm(from_zero, arm + 5.0, np.array([5.0, 5.0]), arm, arm + rng.uniform(-12.0, 12.0, 2)),
    ]


def _linkage(rng: np.random.Generator) -> Any:
    """Linkages with their points moved a little, at times far or onto one another."""
    found = []
    for linkage in LINKAGES.values():
        data = linkage.model_dump()
        points = [key for key, value in data.items() if isinstance(value, tuple)]
        for key in points:
            data[key] = tuple(float(one) for one in np.add(data[key], rng.uniform(-4.0, 4.0, 2)))
        if rng.random() < 0.4:
            key, other = rng.choice(points, 2)
            moved = rng.choice([0.0, 0.8, 1.2]) if rng.random() < 0.5 else rng.uniform(-150.0, 150.0, 2)
            data[str(key)] = tuple(float(one) for one in np.add(data[str(other)], moved))
        swingarm = Swingarm(pivot_mm=(rng.uniform(-2, 2), rng.uniform(-2, 2)), axle_mm=SWINGARM.axle_mm)
        shifts = {
            str(key): (float(rng.uniform(-4, 4)), float(rng.uniform(-4, 4)))
            for key in rng.choice([*points, "pivot_mm", "axle_mm"], 2)
        }
        length = rng.choice([-9.0, 0.0, 4.0, 30.0, 400.0], p=[0.2, 0.3, 0.3, 0.1, 0.1])
        stroke = STROKE_MM * rng.choice([0.6, 1.0, 2.0, 4.0], p=[0.3, 0.4, 0.15, 0.15])

        made = type(linkage)(**data)
        found.append(_tried(partial(_solved, made, swingarm, shifts, float(length), float(stroke))))
    return found


def _solved(linkage: Any, swingarm: Swingarm, shifts: Any, longer_mm: float, stroke_mm: float) -> Any:
    mechanism = build_mechanism(swingarm, linkage, shifts)
    now = float(mechanism.shock_at(np.zeros(1))[0][0])
    solution = solve_linkage(mechanism, stroke_mm, shock_length_mm=now + longer_mm, positions=9)
    pushed = mechanism.rod_push(solution.turn_rad) if mechanism.rod_far is not None else None
    return [solution, pushed, solve_linkage(mechanism, 0.8 * stroke_mm, positions=np.array([0.0, 7.5]))]


def _fit(rng: np.random.Generator) -> Any:
    """Measured points of a leverage, some too few or short of the stroke."""
    n = int(rng.choice([4, 5, 5, 6, 9, 15]))
    shaft = np.sort(rng.uniform(0.0, 62.0, n))
    shaft[0], shaft[-1] = rng.choice([0.0, 3.0, 7.0], p=[0.7, 0.2, 0.1]), rng.choice([60.0, 58.0, 56.0, 64.0])
    wheel = 2.0 * shaft - rng.choice([0.002, 0.006, 0.04], p=[0.5, 0.45, 0.05]) * shaft**2
    wheel += rng.choice([0.05, 0.4]) * rng.normal(size=n) + 0.7
    points = tuple((float(a), float(b)) for a, b in zip(shaft, wheel, strict=True))
    return [_tried(lambda: fit_leverage(points, 60.0)), _tried(lambda: fit_leverage(((5.0, 1.0),) * 6, 60.0))]


def _rear(rng: np.random.Generator) -> Any:
    """Rear ends of a table, with and without swingarm, as the table was measured or changed since."""
    n = int(rng.integers(2, 8))
    shaft = np.linspace(0.0, rng.choice([24.0, 29.0, 31.0, 60.0, 64.0], p=[0.1, 0.1, 0.2, 0.3, 0.3]), n)
    shaft = shaft + rng.choice([0.0, 0.4, 0.7, 4.0, 6.0], p=[0.5, 0.2, 0.2, 0.05, 0.05])
    wheel = shaft * rng.choice(
        [0.5, 0.88, 1.0, 1.8, 2.0, 5.5, 7.0], p=[0.05, 0.05, 0.1, 0.35, 0.35, 0.05, 0.05]
    )
    if rng.random() < 0.15:
        wheel[-1] = wheel[-2]
    if rng.random() < 0.15:
        shaft[1] = shaft[0]
    if rng.random() < 0.1:
        shaft, wheel = 0.014 * shaft, 0.014 * wheel
    data: dict[str, Any] = {
        "leverage_table_mm": np.column_stack((shaft, wheel)).tolist(),
        "shock_stroke_mm": 60.0,
    }
    if rng.random() < 0.6:
        far = ((-566.0, -122.0), (-566.0, -122.0), (-230.0, -520.0), (-210.0, 460.0))[int(rng.integers(0, 4))]
        data["swingarm"] = {"pivot_mm": (0.0, 0.0), "axle_mm": far}
    if rng.random() < 0.4:
        data["eccentric"] = {
            "moves": rng.choice(["axle_mm", "axle_mm", "pivot_mm"]),
            "radius_mm": 6.0,
            "angle_deg": 40.0,
        }
    data["axle_back_mm"] = float(rng.choice([0.0, 0.0, 6.0]))
    data["shock_length_mm"] = 332.0
    if rng.random() < 0.1:
        del data["shock_stroke_mm"]
    then = MeasuredAt(
        shock_length_mm=float(332.0 + rng.choice([0.0, 0.0, -3.0, 4.0])),
        axle_back_mm=None if rng.random() < 0.5 else 3.0,
        eccentric_deg=None if rng.random() < 0.5 else 10.0,
    )

    def made() -> Any:
        rear = rear_end(Rear(**data), then)
        return [rear, [[rear.axle_mm(at), rear.axle_slope(at)] for at in (0.0, 20.0, 50.0)]]

    pairs = tuple(
        (float(a), float(b)) for a, b in rng.uniform(0.0, 1.5, (2, 2)) * rng.choice([0.4, 1.0, 40.0])
    )
    return [
        _tried(made),
        table_mistake(pairs),
        table_mistake(tuple((b, a) for a, b in pairs)),
        table_mistake(()),
    ]


def _springs(rng: np.random.Generator) -> Any:
    """Springs with each part that may act beside the coil, and modes of what stands on them."""
    parts = SpringParts(
        gas_force_n=float(rng.choice([0.0, 150.0])),
        air=AirColumn(
            oil_level_mm=float(rng.uniform(80.0, 140.0)), bore_mm=38.0, displacing_mm=rng.choice([None, 43.0]),
            legs=int(rng.choice([1, 2])), pressure_bar=float(rng.choice([0.0, 0.7])), exponent=1.3,
        ) if rng.random() < 0.6 else None,
        top_out=TopOut(length_mm=12.0, rate_n_per_mm=20.0) if rng.random() < 0.6 else None,
        bump_stop=BumpStop(length_mm=30.0, force_n=900.0, power=float(rng.choice([1.0, 2.0, 2.6])))
        if rng.random() < 0.6 else None,
        **({"second_rate_n_per_mm": 25.0, "second_from_mm": 40.0} if rng.random() < 0.5 else {}),
    )  # fmt: skip
    spring = ShaftSpring(float(rng.uniform(8.0, 30.0)), 10.0, 125.0, parts)
    at = (0.0, 5.0, 12.0, 29.9, 30.0, 31.0, 70.0, 94.0, 96.0, 120.0)
    ends = [SpringEnd(*(float(one) for one in rng.uniform(0.7, 1.4, 5) * np.array(mean))) for mean in
            ((15.0, 2e4, 1.7e5, 600.0, 150.0), (20.0, 2.4e4, 1.8e5, 3000.0, 200.0))]  # fmt: skip
    bike = _stand_bike() if rng.random() < 0.5 else random_bike(int(rng.integers(0, 3)))
    factor = float(np.exp(rng.uniform(-4.5, 4.5)))
    rear = bike.rear.model_copy(
        update={"spring_rate_n_per_mm": (bike.rear.spring_rate_n_per_mm or 1.0) * factor}
    )
    odd = bike.model_copy(update={"rear": rear, "chassis": bike.chassis if rng.random() < 0.5 else None})
    scales = {
        "front_damper_scale": float(rng.choice([0.0, 0.5])),
        "rear_damper_scale": float(rng.choice([0.3, 1.0])),
    }
    stand_key = next(iter(_stand_bike().adjusters))
    return [
        [[spring.force_n(one), spring.rate_n_per_mm(one)] for one in at],
        [quarter_vehicle(110.0, end) for end in ends],
        [
            [modes(quarter_vehicle(110.0, end)) for end in ends],
            modes(half_vehicle(200.0, 26.0, 0.72, 0.69, *ends)),
        ],
        _tried(lambda: bike_modes(bike, **scales)),
        unit_hint(odd, "rear"),
        [beyond_limit(_stand_bike(), stand_key, float(one)) for one in np.linspace(-5.0, 45.0, 26)],
    ]


def _geometry(rng: np.random.Generator) -> Any:
    """Attitudes, loads and squat lines of motorcycles with other tyres, heights and chains."""
    data = {key: dict(value) if isinstance(value, dict) else value for key, value in _stand_keys().items()}
    data["front"]["fork_height_mm"] = float(rng.uniform(0.0, 12.0))
    data["front"]["tyre_radius_mm"] = float(rng.uniform(285.0, 310.0))
    data["chassis"]["com_to_rear_axle_mm"] = float(rng.uniform(600.0, 800.0))
    for end in ("front", "rear"):
        data[end].pop("damper", None)
    data["measured_at"] = {"fork_height_mm": 5.0, "fork_offset_mm": 27.0, "rear_tyre_radius_mm": 318.0}
    for key in ("tyre_radius_mm", "fork_offset_mm"):
        if rng.random() < 0.15:
            data["front"].pop(key, None)
    if rng.random() < 0.15:
        del data["rear"]["tyre_radius_mm"]

    def made() -> Any:
        bike = Bike.model_validate(data)
        standing = attitude(bike, *(float(one) for one in rng.uniform(0.0, 60.0, 2)))
        given = [load_of(bike, name) for name in ("free", "static", "rider")]  # type: ignore[arg-type]
        beyond = Load(
            mass_kg=200.0, com_to_rear_axle_mm=float(rng.choice([-40.0, 1450.0])), com_height_mm=600.0
        )
        return [
            standing,
            squat(bike, standing, 610.0),
            given,
            [_tried(lambda one=one: sprung_loads_n(bike, one, standing)) for one in (*given, beyond) if one],
            swingarm_sensor_length_mm(bike, (-90.0, 140.0), (-300.0, -65.0), np.array([0.0, 20.0, 60.0])),
        ]

    far = np.sort(rng.uniform(215.0, 330.0, int(rng.choice([2, 3, 4, 6]))))
    mounts = {"frame_mm": (-100.0, 150.0), "swingarm_mm": (-330.0, -55.0)}
    signals = np.sort(rng.uniform(0.2, 4.0, len(far)))[:: int(rng.choice([-1, 1]))]
    turning = dict(
        data["rear"], sensor={"channel": "s", "points": np.column_stack((signals, far)).tolist(), **mounts}
    )
    if rng.random() < 0.5:
        for key in ("linkage", "mount_insert", "shock_stroke_mm"):
            turning.pop(key, None)
        turning["leverage_table_mm"] = [[0.0, 0.0], [12.0, 24.0], [60.0, 110.0]]
    if rng.random() < 0.2:
        del turning["sensor"]["swingarm_mm"]
    chassis = None if rng.random() < 0.5 else data["chassis"]

    chain = Chain(
        front_sprocket_mm=(80.0, 20.0),
        front_teeth=int(rng.integers(14, 18)),
        rear_teeth=int(rng.integers(38, 48)),
    )
    return [
        _tried(made),
        _tried(
            lambda: (
                shaft_sensor(Bike.model_validate({**data, "rear": turning, "chassis": chassis})).rear.sensor
            )
        ),
        pitch_deg(rng.uniform(0, 120, 5), rng.uniform(0, 120, 5), 1400.0),
        trail_mm(300.0, float(rng.uniform(20.0, 30.0)), float(rng.uniform(20.0, 40.0))),
        upper_run(chain, rng.uniform(-600.0, -500.0, 2), np.array([80.0, 20.0])),
    ]


def _words(rng: np.random.Generator) -> Any:
    """What is said of keys and of numbers about their limits."""
    found: list[Any] = []
    for key in rng.choice(list(RANGES), 6):
        limits = RANGES[str(key)]
        name = str(key).rpartition(".")[2]
        for limit in (limits.low, limits.high):
            for factor in (0.999, 1.0, 1.001, float(rng.choice([1e-3, 0.1, 1 / 25.4, 9.8, 25.4, 1e3]))):
                found.append([implausible(name, limit * factor), slip(name, limit * factor, limits)])
    between = Range(*np.sort(rng.uniform(-5.0, 50.0, 2)), "mm")
    return [
        found,
        between.middle,
        [why_no_key(str(key)) for key in rng.choice(KEYS, 5)],
        [value_at(_stand_bike(), key) for key in ("rear.preload_mm", "rear.preload_mm.x", "front.none")],
    ]


def _files(rng: np.random.Generator) -> Any:
    """Tables beside a bike file, and files to fill in."""
    keys = ("front.stroke_mm", "rear.sensor", "front.sensor", "chassis", "rear.damper.id", "rear.sensor.zero",
            "front.sensor.points", "rear.leverage_points_mm", "name", "channels.speed", "channels.rate_hz")  # fmt: skip
    answers = {
        str(key): (Answer("12.5"), Answer("3", "as logged"), LEFT_OUT, LEFT_OPEN)[int(rng.integers(0, 4))]
        for key in rng.choice(keys, 6, replace=False)
    }
    text = new_bike_text(answers)
    found: list[Any] = [text, left_open(text)]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        for texts, read in ((BENCH, read_bench_table), (DYNO, read_dyno)):
            for content in texts:
                path.write_text(content, encoding="utf-8")
                found.append(_tried(lambda read=read: read(path)))
            path.write_bytes(b"\xff\xfe\x00bad")
            found.append(_tried(lambda read=read: read(path)))
            found.append(_tried(lambda read=read: read(path.with_name("none.csv"))))
        path.write_text(BENCH[0], encoding="utf-8")
        for table, given in (
            ("table.csv", {}),
            ("../table.csv", {}),
            ("table.csv", {"points": [[0.5, 0.0], [2.5, 60.0]]}),
        ):
            bike = STAND.read_text(encoding="utf-8")
            bike = bike.partition("[rear.sensor]")[0] + f'[rear.sensor]\nchannel = "s"\ntable = "{table}"\n' + "".join(
                f"{key} = {value}\n" for key, value in given.items()
            )  # fmt: skip
            (Path(folder) / "bike.toml").write_text(bike, encoding="utf-8")
            for beside in (False, True):
                found.append(
                    _tried(
                        lambda beside=beside: load_bike(Path(folder) / "bike.toml", beside=beside).rear.sensor
                    )
                )
        return [one.replace(folder, "") if isinstance(one, str) else one for one in found]
