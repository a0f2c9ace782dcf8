"""Changes with a spanner: read, applied, counted in turns and clicks, refused past a limit."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.bike import load_bike, parse_bike
from telemetry.errors import BikeFileError
from telemetry.simulate import demo_bike
from telemetry.stand import Change, apply_changes, limits_of, measure, parse_change
from telemetry.stand.changes import adjusters_for, least_change, setting_for, steps_words

BIKE = load_bike(Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml")


@pytest.mark.parametrize(
    ("text", "change"),
    [
        ("rear.shock_length_mm=+3", Change("rear.shock_length_mm", 3.0, True)),
        ("rear.preload_mm=-1.5", Change("rear.preload_mm", -1.5, True)),
        ("front.spring_rate_n_per_mm=+5%", Change("front.spring_rate_n_per_mm", 5.0, True, percent=True)),
        ("rear.preload_mm = 9", Change("rear.preload_mm", 9.0, False)),
        ("rear.mount_insert.selected=high", Change("rear.mount_insert.selected", "high", False)),
    ],
)
def test_a_sign_is_a_change_by_and_none_a_change_to(text, change):
    assert parse_change(text) == change


@pytest.mark.parametrize(
    "text", ["rear.preload_mm", "=3", "rear.preload_mm=", "rear.preload_mm=nan", "a=+inf"]
)
def test_what_is_no_change(text):
    with pytest.raises(BikeFileError, match="is KEY=|is not a number that can be set"):
        parse_change(text)


@given(st.text(max_size=30))
def test_any_text_is_a_change_or_a_one_line_refusal(text):
    try:
        change = parse_change(text)
        apply_changes(BIKE, [change])
    except BikeFileError as error:
        assert str(error)


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("rear.shock_length_mm=+3", "+3 turns"),
        ("rear.shock_length_mm=331", "-1 turn"),
        ("rear.preload_mm=+0.5", "+0.5 turns"),
        ("rear.preload_mm=+0.4", "+0.5 turns"),  # to the quarter that a spanner sets
        ("rear.damper.rebound_clicks=-2", "-2 clicks"),
        ("rear.tyre_radius_mm=+8", ""),
    ],
)
def test_turns_and_clicks_where_the_file_says_how_much_one_is(text, steps):
    _, changed = apply_changes(BIKE, [parse_change(text)])
    assert changed[0].steps == steps


def test_changes_add_up_in_order_and_undo_each_other():
    there, changed = apply_changes(
        BIKE, [parse_change("rear.preload_mm=+2"), parse_change("rear.preload_mm=-0.5")]
    )
    assert there.rear.preload_mm == 13.5
    assert [c.before for c in changed] == [12.0, 14.0]
    back, _ = apply_changes(there, [parse_change("rear.preload_mm=12")])
    assert measure(back) == pytest.approx(measure(BIKE))


@pytest.mark.parametrize(
    "text", ["rear.shock_length_mm=+3", "front.fork_height_mm=+4", "rear.tyre_radius_mm=+8", "rear.axle_back_mm=+5",
             "front.fork_offset_mm=+2"]
)  # fmt: skip
def test_there_and_back_is_where_it_was(text):
    key, value = text.split("=")
    there, _ = apply_changes(BIKE, [parse_change(text)])
    back, _ = apply_changes(there, [parse_change(f"{key}=-{value[1:]}")])
    moved, start, end = measure(there), measure(BIKE), measure(back)
    assert moved["rake_deg"] != pytest.approx(start["rake_deg"], abs=1e-3) or moved[
        "wheelbase_mm"
    ] != pytest.approx(start["wheelbase_mm"], abs=0.1)
    assert end == pytest.approx(start, abs=1e-6)


def test_a_length_past_its_limit_is_refused_with_the_caution():
    with pytest.raises(
        BikeFileError, match=r"= 338 is past its maximum of 337\. Never go past the maker's limit"
    ):
        apply_changes(BIKE, [parse_change("rear.shock_length_mm=+6")])
    with pytest.raises(
        BikeFileError, match=r"preload_mm = \d+ is past its .* of \d+\. Keep inside the maker's"
    ):
        apply_changes(BIKE, [parse_change("rear.preload_mm=+40")])  # no thread of an eye pulls out
    with pytest.raises(BikeFileError, match=r"= 328 is below its minimum of 329\."):
        apply_changes(BIKE, [parse_change("rear.shock_length_mm=-4")])
    with pytest.raises(
        BikeFileError, match=r"clicks = 3 is below its minimum of 4\. Keep inside the maker's limits"
    ):
        data = BIKE.model_dump(exclude_none=True)
        data["rear"]["damper"].pop("dyno")
        apply_changes(parse_bike(data), [parse_change("rear.damper.rebound_clicks=3")])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("rear.shock_lenght_mm=+3", "rear.shock_lenght_mm: is not a key of a bike file"),
        ("rear.shock_lenght_mm=3", "rear.shock_lenght_mm: is not a key of a bike file"),
        ("rear.preload_mm.x=3", "is not a key"),
        ("rear.linkage=3", "is not one value"),
        ("name=+3", "is not one value"),
        ("rear.mount_insert.selected=low", "is none of its positions"),
        ("rear.preload_mm=-30", "rear.preload_mm"),
    ],
)
def test_changes_that_cannot_be(text, message):
    with pytest.raises(BikeFileError, match=message):
        apply_changes(BIKE, [parse_change(text)])


def test_a_value_that_the_file_does_not_have_cannot_be_changed_by():
    with pytest.raises(BikeFileError, match="has no number yet, so it cannot be changed by \\+3"):
        apply_changes(demo_bike(), [parse_change("rear.shock_length_mm=+3")])


def test_a_heavier_rider_is_a_heavier_whole():
    after, _ = apply_changes(BIKE, [parse_change("chassis.rider.mass_kg=+10")])
    assert after.chassis.sprung_mass_kg == pytest.approx(222.0)
    # moments: 212 x 700 + 10 x 610
    assert after.chassis.com_to_rear_axle_mm == pytest.approx((212 * 700 + 10 * 610) / 222)
    # parallel axes: 10 kg on 212 kg, 90 mm behind and 190 mm above the old centre
    reduced = 10 * 212 / 222
    assert after.chassis.pitch_inertia_kg_m2 == pytest.approx(26 + reduced * (0.090**2 + 0.190**2))
    before, now = measure(BIKE), measure(after)
    assert now["front.free_sag_mm"] == pytest.approx(before["front.free_sag_mm"], abs=1e-6)
    assert now["rear.rider_sag_mm"] > before["rear.rider_sag_mm"] + 1.0


def test_a_share_is_a_share_of_what_stands_now():
    bike, (changed,) = apply_changes(BIKE, [parse_change("rear.preload_mm=-50%")])
    assert bike.rear.preload_mm == pytest.approx(0.5 * BIKE.rear.preload_mm) == changed.after


@pytest.mark.parametrize(
    ("key", "now", "limits"),
    [
        ("rear.preload_mm", 10.0, (0.0, 35.0)),  # a spring is never slack at full extension
        ("front.preload_mm", 40.0, (15.0, 65.0)),
        ("rear.shock_length_mm", 320.0, (312.0, 328.0)),
        ("front.fork_height_mm", 5.0, (-10.0, 20.0)),
        ("rear.spring_rate_n_per_mm", 80.0, (40.0, 120.0)),
    ],
)
def test_what_an_adjuster_without_limits_in_the_file_can_do(key, now, limits):
    assert limits_of(BIKE.model_copy(update={"adjusters": {}}), key, now) == pytest.approx(limits)


def test_limits_of_the_file_go_first_each_by_itself():
    data = BIKE.model_dump(exclude_none=True)
    data["adjusters"] = {"rear.preload_mm": {"min": 4}, "front.preload_mm": {"max": 18}, "rear.spring_rate_n_per_mm":
                         {"min": 55, "max": 95}}  # fmt: skip
    bike = parse_bike(data)
    assert limits_of(bike, "rear.preload_mm", 12.0) == (4.0, 37.0)
    assert limits_of(bike, "front.preload_mm", 12.0) == (0.0, 18.0)
    assert limits_of(bike, "rear.spring_rate_n_per_mm", 70.0) == (55.0, 95.0)


def test_the_least_that_can_be_set_and_its_words():
    data = BIKE.model_dump(exclude_none=True)
    data["adjusters"] = {"rear.preload_mm": {"per_turn": 1.5}, "front.preload_mm": {"per_click": 0.25}}
    bike = parse_bike(data)
    least = {
        "rear.preload_mm": 0.375,
        "front.preload_mm": 0.25,
        "rear.rebound_clicks": 1.0,
        "rear.shock_length_mm": 0.1,
    }
    assert {key: least_change(bike, key) for key in least} == pytest.approx(least)
    words = {
        ("rear.preload_mm", 0.75): "+0.5 turns", ("rear.preload_mm", -1.5): "-1 turn", ("rear.preload_mm", 0.1):
        "less than half a turn", ("front.preload_mm", 0.75): "+3 clicks", ("rear.shock_length_mm", 2.0): "",
        ("rear.rebound_clicks", 1.0): "+1 click",
    }  # fmt: skip
    assert {asked: steps_words(bike, *asked) for asked in words} == words


def test_a_circumference_is_that_of_the_radius():
    # 2 pi 300 = 1884.96 mm; 12 mm more around is 12 / 2 pi more of radius
    bike, (changed,) = apply_changes(BIKE, [parse_change("front.tyre_circumference_mm=+12")])
    assert (changed.before, changed.after) == pytest.approx((600.0 * np.pi, 600.0 * np.pi + 12.0))
    assert bike.front.tyre_radius_mm == pytest.approx(300.0 + 6.0 / np.pi)
    to, _ = apply_changes(BIKE, [parse_change("rear.tyre_circumference_mm=2000")])
    assert to.rear.tyre_radius_mm == pytest.approx(1000.0 / np.pi)


def test_a_sag_is_set_at_its_own_end():
    assert adjusters_for(BIKE, "front.rider_sag_mm") == ("front.preload_mm", "front.spring_rate_n_per_mm")
    rear = ("rear.preload_mm", "rear.spring_rate_n_per_mm")
    assert adjusters_for(BIKE, "rear.free_sag_mm") == (*rear, "rear.shock_length_mm")
    assert adjusters_for(demo_bike(), "rear.free_sag_mm") == rear
    whole = ("front.fork_height_mm", "front.preload_mm", "rear.preload_mm")
    assert adjusters_for(BIKE, "trail_mm") == ("rear.shock_length_mm", *whole)
    assert adjusters_for(demo_bike(), "trail_mm") == whole


def with_preload(monkeypatch, value, **adjuster):
    """A bike with a quantity that is a function of the rear preload, now 12 mm."""
    monkeypatch.setattr("telemetry.stand.changes.value_of", lambda bike, key: value(bike.rear.preload_mm))
    data = BIKE.model_dump(exclude_none=True)
    data["adjusters"] = {"rear.preload_mm": {"per_turn": 1.0, "min": 4.0, "max": 22.0} | adjuster}
    return parse_bike(data)


@pytest.mark.parametrize(
    ("value", "setting", "set_to", "steps"),
    [
        (lambda x: x, 15.1, 15.0, "+3 turns"),
        (lambda x: -x, 8.9, 9.0, "-3 turns"),
        (lambda x: x**3, 12.0, 12.0, ""),  # as it stands
        (lambda x: (x - 10.3) * (x - 20.1), 10.3, 10.25, "-1.75 turns"),  # of two the nearer one
        (lambda x: (x - 6.9) * (x - 13.2), 13.2, 13.25, "+1.25 turns"),
    ],
)
def test_a_setting_is_rounded_to_what_a_spanner_sets(monkeypatch, value, setting, set_to, steps):
    bike = with_preload(monkeypatch, value)
    found = setting_for(bike, "trail_mm", value(setting), "rear.preload_mm")
    assert found.value == pytest.approx(setting, abs=1e-5)
    assert found.set_to == pytest.approx(set_to) and found.gives == pytest.approx(value(set_to))
    assert found.change == pytest.approx(setting - 12.0, abs=1e-5)
    assert found.steps == steps or not steps


@pytest.mark.parametrize(
    ("limits", "wanted", "set_to"), [({"max": 15.2}, 15.14, 15.0), ({"min": 8.8}, 8.86, 9.0)]
)
def test_a_setting_is_rounded_inside_its_limits(monkeypatch, limits, wanted, set_to):
    bike = with_preload(monkeypatch, lambda x: x, **limits)
    assert setting_for(bike, "trail_mm", wanted, "rear.preload_mm").set_to == pytest.approx(set_to)


def test_a_target_out_of_reach_is_said_with_what_can_be_reached(monkeypatch):
    bike = with_preload(monkeypatch, lambda x: 2.0 * x)
    found = setting_for(bike, "trail_mm", 60.0, "rear.preload_mm")
    assert (found.value, found.set_to) == (None, None)
    assert found.reason == "from 4 to 22 it gives 8 to 44"
    nothing = with_preload(monkeypatch, lambda x: None)
    assert (
        setting_for(nothing, "trail_mm", 60.0, "rear.preload_mm").reason == "from 4 to 22 it gives no number"
    )
