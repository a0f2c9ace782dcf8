"""The committed demo logs, from file to sentences, against what was put into them."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from telemetry.bike import (
    damper_force_n,
    leverage_curve,
    sprung_load_n,
    wheel_rate_n_per_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.setup import compare, load_sheet
from telemetry.simulate import SCENARIOS, simulate_scenario
from tests.demo_reviews import demo_review

FIXTURES = Path(__file__).parents[2] / "fixtures"


def reviewed(name):
    return demo_review(name).summary


@cache
def truth_of(name):
    return simulate_scenario(SCENARIOS[name]).truth


@pytest.mark.parametrize(
    "name", ["vellmoor-clean", "vellmoor-soft-fork", "vellmoor-before", "vellmoor-after"]
)
def test_sound_outings_are_called_sound(name):
    summary = reviewed(name)
    assert summary.oscillation.verdict == "no"
    # equal readings by chance: about one false find of some 20 ms in ten minutes, told for the record only; and a fork
    # that bottoms at 200 Hz, whose peaks a slow log does not show
    assert [note.code for note in summary.quality if note.severity != "info"] == []
    assert {note.code for note in summary.quality} <= {"held", "slow_for_contacts"}
    assert all(end.valid_share > 0.999 for end in summary.ends.values())
    assert len(summary.corners) == 11


def test_losses_are_found_where_they_were_and_nowhere_else():
    truth = truth_of("vellmoor-lost-damping").lost_damping
    summary = reviewed("vellmoor-lost-damping")
    events = summary.oscillation.events
    found = [any(e.start_s < t.end_s and e.end_s > t.start_s for e in events) for t in truth]
    false = [e for e in events if not any(e.start_s < t.end_s and e.end_s > t.start_s for t in truth)]
    assert summary.oscillation.verdict == "yes"
    assert false == []
    # out of corner 2 the wheel turns at the frequency of its hop: there one of four may be taken for imbalance
    assert len(truth) == 8
    assert sum(found) >= 7
    assert {(event.corner, event.phase) for event in events} == {(2, "drive"), (11, "drive")}


def test_bottoming_is_found_in_every_lap_at_its_place():
    truth = truth_of("vellmoor-soft-fork")
    touched = [contact for contact in truth.contacts if contact.kind == "bottomed"]
    front = reviewed("vellmoor-soft-fork").ends["front"]
    np.testing.assert_allclose(
        [stop.time_s for stop in front.bottomed], [(c.start_s + c.end_s) / 2 for c in touched], atol=0.05
    )
    places = np.interp([stop.time_s for stop in front.bottomed], truth.t_s, truth.lap_distance_m)
    # the driven wheel slips on the way there: half a percent of the lap is what its speed alone can promise
    np.testing.assert_allclose([stop.distance_m for stop in front.bottomed], places, atol=0.005 * 2921)
    assert "Front bottoms at corner 2" in [f.title for f in reviewed("vellmoor-soft-fork").findings]


def test_the_change_at_the_fork_shows_at_the_fork_only():
    # the fork's rebound was opened: the front comes up faster, the rear as before
    before, after = reviewed("vellmoor-before"), reviewed("vellmoor-after")
    sheets = [
        load_sheet(FIXTURES / SCENARIOS[name].sheet_file) for name in ("vellmoor-before", "vellmoor-after")
    ]
    result = compare(before, after, *sheets)
    verdicts = {row.key: row.verdict for row in result.metrics}
    assert verdicts["front.speed.rebound_mm_s"] == "higher"
    assert verdicts["rear.speed.rebound_mm_s"] == "no clear difference"
    assert verdicts["balance.rebound"] == "lower"
    assert [(change.what, change.before, change.after) for change in result.changes] == [
        ("front rebound clicks", "5", "12")
    ]


def test_a_spring_changed_in_the_bike_file_is_a_change():
    result = compare(reviewed("vellmoor-clean"), reviewed("vellmoor-soft-fork"))
    assert [(change.what, change.before, change.after, change.kind) for change in result.changes] == [
        ("front spring rate", "19 N/mm", "16 N/mm", "bike file")
    ]


def test_a_run_against_itself_has_no_difference():
    result = compare(reviewed("vellmoor-after"), reviewed("vellmoor-after"))
    assert {row.verdict for row in result.metrics} == {"no clear difference"}


def test_another_dialect_another_machine():
    # one lap in semicolons, decimal commas, counts, fork sensor upside down: the same sentences, laps by beacon
    summary = reviewed("qb3-semicolon")
    assert summary.run.lap_source == "beacon"
    assert [lap.complete for lap in summary.laps] == [False, True, False]
    for end in ("front", "rear"):
        assert 0 < summary.ends[end].wheel.travel.median_mm < summary.ends[end].wheel_stroke_mm
    assert summary.oscillation.verdict == "no"


def true_damping_ratio(name, end, direction):
    """c / (2 sqrt(k m)) of the dampers that were ridden: c by the work they take at the speeds both wheels met."""
    bike, truth = SCENARIOS[name].bike(), truth_of(name)
    both = direction * np.concatenate([truth.front_wheel_mm_s, truth.rear_wheel_mm_s])
    wheel_mm_s = direction * both[both > 5.0]
    shaft_mm = float(np.median(getattr(truth, f"{end}_shaft_mm")))
    ratio = float(leverage_curve(bike, end).ratio(np.array([shaft_mm]))[0])
    force_n = damper_force_n(wheel_mm_s / ratio, bike.end(end).damper) / ratio
    c_n_s_per_m = 1e3 * float(force_n @ wheel_mm_s) / float(wheel_mm_s @ wheel_mm_s)
    mass_kg = sprung_load_n(bike, end) / GRAVITY_M_S2
    return c_n_s_per_m / (2 * float(np.sqrt(1e3 * wheel_rate_n_per_mm(bike, end, shaft_mm) * mass_kg)))


@pytest.mark.parametrize(
    "name", ["vellmoor-clean", "vellmoor-before", "vellmoor-after", "vellmoor-lost-damping"]
)
def test_damping_balance_is_that_of_the_dampers_that_were_ridden(name):
    # on a circuit, with braking, drive and lean, in one of them with eight losses; the bike file has no part in it
    found = reviewed(name).balance.damping
    assert found.reason == ""
    for ratio, direction in ((found.compression, 1), (found.rebound, -1)):
        rear, front = (true_damping_ratio(name, end, direction) for end in ("rear", "front"))
        assert ratio.ci95[0] <= rear / front <= ratio.ci95[1]
        assert np.log(ratio.ci95[1] / ratio.ci95[0]) < 0.2
