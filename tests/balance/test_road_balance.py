"""Same bump, damping and delay against simulated rides: a slice of tests/benchmarks/balance at the same bars."""

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks" / "balance"))

from judge import faults  # noqa: E402
from trials import Plan, make  # noqa: E402

from telemetry.balance.bumps import find_pairs  # noqa: E402
from telemetry.balance.measure import balance  # noqa: E402
from telemetry.balance.resistance import damping_balance, verdict, vertex  # noqa: E402


@cache
def ridden(seed, speed_m_s, compression=1.0, rebound=1.0, psd_m3=4e-6):
    return make(Plan(seed, speed_m_s, psd_m3=psd_m3, compression=compression, rebound=rebound))


@pytest.mark.parametrize(
    ("seed", "speed_m_s", "compression", "rebound", "due"),
    [
        (801, 18.0, 1.0, 1.0, ("even", "even")),
        (802, 40.0, 1.3, 1 / 1.3, ("rear more", "rear less")),
        (803, 65.0, 1 / 1.3, 1.0, ("rear less", "even")),
    ],
)
def test_the_end_that_is_damped_more_is_named(seed, speed_m_s, compression, rebound, due):
    ride = ridden(seed, speed_m_s, compression, rebound)
    found = damping_balance(ride.motion, ride.track, ride.bike)
    assert (verdict(found.compression), verdict(found.rebound)) == due
    assert found.compression.value == pytest.approx(compression, rel=0.1)
    assert found.rebound.value == pytest.approx(rebound, rel=0.1)
    # one sample at 500 Hz
    assert abs(found.residual_delay_ms) < 2.0


def test_a_bike_file_without_masses_is_said_not_guessed():
    ride = ridden(801, 18.0)
    bare = ride.bike.model_copy(update={"chassis": None})
    found = damping_balance(ride.motion, ride.track, bare)
    assert "lacks [chassis]" in found.reason and found.compression.value is None
    assert verdict(found.compression) == "cannot tell"


def test_masses_that_are_not_on_the_bike_are_not_believed():
    ride = ridden(802, 40.0, 1.3, 1 / 1.3)
    wrong = ride.bike.model_copy(
        update={
            "chassis": ride.bike.chassis.model_copy(
                update={"sprung_mass_kg": 55.0, "pitch_inertia_kg_m2": 90.0}
            )
        }
    )
    assert damping_balance(ride.motion, ride.track, wrong).reason != ""


def test_swapped_ends_and_a_wrong_speed_are_named_and_a_sound_ride_is_not():
    assert all(right for _, right in faults(820))


def test_the_stack_and_groups_stand_with_a_whole_run_and_are_bounded():
    ride = ridden(802, 40.0, 1.3, 1 / 1.3)
    pairs = find_pairs(ride.motion, ride.track)
    every = np.ones(len(ride.motion.t_s), bool)
    bump = balance(ride.motion, ride.track, every, pairs, ride.bike).same_bump
    response = bump.response
    assert len(response.lag_ms) == len(response.front_mm) == len(response.rear_mm) < 200
    by_name = {measure.name: measure for measure in response.measures}
    assert by_name["depth_mm"].front > 1.0
    # harder to compress: the rear goes less deep for its size; softer in rebound: it comes up faster
    assert bump.compression_ratio < bump.rebound_ratio
    assert {group.kind for group in bump.groups} >= {"size"}
    assert sum(group.pairs for group in bump.groups if group.kind == "size") <= bump.pairs
    lap = balance(ride.motion, ride.track, every, pairs).same_bump
    assert lap.response is None and lap.groups == ()


def test_pairs_at_a_braking_point_are_kept_apart():
    ride = ridden(802, 40.0, 1.3, 1 / 1.3)
    t = ride.motion.t_s
    # the speed channel alone brakes: only which pairs are kept apart is looked at
    track = replace(ride.track, speed_m_s=ride.track.speed_m_s + _dip(t))
    pairs = find_pairs(ride.motion, track)
    near = np.abs(t[pairs.bump] - 20.0) < 0.3
    assert pairs.disturbed[near].all()
    assert not pairs.disturbed[(t[pairs.bump] < 18) | (t[pairs.bump] > 26)].any()


def _dip(t):
    """Speed that falls by 1.6 m/s within 0.4 s at 20 s and comes back slowly. [m/s]"""
    return -1.6 * np.clip((t - 19.8) / 0.4, 0, 1) + 1.6 * np.clip((t - 20.2) / 4.0, 0, 1)


def test_delay_is_read_from_the_peak_of_a_correlation():
    # a band-limited record moved by a known 7.3 ms: the peak of the cross-correlation lies there
    rng = np.random.default_rng(5)
    n, rate = 4000, 250.0
    spectrum = np.fft.rfft(rng.normal(size=n))
    f = np.fft.rfftfreq(n, 1 / rate)
    spectrum[(f < 1.5) | (f > 9.0)] = 0
    front = np.fft.irfft(spectrum, n)
    rear = np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * 0.0073), n)
    lags = np.arange(-0.02, 0.0201, 0.004)
    likeness = np.array([front @ np.roll(rear, -round(lag * rate)) for lag in lags])
    assert vertex(lags, likeness) == pytest.approx(0.0073, abs=0.0004)
