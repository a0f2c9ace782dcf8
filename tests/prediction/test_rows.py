"""One row of a prediction, numbers of a place, and notes, from a ride made by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.laps import PHASES
from telemetry.prediction.checks import Refusal
from telemetry.prediction.prediction import MANY_CONTACTS, _lap_values, _notes, _places, _row
from telemetry.prediction.values import next_outing_half
from telemetry.stand import Changed

MEDIAN, CONTACTS, SPEED = "rear.travel.median_mm", "rear.stop_contacts", "rear.speed.rebound.rms_mm_s"
PRELOAD = Changed("rear.preload_mm", 12.0, 13.0, "+1 turn")


def row(key, before, after, half=0.5, by_lap=(39.0, 41.0), refused=(), direction_only=False):
    laps = SimpleNamespace(lap_values=[{key: value} for value in by_lap])
    values = {} if after is None else {key: after}
    return _row(key, {key: before}, values, {key: half}, laps, refused, direction_only=direction_only)


def test_a_row_has_the_change_and_both_its_intervals():
    found = row(MEDIAN, 40.0, 42.0)
    assert (found.before, found.after, found.change) == (40.0, 42.0, 2.0)
    assert (found.low, found.high) == (1.5, 2.5)
    following = next_outing_half(MEDIAN, 0.5, [39.0, 41.0], 40.0, 42.0)
    assert (found.next_low, found.next_high) == pytest.approx((2.0 - following, 2.0 + following))
    assert found.lap_spread == pytest.approx(np.sqrt(2.0)) and not found.within_laps
    assert row(MEDIAN, 40.0, 38.7).within_laps  # 1.3 mm of 1.41
    alone = row(MEDIAN, 40.0, 38.7, by_lap=(40.0,))
    assert (alone.lap_spread, alone.within_laps, alone.next_low, alone.next_high) == (None, False, None, None)


def test_a_count_does_not_fall_below_nothing():
    found = row(CONTACTS, 2.0, 1.0, half=3.0, by_lap=(1.0, 1.0))
    assert (found.low, found.high) == (-2.0, 2.0)
    assert found.next_low == -2.0 and found.next_high > 2.0
    assert row(MEDIAN, 2.0, 1.0, half=3.0).low == -4.0  # a length may


def test_of_many_new_contacts_only_that_they_are_more_is_said():
    assert row(CONTACTS, 1.0, 1.0 + MANY_CONTACTS).after == 1.0 + MANY_CONTACTS
    many = row(CONTACTS, 1.0, 2.0 + MANY_CONTACTS)
    assert (many.after, many.change, many.direction) == (None, None, "more")
    assert f"More than {MANY_CONTACTS} new contacts" in many.reason
    assert row(CONTACTS, 50.0, 1.0).change == -49.0  # fewer are known


def test_a_refused_number_says_why_and_a_click_its_direction():
    refusal = Refusal(("rear.",), "It is refused.")
    found = row(SPEED, 300.0, 310.0, refused=(Refusal(("front.",), "Not this."), refusal))
    assert (found.after, found.direction, found.reason) == (None, "", "It is refused.")
    for after, direction in (
        (310.0, "more"),
        (290.0, "less"),
        (300.2, ""),
        (299.8, ""),
    ):  # a thousandth is nothing
        told = row(SPEED, 300.0, after, refused=(refusal,), direction_only=True)
        assert (told.after, told.direction) == (None, direction)
    unknown = row(SPEED, 300.0, None, direction_only=True)
    assert (unknown.direction, unknown.reason) == ("", "It cannot be computed for the new ride.")


def end(name, travel, speed):
    n = len(travel)
    return SimpleNamespace(
        end=name, wheel_travel_mm=np.asarray(travel, dtype=float), wheel_speed_mm_s=np.asarray(speed, dtype=float),
        valid=np.ones(n, dtype=bool),
    )  # fmt: skip


class Ride:
    """Motion of two ends, as far as the numbers of a lap ask for it."""

    def __init__(self, front_mm, rear_mm, pitch_deg):
        """Travel of both ends and pitch, of shape (n_samples,)."""
        self.front_mm, self.rear_mm, self.pitch_deg = front_mm, rear_mm, pitch_deg
        self.ends = {"front": end("front", front_mm, front_mm), "rear": end("rear", rear_mm, rear_mm)}

    def during(self, rows):
        return Ride(self.front_mm[rows], self.rear_mm[rows], self.pitch_deg[rows])


@pytest.fixture
def means(monkeypatch):
    """Mean travel in the place of every number of an end; "speed" is a tenth of it."""

    def values(of_end, inside):
        if not inside.any():
            return {}
        mean = float(of_end.wheel_travel_mm[inside].mean())
        sides = {f"{of_end.end}.speed.{side}.rms_mm_s": 0.1 * mean for side in ("compression", "rebound")}
        return {f"{of_end.end}.travel.median_mm": mean, **sides}

    monkeypatch.setattr("telemetry.prediction.prediction.end_values", values)
    monkeypatch.setattr("telemetry.prediction.prediction.contact_values", lambda motion, of_end, inside: {})
    monkeypatch.setattr("telemetry.prediction.prediction.during", lambda of_end, rows: end(
        of_end.end, of_end.wheel_travel_mm[rows], of_end.wheel_speed_mm_s[rows]))  # fmt: skip


def test_numbers_of_a_lap_are_of_its_samples(means):
    inside = np.array([0, 0, 1, 1, 0, 1, 0], dtype=bool)
    motion = Ride(np.arange(7.0), 3.0 * np.arange(7.0), np.array([9.0, 9.0, 1.0, np.nan, 9.0, 2.0, 9.0]))
    found = _lap_values(motion, inside)
    assert found["front.travel.median_mm"] == pytest.approx(10.0 / 3)
    assert found["rear.travel.median_mm"] == pytest.approx(10.0)
    assert (
        found["balance.speed_ratio.rebound"] == found["balance.speed_ratio.compression"] == pytest.approx(3.0)
    )
    assert found["balance.pitch.mean_deg"] == 1.5
    assert _lap_values(motion, np.zeros(7, dtype=bool)) == {}


def outing():
    """At 10 Hz: laps 1 and 2 of 20 samples, corner 1 in the first half of each, the second phase at the very end."""
    lap, corner = np.repeat([1, 2], 20), np.tile(np.repeat([1, 0], 10), 2)
    track = SimpleNamespace(
        lap=lap, corner=corner, phase=np.where(np.arange(40) < 38, 0, 1), corners=[SimpleNamespace(number=1)]
    )
    before = Ride(np.arange(40.0), 2.0 * np.arange(40.0), np.zeros(40))
    before.sample_rate_hz = 10.0
    laps = SimpleNamespace(
        track=track, laps=(1, 2), selected=np.ones(40, dtype=bool), ends=("front", "rear"), before=before,
        measured=SimpleNamespace(run=SimpleNamespace(source="log.csv")),
    )  # fmt: skip
    return laps, Ride(np.arange(40.0) + 1.0, 2.0 * np.arange(40.0), np.zeros(40))


def test_every_place_has_its_own_numbers_before_and_after(means):
    laps, after = outing()
    found = _places(laps, after, (Refusal(("rear.",), "It is refused."),))
    medians = {(place.kind, place.name): place for place in found if place.key.endswith("median_mm")}
    # of the front: laps 0 to 19 and 20 to 39, the corner 0 to 9 and 20 to 29; two samples of a phase are too few
    expected = {("lap", "1"): 9.5, ("lap", "2"): 29.5, ("corner", "1"): 14.5, ("phase", PHASES[0]): 18.5}
    assert {name: place.before for name, place in medians.items()} == pytest.approx(expected)
    assert {place.change for place in found if place.key.endswith("median_mm")} == {1.0}
    assert {place.key.split(".")[0] for place in found} == {"front"}


def notes(changed=(PRELOAD,), refused=(), **laps):
    plain = {"fork": None, "assumed": (), "values": {}, "ends": ("front", "rear"), "laps": (1, 2)}
    return _notes(SimpleNamespace(**plain | laps), changed, refused, ())


@pytest.mark.parametrize(
    ("given", "begins"),
    [
        (
            {"assumed": ("mass", "front.tyre_rate")},
            "The bike file lacks mass, front.tyre rate: usual values stand in",
        ),
        (
            {"values": {"balance.same_bump.compression_ratio": 1.0}},
            "Same bump: over the bumps that stand clear",
        ),
        ({"ends": ("rear",)}, "Only the rear is ridden again"),
        ({"laps": (1,)}, "Fewer than two complete laps at pace: no interval"),
        (
            {"changed": (Changed("rear.shock_length_mm", 330.0, 331.0, ""),)},
            "Of the shock length only the move",
        ),
        ({"refused": (Refusal(("rear.",), "It is refused."),) * 2}, "It is refused."),
    ],
)
def test_a_note_of_what_is_so(given, begins):
    (more,) = set(notes(**given)) - set(notes())
    assert more.startswith(begins)
    assert notes(**given).count(more) == 1


def test_the_end_that_was_not_changed_is_known_least():
    assert notes() == ("At the front nothing is changed: what moves there is small, and known least.",)
    assert notes(changed=()) == ()
    fork = SimpleNamespace(words="Of the fork.")
    assert "Of the fork." not in notes(fork=fork)
    front = Changed("front.preload_mm", 12.0, 13.0, "+1 turn")
    assert notes(changed=(front, PRELOAD), fork=fork) == ("Of the fork.",)
