"""The rear equation against the quarter vehicle's eigenvalues."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.bike import SpringEnd, bike_modes, modes, parse_bike, quarter_vehicle
from telemetry.damping.detector_model import find_tone
from telemetry.damping.equation import ORDERS, OWN
from telemetry.damping.evidence import Pole, fit_pole, hop_near, stopped_by_bounds
from telemetry.damping.hop import (
    BAND_WEIGHT,
    FREQUENCY_HZ,
    REFERENCE_HZ,
    WheelHop,
    as_it_works,
    band_window,
    coefficients,
    hop_mode,
    hop_modes,
    hop_ratio,
    log_gain,
    tyre_hz_of,
    wheel_hop,
)
from telemetry.simulate import demo_bike

SPRUNG_KG, UNSPRUNG_KG, SPRING, TYRE = 125.0, 20.0, 24e3, 180e3
PER_S = 2 * np.pi * REFERENCE_HZ


def quarter(tyre_damping: float) -> tuple[WheelHop, float]:
    hop = WheelHop(
        mass_ratio=UNSPRUNG_KG / SPRUNG_KG,
        spring_share=SPRING / TYRE,
        tyre_damping=tyre_damping / UNSPRUNG_KG / PER_S,
    )
    return hop, float(np.sqrt(TYRE / UNSPRUNG_KG)) / (2 * np.pi)


# Quarter vehicle of Gillespie, Fundamentals of Vehicle Dynamics (SAE 1992), ch. 5, with illustrative road-race
# values (125 kg, 20 kg, 24 kN/m, 180 kN/m): hop frequency and ratio from the roots of its quartic, to 4 digits.
# The last row has 100 N s/m in the tyre.
@pytest.mark.parametrize(
    ("damper", "tyre", "hz", "ratio"),
    [
        (0.0, 0.0, 16.0919, 0.0),
        (60.0, 0.0, 16.0910, 0.01537),
        (300.0, 0.0, 16.0688, 0.07696),
        (1500.0, 0.0, 15.4657, 0.39649),
        (60.0, 100.0, 16.0914, 0.04004),
    ],
)
def test_hop_mode_is_the_quarter_vehicles(damper, tyre, hz, ratio):
    hop, tyre_hz = quarter(tyre)
    found = hop_mode(hop, tyre_hz, (damper + tyre) / UNSPRUNG_KG / PER_S)
    assert found == pytest.approx((hz, ratio), abs=6e-5)


def test_hop_mode_agrees_with_the_eigenvalues_of_the_matrices():
    hop, tyre_hz = quarter(210.0)
    end = SpringEnd(UNSPRUNG_KG, SPRING, TYRE, 800.0, 210.0)
    mode = modes(quarter_vehicle(SPRUNG_KG, end))[-1]
    assert hop_mode(hop, tyre_hz, 1010.0 / UNSPRUNG_KG / PER_S) == pytest.approx(
        (mode.fn_hz, mode.damping_ratio), rel=1e-9
    )


def test_log_gain_is_the_mean_over_the_band():
    row = coefficients(WheelHop(), np.array(15.0), np.array(0.3))
    s = 1j * FREQUENCY_HZ / REFERENCE_HZ
    gain = np.polyval(row, s) / s**2
    assert log_gain(row) == pytest.approx(
        np.average(2 * np.log(np.abs(gain)), weights=BAND_WEIGHT), rel=1e-12
    )


def test_many_modes_are_the_roots_one_by_one():
    hop, tyre_hz = quarter(210.0)
    rng = np.random.default_rng(4)
    tyre, damping = tyre_hz * rng.uniform(0.8, 1.2, 40), np.geomspace(0.03, 1.7, 40)
    hz, ratio = hop_modes(hop, tyre, damping)
    for found, row in zip(np.stack([hz, ratio], axis=1), coefficients(hop, tyre, damping), strict=True):
        roots = np.roots(row)
        fastest = roots[np.argmax(np.abs(roots))]
        assert found == pytest.approx((abs(fastest) * REFERENCE_HZ, -fastest.real / abs(fastest)), rel=1e-9)


@pytest.mark.parametrize("mass_ratio", [0.25, 0.36, 0.5])
def test_the_ratio_of_the_hop_rises_with_the_damping_where_the_modes_stops(mass_ratio):
    hop, damping = WheelHop(mass_ratio=mass_ratio), np.geomspace(0.03, 1.7, 60)
    tyre = np.full(60, 15.0)
    ratio, (_, of_mode) = hop_ratio(hop, tyre, damping), hop_modes(hop, tyre, damping)
    assert (np.diff(ratio) > 0).all()
    assert np.diff(np.log(ratio)).max() < 1.1 * np.diff(np.log(damping)).max() + 0.05
    low = ratio < 0.3
    np.testing.assert_allclose(ratio[low], of_mode[low], rtol=1e-12)
    assert of_mode[-1] == pytest.approx(1.0)  # wheel and chassis as one: no measure of the damper


def test_frequency_and_its_inverse():
    assert hop_mode(WheelHop(), tyre_hz_of(WheelHop(), 16.3), 0.0)[0] == pytest.approx(16.3, rel=1e-12)


def test_the_bike_file_gives_the_band():
    bike = demo_bike()
    hop = wheel_hop(bike, "rear")
    lost = min(bike_modes(bike, rear_damper_scale=0.0), key=lambda mode: abs(mode.fn_hz - 16.0))
    assert hop.from_bike
    assert hop.band_hz[0] < lost.fn_hz < hop.band_hz[1]
    # the half vehicle couples the ends; the quarter vehicle with the mass felt at the axle is 2 % from it
    assert np.mean(hop.band_hz) == pytest.approx(lost.fn_hz, rel=0.02)


def test_without_masses_the_band_is_the_wide_default():
    data = demo_bike().model_dump(exclude_none=True)
    data.pop("chassis")
    data["rear"].pop("tyre_rate_n_per_mm")
    assert not wheel_hop(parse_bike(data), "rear").from_bike
    assert wheel_hop(parse_bike(data), "rear").band_hz == (11.0, 21.0)


def test_the_window_is_one_in_the_hop_band_and_nothing_outside():
    np.testing.assert_allclose(band_window(np.array([6.0, 12.0, 20.0, 28.0])), 1.0)
    np.testing.assert_allclose(band_window(np.array([0.0, 4.0, 36.0, 50.0])), 0.0, atol=1e-15)


def test_a_springy_damper_puts_the_working_wheel_above_its_hop_and_the_search_reaches_it():
    # one mass on springs with a damper in series with a spring (Maxwell, the standard linear solid of any textbook on
    # viscoelasticity): x (k_t + k - m w^2 + j w c k_s / (k_s + j w c)) = k_t road, the road white in speed
    series, damper, wheel_rate = 120e3, 3500.0, 24e3
    w = 2 * np.pi * FREQUENCY_HZ
    springy = 1j * w * damper * series / (series + 1j * w * damper)
    gain = TYRE / (TYRE + wheel_rate - UNSPRUNG_KG * w**2 + springy)
    orders = (1j * FREQUENCY_HZ / REFERENCE_HZ) ** np.array(ORDERS[OWN])[:, None]
    products = np.real((orders * (BAND_WEIGHT * np.abs(gain) ** 2)) @ orders.conj().T)
    hop, tyre_hz = quarter(0.0)
    hop_hz, _ = hop_mode(hop, tyre_hz, 0.0)
    low, high = 0.85 * hop_hz, 1.15 * hop_hz
    hop = replace(hop, band_hz=(low, high))
    # the peak of the wheel's speed, read from the response itself
    peak_hz = FREQUENCY_HZ[np.argmax(np.abs(gain))]
    assert peak_hz > high, "no longer a case of it"
    assert stopped_by_bounds(fit_pole(products, hop), hop)[0], "the hop's own band is too low"
    found = fit_pole(products, as_it_works(hop))
    assert found.frequency_hz == pytest.approx(peak_hz, rel=0.05)
    assert stopped_by_bounds(found, hop)[0], "as far as the hop is concerned, it lies beyond"


def test_a_wheel_without_chassis_hops_at_the_rate_of_its_tyre_and_is_looked_for_beside_it():
    # one mass on a spring: sqrt(k / m) is the tyre's own frequency, whatever its damper
    hop = WheelHop(mass_ratio=0.0, spring_share=0.0)
    middle = sum(hop.band_hz) / 2
    low, high = hop_near(Pole(middle, 0.5, middle, 0.25, 0.0), hop)
    assert (low, high) == pytest.approx((0.85 * middle, 1.15 * middle), rel=1e-6)
    near_the_top = hop.band_hz[1] - 0.5
    assert hop_near(Pole(near_the_top, 0.5, near_the_top, 0.25, 0.0), hop)[1] == hop.band_hz[1]
    assert hop_near(Pole(middle, 0.5, middle, 0.999, 0.0), hop) == hop.band_hz


@pytest.mark.parametrize("tone_hz", [22.03, 27.48, 30.0])
def test_a_steady_tone_is_found_between_the_bins_of_its_spectrum(tone_hz):
    # bins of a tenth of a hertz; a sine of known frequency in white noise
    step_s = 0.01
    t_s = np.arange(0.0, 120.0, step_s)
    noise = np.random.default_rng(6).standard_normal(len(t_s))
    usable = np.ones(len(t_s), dtype=bool)
    found = find_tone(noise + np.sin(2 * np.pi * tone_hz * t_s), usable, step_s)
    assert found is not None
    assert found.rate_hz.mean() == pytest.approx(tone_hz, abs=0.02)
    assert find_tone(noise, usable, step_s) is None
