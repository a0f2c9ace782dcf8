"""Damping estimators: worked examples, exact systems, random records, and measured data nobody here made."""

from importlib import resources

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import linalg, signal
from scipy.io import loadmat

from telemetry.signals.spectra import (
    Mode,
    damping_from_log_decrement,
    damping_scatter,
    free_decay,
    log_decrement,
)
from tests.signals.decays import (
    damping_from_record,
    free_decay_modes,
    log_decrement_of_damping,
    matrix_pencil,
    modes_from_poles,
    random_decrement,
)

RATE_HZ = 500.0


def damped_period_s(mode):
    """Time from peak to peak of a mode."""
    return 1 / (mode.frequency_hz * np.sqrt(1 - mode.damping_ratio**2))


def quarter_car(damper_n_s_per_m):
    """State matrix of the rear quarter vehicle: 125 kg on 24 kN/m, 20 kg on a tyre of 180 kN/m."""
    ms, mu, ks, kt, c = 125.0, 20.0, 24e3, 180e3, damper_n_s_per_m
    return np.array(
        [
            [0, 0, 1, 0],
            [0, 0, 0, 1],
            [-ks / ms, ks / ms, -c / ms, c / ms],
            [ks / mu, -(ks + kt) / mu, c / mu, -c / mu],
        ]
    )


def stroke_after_a_kick(damper_n_s_per_m, n_samples):
    """Free decay of the stroke after a unit speed of the wheel, exact to rounding."""
    step = linalg.expm(quarter_car(damper_n_s_per_m) / RATE_HZ)
    state, states = np.array([0, 0, 0, 1.0]), []
    for _ in range(n_samples):
        states.append(state)
        state = step @ state
    return np.array(states) @ [1, -1, 0, 0]


def random_sdof(rng, frequency_hz, damping_ratio, duration_s, rate_hz):
    """Displacement and speed of one degree of freedom under white noise, sampled exactly."""
    w = 2 * np.pi * frequency_hz
    a = np.array([[0, 1], [-w * w, -2 * damping_ratio * w]])
    covariance = linalg.solve_continuous_lyapunov(a, -np.diag([0.0, 1.0]))
    step = linalg.expm(a / rate_hz)
    kicks = (
        rng.standard_normal((round(duration_s * rate_hz), 2))
        @ np.linalg.cholesky(covariance - step @ covariance @ step.T).T
    )
    kicks[0] = np.linalg.cholesky(covariance) @ rng.standard_normal(2)  # starts as it goes on
    # the state's recursion, in the two directions in which it is a plain one
    poles, directions = np.linalg.eig(step)
    parts = np.linalg.solve(directions, kicks.T)
    return np.real(
        directions @ [signal.lfilter([1], [1, -p], part) for p, part in zip(poles, parts, strict=True)]
    ).T


# delta = 2 pi zeta / sqrt(1 - zeta^2), and the ratio of successive peaks exp(delta)
TABLE = {
    0.01: (0.0628350, 1.06485),
    0.02: (0.1256888, 1.13393),
    0.05: (0.3145527, 1.36965),
    0.1: (0.6314839, 1.88040),
    0.2: (1.2825498, 3.60582),
    0.3: (1.9759704, 7.21362),
    0.4: (2.7422069, 15.5212),
    0.5: (3.6275987, 37.6224),
}


@pytest.mark.parametrize("zeta", TABLE)
def test_log_decrement_table(zeta):
    decrement, ratio = TABLE[zeta]
    assert log_decrement_of_damping(zeta) == pytest.approx(decrement, rel=1e-6)
    assert np.exp(log_decrement_of_damping(zeta)) == pytest.approx(ratio, rel=1e-5)
    assert log_decrement(7.0, 7.0 / ratio**3, cycles=3) == pytest.approx(np.log(ratio), rel=1e-9)
    assert damping_from_log_decrement(decrement) == pytest.approx(zeta, rel=1e-6)


@given(st.floats(1e-4, 0.99))
def test_log_decrement_there_and_back(zeta):
    assert damping_from_log_decrement(log_decrement_of_damping(zeta)) == pytest.approx(zeta, rel=1e-9)


def test_motorcycle_shock_absorber():
    # Rao, Mechanical Vibrations (example 2.11 in the 5th ed., number from memory): 200 kg, damped period 2 s,
    # amplitude to a quarter in half a cycle: delta ln 16, zeta 0.4037, wn 3.4338 rad/s, k 2358.27 N/m, c 554.50 N s/m
    decrement = log_decrement(1.0, 0.25, cycles=0.5)
    zeta = damping_from_log_decrement(decrement)
    assert decrement == pytest.approx(2.7726, rel=6e-5)
    assert zeta == pytest.approx(0.4037, rel=6e-5)
    (mode,) = free_decay_modes(
        free_decay((Mode(0.5 / np.sqrt(1 - zeta**2), zeta),), np.arange(300) / 50)[:, 1], 50.0
    )
    wn = 2 * np.pi * mode.frequency_hz
    assert damped_period_s(mode) == pytest.approx(2.0, rel=1e-6)
    assert wn == pytest.approx(3.4338, rel=6e-5)
    assert 200 * wn**2 == pytest.approx(2358.2652, rel=6e-5)
    assert 2 * 200 * mode.damping_ratio * wn == pytest.approx(554.4981, rel=6e-5)


