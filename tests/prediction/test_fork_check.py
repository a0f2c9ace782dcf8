"""The fork's springs against the load of braking: made rides whose slow forces balance, and files that do not fit."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.bike import spring_of
from telemetry.prediction.checks import EXPLAINED, check_fork
from tests.bike.stand_bike import with_values

RATE_HZ = 50.0
AIR = {"oil_level_mm": 95.0, "bore_mm": 44.0, "exponent": 1.2}
RUBBER = {"length_mm": 12.0, "force_n": 900.0}
TRUE = {"air": AIR, "bump_stop": RUBBER}
MASS_KG, UNSPRUNG_KG, LENGTH_M, BACK_M, HEIGHT_M, RAKE = 212.0, 35.0, 1.410, 0.700, 0.610, np.radians(24.0)


def fork(spring, **values):
    return with_values(front__spring=spring, **values)


def braking(hardest_m_s2=11.0, seconds=90.0):
    """Time, and speed of a ride that brakes for four seconds and gains speed for eight, over and over. [s, m/s]"""
    t = np.arange(0.0, seconds, 1 / RATE_HZ)
    phase = t % 12.0
    gain = np.where(phase < 4.0, -hardest_m_s2 * np.sin(np.pi * phase / 4.0) ** 2, 0.25 * hardest_m_s2)
    return 45.0 + np.cumsum(gain) / RATE_HZ


def ridden(bike, speed_m_s, load=1.0):
    """Motion of a fork that carries the slow load: mass x gain of the whole, air, and the weight (any textbook)."""
    gain = np.gradient(speed_m_s) * RATE_HZ
    brake = -((MASS_KG + UNSPRUNG_KG) * gain + 0.2 * speed_m_s**2)
    vertical = (MASS_KG * 9.80665 * BACK_M + brake * HEIGHT_M) / LENGTH_M
    along = (vertical + 0.92 * np.maximum(brake, 0.0) * np.tan(RAKE)) * np.cos(RAKE)
    grid = np.linspace(0.0, 125.0, 501)
    spring = spring_of(bike, "front")
    travel = np.interp(load * along, [spring.force_n(float(x)) for x in grid], grid)
    front = SimpleNamespace(shaft_travel_mm=travel, valid=np.ones(len(travel), dtype=bool))
    return SimpleNamespace(ends={"front": front}, sample_rate_hz=RATE_HZ)


def checked(file, motion, speed_m_s, channels=None):
    track = SimpleNamespace(speed_m_s=speed_m_s)
    selected = np.ones(len(speed_m_s), dtype=bool)
    return check_fork(SimpleNamespace(channels=channels or {}), motion, track, selected, file)


def test_springs_that_carry_the_load_agree():
    speed = braking()
    found = checked(fork(TRUE), ridden(fork(TRUE), speed), speed)
    assert found.state == "agrees"
    assert found.ratio == pytest.approx(1.0, abs=0.01)
    assert (
        found.words
        == f"At deep travel the fork's springs carry {found.ratio:.2f} of what braking puts on them."
    )
    # the log has nothing to say against the file
    assert np.abs(found.fitted.mean).max() < 0.02


@pytest.mark.parametrize(("load", "hardest_m_s2"), [(0.8, 14.0), (1.25, 11.0)])
def test_a_fork_that_carries_another_load_than_its_file_says_differs(load, hardest_m_s2):
    speed = braking(hardest_m_s2)
    found = checked(fork(TRUE), ridden(fork(TRUE), speed, load), speed)
    assert found.state == "differs" and found.fitted is None
    assert found.ratio == pytest.approx(load, abs=0.03)
    low, high = EXPLAINED
    assert f"That should be {low:g} to {high:g}: rate, preload, air or the masses of the file" in found.words


def test_air_that_the_file_leaves_out_is_fitted_to_the_braking():
    speed = braking()
    found = checked(fork(None), ridden(fork({"air": AIR}), speed), speed)
    assert found.state == "repaired" and found.ratio < 0.93
    assert found.bike.front.spring.air is not None
    assert "The file gives the coil only: one air column was fitted" in found.words
    # a coil alone that carries the load needs none
    speed = braking(9.0)
    plain = checked(fork(None), ridden(fork(None), speed), speed)
    assert plain.state == "agrees" and plain.bike.front.spring.air is None


@pytest.mark.parametrize(
    ("spring", "words"),
    [
        (TRUE, "No braking was deep enough to check the fork's springs of the bike file."),
        (
            None,
            "No braking was deep enough to check the fork's springs of the bike file, and the bike file gives neither "
            "air nor a bump stop for the fork.",
        ),
    ],
)
def test_gentle_braking_checks_nothing(spring, words):
    speed = braking(hardest_m_s2=2.0)
    found = checked(fork(spring), ridden(fork(spring), speed), speed)
    assert (found.state, found.ratio, found.words) == ("unchecked", None, words)


@pytest.mark.parametrize(
    ("spring", "more"),
    [(TRUE, ""), (None, " And the bike file gives neither air nor a bump stop for the fork.")],
)
@pytest.mark.parametrize("lacks", ["speed", "upright"])
def test_without_speed_or_riding_upright_nothing_is_checked(spring, more, lacks):
    speed = braking()
    motion = ridden(fork(spring), speed)
    shown = np.full(len(speed), np.nan) if lacks == "speed" else speed
    lean = {"lean_deg": np.full(len(speed), -40.0)} if lacks == "upright" else {}
    found = checked(fork(spring), motion, shown, lean)
    assert found.state == "unchecked"
    assert found.words == (
        f"The fork's springs could not be checked: no ground speed, or no riding upright.{more}"
    )


def test_what_a_lean_does_to_the_fork_is_left_out():
    # every second braking is leaned over, where the fork carries half as much again
    speed = braking()
    leaned = (np.arange(len(speed)) / RATE_HZ // 12.0) % 2 == 1
    upright, loaded = (ridden(fork(TRUE), speed, load).ends["front"].shaft_travel_mm for load in (1.0, 1.5))
    motion = ridden(fork(TRUE), speed)
    motion.ends["front"].shaft_travel_mm = np.where(leaned, loaded, upright)
    lean = {"lean_deg": np.where(leaned, -30.0, 5.0)}
    assert checked(fork(TRUE), motion, speed, lean).ratio == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("spring", "load", "state"),
    [
        # no more than the errors that a bike file may have: 7 % of a coil, 13 % with air and rubber
        (None, 0.95, "agrees"),
        (None, 1.05, "agrees"),
        (None, 1.10, "differs"),
        (TRUE, 0.90, "agrees"),
        (TRUE, 1.10, "agrees"),
        (TRUE, 0.84, "differs"),
        (TRUE, 1.16, "differs"),
    ],
)
def test_how_far_a_fork_may_be_from_its_load(spring, load, state):
    speed = braking(13.0 if spring else 8.0)
    found = checked(fork(spring), ridden(fork(spring), speed, load), speed)
    assert found.ratio == pytest.approx(load, abs=0.025)  # a coil alone is given usual rubber
    assert found.state == state


@pytest.mark.parametrize(
    ("values", "moves"),
    [({"chassis__sprung_mass_kg": 222.6}, 0.04), ({"chassis__com_to_rear_axle_mm": 730.0}, 0.02)],
)
def test_what_an_error_of_the_masses_does_to_the_ratio(values, moves):
    # of a file with 5 % too much mass, or its centre 30 mm too far ahead: as the source of the limits says
    speed = braking()
    wrong = fork(TRUE, chassis__rider=None, chassis__fuel=None, **values)
    assert checked(wrong, ridden(fork(TRUE), speed), speed).ratio == pytest.approx(1.0 - moves, abs=0.006)
