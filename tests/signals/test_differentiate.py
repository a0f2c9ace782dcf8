"""Speed from travel: exact where it claims to be, silent where it cannot be."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from telemetry.signals import differentiate
from telemetry.signals.calibrate import fit_calibration
from telemetry.signals.derivative import Differentiator, correlate, differentiator

RATES_HZ = (100.0, 200.0, 250.0, 500.0, 1000.0)


def published(window, order):
    """Savitzky-Golay first derivative as one of our filters, per sample."""
    return Differentiator(signal.savgol_coeffs(window, order, deriv=1, use="dot"), 1.0, 0.0, 0.0)


# Savitzky & Golay, Anal. Chem. 36 (1964) 1627: first derivative tables (also scipy.signal.savgol_coeffs)
TABLES = [
    (5, 2, np.arange(-2, 3) / 10),
    (7, 2, np.arange(-3, 4) / 28),
    (9, 2, np.arange(-4, 5) / 60),
    (5, 4, np.array([1, -8, 0, 8, -1]) / 12),
    (7, 4, np.array([22, -67, -58, 0, 58, 67, -22]) / 252),
    (9, 4, np.array([86, -142, -193, -126, 0, 126, 193, 142, -86]) / 1188),
]


@pytest.mark.parametrize(("window", "order", "weights"), TABLES)
def test_weights_are_applied_forward(window, order, weights):
    design = published(window, order)
    np.testing.assert_allclose(design.weights, weights, atol=1e-12)
    half = window // 2
    impulse = np.zeros(window + 8)
    impulse[half + 4] = 1.0
    # the answer to an impulse is the filter turned round, in place: no delay
    np.testing.assert_allclose(correlate(impulse, weights)[4 : window + 4], weights[::-1], atol=1e-12)
    rng = np.random.default_rng(1)
    travel = np.cumsum(rng.standard_normal(200))
    ours = correlate(travel, weights)[half:-half]
    theirs = signal.savgol_filter(travel, window, order, deriv=1)[half:-half]
    np.testing.assert_allclose(ours, theirs, atol=1e-10)


@pytest.mark.parametrize(
    ("window", "order", "sum_of_squares"),
    # least squares: 3/(M(M+1)(2M+1)) and 25(3M^4+6M^3-3M+1)/((2M+3)(2M+1)(2M-1)(M+2)(M+1)M(M-1))
    [
        (5, 2, 0.1),
        (7, 2, 0.0357143),
        (9, 2, 0.0166667),
        (21, 2, 0.0012987),
        (5, 4, 0.902778),
        (9, 4, 0.114338),
        (21, 4, 0.0082485),
    ],
)
def test_noise_gain(window, order, sum_of_squares):
    assert published(window, order).noise_gain ** 2 == pytest.approx(sum_of_squares, rel=2e-5)


@pytest.mark.parametrize(
    ("window", "order", "gains"),
    # H / ideal at f/fs = .02 .04 .08 .16, from the sum of h sin(2 pi f k) and by filtered sines
    [
        (9, 2, (0.96928, 0.88108, 0.58249, -0.00173)),
        (9, 4, (0.99984, 0.99744, 0.96310, 0.61136)),
        (21, 2, (0.83717, 0.45797, -0.07553, 0.00978)),
        (21, 4, (0.99449, 0.92451, 0.35877, 0.01845)),
    ],
)
def test_gain(window, order, gains):
    ours = published(window, order).gain(np.array([0.02, 0.04, 0.08, 0.16]))
    np.testing.assert_allclose(ours, gains, atol=6e-5)


def test_gain_of_the_central_difference():
    central = Differentiator(np.array([-0.5, 0.0, 0.5]), 1.0, 0.0, 0.0)
    # sin(wT)/(wT), any text on digital signal processing
    np.testing.assert_allclose(
        central.gain(np.array([0.02, 0.04, 0.08, 0.16])), [0.99737, 0.98951, 0.95844, 0.83979], atol=1e-4
    )


def test_noise_of_a_12_bit_sensor():
    # Widrow & Kollar, Quantization Noise, 2008: an LSB of q is white noise of q / sqrt(12) while travel moves.
    # 12 bit over 150 mm at 1 kHz: q 0.036621, 0.010572 mm.
    rate, step = 1000.0, 150 / 4096
    t = np.arange(200_000) / rate
    travel = (
        20 * np.sin(2 * np.pi * 1.7 * t)
        + 4 * np.sin(2 * np.pi * 13.3 * t + 1)
        + 2 * np.sin(2 * np.pi * 5.1 * t)
    )
    exact = differentiate(travel, rate)
    read = differentiate(np.round(travel / step) * step, rate)
    assert step / np.sqrt(12) == pytest.approx(0.010572, abs=1e-6)
    error = np.nanstd(read.speed_mm_s - exact.speed_mm_s)
    assert error == pytest.approx(read.noise_gain * step / np.sqrt(12), rel=0.05)


@pytest.mark.parametrize("rate", RATES_HZ)
def test_bandwidth_is_where_scipy_finds_minus_3_db(rate):
    design = differentiator(rate)
    frequency, response = signal.freqz(design.weights, worN=1 << 15, fs=rate)
    gain = np.abs(response[1:]) / (2 * np.pi * frequency[1:])
    assert design.bandwidth_hz == pytest.approx(frequency[1:][np.argmax(gain < np.sqrt(0.5))], abs=0.05)
    assert np.abs(gain[frequency[1:] <= design.passband_hz] - 1).max() < 0.003
    assert gain[frequency[1:] > 0.48 * rate].max() < 0.01


def test_logs_of_most_rates_share_one_bandwidth():
    bandwidths = [differentiator(rate).bandwidth_hz for rate in (250.0, 400.0, 500.0, 1000.0, 2000.0)]
    assert np.ptp(bandwidths) < 0.1
    assert differentiator(200.0).bandwidth_hz == pytest.approx(bandwidths[0], rel=0.12)


@pytest.mark.parametrize("rate", RATES_HZ)
@pytest.mark.parametrize("frequency", [0.5, 2.0, 8.0, 16.0, 20.0])
def test_a_sine_through_calibration_and_differentiation(rate, frequency):
    # analytic: 12 mm at f gives 12 * 2 pi f mm/s, a quarter period ahead
    t = np.arange(int(8 * rate)) / rate
    travel = 50 + 12 * np.sin(2 * np.pi * frequency * t)
    volts = 4.4 - travel / 40  # falls with compression
    read = fit_calibration([(4.4, 0.0), (1.4, 120.0)]).travel_mm(volts)
    np.testing.assert_allclose(read, travel, atol=1e-9)
    speed = differentiate(read, rate).speed_mm_s
    amplitude = 12 * 2 * np.pi * frequency
    ok = np.isfinite(speed)
    assert ok.mean() > 0.95
    np.testing.assert_allclose(
        speed[ok], amplitude * np.cos(2 * np.pi * frequency * t[ok]), atol=0.002 * amplitude
    )


@pytest.mark.parametrize("rate", RATES_HZ)
def test_constant_speed_is_exact(rate):
    speed = differentiate(7.0 + 130.0 * np.arange(400) / rate, rate).speed_mm_s
    np.testing.assert_allclose(speed[np.isfinite(speed)], 130.0, rtol=1e-10)


@pytest.mark.parametrize("rate", RATES_HZ)
def test_a_gap_stays_a_gap(rate):
    rng = np.random.default_rng(2)
    travel = np.cumsum(rng.standard_normal(600))
    whole = differentiate(travel, rate)
    edge = round(whole.edge_s * rate)
    travel_with_gap = travel.copy()
    travel_with_gap[300:320] = np.nan
    gap = differentiate(travel_with_gap, rate).speed_mm_s
    expected = whole.speed_mm_s.copy()
    expected[300 - edge : 320 + edge] = np.nan
    np.testing.assert_array_equal(np.isnan(gap), np.isnan(expected))
    np.testing.assert_allclose(gap, expected, rtol=1e-9, atol=1e-9)
    assert np.isnan(whole.speed_mm_s[:edge]).all() and np.isnan(whole.speed_mm_s[-edge:]).all()
    assert np.isfinite(whole.speed_mm_s[edge:-edge]).all()


def test_records_shorter_than_the_filter_have_no_speed():
    assert np.isnan(differentiate(np.arange(10.0), 1000.0).speed_mm_s).all()
    assert differentiate(np.zeros(0), 500.0).speed_mm_s.shape == (0,)


def test_bandwidth_can_be_asked_for():
    result = differentiate(np.arange(500.0), 500.0, bandwidth_hz=30.0)
    assert result.bandwidth_hz == pytest.approx(30.0, abs=0.1)
    assert result.noise_gain < differentiate(np.arange(500.0), 500.0).noise_gain
    with pytest.raises(ValueError, match="bandwidth_hz=80 must lie between 0 and 56.2 at 200 Hz"):
        differentiate(np.arange(500.0), 200.0, bandwidth_hz=80.0)


travels = st.lists(st.floats(-200, 200), min_size=60, max_size=60).map(np.array)


@settings(max_examples=40, deadline=None)
@given(travels, travels, st.floats(-5, 5))
def test_linear(one, other, gain):
    def speed(travel):
        return differentiate(travel, 250.0).speed_mm_s

    np.testing.assert_allclose(speed(one + gain * other), speed(one) + gain * speed(other), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(travels, st.integers(1, 20), st.floats(-100, 100))
def test_time_shift_and_offset(travel, shift, offset):
    later = np.concatenate((np.full(shift, np.nan), travel + offset))
    np.testing.assert_allclose(
        differentiate(later, 250.0).speed_mm_s[shift:], differentiate(travel, 250.0).speed_mm_s, atol=1e-7
    )


@settings(max_examples=40, deadline=None)
@given(travels)
def test_time_reversed_speed_changes_sign(travel):
    forward = differentiate(travel, 250.0).speed_mm_s
    backward = differentiate(travel[::-1], 250.0).speed_mm_s
    np.testing.assert_allclose(backward[::-1], -forward, atol=1e-7)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_speed_passes_up_to_a_quarter_of_the_sample_rate_or_28_hz(rate_hz):
    # the band of body and wheel hop (the wheel hops at 10 to 20 Hz; common practice, no source) must come through
    # whole: gain within 1 % below the pass band's end, which a slow log has at a quarter of its rate
    edge = min(28.0, 0.25 * rate_hz)
    design = differentiator(rate_hz)
    assert design.passband_hz == pytest.approx(edge)
    half = len(design.weights) // 2
    for frequency in np.linspace(1.0, edge, 12):
        turn = 2 * np.pi * frequency / rate_hz
        gain = np.imag(design.weights @ np.exp(1j * turn * np.arange(-half, half + 1)))
        assert abs(gain) / (2 * np.pi * frequency) == pytest.approx(1.0, abs=0.015), frequency