def test_ten_cycles_from_10_to_1_mm():
    assert damping_from_log_decrement(log_decrement(10.0, 1.0, cycles=10)) == pytest.approx(
        0.036622, rel=1e-4
    )


@pytest.mark.parametrize(
    ("zeta", "half_power"),
    [(0.01, 0.010001), (0.05, 0.050126), (0.1, 0.101037), (0.2, 0.209349), (0.3, 0.341177), (0.38, 0.549293)],
)
def test_where_half_power_goes_wrong_the_pencil_does_not(zeta, half_power):
    # half power on a displacement response, (r2 - r1) / 2 (Bendat & Piersol; Rao): too high, and blind above 0.38
    r = np.linspace(1e-4, 2, 2_000_001)
    response = 1 / np.hypot(1 - r**2, 2 * zeta * r)
    inside = r[response >= response.max() / np.sqrt(2)]
    assert (inside[-1] - inside[0]) / 2 == pytest.approx(half_power, rel=1e-3)
    (mode,) = free_decay_modes(free_decay((Mode(15.0, zeta),), np.arange(200) / RATE_HZ)[:, 0], RATE_HZ)
    assert mode.damping_ratio == pytest.approx(zeta, rel=1e-6)


def test_pencil_on_two_damped_poles():
    # pole set of Kumaresan & Tufts 1982, as Hua & Sarkar 1990 use it (from memory); noise free
    s = np.array([-0.1 + 2j * np.pi * 0.52, -0.2 + 2j * np.pi * 0.42])
    samples = np.exp(np.outer(np.arange(25), s)).sum(axis=1)
    poles = matrix_pencil(samples, 2, pencil=8)
    assert max(np.abs(poles - np.exp(pole)).min() for pole in s) < 1e-10


@pytest.mark.parametrize(
    ("damper", "n_samples", "wanted"),
    # eigenvalues of the same matrices: body fn, zeta, hop fn, zeta
    [(1500.0, 200, (2.1530, 0.36754, 15.4657, 0.39649)), (60.0, 750, (2.0693, 0.01428, 16.0910, 0.01537))],
)
def test_pencil_on_the_stroke_of_a_quarter_car(damper, n_samples, wanted):
    decay = stroke_after_a_kick(damper, n_samples)
    modes = modes_from_poles(matrix_pencil(decay, 4), RATE_HZ)
    np.testing.assert_allclose(
        [x for m in modes for x in (m.frequency_hz, m.damping_ratio)], wanted, atol=1e-4
    )
    eigenvalues = linalg.eigvals(quarter_car(damper))
    hop = eigenvalues[np.argmax(np.abs(eigenvalues.imag))]
    assert modes[-1].damping_ratio == pytest.approx(-hop.real / abs(hop), rel=1e-6)
    modes = free_decay_modes(decay + 3.0, RATE_HZ, n_modes=2)  # an offset is no mode
    np.testing.assert_allclose(
        [x for m in modes for x in (m.frequency_hz, m.damping_ratio)], wanted, atol=1e-4
    )


def test_pencil_with_noise_30_db_below():
    decay = stroke_after_a_kick(60.0, 750)
    noise = np.random.default_rng(1990).standard_normal(750) * decay.std() * 10 ** (-30 / 20)
    hop = modes_from_poles(matrix_pencil(decay + noise, 4), RATE_HZ)[-1]
    assert hop.frequency_hz == pytest.approx(16.0910, rel=2e-3)
    assert hop.damping_ratio == pytest.approx(0.01537, rel=0.05)


@pytest.mark.parametrize("pencil", [8, 17])
def test_scatter_of_the_pencil_is_the_published_one(pencil):
    # Hua & Sarkar 1990: s^2 / ((N - L)^2 L) for L <= N/2, s^2 / ((N - L) L^2) above; N 25, s 0.03
    rng = np.random.default_rng(7)
    tone = np.exp(2j * np.pi * 0.2 * np.arange(25))
    angles = []
    for _ in range(1500):
        noise = (rng.standard_normal(25) + 1j * rng.standard_normal(25)) * 0.03 / np.sqrt(2)
        angles.append(np.angle(matrix_pencil(tone + noise, 1, pencil=pencil)[0]))
    assert np.var(angles) == pytest.approx(3.893e-7, rel=0.15)


