"""Laps out of the pits, into them and through them, on a straight track ridden by a plan of speeds."""

from dataclasses import dataclass

import numpy as np
import pytest

from telemetry.laps import find_track
from telemetry.signals import Run

RATE_HZ = 50.0
LAP_M, PIT_M_S, FAST_M_S = 3000.0, 16.0, 60.0
PLACES_M = np.arange(0.0, LAP_M, 5.0)


def racing_m_s(place_m):
    """Speed on the circuit: slow in six corners, fastest over the line at 0."""
    return 45.0 + 20.0 * np.cos(6 * 2 * np.pi * np.asarray(place_m) / LAP_M)


@dataclass(frozen=True)
class Outing:
    """An outing from one stop in the pits to the next, places over the line 0, LAP_M, 2 LAP_M, ..."""

    box_m: float = 150.0
    """Of the box, beyond the line; negative before it."""
    laps: int = 3
    exit_m: float = 430.0
    entry_m: float = -260.0


def ride(*outings: Outing, pit_m_s=PIT_M_S, stand_s=20.0, stop_there=True):
    """Time, place and speed of outings that follow one another in one log."""
    place, speed = [0.0], [0.0]
    start = 0.0
    t = [0.0]

    def stand(at, seconds):
        n = round(seconds * RATE_HZ)
        t.extend(t[-1] + (np.arange(n) + 1) / RATE_HZ)
        place.extend([at] * n)
        speed.extend([0.0] * n)

    for number, outing in enumerate(outings):
        first, last = start + outing.box_m, start + (outing.laps + 2) * LAP_M + outing.box_m
        place[-1] = first if number == 0 else place[-1]
        stand(first, stand_s)
        s, v = first, 0.0
        while s < last - 0.5:
            in_lane = s < start + outing.exit_m or s > last - outing.box_m + outing.entry_m
            limit = min(racing_m_s(s), pit_m_s) if in_lane else float(racing_m_s(s))
            lane_m = max(last - outing.box_m + outing.entry_m - s, 0.0)
            limit = min(limit, np.sqrt(pit_m_s**2 + 2 * 9.0 * lane_m))
            if stop_there or number < len(outings) - 1:
                limit = min(limit, np.sqrt(2 * 4.0 * max(last - s, 0.02)))
            v = min(v + 7.0 / RATE_HZ, limit)
            s += v / RATE_HZ
            t.append(t[-1] + 1 / RATE_HZ)
            place.append(s)
            speed.append(v)
        start = last - outing.box_m
    if stop_there:
        stand(place[-1], stand_s)
    return np.array(t), np.array(place), np.array(speed)


def run_of(t, place, speed, *, first_line_m=0.0):
    """The run of a ride with a beacon at the line, in the pit lane too."""
    beacon = np.zeros(len(t))
    for at in np.flatnonzero(np.diff(np.floor((place - first_line_m) / LAP_M)) > 0):
        beacon[at + 1 : at + 6] = 1.0
    channels = {"speed_m_s": speed, "beacon": beacon}
    return Run(
        source="straight",
        t_s=t,
        sample_rate_hz=RATE_HZ,
        shaft_travel_mm={},
        channels=channels,
        channel_rate_hz=dict.fromkeys(channels, RATE_HZ),
        sensor_noise_mm={},
        masked_share={},
    )


def kinds(*outings, line_m=0.0, **how):
    return [lap.kind for lap in find_track(run_of(*ride(*outings, **how), first_line_m=line_m)).laps]


@pytest.mark.parametrize("pit_m_s", [11.0, 16.0, 22.0])  # 40, 60 and 80 km/h
def test_the_lap_into_the_pits_is_an_in_lap_and_what_follows_is_the_pit_lane(pit_m_s):
    assert kinds(Outing(), pit_m_s=pit_m_s) == ["out", "timed", "timed", "timed", "in", "pits"]


