"""The pole of a wheel that is known: from random records, with the scatter that theory gives."""

import numpy as np
import pytest

from telemetry.damping.evidence import fit_pole, frequency_scatter
from telemetry.damping.hop import WheelHop, band_signals
from telemetry.signals import damping_scatter
from tests.signals.decays import damping_from_record

# No sprung mass and no spring beside the tyre's: the equation of one mass, m x'' + c x' + k x = w.
ONE_MASS = WheelHop(mass_ratio=0.0, spring_share=0.0)
HZ, RATE_HZ = 16.0, 200.0
ORDERS = (2, 1, 0, -1, -2)


def random_travel(ratio: float, seconds: float, seed: int) -> np.ndarray:
    """Travel of one mass whose speed equation is driven by white noise, sampled exactly.

    v'' + 2 ratio w v' + w^2 v = white: the road of ISO 8608 with exponent 2 is white in speed.
    """
    w = 2 * np.pi * HZ
    root = w * (-ratio + 1j * np.sqrt(1 - ratio**2))
    rng = np.random.default_rng(seed)
    n, fine = int(seconds * RATE_HZ), 5
    step = 1.0 / RATE_HZ / fine
    kick = rng.standard_normal(n * fine) * np.sqrt(step)
    from scipy.signal import lfilter

    pole = np.exp(root * step)
    speed = np.imag(lfilter([1.0], [1.0, -pole], kick.astype(complex))) / root.imag
    travel = np.cumsum(speed) * step
    return 1e4 * travel[::fine]


def pole_of(travel: np.ndarray, inside: slice = slice(None)):
    _, signals = band_signals(travel, RATE_HZ, ORDERS, reference_hz=15.0)
    part = signals[:, inside]
    return fit_pole(part @ part.T / part.shape[1], ONE_MASS)


@pytest.mark.parametrize("ratio", [0.03, 0.08, 0.2, 0.4])
def test_a_long_record_gives_frequency_and_ratio(ratio):
    pole = pole_of(random_travel(ratio, 400.0, 3))
    scatter = damping_scatter(ratio, HZ, 400.0)
    assert pole.frequency_hz == pytest.approx(HZ, rel=0.01)
    # four standard deviations of the least scatter there is, and 3 % for the band's edges
    assert pole.damping_ratio == pytest.approx(ratio, abs=4 * scatter + 0.03 * ratio)


def test_random_decrement_agrees():
    # Cole 1973, Ibrahim 1977: an independent way to the same ratio, with more scatter
    travel = random_travel(0.06, 400.0, 5)
    step_s, (speed,) = band_signals(travel, RATE_HZ, (0,), reference_hz=15.0)
    other = damping_from_record(speed, 1.0 / step_s)
    assert other is not None
    assert pole_of(travel).damping_ratio == pytest.approx(other.damping_ratio, rel=0.2)


def test_stochastic_subspace_identification_agrees():
    # Peeters & De Roeck 1999, as pyOMA-2 implements it (covariance-driven, order 2 to 6)
    from pyoma2.functions import ssi

    travel = random_travel(0.05, 300.0, 8)
    step_s, (speed,) = band_signals(travel, RATE_HZ, (0,), reference_hz=15.0)
    hankel, _ = ssi.build_hank(speed[None, :], speed[None, :], br=30, method="cov", calc_unc=False, nb=50)
    _, a, c, *_ = ssi.SSI(hankel, br=30, ordmax=6)
    roots = np.log(np.linalg.eigvals(a[6])) / step_s
    ours = pole_of(travel)
    near = roots[np.argmin(np.abs(np.abs(roots) / (2 * np.pi) - HZ) + 10 * (roots.imag < 0))]
    assert np.abs(near) / (2 * np.pi) == pytest.approx(ours.frequency_hz, rel=0.02)
    assert -near.real / np.abs(near) == pytest.approx(ours.damping_ratio, abs=0.015)


def test_one_second_scatters_as_the_laws_say():
    # Au, Operational Modal Analysis (2017): sd(ratio) = sqrt(ratio/(2 pi f T)), sd(f) = sqrt(f ratio/(2 pi T));
    # at 16 Hz, 0.05 and 1 s that is 0.022 and 0.36 Hz. No method passes them by much; ours must not lag far.
    ratio = 0.05
    travel = random_travel(ratio, 260.0, 11)
    _, signals = band_signals(travel, RATE_HZ, ORDERS, reference_hz=15.0)
    poles = [
        fit_pole(part @ part.T / 100, ONE_MASS)
        for part in (signals[:, i : i + 100] for i in range(200, 25800, 100))
    ]
    assert damping_scatter(ratio, HZ, 1.0) == pytest.approx(0.0223, abs=5e-5)
    assert frequency_scatter(ratio, HZ, 1.0) == pytest.approx(0.357, abs=5e-4)
    found_ratio = np.std([p.damping_ratio for p in poles])
    found_hz = np.std([p.frequency_hz for p in poles])
    assert 0.7 < found_ratio / damping_scatter(ratio, HZ, 1.0) < 1.5
    assert 0.7 < found_hz / frequency_scatter(ratio, HZ, 1.0) < 1.5
