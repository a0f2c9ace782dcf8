"""Damping lap by lap from the wheel's own spectra: on a quarter vehicle of the textbook, whose damper is known."""

import numpy as np
import pytest
from scipy.signal import StateSpace, cont2discrete, dlsim, lfilter

from telemetry.damping.course import PLACES, damping_by_lap, find_change, lap_spectra
from telemetry.damping.equation import ORDERS, OWN, WheelEquation
from telemetry.damping.hop import REFERENCE_HZ, WheelHop, band_signals
from telemetry.laps import Lap

RATE_HZ, LAP_S = 200.0, 90.0
SPRUNG_KG, UNSPRUNG_KG, SPRING_N_M, TYRE_N_M, TYRE_N_S_M = 60.0, 20.0, 22e3, 180e3, 150.0
HOP = WheelHop(mass_ratio=UNSPRUNG_KG / SPRUNG_KG, spring_share=SPRING_N_M / TYRE_N_M)
# of the damper, on a ratio of the hop near 0.3
SOUND_N_S_M = 1100.0


def suspension_travel_mm(road_m_s, damper_n_s_m):
    """Travel of a quarter vehicle over a road: two masses, Newton's law (any textbook of vehicle dynamics)."""
    m, mu, k, kt, ct, c = SPRUNG_KG, UNSPRUNG_KG, SPRING_N_M, TYRE_N_M, TYRE_N_S_M, damper_n_s_m
    # states: tyre deflection, suspension travel (compression positive), speed of wheel and of body upwards
    a = [[0, 0, -1, 0], [0, 0, 1, -1], [kt / mu, -k / mu, -(c + ct) / mu, c / mu], [0, k / m, c / m, -c / m]]
    b = [[1], [0], [ct / mu], [0]]
    step = cont2discrete((np.array(a), np.array(b), np.array([[0, 1, 0, 0]]), np.zeros((1, 1))), 1 / RATE_HZ)
    return 1e3 * dlsim(StateSpace(*step[:4], dt=1 / RATE_HZ), road_m_s)[1][:, 0]


def laps_of(dampers, seed, red=0.0, lost=()):
    """Laps of one road, not the same grain; ``red`` colours its speed, ``lost`` was not measured."""
    rng = np.random.default_rng(seed)
    n = round(LAP_S * RATE_HZ)
    place = np.arange(n) * PLACES // n
    rough = np.exp(0.7 * np.random.default_rng(1).standard_normal(PLACES))[place]
    travel = []
    for damper in dampers:
        grain = lfilter([1.0], [1.0, -red], rng.standard_normal(n))
        # every third place has a road of another colour
        other = lfilter([1.0, 0.6], [1.0], rng.standard_normal(n))
        travel.append(
            suspension_travel_mm(0.05 * rough * np.where(place % 3 == 0, 2.0 * other, grain), damper)
        )
    step_s, orders = band_signals(np.concatenate(travel), RATE_HZ, ORDERS, reference_hz=REFERENCE_HZ)
    t_s = step_s * np.arange(orders.shape[1])
    usable = np.ones(len(t_s), dtype=bool)
    for start_s, end_s in lost:
        usable &= (t_s < start_s) | (t_s > end_s)
    equation = WheelEquation(0.0, step_s, orders[OWN], usable, None, None, np.zeros((5, 5)))
    marks = [Lap(i + 1, LAP_S * i, LAP_S * (i + 1), None, complete=True) for i in range(len(dampers))]
    return damping_by_lap(lap_spectra(equation, marks), HOP, 0.3)


def ratios(laps):
    return np.array([lap.damping_ratio for lap in laps])


@pytest.mark.parametrize("red", [0.0, 0.5])
@pytest.mark.parametrize("to", [0.5, 0.7, 1.8])
def test_a_damper_that_changes_is_read_as_it_changes(to, red):
    laps = laps_of(SOUND_N_S_M * np.geomspace(1.0, to, 6), seed=5, red=red)
    # the hop's damping is that of damper and tyre together, c + c_t over 2 sqrt(k m): any textbook
    truth = (to * SOUND_N_S_M + TYRE_N_S_M) / (SOUND_N_S_M + TYRE_N_S_M)
    change = np.log(ratios(laps)[-1] / ratios(laps)[0]) / np.log(truth)
    assert 0.6 < change < 1.3
    assert np.exp(np.log(ratios(laps)).mean()) == pytest.approx(0.3)
    if to != 0.7:  # with another grain on every lap six laps are too few for it
        found = find_change(laps)
        assert (found.rise > 0 and found.fall == 0) if to > 1 else (found.fall > 0 and found.rise == 0)


def test_a_sound_damper_scatters_by_what_is_said():
    laps = laps_of([SOUND_N_S_M] * 20, seed=6)
    said = np.sqrt(np.mean([lap.scatter**2 for lap in laps]))
    # chi-square, 19 degrees of freedom: the spread of 20 laps is known to 0.16 of itself (any handbook)
    assert np.log(ratios(laps)).std(ddof=1) == pytest.approx(said, rel=0.5)
    assert find_change(laps) is None


def test_places_that_were_not_measured_on_a_lap_change_nothing():
    lost = [(4 * LAP_S + 10.0, 4 * LAP_S + 45.0), (5 * LAP_S + 5.0, 5 * LAP_S + 40.0)]
    laps = laps_of([SOUND_N_S_M] * 6, seed=7, lost=lost)
    assert find_change(laps) is None
    assert np.abs(np.log(ratios(laps) / 0.3)).max() < 0.1


def test_a_lap_of_which_little_was_measured_is_not_told():
    laps = laps_of([SOUND_N_S_M] * 4, seed=8, lost=[(LAP_S + 5.0, 2 * LAP_S - 5.0)])
    assert [lap.damping_ratio is None for lap in laps] == [False, True, False, False]
