"""The pole on records that nobody here made, with damping that is known, and a general library on the same signals.

A damping ratio does not depend on the unit of time: each record is played at the speed that puts its mode into the
band of a wheel hop.
"""

from importlib import resources

import numpy as np
import pytest
from scipy.io import loadmat
from scipy.signal import find_peaks

from telemetry.damping.evidence import fit_pole
from telemetry.damping.hop import WheelHop, band_signals

# No sprung mass and no spring beside the tyre's: the equation of one mass, m x'' + c x' + k x = w.
ONE_MASS = WheelHop(mass_ratio=0.0, spring_share=0.0, band_hz=(13.0, 23.0))


def played(record: np.ndarray, rate_hz: float, orders: tuple[int, ...]) -> tuple[float, np.ndarray]:
    """Signals of the one-mass equation from a record of its speed (orders 2 to -2) or acceleration (0 to -4)."""
    return band_signals(np.cumsum(record), rate_hz, orders, reference_hz=15.0)


def subspace_pole(signal: np.ndarray, step_s: float, hz: float) -> tuple[float, float]:
    """Frequency and ratio by covariance-driven subspace identification (Peeters & De Roeck 1999) of pyOMA-2."""
    from pyoma2.functions import ssi

    hankel, _ = ssi.build_hank(signal[None], signal[None], br=30, method="cov", calc_unc=False, nb=50)
    _, a, *_ = ssi.SSI(hankel, br=30, ordmax=6)
    roots = np.log(np.linalg.eigvals(a[6])) / step_s
    near = roots[np.argmin(np.abs(np.abs(roots) / (2 * np.pi) - hz) + 10 * (roots.imag < 0))]
    return float(np.abs(near) / (2 * np.pi)), float(-near.real / np.abs(near))


def test_modes_of_a_simulated_building():
    # pyOMA-2 (MIT), example_data: accelerations of five storeys under white forces, 300 s, a tenth of noise on the
    # sensors; the truth, a ratio of 0.02 in every mode, comes with the same call
    from pyoma2.functions.gen import example_data

    response, _, (frequencies, truth, shapes) = example_data()
    assert truth == 0.02
    ratios = []
    for frequency, shape in zip(frequencies, shapes.T, strict=True):
        step_s, signals = played(response @ shape, 100.0 * 16.0 / frequency, (0, -1, -2, -3, -4))
        own = signals[:, 50:-50]
        pole = fit_pole(own @ own.T, ONE_MASS)
        hz, ratio = subspace_pole(own[2], step_s, 16.0)
        assert pole.frequency_hz == pytest.approx(16.0, rel=0.01)
        assert pole.frequency_hz == pytest.approx(hz, rel=0.01)
        assert pole.damping_ratio == pytest.approx(ratio, abs=0.005)
        ratios.append(pole.damping_ratio)
    # 300 s leave a scatter of 7 to 17 % (Au, Operational Modal Analysis, 2017); the noise adds to the ratio
    np.testing.assert_allclose(ratios, truth, rtol=0.35)
    assert np.mean(ratios) == pytest.approx(truth, rel=0.15)


def test_measured_swing_of_a_fork():
    # rate gyro on a bicycle fork swinging as a pendulum, measured data in the wheel of bicycleparameters (BSD-2):
    # J. K. Moore, Human Control of a Bicycle, UC Davis, 2012, ch. 3. The package's own routine finds 1.590314 s.
    folder = resources.files("bicycleparameters") / "tests/sample_data"
    record = loadmat(str(folder / "BrowserForkCompoundFirst1.mat"), squeeze_me=True)
    swing = record["data"].astype(float) - record["data"].mean()
    faster = 20.0 * 1.590314
    _, signals = played(swing, float(record["ActualRate"]) * faster, (2, 1, 0, -1, -2))
    own = signals[:, 20:-20]  # the band's filter feels the ends of the record
    pole = fit_pole(own @ own.T, ONE_MASS)
    assert pole.frequency_hz == pytest.approx(20.0, rel=1e-3)
    # log decrement, a straight line through the logarithms of the same swings' peaks (any vibration text)
    inside = swing[round(20 * 0.01 * faster * 1000) : -round(20 * 0.01 * faster * 1000)]
    peaks, _ = find_peaks(inside, distance=1200, height=0.0)
    decrement = -np.polyfit(np.arange(len(peaks)), np.log(inside[peaks]), 1)[0]
    expected = decrement / np.hypot(2 * np.pi, decrement)
    assert pole.damping_ratio == pytest.approx(expected, rel=0.1)
    assert pole.damping_ratio == pytest.approx(0.0089, rel=0.03)  # the whole record's, by matrix pencil
