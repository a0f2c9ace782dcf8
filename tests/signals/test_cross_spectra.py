"""Cross spectra against closed forms and scipy's."""

import numpy as np
import pytest
from scipy import signal

from telemetry.signals.spectra import cross_spectrum, power_spectrum


@pytest.mark.parametrize("snr", [1.0, 3.0, 9.0])
def test_coherence_of_a_known_signal_to_noise_ratio(snr):
    # J. S. Bendat, A. G. Piersol, Random Data: noise on one side only, coherence = SNR / (1 + SNR)
    rng = np.random.default_rng([1986, int(snr)])
    first = rng.standard_normal(400_000)
    second = first + rng.standard_normal(400_000) / np.sqrt(snr)
    cross = cross_spectrum(first, second, 200.0)
    assert np.mean(cross.coherence[5:-5]) == pytest.approx(snr / (1 + snr), abs=0.01)
    coherence, phase = cross.band(5.0, 50.0)
    assert coherence == pytest.approx(snr / (1 + snr), abs=0.01)
    assert phase == pytest.approx(0.0, abs=1.0)


def test_noise_on_both_sides_is_the_product():
    # Bendat & Piersol: each side's SNR / (1 + SNR), multiplied
    rng = np.random.default_rng(4)
    common = rng.standard_normal(400_000)
    first, second = (common + rng.standard_normal(400_000) / np.sqrt(snr) for snr in (3.0, 9.0))
    coherence = cross_spectrum(first, second, 200.0).coherence
    assert np.mean(coherence[5:-5]) == pytest.approx(0.75 * 0.9, abs=0.01)


def test_records_without_relation_stay_below_chance_on_19_of_20_lines():
    # G. C. Carter, Proc. IEEE 75(2), 1987: 95 % limit 1 - 0.05^(1/(n-1)) for n independent averages
    rng = np.random.default_rng(16)
    above = []
    for _ in range(60):
        cross = cross_spectrum(*rng.standard_normal((2, 256 * 16)), 200.0, segment_samples=256)
        above.append(np.mean(cross.coherence[2:-2] > cross.chance_coherence))
    assert cross.segments == 31
    # 7440 lines, neighbours alike: +-0.008 is three of their standard errors
    assert np.mean(above) == pytest.approx(0.05, abs=0.008)


def test_a_delay_is_the_slope_of_the_phase():
    # a delay T turns the phase by -360 f T degrees; 28.0 ms, 2 to 30 Hz
    rate, delay_s = 1000.0, 0.028
    first = signal.lfilter(
        *signal.butter(4, 40.0, fs=rate), np.random.default_rng(5).standard_normal(200_000)
    )
    second = np.roll(first, round(delay_s * rate))
    cross = cross_spectrum(first, second, rate, segment_samples=2048)
    line = (cross.frequency_hz > 2) & (cross.frequency_hz < 30)
    phase = np.unwrap(np.radians(cross.phase_deg[line]))
    slope = np.polyfit(cross.frequency_hz[line], phase, 1)[0]
    assert -slope / (2 * np.pi) == pytest.approx(delay_s, abs=0.15e-3)


def test_against_scipy():
    rng = np.random.default_rng(6)
    first = np.cumsum(rng.standard_normal(5000))
    second = np.roll(first, 3) + rng.standard_normal(5000)
    ours = cross_spectrum(first, second, 250.0, segment_samples=256)
    _, cross = signal.csd(first, second, 250.0, nperseg=256)
    _, coherence = signal.coherence(first, second, 250.0, nperseg=256)
    np.testing.assert_allclose(ours.cross_density[1:], cross[1:], rtol=1e-9)
    np.testing.assert_allclose(ours.coherence[1:], coherence[1:], rtol=1e-9)
    np.testing.assert_allclose(
        ours.second_density, power_spectrum(second, 250.0, segment_samples=256).density
    )


def test_a_gap_in_either_record_is_in_no_segment():
    rng = np.random.default_rng(7)
    first, second = rng.standard_normal((2, 20_000))
    first[5000] = second[12_000] = np.nan
    cross = cross_spectrum(first, second, 200.0, segment_samples=1000)
    # 5000, 6999 and 7999 valid samples hold 9, 12 and 14 segments that overlap by half
    assert cross.segments == 9 + 12 + 14
    assert np.isfinite(cross.coherence).all()


def test_power_spectrum_keeps_the_power_of_a_segment():
    # Parseval, exact for a tapered segment: sum of density df = sum (w x)^2 / sum w^2
    record = np.random.default_rng(8).standard_normal(400)
    found = power_spectrum(record, 200.0, segment_samples=400)
    taper = np.hanning(401)[:-1]
    power = np.sum(((record - record.mean()) * taper) ** 2) / np.sum(taper**2)
    assert found.density.sum() * found.frequency_hz[1] == pytest.approx(power, rel=1e-12)


def test_too_short_a_record_has_no_spectrum():
    cross = cross_spectrum(np.zeros(50), np.zeros(50), 200.0, segment_samples=100)
    assert cross.segments == 0
    assert np.isnan(cross.coherence).all()
    assert np.isnan(cross.band(1.0, 10.0)[0])
    assert cross.chance_coherence == 1.0
