"""Numbers that cannot be: every one has a range, and a slip of the unit is refused by its name."""

import tomllib
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.bike import load_bike, parse_bike
from telemetry.bike.bikefile import Bike
from telemetry.bike.sections import ANY_NUMBER, RANGES, Section, check_plausible, range_of, slip
from telemetry.cli import main
from telemetry.errors import BikeFileError
from telemetry.setup import SetupSheet

FIXTURES = Path(__file__).parents[2] / "fixtures"
PLAIN = (FIXTURES / "vellmoor-plain.csv", FIXTURES / "qb-6.toml")


def sections(kind):
    """Every section that a type is made of."""
    if isinstance(kind, type) and issubclass(kind, Section):
        yield kind
        for field in kind.model_fields.values():
            yield from sections(field.annotation)
    else:
        for part in get_args(kind):
            yield from sections(part)


def holds_a_real_number(kind):
    return kind is float or any(holds_a_real_number(part) for part in get_args(kind))


@pytest.mark.parametrize("whole", [Bike, SetupSheet])
def test_every_number_has_a_range(whole):
    without = {
        f"{each.__name__}.{name}"
        for each in sections(whole)
        for name, field in each.model_fields.items()
        if holds_a_real_number(field.annotation) and name not in ("points", "dyno", *ANY_NUMBER)
        and range_of(name, each.section) is None
    }  # fmt: skip
    ends_apart = {"_EndSettings.spring_rate_n_per_mm", "_EndSection.spring_rate_n_per_mm"}
    assert without - ends_apart == set()


def changed(**values):
    data = tomllib.loads((FIXTURES / "qb-6.toml").read_text())
    for key, value in values.items():
        *path, name = key.split("__")
        place = data
        for part in path:
            place = place[part]
        place[name] = value
    return data


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        # lengths: 1 m = 1000 mm, 1 cm = 10 mm, 1 in = 25.4 mm, exact
        ("wheelbase_mm", 1.42, "wheelbase_mm = 1.42 is not between 900 and 2000 mm. In metres? Then write 1420."),
        ("wheelbase_mm", 142.0, "In centimetres? Then write 1420."),
        ("wheelbase_mm", 55.5, "In inches? Then write 1410."),
        ("front__stroke_mm", 0.125, "In metres? Then write 125."),
        ("front__rake_deg", 0.4189, "In radians? Then write 24."),
        ("front__rake_deg", 66.0, "From the horizontal? Then write 24."),
        # 1 N/mm = 1000 N/m, exact; 1 kgf = 9.80665 N, exact
        ("rear__spring_rate_n_per_mm", 70000.0, "In N/m? Then write 70."),
        ("front__spring_rate_n_per_mm", 1.94, "In kgf/mm? Then write 19.02."),
        ("rear__tyre_rate_n_per_mm", 180000.0, "In N/m? Then write 180."),
        ("chassis__sprung_mass_kg", 2079.0, "In newtons? Then write 212."),
        ("rear__unsprung_mass_kg", 20000.0, "In grams? Then write 20."),
        ("rear__damper__rebound", {"low_n_s_per_mm": 6800.0, "high_n_s_per_mm": 3.9}, "In N s/m? Then write 6.8."),
        ("front__preload_mm", -12.0, "With the wrong sign? Then write 12."),
        ("rear__leverage_table_mm", [[0.0, 0.0], [70.0, 1250.0]], "leverage_table_mm row 2 = 1250 is not between"),
    ],
)  # fmt: skip
def test_a_slip_is_named(key, value, words):
    with pytest.raises(BikeFileError) as caught:
        parse_bike(changed(**{key: value}), source="mine.toml")
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("key", "limit", "words"),
    [
        ("rear.preload_mm", {"max": 900.0}, "'rear.preload_mm' max = 900 is not between 0 and 80 mm"),
        (
            "front.spring_rate_n_per_mm",
            {"min": 3.0},
            "'front.spring_rate_n_per_mm' min = 3 is not between 5 and 70",
        ),
        (
            "rear.spring.bump_stop.length_mm",
            {"min": 0.1},
            "length_mm' min = 0.1 is not between 0.5 and 200 mm",
        ),
    ],
)
def test_a_limit_of_an_adjuster_has_the_range_of_its_value(key, limit, words):
    with pytest.raises(BikeFileError) as caught:
        parse_bike(changed() | {"adjusters": {key: limit}})
    assert words in str(caught.value)


@given(st.sampled_from(sorted(RANGES)), st.floats(allow_nan=False, allow_infinity=False))
def test_a_slip_leads_back_into_the_range(key, value):
    limits = RANGES[key]
    section, _, name = key.rpartition(".")
    words = slip(name, value, limits)
    if limits.holds(value):
        check_plausible(name, value, section) if "." not in key or section in (
            "front",
            "rear",
            "chassis",
        ) else None
    elif words:
        meant = float(words.rpartition(" ")[2])
        room = 1e-3 * max(abs(limits.low), abs(limits.high))  # it is printed to four digits
        assert limits.low - room <= meant <= limits.high + room


def test_a_wheelbase_in_metres_gives_no_all_clear(tmp_path, capsys):
    # it gave "no sign of loss", exit 0, with 18 true losses in the log
    log, bike = PLAIN
    path = tmp_path / "metres.toml"
    path.write_text(bike.read_text().replace("wheelbase_mm = 1410", "wheelbase_mm = 1.41"))
    for command in (["review", str(log)], ["check", str(log)], ["batch", str(log)]):
        assert main([*command, "--bike", str(path)]) == 1
        out, err = capsys.readouterr()
        assert "loss" not in out
        assert err == (
            f"bothends: {path}: wheelbase_mm = 1.41 is not between 900 and 2000 mm. In metres? Then write 1410.\n"
        )


