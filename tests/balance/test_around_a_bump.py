"""Travel cut out about a bump: between the samples, and level before and after."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.balance.bumps import PLACE_M, _about, _place

LAGS = np.arange(-40, 61)


def test_travel_about_a_moment_is_that_of_numpy_less_the_line_from_before_to_after():
    travel = 20.0 + 0.05 * np.arange(400) + np.random.default_rng(4).normal(0, 2.0, 400)
    motion = SimpleNamespace(ends={"rear": SimpleNamespace(wheel_travel_mm=travel)})
    moments = np.array([120.25, 200.0, 301.75])
    found = _about(motion, "rear", moments, LAGS)
    for cut, moment in zip(found, moments, strict=True):
        wanted = np.interp(moment + LAGS, np.arange(400), travel)  # a general library's
        few = len(LAGS) // 20
        line = np.linspace(wanted[:few].mean(), wanted[-few:].mean(), len(LAGS))
        np.testing.assert_allclose(cut, wanted - line, atol=1e-9)


def test_a_bump_on_a_ramp_is_the_bump():
    n = np.arange(400.0)
    bump = 12.0 * np.exp(-(((n - 200.5) / 8.0) ** 2))
    motion = SimpleNamespace(ends={"front": SimpleNamespace(wheel_travel_mm=30.0 + 0.02 * n + bump)})
    (cut,) = _about(motion, "front", np.array([200.5]), LAGS)
    assert cut[LAGS == 0][0] == pytest.approx(12.0, abs=0.1)
    assert np.abs(cut[[0, -1]]).max() < 0.1


def test_bumps_of_one_place_share_a_number_and_those_without_a_place_have_their_own():
    metres = np.array([500.0, 10.0, 10.0 + 0.9 * PLACE_M, np.nan, 500.0 + 1.1 * PLACE_M, 500.5, np.nan])
    found = _place(metres, np.array([40, 10, 11, 12, 41, 13, 14]))
    assert found[1] == found[2] and found[0] == found[5]
    assert len({found[1], found[0], found[4], found[3], found[6]}) == 5
    assert found.max() == 2 and found[3] < 0 and found[6] < 0
