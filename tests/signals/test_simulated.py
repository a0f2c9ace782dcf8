"""The room against simulated outings of bikes that tuned nothing: speed, noise, and no false alarms."""

from dataclasses import dataclass

import numpy as np
import pytest

from telemetry.bike import leverage_curve, stroke_mm
from telemetry.logs import RawLog
from telemetry.signals import Run, SensorSetup, differentiate, to_run
from telemetry.simulate import Outing, simulate_outing
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit

ENDS = ("front", "rear")
SPEED_BAR = {200.0: 0.10, 500.0: 0.085}
CASES = [(rate, seed) for rate in SPEED_BAR for seed in (900, 901, 902)]


@dataclass(frozen=True)
class Case:
    outing: Outing
    run: Run


@pytest.fixture(scope="module", params=CASES, ids=lambda case: f"{case[0]:g} Hz, bike {case[1]}")
def case(request):
    rate, seed = request.param
    bike = random_bike(seed)
    outing = simulate_outing(bike, seed=seed, laps=1, log_rate_hz=rate, circuit=random_circuit(seed))
    sensors = {
        end: SensorSetup(sensor.channel, sensor.points, stroke_mm(bike, end), sensor.zero, bike.source)
        for end, sensor in (("front", bike.front.sensor), ("rear", bike.rear.sensor))
    }
    log = RawLog("simulated", dict(outing.log_columns), outing.units)
    channels = {
        name: column
        for name, column in bike.channels.model_dump(exclude={"time"}).items()
        if column in log.columns
    }
    return Case(outing, to_run(log, sensors=sensors, channels=channels, time_channel=bike.channels.time))


def rms(values):
    return float(np.sqrt(np.mean(values**2)))


def test_nothing_is_found_in_a_clean_log(case):
    assert case.run.notes == ()
    assert case.run.masked_share == {"front": 0.0, "rear": 0.0}


def best_linear_filter(travel, ratio, speed, half):
    """Error of the filter of that length that fits this very outing's truth best: nothing linear does better."""
    windows = np.lib.stride_tricks.sliding_window_view(travel - travel.mean(), 2 * half + 1)
    differences = windows[:, half + 1 :] - windows[:, half - 1 :: -1]
    base, wanted = differences * ratio[half:-half, None], speed[half:-half]
    return rms(base @ np.linalg.lstsq(base, wanted, rcond=None)[0] - wanted)


@pytest.mark.parametrize("end", ENDS)
def test_wheel_speed(case, end):
    travel, rate = case.run.shaft_travel_mm[end], case.run.sample_rate_hz
    ratio = leverage_curve(case.outing.bike, end).ratio(travel)
    derivative = differentiate(travel, rate)
    true = getattr(case.outing.truth, f"{end}_wheel_mm_s")
    known = np.isfinite(derivative.speed_mm_s)
    assert known.mean() > 0.998
    error = rms((ratio * derivative.speed_mm_s - true)[known])
    best = best_linear_filter(travel, ratio, true, round(0.05 * rate))
    # one filter for all bikes costs little over each bike's own
    assert error <= 1.15 * best
    # a few bikes at 200 Hz are beyond any linear filter's reach of the bar
    assert error <= max(SPEED_BAR[rate] * rms(true), 1.05 * best)


@pytest.mark.parametrize("end", ENDS)
def test_sensor_noise(case, end):
    error = case.run.shaft_travel_mm[end] - getattr(case.outing.truth, f"{end}_shaft_mm")
    assert case.run.sensor_noise_mm[end] == pytest.approx(error.std(), rel=0.3)


def test_channels_have_their_own_rates(case):
    assert case.run.channel_rate_hz["speed_m_s"] == pytest.approx(50.0)
    assert case.run.channel_rate_hz["latitude_deg"] == pytest.approx(10.0)
    assert np.isfinite(case.run.channels["speed_m_s"]).all()
    truth = case.outing.truth
    np.testing.assert_allclose(
        case.run.channels["lap"], truth.lap - truth.lap[0] + case.run.channels["lap"][0], atol=1
    )
