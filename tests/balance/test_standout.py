"""Where bumps stand out of the road: prediction and matched shape against closed forms, and rides of known bumps."""

import numpy as np
import pytest

from telemetry.balance.bumps import peaks_above, standing_out, whitened
from telemetry.simulate import Bump
from tests.benchmarks.balance.judge import bumps_of, stands_out
from tests.benchmarks.balance.trials import Plan, make


def test_what_a_resonance_adds_is_told_and_its_input_comes_back():
    # a second-order autoregressive process x[i] = 1.6 x[i-1] - 0.8 x[i-2] + e[i]: its innovations are e (any text on
    # time series, e.g. G. Box, G. Jenkins, Time Series Analysis, ch. 3; from memory)
    rng = np.random.default_rng(1)
    new = rng.normal(size=20_000)
    x = np.zeros(len(new))
    for i in range(2, len(x)):
        x[i] = 1.6 * x[i - 1] - 0.8 * x[i - 2] + new[i]
    assert np.corrcoef(whitened(x)[100:], new[100:])[0, 1] > 0.99
    assert np.corrcoef(x[100:], new[100:])[0, 1] < 0.5


def test_what_follows_a_gap_is_left_out_until_it_can_be_told():
    rng = np.random.default_rng(2)
    x = np.cumsum(rng.normal(size=4000)) * 0.1
    x[1000:1100] = np.nan
    found = whitened(x)
    assert not found[1000:1124].any() and np.isfinite(found).all()
    assert found[1130:1200].any()
    assert not whitened(np.full(4000, np.nan)).any()


def test_a_bump_of_known_size_in_white_noise_stands_out_by_the_root_of_its_energy():
    # matched filter: amplitude a of n samples of a sine over unit noise stands a sqrt(n / 2) out (Turin 1960, as in
    # `find_bumps`)
    rng = np.random.default_rng(3)
    road = rng.normal(size=50_000)
    bump = np.sin(2 * np.pi * (np.arange(24) + 0.5) / 24)
    for at in range(500, 49_000, 500):
        road[at - 12 : at + 12] += 2.0 * bump
    found = standing_out(road, 250.0)[500:49_000:500]
    assert np.mean(found) == pytest.approx(2.0 * np.sqrt(12), abs=0.4)


@pytest.mark.parametrize(("height_mm", "length_m", "psd_m3"), [(4.0, 3.0, 16e-6), (12.0, 1.0, 4e-6)])
def test_how_far_a_bump_stands_out_is_its_closed_form(height_mm, length_m, psd_m3):
    # h / (2 n0 sqrt(Gd l)), n0 = 0.1 cycles/m: slow enough that nothing of it lies above 60 Hz
    closed = 1e-3 * height_mm / (0.2 * np.sqrt(psd_m3 * length_m))
    assert stands_out(Bump(0.0, height_mm, length_m), 20.0, psd_m3) == pytest.approx(closed, rel=0.02)
    # 60 Hz sees less of a bump that lasts 7 ms
    assert stands_out(Bump(0.0, height_mm, 0.5), 75.0, psd_m3) < 0.4 * closed * np.sqrt(length_m / 0.5)


@pytest.mark.parametrize(("psd_m3", "recall"), [(1e-6, "met"), (4e-6, "met"), (16e-6, "clear_met")])
def test_bumps_from_4_mm_up_are_met_and_paired_with_themselves(psd_m3, recall):
    # the bar: 0.95 each. On the mean road of class A (ISO 8608: 16e-6 m3) a bump of 4 mm may be no more than the road
    # makes itself; there it is asked of those that stand out of it
    speeds_m_s = (15.0, 27.0, 39.0, 51.0, 63.0, 75.0)
    found = [bumps_of(make(Plan(811 + i, v, psd_m3=psd_m3))) for i, v in enumerate(speeds_m_s)]
    assert sum(b.right for b in found) >= 0.95 * sum(b.pairs for b in found)
    due = sum(b.clear if recall == "clear_met" else b.bumps for b in found)
    assert due > 200
    assert sum(getattr(b, recall) for b in found) >= 0.95 * due
    assert sum(b.by_chance for b in found) < 0.3 * sum(b.bumps for b in found)


def test_a_group_of_peaks_is_placed_at_the_first_that_counts():
    values = np.zeros(200)
    values[[50, 62, 120]] = [6.0, 10.0, 8.0]
    values[45] = 3.0  # less than half of the highest: not the bump
    assert peaks_above(values, 2.0, 20).tolist() == [50, 120]


def test_memory_that_was_not_written_is_not_computed_with(monkeypatch):
    """A signalling NaN, which memory may hold, is an invalid value to whoever divides it (IEEE 754-2019, sec. 6.2)."""
    road = np.random.default_rng(4).normal(size=3000)
    expected = standing_out(road, 250.0)

    real = np.empty

    def unwritten(*shape, **more):
        found = real(*shape, **more)
        if found.dtype == np.float64:
            found.view(np.uint64)[...] = 0x7FF0000000000001
        return found

    monkeypatch.setattr("telemetry.balance.bumps.np.empty", unwritten)
    with np.errstate(all="raise"):
        found = standing_out(road, 250.0)
    np.testing.assert_array_equal(found, expected)