def test_random_decrement_of_a_random_record():
    # Cole, NASA CR-2205, 1973; Vandiver et al. 1982 (from memory): the signature is level x R(t) / R(0)
    record = random_sdof(np.random.default_rng(8), 15.0, 0.05, 600.0, RATE_HZ)[:, 0]
    # Crandall & Mark 1963: variance 1 / (4 zeta wn^3) per unit two-sided intensity
    assert record.var() == pytest.approx(1 / (4 * 0.05 * (2 * np.pi * 15) ** 3), rel=0.1)
    level = np.sqrt(2) * record.std()
    signature, crossings = random_decrement(record, level, 300)
    assert crossings > 2000
    correlation = signal.correlate(record, record, method="fft")[len(record) - 1 :][:300]
    np.testing.assert_allclose(signature / level, correlation / correlation[0], atol=0.15)
    for mode in (
        modes_from_poles(matrix_pencil(signature, 2), RATE_HZ)[-1],
        damping_from_record(record, RATE_HZ),
    ):
        assert mode.frequency_hz == pytest.approx(15.0, rel=0.01)
        assert mode.damping_ratio == pytest.approx(0.05, rel=0.15)


def test_gaps_in_a_record_are_not_crossed():
    record = random_sdof(np.random.default_rng(9), 15.0, 0.05, 300.0, RATE_HZ)[:, 0]
    holed = record.copy()
    holed[::2500] = np.nan
    signature, crossings = random_decrement(holed, np.sqrt(2) * record.std(), 300)
    assert np.isfinite(signature).all()
    assert 0.8 < crossings / random_decrement(record, np.sqrt(2) * record.std(), 300)[1] < 0.95
    mode = damping_from_record(holed, RATE_HZ)
    assert mode.damping_ratio == pytest.approx(0.05, rel=0.2)


def test_floor_of_the_scatter():
    # 15 Hz, 60 s: 0.0940 of zeta at 0.02, 0.0243 at 0.3 (Cramer-Rao bound of the envelope process)
    assert damping_scatter(0.02, 15.0, 60.0) / 0.02 == pytest.approx(0.0940, abs=5e-5)
    assert damping_scatter(0.3, 15.0, 60.0) / 0.3 == pytest.approx(0.0243, abs=5e-5)
    # an estimator that sees the whole state comes near it
    rng = np.random.default_rng(10)
    ratios = []
    for _ in range(100):
        states = random_sdof(rng, 15.0, 0.02, 60.0, 60.0) * [2 * np.pi * 15, 1]
        step = linalg.lstsq(states[:-1], states[1:])[0].T
        ratios.append(modes_from_poles(np.linalg.eigvals(step).astype(complex), 60.0)[-1].damping_ratio)
    assert np.std(ratios) == pytest.approx(damping_scatter(0.02, 15.0, 60.0), rel=0.25)


def fork_swing():
    """Rate gyro on a bicycle fork swinging as a pendulum, 30 s at 1 kHz: measured data in bicycleparameters' wheel.

    J. K. Moore, Human Control of a Bicycle, UC Davis, 2012, ch. 3; package licence BSD-2.
    """
    folder = resources.files("bicycleparameters") / "tests/sample_data"
    record = loadmat(str(folder / "BrowserForkCompoundFirst1.mat"), squeeze_me=True)
    return record["data"].astype(float), float(record["ActualRate"])


def test_measured_swing_of_a_fork():
    values, rate = fork_swing()
    assert (len(values), rate) == (30_000, 1000.0)
    (mode,) = free_decay_modes(values, rate)
    assert damped_period_s(mode) == pytest.approx(
        1.59027, abs=2e-4
    )  # the package's own routine: 1.590314 +- 12e-6
    assert mode.damping_ratio == pytest.approx(0.00890, abs=1e-4)


@pytest.mark.parametrize(("start_s", "ratio"), [(0, 0.00712), (10, 0.00910), (20, 0.01284)])
def test_measured_swing_is_damped_more_as_it_dies(start_s, ratio):
    values, rate = fork_swing()
    (mode,) = free_decay_modes(values[start_s * 1000 : (start_s + 10) * 1000], rate)
    assert mode.damping_ratio == pytest.approx(ratio, rel=0.02)


def test_modes_of_a_simulated_building():
    # pyOMA-2 (MIT), example_data: five storeys, 30001 samples at 100 Hz, truth in the same call
    from pyoma2.functions.gen import example_data

    response, _, (frequencies, ratio, shapes) = example_data()
    closed_form = np.sqrt(1e4 / 25.91) / np.pi * np.sin((2 * np.arange(1, 6) - 1) * np.pi / 22)
    np.testing.assert_allclose(frequencies, closed_form, rtol=1e-9)
    found = [damping_from_record(response @ shape, 100.0) for shape in shapes.T[1:]]
    np.testing.assert_allclose([mode.frequency_hz for mode in found], frequencies[1:], rtol=0.005)
    ratios = [mode.damping_ratio for mode in found]
    np.testing.assert_allclose(ratios, ratio, rtol=0.35)
    assert np.mean(ratios) == pytest.approx(ratio, rel=0.15)


def test_a_record_that_tells_nothing():
    assert damping_from_record(np.zeros(50), 100.0) is None
    assert damping_from_record(np.random.default_rng(1).standard_normal(80), 100.0) is None
    assert np.isnan(random_decrement(np.zeros(100), 1.0, 20)[0]).all()
    assert free_decay_modes(np.exp(-np.arange(200) / 20), 100.0) == ()
