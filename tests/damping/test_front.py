"""The front wheel: a fault of its own, named as such, also with a front sensor that is not all it should be."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from telemetry.damping import find_oscillation
from telemetry.damping.equation import run_signals, wheel_equation
from telemetry.logs import RawLog
from telemetry.review import measure
from telemetry.simulate import LostDampingTime, Riding, WheelImbalance, simulate_outing
from tests.damping.short_laps import CIRCUIT
from tests.randomised.bikes import random_bike

RINGING_S = ((40.0, 42.0), (84.0, 86.0))  # at the same place, with load on the front


@cache
def measured(*faults):
    """Motion, place and bike of three short laps in which the front rings twice."""
    ringing = tuple(LostDampingTime(*span, end="front", scale=0.02) for span in RINGING_S)
    outing = simulate_outing(
        random_bike(9504), circuit=CIRCUIT, seed=9504, laps=3, log_rate_hz=200.0, step_s=1 / 2000,
        riding=Riding(out_lap_m=60.0, in_lap_m=40.0), faults=(*ringing, *faults),
    )  # fmt: skip
    found = measure(RawLog("simulated", outing.log_columns, outing.units), outing.bike)
    return found.motion, found.track, outing.bike


def overlapping(events, span):
    return [event for event in events if event.start_s < span[1] and event.end_s > span[0]]


def test_a_ringing_front_is_the_fronts():
    found = find_oscillation(*measured())
    assert found.verdict == "no"
    assert found.events == ()
    for span in RINGING_S:
        (event,) = overlapping(found.front_events, span)
        assert event.damping_ratio < 0.15
        assert event.amplitude_mm > event.shaft_amplitude_mm * 0.8 > 0.1
    assert len(found.front_events) == len(RINGING_S)


def test_a_front_wheel_out_of_balance_is_not_a_ringing_front():
    found = find_oscillation(*measured(WheelImbalance(0.01, end="front")))
    assert all(any(overlapping([event], span) for span in RINGING_S) for event in found.front_events)


def past_the_stroke(motion, by_mm):
    """The front's sensor with an offset: its most compressed sample reads so much more than its stroke."""
    front = motion.ends["front"]
    shift = front.stroke_mm + by_mm - np.nanmax(front.shaft_travel_mm)
    shifted = replace(front, shaft_travel_mm=front.shaft_travel_mm + shift)
    return replace(motion, ends={**motion.ends, "front": shifted})


@pytest.mark.parametrize("by_mm", [0.5, 3.0])
def test_a_front_sensor_past_its_stroke_changes_nothing(by_mm):
    motion, track, bike = measured()
    usual = find_oscillation(motion, track, bike)
    found = find_oscillation(past_the_stroke(motion, by_mm), track, bike)
    assert (found.verdict, found.front_events) == (usual.verdict, usual.front_events)


def test_a_front_masked_where_it_rings_is_not_judged_there():
    motion, track, bike = measured()
    front = motion.ends["front"]
    out = (motion.t_s > RINGING_S[0][0]) & (motion.t_s < RINGING_S[0][1])
    names = ("shaft_travel_mm", "shaft_speed_mm_s", "wheel_travel_mm", "wheel_speed_mm_s")
    blanks = {name: np.where(out, np.nan, getattr(front, name)) for name in names}
    masked = replace(front, valid=front.valid & ~out, **blanks)
    found = find_oscillation(replace(motion, ends={**motion.ends, "front": masked}), track, bike)
    assert overlapping(found.front_events, RINGING_S[0]) == []
    assert len(overlapping(found.front_events, RINGING_S[1])) == 1


def test_the_front_does_not_hear_its_own_future():
    # when the rear comes by, the front is still answering the road that is asked for
    motion, track, _ = measured()
    signals = run_signals(motion, track)
    rear, front = (wheel_equation(signals, end) for end in ("rear", "front"))
    assert (len(rear.known(rear.whole)), rear.own_past) == (12, 3)
    assert (len(front.known(front.whole)), front.own_past) == (9, 0)
