"""The whole stand: what moves, in which order to measure again, targets, measured sags."""

import json
from pathlib import Path

import numpy as np
import pytest

from telemetry.bike import load_bike, parse_bike
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.report.stand import window_words
from telemetry.simulate import demo_bike, second_bike
from telemetry.stand import (
    QUANTITIES,
    apply_changes,
    at_stand,
    check_sags,
    measure,
    parse_change,
    reach,
    stand_to_json,
)
from telemetry.stand.changes import least_change
from telemetry.stand.quantities import value_of

BIKE = load_bike(Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml")


def after(*texts):
    return at_stand(BIKE, [parse_change(text) for text in texts]).stand


def with_measured(**sags):
    return at_stand(BIKE, measured={key.replace("__", "."): value for key, value in sags.items()}).stand


def test_the_demo_bike_has_every_quantity():
    assert all(value is not None for value in measure(BIKE).values())
    assert list(measure(BIKE)) == [quantity.key for quantity in QUANTITIES]


def test_a_measured_sag_stands_against_its_window_also_without_masses():
    """30 to 40 mm in front and 25 to 35 mm at the rear, at the wheel, with the rider: common practice, no source."""
    bare = parse_bike({**BIKE.model_dump(exclude_none=True, exclude={"chassis"})})
    for sag, outside, words in (
        (47.0, 7.0, "7 mm above 30 to 40 mm. More preload"),
        (26.0, -4.0, "4 mm below"),
        (34.0, 0.0, "within"),
    ):
        for bike in (BIKE, bare):
            stand = at_stand(bike, measured={"front.rider_sag_mm": sag}).stand
            front = next(window for window in stand.windows if window.end == "front")
            assert (front.outside_mm, front.measured) == (outside, True) and words in window_words(front)
    changed = {window.end: window for window in after("rear.preload_mm=+2").windows}
    assert not changed["rear"].measured, "a tape's reading is of the motorcycle before the change"


def test_body_and_hop_of_each_end_are_eigenvalues():
    # outside: numpy.linalg.eigvals of the quarter vehicle ms zs'' = -c (zs'-zu') - ks (zs-zu), written out here
    every = measure(BIKE)
    for end, section in (("front", BIKE.front), ("rear", BIKE.rear)):
        ms, mu = every[f"{end}.wheel_force_n"] / GRAVITY_M_S2, section.unsprung_mass_kg
        ks, kt = 1e3 * every[f"{end}.wheel_rate_n_per_mm"], 1e3 * section.tyre_rate_n_per_mm
        ratio = np.cos(np.radians(BIKE.front.rake_deg)) if end == "front" else every["rear.leverage_at_sag"]
        damper, ct = section.damper, 1e3 * section.tyre_damping_n_s_per_mm
        c = 1e3 * 0.5 * (damper.compression.low_n_s_per_mm + damper.rebound.low_n_s_per_mm) / ratio**2
        a = [[0, 0, 1, 0], [0, 0, 0, 1], [-ks / ms, ks / ms, -c / ms, c / ms],
             [ks / mu, -(ks + kt) / mu, c / mu, -(c + ct) / mu]]  # fmt: skip
        poles = sorted((p for p in np.linalg.eigvals(np.array(a)) if p.imag > 0), key=abs)
        for name, pole in zip(("body", "hop"), poles, strict=True):
            assert every[f"{end}.{name}_hz"] == pytest.approx(abs(pole) / (2 * np.pi), rel=1e-9)
            assert every[f"{end}.{name}_damping"] == pytest.approx(-pole.real / abs(pole), rel=1e-9)
        # common practice, no source: body near 2 Hz, wheel hop about 12 to 22 Hz
        assert 1.5 < every[f"{end}.body_hz"] < 3.0
        assert 12.0 < every[f"{end}.hop_hz"] < 22.0


def test_a_damper_too_firm_to_oscillate_has_no_frequency():
    data = BIKE.model_dump(exclude_none=True)
    data["rear"]["damper"] = {
        side: {"low_n_s_per_mm": 60.0, "high_n_s_per_mm": 60.0} for side in ("compression", "rebound")
    }
    del data["adjusters"]
    every = measure(parse_bike(data))
    assert (every["rear.body_hz"] is None) != (every["rear.hop_hz"] is None)  # one pair is left


def test_a_preload_that_holds_the_bike_topped_out():
    data = BIKE.model_dump(exclude_none=True)
    data["rear"]["preload_mm"] = 60.0
    del data["adjusters"], data["rear"]["spring"], data["rear"]["measured"]
    every = measure(parse_bike(data))
    assert every["rear.free_sag_mm"] == 0.0
    assert every["rear.rider_sag_mm"] == 0.0


def test_trail_is_that_of_tyres_pressed_down():
    # (R sin(rake) - offset) / cos(rake) with R the height of the axle (any textbook of motorcycle dynamics): a tyre of
    # 170 N/mm under 1.3 kN gives 8 mm and takes 8 tan(rake) = 3 to 4 mm of trail
    hard = BIKE.model_copy(
        update={
            end: getattr(BIKE, end).model_copy(update={"tyre_rate_n_per_mm": 1e6})
            for end in ("front", "rear")
        }
    )
    loaded, unloaded = measure(BIKE), measure(hard)
    load = loaded["front.wheel_force_n"] + 9.80665 * BIKE.front.unsprung_mass_kg
    give = load / BIKE.front.tyre_rate_n_per_mm
    lost = unloaded["trail_mm"] - loaded["trail_mm"]
    assert lost == pytest.approx(give * np.tan(np.radians(loaded["rake_deg"])), abs=0.5)
    assert loaded["extended.trail_mm"] == unloaded["extended.trail_mm"]


def test_one_quantity_alone_is_the_same():
    every = measure(BIKE)
    for key, value in every.items():
        assert value_of(BIKE, key) == pytest.approx(value)


def test_a_longer_shock_and_a_taller_tyre():
    # Directions: common practice, no source. Raising the rear steepens the rake and cuts the trail; a taller tyre
    # rolls further; on a falling ratio a longer shock sits where the ratio is higher and sags more.
    stand = after("rear.shock_length_mm=+3", "rear.tyre_radius_mm=+8")
    change = {row.key: row.change for row in stand.rows}
    assert change["rake_deg"] < -0.3
    assert change["trail_mm"] < -2.0
    assert change["rear.ride_height_mm"] == pytest.approx(
        3 * 2.0 + 8.0 - change["rear.rider_sag_mm"], abs=0.3
    )
    assert change["rear.rider_sag_mm"] > 0.3
    assert change["rollout_mm"] == pytest.approx(2 * np.pi * 8 * 16 / 42)
    assert change["pitch_deg"] == pytest.approx(-change["rake_deg"])
    shorter = {row.key: row.change for row in after("rear.shock_length_mm=-3").rows}
    assert shorter["rear.rider_sag_mm"] < -0.3
    assert shorter["rake_deg"] > 0.1


def test_every_part_of_the_bike_moves_what_it_should():
    def change(text, key):
        return after(text).row(key).change

    assert change("front.fork_height_mm=+4", "rake_deg") < -0.1
    assert change("rear.mount_insert.selected=high", "rear.ride_height_mm") > 3.0
    assert change("rear.axle_back_mm=+8", "wheelbase_mm") > 7.0
    assert change("rear.chain.rear_teeth=+2", "rollout_mm") < 0.0
    assert change("rear.spring_rate_n_per_mm=+5", "rear.rider_sag_mm") < -1.0
    assert change("rear.damper.rebound_clicks=-4", "rear.hop_damping") > 0.01
    assert change("chassis.fuel.mass_kg=-5", "front.free_sag_mm") == pytest.approx(0.0, abs=0.2)
    assert change("chassis.fuel.mass_kg=-5", "front.static_sag_mm") < -0.3


def test_what_is_measured_again_and_in_which_order():
    def order(*texts):
        return [entry.what.split(",")[0].split(":")[0] for entry in after(*texts).recheck]

    # length -> leverage start, sag and preload; weight -> both sags; tyre -> ride height, geometry, gearing
    length = order("rear.shock_length_mm=+3")
    assert length[0] == "leverage"
    assert (
        length.index("leverage")
        < length.index("ride height")
        < length.index("rear sag")
        < length.index("geometry")
    )
    assert order("chassis.rider.mass_kg=+6") == ["front sag", "rear sag"]
    tyre = order("rear.tyre_radius_mm=+8")
    assert tyre[0] == "tyre"
    assert tyre.index("ride height") < tyre.index("geometry") < tyre.index("gearing")
    assert order("rear.preload_mm=+1")[0] == "rear sag"
    assert order("rear.damper.rebound_clicks=-2")[-1] == "both ends by hand"
    assert after().recheck == ()


def test_what_a_change_leaves_to_be_checked_is_listed():
    def found(*texts):
        return {entry.what.split(",")[0].split(":")[0]: entry for entry in after(*texts).recheck}

    # legs further through the clamps: the front wheel's whole stroke has moved
    fork = found("front.fork_height_mm=+4")
    assert "125 mm along the legs, 114 mm at the wheel" in fork["clearance at full fork stroke"].should_read
    # another spring needs another rebound, and both ends looked at together
    spring = list(found("front.spring_rate_n_per_mm=+1.5"))
    assert spring[0] == "front sag"
    assert spring.index("front rebound damping") < spring.index("both ends by hand")
    # preload moves the ride height, and the list does not offer to undo the change
    preload = found("rear.preload_mm=+3")
    assert "rear 294.0 (was 288.8) mm" in preload["ride height"].should_read
    assert preload["rear sag"].to_go_back == ""
    assert "preload -" in found("rear.shock_length_mm=-3")["rear sag"].to_go_back or "preload +" in (
        found("rear.shock_length_mm=+5")["rear sag"].to_go_back
    )


def test_the_turns_named_bring_the_sag_back():
    stand = after("rear.shock_length_mm=+5")
    entry = next(entry for entry in stand.recheck if entry.what.startswith("rear sag"))
    assert "turn" in entry.to_go_back
    by_mm = float(entry.to_go_back.split("preload ")[1].split(" mm")[0])
    assert (4 * by_mm / BIKE.adjusters["rear.preload_mm"].per_turn).is_integer()  # a spanner sets quarters
    both = after("rear.shock_length_mm=+5", f"rear.preload_mm={by_mm:+g}")
    sag = both.row("rear.rider_sag_mm")
    told = (
        f"{sag.before:.1f} mm as before" if "gives" not in entry.to_go_back else f"gives {sag.after:.1f} mm"
    )
    assert told in entry.to_go_back and abs(sag.change) < 0.25


def test_what_moved_most_is_ranked_by_what_is_noticed():
    stand = after("rear.tyre_radius_mm=+8")
    steps = [abs(stand.row(key).steps) for key in stand.moved_most]
    assert steps == sorted(steps, reverse=True)
    assert stand.moved_most[0] == "rear.ride_height_mm"
    assert after("rear.preload_mm=+0.01").moved_most == ()


@pytest.mark.parametrize(
    ("key", "wanted"), [("rear.rider_sag_mm", 28.0), ("front.rider_sag_mm", 38.0), ("trail_mm", 95.3)]
)
def test_each_way_reaches_its_aim(key, wanted):
    aim = reach(BIKE, key, wanted)
    reached = [way for way in aim.ways if way.value is not None]
    assert len(reached) >= 2
    for way in reached:
        made, _ = apply_changes(BIKE, [parse_change(f"{way.key}={way.value!r}")])
        assert value_of(made, key) == pytest.approx(wanted, abs=1e-4)
        assert abs(way.set_to - way.value) <= 0.5 * least_change(BIKE, way.key) + 1e-9
        made, (changed,) = apply_changes(BIKE, [parse_change(f"{way.key}={way.set_to!r}")])
        assert value_of(made, key) == pytest.approx(way.gives) and changed.steps == way.steps
        limit = BIKE.adjusters.get(way.key)
        if limit is not None and limit.max is not None:
            assert limit.min <= way.value <= limit.max
    for way in aim.ways:
        assert (way.value is None) == bool(way.reason)


def test_a_way_stays_within_its_limit_when_it_is_rounded():
    data = BIKE.model_dump(exclude_none=True)
    data["adjusters"]["rear.preload_mm"]["max"] = reach(BIKE, "rear.rider_sag_mm", 30.0).ways[0].value + 0.001
    (way, *_) = reach(parse_bike(data), "rear.rider_sag_mm", 30.0).ways
    assert way.set_to <= way.value + 0.001 and way.gives == pytest.approx(30.0, abs=0.3)


def test_aims_that_are_none():
    with pytest.raises(BikeFileError, match="is no quantity of the stand"):
        reach(BIKE, "rear.sag", 30.0)
    with pytest.raises(BikeFileError, match="does not tell anti_squat_pct"):
        reach(demo_bike(), "anti_squat_pct", 100.0)


def test_sags_computed_from_the_file_agree_with_it():
    every = measure(BIKE)
    stand = with_measured(
        front__free_sag_mm=every["front.free_sag_mm"],
        front__rider_sag_mm=every["front.rider_sag_mm"],
        rear__free_sag_mm=every["rear.free_sag_mm"],
        rear__rider_sag_mm=every["rear.rider_sag_mm"],
    )
    for check in stand.sags:
        assert check.agrees
        assert check.effective_mass_kg == pytest.approx(check.file_mass_kg, rel=1e-4)
        assert check.effective_rate_n_per_mm == pytest.approx(check.file_rate_n_per_mm, rel=1e-3)
    for check in stand.springs:
        assert check.agrees
        assert check.effective_rate_n_per_mm == pytest.approx(check.file_rate_n_per_mm, rel=1e-3)
        assert check.effective_preload_mm == pytest.approx(check.file_preload_mm, abs=0.05)


def test_sags_of_another_spring_give_that_spring():
    other, _ = apply_changes(
        BIKE, [parse_change("rear.spring_rate_n_per_mm=84"), parse_change("rear.preload_mm=7")]
    )
    found = measure(other)
    stand = with_measured(
        rear__free_sag_mm=found["rear.free_sag_mm"], rear__rider_sag_mm=found["rear.rider_sag_mm"]
    )
    assert stand.springs[0].effective_rate_n_per_mm == pytest.approx(84.0, rel=2e-3)
    assert stand.springs[0].effective_preload_mm == pytest.approx(7.0, abs=0.1)


def test_one_sag_of_another_rate_gives_that_rate():
    other, _ = apply_changes(BIKE, [parse_change("front.spring_rate_n_per_mm=21")])
    stand = with_measured(front__rider_sag_mm=measure(other)["front.rider_sag_mm"])
    check = next(check for check in stand.sags if check.end == "front")
    assert check.effective_rate_n_per_mm == pytest.approx(21.0, rel=2e-3)


def test_rate_from_two_sags_by_hand():
    # Rate from two sags at one ratio: dW LR^2 / d(wheel sag), 550 N over 18.7579 mm at 1.80: 95.00 N/mm
    bike = demo_bike().model_dump(exclude_none=True)
    bike["rear"] |= {"leverage_table_mm": [[0.0, 0.0], [70.0, 126.0]], "spring_rate_n_per_mm": 80.0}
    bike["rear"].pop("spring", None)
    bike["front"].pop("spring", None)
    whole, rider, half = 2900.0 / GRAVITY_M_S2, 1100.0 / GRAVITY_M_S2, 705.0
    bike["chassis"] = {
        "sprung_mass_kg": whole,
        "com_to_rear_axle_mm": half,
        "com_height_mm": 600.0,
        "pitch_inertia_kg_m2": 26.0,
        "rider": {"mass_kg": rider, "com_to_rear_axle_mm": half, "com_height_mm": 600.0},
    }
    bike["rear"]["measured"] = {"free_sag_mm": 9.0947, "rider_sag_mm": 9.0947 + 18.7579}
    # an upright front that does not move, and masses on the ground: no such motorcycle, but the sum by hand
    made = parse_bike(bike)
    rider_low = made.chassis.rider.model_copy(update={"com_height_mm": 0.0001})
    chassis = made.chassis.model_copy(update={"com_height_mm": 0.0001, "rider": rider_low})
    front = {"rake_deg": 1e-7, "spring_rate_n_per_mm": 4000.0, "preload_mm": 60.0}
    made = made.model_copy(update={"chassis": chassis, "front": made.front.model_copy(update=front)})
    _, springs = check_sags(made)
    # the bike tips by a degree over the sag, which takes part of the load off the wheel
    assert springs[0].effective_rate_n_per_mm == pytest.approx(95.0, rel=0.02)


@pytest.mark.parametrize("end", ["front", "rear"])
def test_the_range_of_a_spring_is_of_sags_read_a_millimetre_wrong(end):
    def spring(free_mm, rider_mm):
        found = with_measured(**{f"{end}__free_sag_mm": free_mm, f"{end}__rider_sag_mm": rider_mm})
        return next((each for each in found.springs if each.end == end), None)

    free, rider = (measure(BIKE)[f"{end}.{load}_sag_mm"] for load in ("free", "rider"))
    asked, closer, apart = (
        spring(free, rider),
        spring(free + 1.0, rider - 1.0),
        spring(free - 1.0, rider + 1.0),
    )
    limits = sorted(each.effective_rate_n_per_mm for each in (closer, apart))
    assert [asked.lowest_rate_n_per_mm, asked.highest_rate_n_per_mm] == pytest.approx(limits)
    assert limits[0] < asked.effective_rate_n_per_mm < limits[1] and asked.agrees
    # too close together for a slope, or the first topped out
    assert spring(free, free + 0.4) is None and spring(0.0, rider) is None


def test_a_sag_that_is_not_the_files_is_said():
    stand = with_measured(front__rider_sag_mm=44.0)
    check = next(check for check in stand.sags if check.end == "front")
    assert not check.agrees
    assert check.effective_mass_kg > check.file_mass_kg + 10.0


@pytest.mark.parametrize(
    ("measured", "message"),
    [
        ({"rear.sag": 30.0}, "is no measured sag"),
        ({"rear.rider_sag_mm": -3.0}, "rear.measured.rider_sag_mm"),
        ({"rear.rider_sag_mm": 200.0}, "more than the 124.9 mm of wheel travel"),
    ],
)
def test_measured_sags_that_cannot_be(measured, message):
    with pytest.raises(BikeFileError, match=message):
        at_stand(BIKE, measured=measured)


def test_what_the_file_does_not_tell_is_null_and_said_why():
    stand = at_stand(second_bike()).stand
    assert stand.row("rear.free_sag_mm").before is None
    assert stand.row("anti_squat_pct").before is None
    assert any("[rear.swingarm]" in note for note in stand.notes)
    assert any("rider" in note for note in stand.notes)
    data = json.loads(stand_to_json(stand))
    assert data["schema"] == "bothends.stand/1"
    row = next(row for row in data["rows"] if row["key"] == "rear.free_sag_mm")
    assert row["before"] is None


def test_a_table_continued_beyond_its_end_is_said():
    data = demo_bike().model_dump(exclude_none=True)
    data["rear"]["shock_length_mm"] = 330.0
    stand = at_stand(parse_bike(data), [parse_change("rear.shock_length_mm=+3")]).stand
    assert any("continued by 3 mm" in note for note in stand.notes)


def test_clicks_without_a_dyno_table_change_nothing_and_it_is_said():
    data = demo_bike().model_dump(exclude_none=True)
    data["rear"]["rebound_clicks"] = 12
    stand = at_stand(parse_bike(data), [parse_change("rear.damper.rebound_clicks=-2")]).stand
    assert any("what a click does is not known" in note for note in stand.notes)
