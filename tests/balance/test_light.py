"""Wheels that carry little, against the statics of braking and drive in a textbook's closed form."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.balance.road import Riding
from telemetry.balance.transfer import EXTENDED_MM, LIGHT_SHARE, light_wheels
from telemetry.bike import leverage_curve, sprung_load_n
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate import demo_bike
from tests.balance.test_balance import RATE_HZ, motion_of, track_of

N = int(40 * RATE_HZ)
T_S = np.arange(N) / RATE_HZ
RIDING = np.ones(N, bool)


def ridden(acceleration_m_s2):
    lean = np.zeros(N)
    sources = {"acceleration": "speed", "lean": "lean"}
    return Riding(RATE_HZ, np.full(N, 20.0), acceleration_m_s2, lean, sources)


def stoppie():
    """Braking from 10 to 12 s with the rear fully extended, else both where they ride."""
    braking = (T_S >= 10.0) & (T_S < 12.0)
    rear = np.where(braking, 0.0, 40.0)
    front = np.where(braking, 90.0, 40.0)
    return motion_of(front, rear), ridden(np.where(braking, -11.0, 0.0))


def test_a_rear_that_hangs_under_braking_is_found_where_it_was():
    motion, riding = stoppie()
    found = light_wheels(motion, track_of(N, np.full(N, 20.0)), demo_bike(), riding, RIDING)
    (event,) = found
    assert (event.end, event.under) == ("rear", "braking")
    assert event.start_s == pytest.approx(10.0, abs=0.15) and event.end_s == pytest.approx(12.0, abs=0.15)
    assert event.hanging_s == pytest.approx(2.0, abs=0.25)


def test_what_is_left_of_a_load_is_the_balance_of_moments():
    # V. Cossalter, Motorcycle Dynamics, 2nd ed., 2006, ch. 3 (from memory): N_r = m g (p - b) / p - F h / p, F the
    # force at the ground, which drag lessens
    bike = demo_bike()
    # the made-up travel jumps, which a damper would take for force
    bike = bike.model_copy(update={"rear": bike.rear.model_copy(update={"damper": None})})
    motion, riding = stoppie()
    (event,) = light_wheels(motion, track_of(N, np.full(N, 20.0)), bike, riding, RIDING)
    chassis = bike.chassis
    mass = chassis.sprung_mass_kg + bike.front.unsprung_mass_kg + bike.rear.unsprung_mass_kg
    standing = sprung_load_n(bike, "rear") + GRAVITY_M_S2 * bike.rear.unsprung_mass_kg
    force = mass * 11.0 - 0.2 * 20.0**2
    left = max(0.0, 1.0 - force * chassis.com_height_mm / bike.wheelbase_mm / standing)
    assert event.least_share == pytest.approx(left, abs=0.02)


def test_braking_that_leaves_the_rear_loaded_is_no_event():
    motion, riding = stoppie()
    gentle = replace(riding, acceleration_m_s2=np.where(riding.acceleration_m_s2 < 0, -3.0, 0.0))
    rear = np.full(N, 25.0)
    motion = motion_of(np.full(N, 50.0), rear)
    assert light_wheels(motion, track_of(N, np.full(N, 20.0)), demo_bike(), gentle, RIDING) == ()


def test_a_front_that_carries_little_under_drive_is_told_by_its_springs():
    bike = demo_bike()
    drive = (T_S >= 20.0) & (T_S < 21.0)
    front = np.where(drive, 3.0, 40.0)
    shaft = leverage_curve(bike, "front").shaft_travel_mm(np.array([3.0]))
    assert shaft > EXTENDED_MM
    found = light_wheels(
        motion_of(front, np.full(N, 50.0)), track_of(N, np.full(N, 20.0)), bike,
        ridden(np.where(drive, 7.0, 0.0)), RIDING,
    )  # fmt: skip
    (event,) = [event for event in found if event.end == "front"]
    assert event.under == "drive" and event.least_share < LIGHT_SHARE
    assert event.start_s == pytest.approx(20.0, abs=0.15)


def test_without_masses_a_rear_that_hangs_under_braking_is_named_without_a_load():
    motion, riding = stoppie()
    bare = demo_bike().model_copy(update={"chassis": None})
    (event,) = light_wheels(motion, track_of(N, np.full(N, 20.0)), bare, riding, RIDING)
    assert (event.end, event.under, event.least_share) == ("rear", "braking", None)
    # and a rear that tops out over a crest, without braking, is not
    crest = replace(riding, acceleration_m_s2=np.zeros(N))
    assert light_wheels(motion, track_of(N, np.full(N, 20.0)), bare, crest, RIDING) == ()
