"""The whole way from file to review, held against the simulation's truth on seeds that tuned nothing."""

from dataclasses import dataclass

import numpy as np
import pytest

from telemetry.balance.bumps import find_pairs
from telemetry.balance.pairs import summarise_pairs
from telemetry.bike import Bike, damper_force_n
from telemetry.laps import is_moving
from telemetry.logs import read_log
from telemetry.motion import summarise_end
from telemetry.motion.ordered import Ordered
from telemetry.motion.use import speed_edges_mm_s, travel_edges_mm
from telemetry.review import Review, review
from telemetry.simulate import Sensors, Truth, demo_bike, simulate_outing, write_log
from tests.randomised.circuits import random_circuit

ENDS = ("front", "rear")
# share of RMS speed; the best linear filter would reach 5-6 % at 500 Hz and 6-8 % at 200 Hz
SPEED_BAR = {500.0: 0.085, 200.0: 0.10}


def other_bike() -> Bike:
    """A second, softer machine with another leverage curve, heavier wheels and a longer wheelbase."""
    bike = demo_bike()
    rear = bike.rear.model_copy(
        update={
            "leverage_table_mm": tuple(
                (s, 1.98 * s - 0.0018 * s * s) for s in np.linspace(0, 70, 15).tolist()
            ),
            "spring_rate_n_per_mm": bike.rear.spring_rate_n_per_mm * 0.95,
            "unsprung_mass_kg": 22.0,
            "tyre_rate_n_per_mm": 165.0,
        }
    )
    front = bike.front.model_copy(update={"rake_deg": 22.8, "unsprung_mass_kg": 17.0})
    return bike.model_copy(update={"wheelbase_mm": 1432.0, "front": front, "rear": rear})


@dataclass(frozen=True)
class Case:
    review: Review
    truth: Truth
    bike: Bike
    rate_hz: float


CASES = {
    "500 Hz, other bike and circuit": (500.0, 7102, other_bike, 11, Sensors(lap_signal="beacon")),
    "200 Hz": (200.0, 7103, demo_bike, None, Sensors(lap_signal="none")),
    "200 Hz, other bike and circuit": (200.0, 7104, other_bike, 12, Sensors(slow_cells="hold")),
}


@pytest.fixture(scope="module", params=CASES, ids=str)
def case(request, tmp_path_factory):
    rate, seed, make_bike, circuit_seed, sensors = CASES[request.param]
    bike = make_bike()
    signals = {name: name if name == sensors.lap_signal else None for name in ("lap", "beacon")}
    bike = bike.model_copy(update={"channels": bike.channels.model_copy(update=signals)})
    circuit = random_circuit(circuit_seed) if circuit_seed else None
    outing = simulate_outing(bike, circuit=circuit, seed=seed, laps=3, log_rate_hz=rate, sensors=sensors)
    path = tmp_path_factory.mktemp("truth") / "log.csv"
    write_log(outing, path)
    line = (47.0, -30.0) if sensors.lap_signal == "none" else None
    return Case(review(read_log(path), bike, start_line=line), outing.truth, bike, rate)


def rms(values):
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("end", ENDS)
def test_wheel_travel_is_within_a_tenth_of_a_millimetre(case, end):
    motion, true = case.review.motion.ends[end], getattr(case.truth, f"{end}_wheel_mm")
    error = (motion.wheel_travel_mm - true)[motion.valid]
    assert motion.valid.mean() > 0.999
    assert rms(error) <= 0.1


@pytest.mark.parametrize("end", ENDS)
def test_wheel_speed_is_within_the_bar(case, end):
    motion, true = case.review.motion.ends[end], getattr(case.truth, f"{end}_wheel_mm_s")
    error = (motion.wheel_speed_mm_s - true)[motion.valid]
    assert rms(error) <= SPEED_BAR[case.rate_hz] * rms(true)


