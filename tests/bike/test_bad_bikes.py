"""Bike files that cannot be, or are not what they seem: one line naming the file and the key."""

import numpy as np
import pytest

from telemetry.bike import bike_warnings, leverage_curve, parse_bike, sprung_load_n, stroke_mm
from telemetry.bike.springs import beyond_limit, unit_hint
from telemetry.cli import main
from telemetry.errors import BikeFileError
from telemetry.simulate import demo_bike, second_bike
from tests.bike.stand_bike import STAND_BIKE, stand_bike, stand_bike_data, with_values
from tests.randomised.bikes import random_bike


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("rod_rocker_mm = [-104.9, -85.2]", "rod_rocker_mm = [-104.9, 85.2]", "rear.linkage: links cross"),
        ("rod_rocker_mm = [-104.9, -85.2]", "rod_rocker_mm = [-60.2, -64.0]", "rear.linkage: rocker_pivot_mm and rod"),
        ("shock_stroke_mm = 70", "shock_stroke_mm = 190", "rear.linkage: only "),
        ("shock_length_mm = 332", "shock_length_mm = 232", "rear.linkage: shock_length_mm = 232, but the points"),
        ('rod = "pull"', 'rod = "push"', "rear.linkage: rod = 'push', but with these points the rod is pulled"),
        ("sprung_mass_kg = 212", "sprung_mass_kg = -212", "chassis.sprung_mass_kg = -212 is not between 30 and 600 kg"),
        ("unsprung_mass_kg = 15", "unsprung_mass_kg = -1", "front.unsprung_mass_kg = -1 is not between 3 and 60 kg"),
        ("mass_kg = 76", "mass_kg = -76", "chassis.rider.mass_kg = -76 is not between 0.1 and 600 kg"),
        ("mass_kg = 76", "mass_kg = 276", "chassis: rider and fuel are 285 kg, but sprung_mass_kg"),
        ("pivot_mm = [0, 0]", "pivot_mm = [-566, -122]", "rear.swingarm: pivot_mm and axle_mm are 0 mm apart"),
        ("rod_swingarm_mm = [-192.2, 5.0]", "", "rear.linkage.rod_swingarm_mm: is missing"),
        ('kind = "rocker_on_frame"', 'kind = "cam"', "rear.linkage: Input tag 'cam'"),
        ('selected = "standard"', 'selected = "low"', "rear.mount_insert: selected = 'low' is none of its positions"),
        ('"rear.preload_mm" =', '"rear.preloads" =', "adjusters: 'rear.preloads' is no number of this bike file"),
        ('moves = "shock_frame_mm"', 'moves = "axle"', "rear.mount_insert.moves: Input should be"),
        ("tyre_rate_n_per_mm = 180", "tyre_rate_n_per_mm = 0", "rear.tyre_rate_n_per_mm = 0 is not between 40"),
    ],
)  # fmt: skip
def test_one_line_with_file_and_key_and_exit_code_1(tmp_path, capsys, old, new, message):
    text = STAND_BIKE.read_text()
    assert old in text
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace(old, new))
    (tmp_path / "qb-6-shock-dyno.csv").write_text(STAND_BIKE.with_name("qb-6-shock-dyno.csv").read_text())
    assert main(["stand", str(path)]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith(f"bothends: {path}: {message}"), said


def test_a_table_that_does_not_rise_is_named_by_row():
    data = demo_bike().model_dump(exclude_none=True)
    data["rear"]["leverage_table_mm"] = [[0, 0], [10, 19], [20, 18], [70, 125]]
    with pytest.raises(
        BikeFileError, match=r"b\.toml: rear: leverage_table_mm row 3: \[20, 18\] does not rise"
    ):
        parse_bike(data, source="b.toml")


def test_just_one_description_of_the_leverage():
    with pytest.raises(BikeFileError, match=r"needs only one of .*given: leverage_table_mm, linkage"):
        with_values(rear__leverage_table_mm=[[0.0, 0.0], [70.0, 125.0]])
    with pytest.raises(BikeFileError, match="linkage needs .rear.swingarm. as well"):
        with_values(rear__swingarm=None, rear__chain=None)


@pytest.mark.parametrize("end", ["front", "rear"])
@pytest.mark.parametrize(
    ("factor", "unit"),
    [
        (1 / 9.80665, "kgf/mm"),  # kilograms, as springs are often stamped
        (25.4, "N/in"),
        (25.4 / 4.4482216152605, "lbf/in"),  # 1 lbf = 4.4482216152605 N, exact
    ],
)
def test_a_rate_in_the_wrong_unit_is_refused_with_that_unit(end, factor, unit):
    rate = getattr(stand_bike(), end).spring_rate_n_per_mm
    with pytest.raises(
        BikeFileError, match=rf"{end}\.spring_rate_n_per_mm = .* In {unit}\? Then write {rate:g}\."
    ):
        with_values(**{f"{end}__spring_rate_n_per_mm": rate * factor, "adjusters": None})


@pytest.mark.parametrize(
    ("end", "rate", "factor", "unit"),
    [("rear", 150.0, 1 / 9.80665, "kgf/mm"), ("front", 12.0, 25.4 / 4.4482216152605, "lbf/in")],
)
def test_a_rate_in_the_wrong_unit_that_could_be_another_bikes_is_warned_of(end, rate, factor, unit):
    wrong = with_values(**{f"{end}__spring_rate_n_per_mm": rate * factor, "adjusters": None})
    warned = [words for words in bike_warnings(wrong) if f"{end}.spring_rate" in words]
    assert len(warned) == 1
    assert f"looks like {unit}" in warned[0]
    assert f"in N/mm it would be {rate:.3g}" in warned[0]
    assert warned[0].startswith("bike.toml: ")


# 1 kgf = 9.80665 N, 1 in = 25.4 mm, 1 lbf = 4.4482216152605 N: all exact by definition
@pytest.mark.parametrize("end", ["front", "rear"])
@pytest.mark.parametrize(
    ("factor", "unit", "body_hz"),
    [
        (1 / 9.80665, "kgf/mm", 2.2),
        (25.4, "N/in", 2.2),
        (25.4 / 4.4482216152605, "lbf/in", 2.2),
        (10.0, "N/cm", 2.2),
        (25.4 / 9.80665, "kgf/in", 2.55),  # less than three times too much is seen of a firm spring only
    ],
)
def test_a_unit_is_known_by_the_frequency_it_would_give(end, factor, unit, body_hz):
    # (2 pi f)^2 m of a mass on a spring, at the wheel; along the shaft times the square of the leverage
    bike = stand_bike()
    ratio = leverage_curve(bike, end).ratio_at(0.3 * stroke_mm(bike, end))
    mass_kg = sprung_load_n(bike, end) / 9.80665
    rate = (2 * np.pi * body_hz) ** 2 * mass_kg * ratio**2 / 1e3
    section = bike.end(end)
    right, wrong = (
        bike.model_copy(update={end: section.model_copy(update={"spring_rate_n_per_mm": value})})
        for value in (rate, rate * factor)
    )
    assert unit_hint(right, end) == ""
    times = f"{max(factor, 1 / factor):.2f} too {'high' if factor > 1 else 'low'}"
    said = f"looks like {unit} (a factor {times}); in N/mm it would be {rate:.3g}"
    assert unit_hint(wrong, end) == f"{rate * factor:g} {said}"


def test_a_wrong_unit_is_seen_without_a_chassis_too():
    data = stand_bike_data()
    del data["chassis"], data["adjusters"]
    data["rear"]["spring_rate_n_per_mm"] = 13.0
    assert "looks like kgf/mm" in bike_warnings(parse_bike(data))[0]


def test_usual_springs_are_not_warned_of():
    for bike in (stand_bike(), demo_bike(), second_bike(), *(random_bike(seed) for seed in range(40))):
        assert bike_warnings(bike) == ()


def test_a_length_past_its_limit_is_warned_of_but_read():
    warned = bike_warnings(with_values(rear__shock_length_mm=339.0))
    assert warned == ("bike.toml: rear.shock_length_mm = 339 is past its maximum of 337.",)


@pytest.mark.parametrize(
    ("length_mm", "words"),
    [
        (329.0, ""),
        (337.0, ""),
        (328.9, "rear.shock_length_mm = 328.9 is below its minimum of 329."),
        (337.1, "rear.shock_length_mm = 337.1 is past its maximum of 337."),
    ],
)
def test_a_limit_itself_is_within_it(length_mm, words):
    assert beyond_limit(stand_bike(), "rear.shock_length_mm", length_mm) == words
    assert beyond_limit(stand_bike(), "rear.axle_back_mm", length_mm) == ""  # without limits


def test_sensor_mounts_that_tell_nothing_are_refused():
    sensor = {
        "channel": "s",
        "points": [(0.0, 100.0), (5.0, 200.0)],
        "frame_mm": (0.0, 0.0),
        "swingarm_mm": (-300.0, 0),
    }
    with pytest.raises(BikeFileError, match=r"rear\.sensor: its length does not change"):
        with_values(rear__sensor=sensor)
    with pytest.raises(BikeFileError, match=r"rear\.sensor: frame_mm and swingarm_mm belong together"):
        with_values(rear__sensor={**sensor, "swingarm_mm": None})


def test_numbers_that_are_no_numbers():
    for value in (float("nan"), float("inf"), "far"):
        with pytest.raises(BikeFileError, match="rear.shock_length_mm"):
            with_values(rear__shock_length_mm=value)
    assert np.isfinite(stand_bike().rear.shock_length_mm)


def test_the_demo_bike_at_the_stand_shows_every_key():
    from pydantic import BaseModel

    from telemetry.bike import bikefile, sections

    text = STAND_BIKE.read_text()
    models = {
        value
        for module in (bikefile, sections)
        for value in vars(module).values()
        if isinstance(value, type) and issubclass(value, BaseModel)
    }
    models -= {bikefile.Sensor, bikefile.Channels}  # the log's business, not the stand's
    keys = {name for model in models for name in model.model_fields} - {"source"}
    assert {key for key in keys if key not in text} == set()
