"""The bike file: what is read, and a one-line reason for what is not."""

import tomllib

import pytest

from telemetry.bike import load_bike, parse_bike
from telemetry.errors import BikeFileError
from telemetry.simulate import DEMO_BIKE_TOML, SECOND_BIKE_TOML

MINIMUM = """
name = "QB-6"
wheelbase_mm = 1440

[front]
stroke_mm = 125
rake_deg = 24
fork_offset_mm = 30
tyre_radius_mm = 300
spring_rate_n_per_mm = 19
preload_mm = 10

[rear]
shock_stroke_mm = 70
tyre_radius_mm = 320
spring_rate_n_per_mm = 90
preload_mm = 8
leverage_table_mm = [[0, 0], [35, 66.25], [70, 125]]
"""


def changed(path, value, text=DEMO_BIKE_TOML):
    """The demo bike with one key changed; None removes it."""
    data = tomllib.loads(text)
    *parents, key = path.split(".")
    part = data
    for name in parents:
        part = part[name]
    if value is None:
        del part[key]
    else:
        part[key] = value
    return data


def test_the_minimum_is_enough(tmp_path):
    (tmp_path / "bike.toml").write_text(MINIMUM)
    bike = load_bike(tmp_path / "bike.toml")
    assert bike.wheelbase_mm == 1440.0
    assert bike.rear.leverage_table_mm[-1] == (70.0, 125.0)
    assert bike.chassis is None
    assert bike.front.sensor is None
    assert bike.channels.time == "time"


def test_demo_bikes_keep_every_key(tmp_path):
    for text in (DEMO_BIKE_TOML, SECOND_BIKE_TOML):
        path = tmp_path / "bike.toml"
        path.write_text(text)
        given, read = tomllib.loads(text), load_bike(path).model_dump()
        assert (
            read["front"]["damper"]["rebound"]["low_n_s_per_mm"]
            == given["front"]["damper"]["rebound"]["low_n_s_per_mm"]
        )
        assert [list(point) for point in read["rear"]["sensor"]["points"]] == given["rear"]["sensor"][
            "points"
        ]
        assert given["chassis"].items() <= read["chassis"].items()  # and what was not given is None


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("front", None, r"front: is missing"),
        ("wheelbase_mm", None, r"chassis: its masses say nothing without wheelbase_mm"),
        (
            "rear.sensor.channel",
            "fork ",
            r"front\.sensor\.channel and rear\.sensor\.channel are both 'fork'; each end has a column of its own",
        ),
        ("wheelbase_mm", -1.0, r"wheelbase_mm = -1 is not between 900 and 2000 mm"),
        ("wheelbase_mm", "long", r"wheelbase_mm: .*valid number.*\(given: long\)"),
        ("wheelbase_mm", float("nan"), r"wheelbase_mm: .*finite"),
        (
            "front.sprng_rate",
            20.0,
            r"front\.sprng_rate: is not a key of a bike file; did you mean spring_rate_n",
        ),
        ("front.preload_mm", -2.0, r"front\.preload_mm = -2 is not between 0 and 80 mm"),
        (
            "front.rake_deg",
            75.0,
            r"front\.rake_deg = 75 is not between 5 .*\. From the horizontal\? Then write 15",
        ),
        ("front.sensor.points", [[0.4, 0.0]], r"front\.sensor\.points: .*at least 2"),
        (
            "rear.leverage_table_mm",
            [[0, 0], [40, 70], [35, 80], [70, 125]],
            r"row 3: \[35, 80\] does not rise above \[40, 70\]",
        ),
        ("rear.leverage_table_mm", [[0, 0], [35, 70], [70, 65]], r"row 3: \[70, 65\] does not rise"),
        ("rear.leverage_table_mm", [[1, 0], [70, 125]], r"must go through \[0, 0\]"),
        ("rear.leverage_table_mm", [[0, 0], [7, 12.5]], r"from 0 to 7 mm .* but shock_stroke_mm is 70"),
        ("rear.leverage_table_mm", [[0, 9], [70, 134]], r"gives 9.0 mm of wheel travel at 0"),
        (
            "rear.damper.compression.knee_mm_s",
            0.0,
            r"rear\.damper\.compression\.knee_mm_s = 0 is not between 2 and",
        ),
        ("chassis.sprung_mass_kg", -200.0, r"chassis\.sprung_mass_kg = -200 is not between 30 and 600 kg"),
    ],
)
def test_a_wrong_key_is_named_with_what_is_allowed(path, value, message):
    with pytest.raises(BikeFileError, match=rf"^mine\.toml: .*{message}") as caught:
        parse_bike(changed(path, value), source="mine.toml")
    assert "\n" not in str(caught.value)


def test_every_fault_is_said_at_once():
    data = tomllib.loads(MINIMUM)
    keys = ("stroke_mm", "rake_deg", "fork_offset_mm", "tyre_radius_mm", "preload_mm")
    for key in keys:
        data["front"][key] = "x"
    data["rear"]["shock_stroke_mm"] = 0.07
    with pytest.raises(BikeFileError) as caught:
        parse_bike(data, source="mine.toml")
    assert caught.value.file == "mine.toml"
    assert [fault.partition(":")[0] for fault in caught.value.faults[:5]] == sorted(
        (f"front.{key}" for key in keys), key=lambda key: str(caught.value).index(key)
    )
    assert caught.value.faults[5] == (
        "rear.shock_stroke_mm = 0.07 is not between 10 and 350 mm. In metres? Then write 70."
    )
    assert "\n" not in str(caught.value)
    assert all(fault[:-1] in str(caught.value) for fault in caught.value.faults)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(BikeFileError, match=r"nowhere\.toml: no such bike file"):
        load_bike(tmp_path / "nowhere.toml")
    with pytest.raises(BikeFileError, match="cannot be read"):
        load_bike(tmp_path)
    (tmp_path / "torn.toml").write_text("[front\nstroke_mm = ")
    with pytest.raises(BikeFileError, match=r"torn\.toml: is not valid TOML"):
        load_bike(tmp_path / "torn.toml")
    (tmp_path / "binary.toml").write_bytes(bytes(range(128, 256)))
    with pytest.raises(BikeFileError, match="is not a text file"):
        load_bike(tmp_path / "binary.toml")
    (tmp_path / "empty.toml").write_text("")
    with pytest.raises(BikeFileError, match="is missing"):
        load_bike(tmp_path / "empty.toml")