def test_several_faults_stand_below_each_other(tmp_path, capsys):
    # it was "and 4 more"
    path = tmp_path / "wrong.toml"
    text = PLAIN[1].read_text().replace("wheelbase_mm = 1410", "wheelbase_mm = 1.41")
    text = text.replace("points = [[0.312, 0.0], [1.298, 30.0], [2.284, 60.0], [3.270, 90.0], [4.420, 125.0]]",
                        "mm_per_V = 30")  # fmt: skip
    path.write_text(
        text.replace("shock_stroke_mm = 70", "shock_stroke_mm = 70\nprelaod_mm = 3\nshock_length_mm = 33")
    )
    assert main(["stand", str(path)]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == f"bothends: {path}: 4 things to put right:"
    assert lines[1].startswith("  wheelbase_mm = 1.41 is not between 900 and 2000 mm.")
    assert lines[2].startswith(
        "  front.sensor: needs points = [[signal, mm], ...] from the bench, or zero and mm_per"
    )
    assert lines[3:] == [
        "  rear.shock_length_mm = 33 is not between 100 and 700 mm. In centimetres? Then write 330.",
        "  rear.prelaod_mm: is not a key of a bike file; did you mean preload_mm?",
    ]


def test_a_sensor_as_on_its_data_sheet_is_the_same_sensor(tmp_path):
    # zero and mm/V, as any data sheet gives them, were refused
    sheet = {"channel": "fork", "zero": 0.312, "mm_per_unit": 30.425}
    front = parse_bike(changed(front__sensor=sheet)).front
    (v0, mm0), (v1, mm1) = front.sensor.points
    assert (mm1 - mm0) / (v1 - v0) == pytest.approx(30.425)
    assert mm0 + 30.425 * (0.312 - v0) == pytest.approx(0.0, abs=1e-9)
    assert (mm0 < -50.0) and (mm1 > 350.0)  # no travel lies beyond it, so no bench points are asked for
    short = changed(
        rear__sensor={"channel": "shock", "zero": 0.4, "mm_per_unit": 20.0}, rear__shock_stroke_mm=30
    )
    assert parse_bike(short).rear.sensor.mm_per_unit == 20.0
    again = parse_bike(parse_bike(changed(front__sensor=sheet)).model_dump(exclude_none=True))
    assert again.front == front
    for wrong, words in (
        ({**sheet, "points": [[0.3, 0.0], [4.4, 125.0]]}, "give points or mm_per_unit, not both"),
        ({"channel": "fork", "mm_per_unit": 30.4}, "mm_per_unit needs zero as well"),
        ({**sheet, "mm_per_unit": 0}, "mm_per_unit = 0 makes no travel of any signal"),
        ({**sheet, "mm_per_unit": "much"}, "front.sensor.mm_per_unit: Input should be a valid number"),
    ):
        with pytest.raises(BikeFileError, match=words):
            parse_bike(changed(front__sensor=wrong))


def test_a_leverage_table_with_its_columns_swapped_is_refused():
    # it was accepted: "rear goes down 62 % slower" in place of 28 % faster
    table = [[wheel, shock] for shock, wheel in changed()["rear"]["leverage_table_mm"]]
    with pytest.raises(BikeFileError, match=r"leverage_table_mm: .*columns are probably the other way about"):
        parse_bike(changed(rear__leverage_table_mm=table))


def test_the_leverage_is_that_of_the_stroke_where_it_is_known_and_of_the_whole_table_where_not():
    # 40 mm of wheel travel for 50 mm of the shock is a ratio of 0.8, below the least of 0.9; 70 for 70 mm is 1
    table = [[0, 0], [50, 40], [70, 70]]
    bike = changed(rear__leverage_table_mm=table, rear__shock_stroke_mm=50.0)
    with pytest.raises(BikeFileError, match="the wheel moves 0.80 mm for each mm of the shock"):
        parse_bike(bike)
    del bike["rear"]["shock_stroke_mm"], bike["chassis"]
    assert parse_bike(bike).rear.leverage_table_mm[-1] == (70.0, 70.0)


def test_preload_beyond_the_stroke_is_no_preload():
    with pytest.raises(BikeFileError, match="preload_mm = 75 is more than the 70 mm stroke"):
        parse_bike(changed(rear__preload_mm=75.0))


def test_limits_in_adjusters_are_plausible_too():
    with pytest.raises(BikeFileError, match="'rear.preload_mm' max = 2000 is not between 0 and 80 mm"):
        parse_bike({**changed(), "adjusters": {"rear.preload_mm": {"min": 4, "max": 2000}}})


def test_clicks_have_one_key_and_the_old_one_is_understood():
    # the setup sheet's own key was "not a key of a bike file"
    stand = load_bike(FIXTURES / "qb-6-stand.toml")
    text = (FIXTURES / "qb-6-stand.toml").read_text()
    data = tomllib.loads(text)
    del data["rear"]["rebound_clicks"], data["rear"]["damper"]["dyno_file"]
    data["rear"]["damper"] |= {"dyno": stand.rear.damper.dyno, "rebound_clicks": 12}
    data["adjusters"] = {
        key.replace(".rebound_clicks", ".damper.rebound_clicks"): value
        for key, value in data["adjusters"].items()
    }
    old = parse_bike(data, source=stand.source)
    assert old == stand
    assert old.rear.rebound_clicks == old.rear.damper.rebound_clicks == 12
    assert "rear.rebound_clicks" in old.adjusters
