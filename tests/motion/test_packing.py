"""Packing on a case made by hand and on simulated motorcycles; loads that look like it are not called."""

import numpy as np
import pytest

from telemetry.motion import Motion, find_packing
from tests.benchmarks.motion.score import Packing, score_packing
from tests.benchmarks.motion.slow_rebound import rows_outing
from tests.motion.made_ends import RATE_HZ, end_of

N = 6000
T = np.arange(N) / RATE_HZ


def bumps_mm(start_s, n, *, down_mm, up_mm, every_s=0.16):
    """Ride height 40 mm; n bumps that compress by ``down_mm`` in a quarter of the time and give back ``up_mm``."""
    times, levels = [0.0, start_s], [40.0, 40.0]
    for k in range(n):
        begin, level = start_s + k * every_s, levels[-1]
        times += [begin + 0.25 * every_s, begin + every_s]
        levels += [level + down_mm, level + down_mm - up_mm]
    times += [times[-1] + 0.3, T[-1]]
    levels += [40.0, 40.0]
    return np.interp(T, times, levels)


def motion_of(rear_mm, front_mm=None):
    ends = {}
    for name, travel in (("rear", rear_mm), ("front", front_mm)):
        if travel is not None:
            end = end_of(travel, np.gradient(travel) * RATE_HZ, stroke_mm=125.0, ratio=1.0)
            ends[name] = end if name == "rear" else end_of_front(end)
    return Motion("made by hand", T, RATE_HZ, ends, np.full(N, np.nan), 1400.0)


def end_of_front(end):
    from dataclasses import replace

    return replace(end, end="front")


def found(motion, speed=None):
    steady = np.full(N, 50.0)
    return find_packing(motion, np.ones(N, bool), steady if speed is None else speed)


def test_an_end_that_gives_back_less_than_it_takes_packs():
    (event,) = found(motion_of(bumps_mm(4.0, 8, down_mm=15.0, up_mm=11.0), np.full(N, 50.0)))
    assert event.end == "rear"
    assert event.start_s == pytest.approx(4.0, abs=0.4)
    assert event.end_s == pytest.approx(4.0 + 7 * 0.16, abs=0.1)
    assert event.bumps == 8
    # seven troughs at 44, 48 ... 68 mm against 40
    assert event.sink_mm == pytest.approx(16.0, abs=0.5)
    assert event.rebound_mm_s < 0.5 * event.compression_mm_s


def test_an_end_that_comes_back_does_not_pack():
    assert found(motion_of(bumps_mm(4.0, 8, down_mm=15.0, up_mm=15.0))) == ()


def test_three_bumps_are_no_run():
    assert found(motion_of(bumps_mm(4.0, 3, down_mm=15.0, up_mm=10.0))) == ()


def test_sinking_with_the_other_end_is_a_load():
    travel = bumps_mm(4.0, 8, down_mm=15.0, up_mm=12.0)
    assert found(motion_of(travel, travel + 10.0)) == ()


def test_sinking_while_the_brakes_come_on_is_a_load():
    travel = bumps_mm(4.0, 8, down_mm=15.0, up_mm=12.0)
    speed = 50.0 - np.clip(T - 4.5, 0, None) * 8.0
    assert found(motion_of(travel), speed) == ()
    assert len(found(motion_of(travel), 50.0 - 8.0 * T / 10)) == 1


def test_without_speed_nothing_is_called():
    travel = bumps_mm(4.0, 8, down_mm=15.0, up_mm=12.0)
    assert found(motion_of(travel), np.full(N, np.nan)) == ()


def test_sinking_that_stays_is_a_load():
    travel = bumps_mm(4.0, 8, down_mm=15.0, up_mm=12.0)
    after = T > 4.0 + 8 * 0.16
    travel[after] = travel[np.argmax(after)]
    assert found(motion_of(travel)) == ()


def test_simulated_motorcycles_pack_with_four_times_their_rebound_and_not_with_their_own():
    # random motorcycles over rows of bumps; the whole trial is tests/benchmarks/motion/run.py
    sound = score_packing(rows_outing(720_000, 1.0))
    assert (sound.found, sound.elsewhere) == (0, 0)
    slow = score_packing(rows_outing(720_000, 4.0))
    assert slow.found >= 3
    assert isinstance(slow, Packing)