def test_a_line_that_is_passed_on_the_way_out_begins_an_out_lap():
    # the line is taken beyond the box, as the fastest point of the track may lie
    assert kinds(Outing(), line_m=300.0) == ["pits", "out", "timed", "timed", "timed", "in"]


def test_a_box_before_the_line():
    found = kinds(Outing(box_m=-100.0, exit_m=300.0, entry_m=-300.0))
    assert found == ["pits", "out", "timed", "timed", "timed", "in"]


@pytest.mark.parametrize(
    ("box_m", "line_m", "pits"),
    [(150.0, 0.0, ["in", "out"]), (-100.0, 0.0, ["in", "out"]), (150.0, 300.0, ["in", "out"])],
)
def test_two_outings_in_one_log(box_m, line_m, pits):
    found = kinds(Outing(box_m=box_m), Outing(box_m=box_m, laps=2), line_m=line_m)
    between = found[found.index("in") : found.index("in") + 2]
    assert between == pits
    assert found.count("timed") == 5


def test_a_log_that_ends_in_the_pit_lane_before_the_stop():
    t, place, speed = ride(Outing(box_m=400.0, exit_m=600.0))
    rolling = place < 5 * LAP_M + 200.0
    found = find_track(run_of(t[rolling], place[rolling], speed[rolling]))
    assert [lap.kind for lap in found.laps][-2:] == ["in", "pits"]


def test_a_ride_through_the_pit_lane_is_no_timed_lap():
    t, place, speed = ride(Outing(laps=6))
    lane = (place > 3 * LAP_M - 260.0) & (place < 3 * LAP_M + 400.0)
    held = np.where(lane, np.minimum(speed, PIT_M_S), speed)
    clock = np.concatenate(
        ([0.0], np.cumsum(np.diff(place) / np.maximum(0.5 * (held[1:] + held[:-1]), 1e-9)))
    )
    moving = np.diff(place, prepend=-1.0) > 0.0
    standing = np.cumsum(~moving) / RATE_HZ
    clock = clock + standing
    grid = np.arange(0.0, clock[-1], 1 / RATE_HZ)
    found = find_track(run_of(grid, np.interp(grid, clock, place), np.interp(grid, clock, held)))
    assert [lap.kind for lap in found.laps] == [
        "out",
        "timed",
        "in",
        "out",
        "timed",
        "timed",
        "timed",
        "in",
        "pits",
    ]


def test_who_stops_on_the_circuit_after_the_line_has_ridden_his_last_lap():
    t, place, speed = ride(Outing(laps=3))
    # crosses the line at speed, then coasts to a stop in the first corner
    at = int(np.argmax(place > 4 * LAP_M + 20.0))
    slowing = np.maximum(speed[at] - 5.0 * np.arange(1, 1500) / RATE_HZ, 0.0)
    speed = np.concatenate((speed[: at + 1], slowing))
    place = np.concatenate((place[: at + 1], place[at] + np.cumsum(slowing) / RATE_HZ))
    found = find_track(run_of(np.arange(len(place)) / RATE_HZ, place, speed))
    assert [lap.kind for lap in found.laps] == ["out", "timed", "timed", "timed", "in"]


def test_a_slow_lap_on_the_circuit_is_not_taken_for_the_pits():
    t, place, speed = ride(Outing(laps=5))
    slow = (place > 3 * LAP_M - 500.0) & (
        place < 3 * LAP_M + 500.0
    )  # traffic over the line at 70 % of the speed
    share = np.where(slow, 0.7, 1.0)
    clock = np.concatenate(([0.0], np.cumsum(np.diff(t) / share[1:])))
    grid = np.arange(0.0, clock[-1], 1 / RATE_HZ)
    found = find_track(run_of(grid, np.interp(grid, clock, place), np.interp(grid, clock, speed * share)))
    assert [lap.kind for lap in found.laps] == ["out", *["timed"] * 5, "in", "pits"]