@pytest.mark.parametrize("plane", ["shaft", "wheel"])
@pytest.mark.parametrize("end", ENDS)
def test_histograms_are_within_three_hundredths_of_the_truth(case, end, plane):
    moving = case.truth.speed_m_s > 5.0
    summary = getattr(case.review.summary.ends[end], plane)
    speed = getattr(case.truth, f"{end}_{plane}_mm_s")[moving]
    travel = getattr(case.truth, f"{end}_{plane}_mm")[moving]
    stroke = getattr(case.review.motion.ends[end], "stroke_mm" if plane == "shaft" else "wheel_stroke_mm")
    for found, true in (
        (summary.speed_histogram, Ordered.chosen(speed).shares(speed_edges_mm_s())),
        (summary.travel_histogram, Ordered.chosen(travel).shares(travel_edges_mm(stroke))),
    ):
        assert sum(found.share) == pytest.approx(1.0)
        assert 0.5 * np.abs(np.array(found.share) - np.array(true)).sum() <= 0.03


def test_lap_starts_are_within_three_hundredths_of_a_second(case):
    starts = [lap.start_s for lap in case.review.summary.laps[1:]]
    np.testing.assert_allclose(starts, case.truth.lap_start_s, atol=0.03)
    assert sum(lap.complete for lap in case.review.summary.laps) == 3


def test_the_stated_speed_noise_is_the_noise_that_is_there(case):
    # noise added by sensor and converter: what is left of the error where the motion has nothing to lose
    for end in ENDS:
        motion = case.review.motion.ends[end]
        error = (motion.shaft_speed_mm_s - getattr(case.truth, f"{end}_shaft_mm_s"))[motion.valid]
        quiet = np.abs(error) < 4 * np.median(np.abs(error))
        assert motion.shaft_noise_mm_s <= 1.3 * rms(error[quiet])
        assert motion.shaft_noise_mm_s >= 0.2 * rms(error[quiet])


def test_distance_and_corners_agree_with_the_circuit(case):
    inside = case.truth.lap == 2
    length = case.truth.lap_distance_m.max()
    found = case.review.track.distance_m[inside] / case.review.track.distance_m[inside].max() * length
    away = np.abs(found - case.truth.lap_distance_m[inside])
    assert np.minimum(away, length - away).max() < 0.01 * length  # the line is both 0 and a lap
    numbers = [corner.direction for corner in case.review.summary.corners]
    assert numbers == [corner.direction for corner in case.truth.corners]


def test_same_bump_delay_agrees_with_the_wheelbase(case):
    bump = case.review.summary.balance.same_bump
    assert bump.pairs + bump.grain_pairs > 50
    assert abs(bump.delay_residual_ms) <= 1000.0 / case.rate_hz


@pytest.mark.parametrize("end", ENDS)
def test_damper_heat_is_that_of_the_true_motion(case, end):
    # force times speed of the true motion, through the damper the simulator itself was given
    damper = getattr(case.bike, end).damper
    true = getattr(case.truth, f"{end}_shaft_mm_s")[case.truth.speed_m_s > 5.0]
    heat_w = np.mean(damper_force_n(true, damper) * true) / 1000.0
    use = case.review.summary.damper_work[end]
    assert use.hydraulic_w == pytest.approx(heat_w, rel=0.05)
    assert sum(region.work_share for region in use.regions) == pytest.approx(1.0)
    assert sum(use.lap_j) < use.work_j


def test_a_sound_outing_is_not_called_lost(case):
    assert case.review.summary.oscillation.verdict == "no"


def test_a_lap_cut_out_of_the_run_reads_as_the_same_samples_of_the_run_do(case):
    motion, track = case.review.motion, case.review.track
    pairs = find_pairs(motion, track)
    for lap in case.review.summary.laps:
        inside = (motion.t_s >= lap.start_s) & (motion.t_s < lap.end_s) & is_moving(track)
        for name, end in motion.ends.items():
            stops = (*lap.ends[name].bottomed, *lap.ends[name].topped_out)
            assert summarise_end(end, inside, stops) == lap.ends[name]
        assert summarise_pairs(pairs, inside) == lap.balance.same_bump
