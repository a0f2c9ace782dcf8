"""The delay between the channels against clocks whose rates the simulator knows."""

import numpy as np
import pytest

from telemetry.damping.detector_model import DELAYS_S, _peak_s, fit_detector_model
from telemetry.logs import RawLog
from telemetry.review import measure
from telemetry.simulate import ChannelClock, Riding, simulate_outing
from tests.damping.short_laps import CIRCUIT
from tests.randomised.bikes import random_bike
from tests.randomised.outings import minimum_bike


@pytest.mark.parametrize("drift_ppm", [40.0, -40.0])
def test_clocks_that_run_apart_are_followed(drift_ppm):
    bike = random_bike(9507)
    outing = simulate_outing(
        bike, circuit=CIRCUIT, seed=9507, laps=7, log_rate_hz=200.0, step_s=1 / 2000,
        riding=Riding(out_lap_m=60.0, in_lap_m=40.0), faults=(ChannelClock(0.0, drift_ppm, "front"),),
    )  # fmt: skip
    known = minimum_bike(bike)
    measured = measure(RawLog("simulated", outing.log_columns, outing.units), known)
    model = fit_detector_model(measured.motion, measured.track, known)
    delay_s = np.asarray(model.delay_s)
    assert delay_s.ndim == 1, "one delay for all of the log"
    # a clock's error of rate times the time it ran: news read late by so much more at the end
    true_s = 1e-6 * drift_ppm * len(delay_s) * model.equation.step_s
    assert delay_s[-1] - delay_s[0] == pytest.approx(true_s, abs=0.003)


@pytest.mark.parametrize(("more", "expected_s"), [(0.05, 0.0), (0.3, 0.03)])
def test_of_two_peaks_the_nearer_unless_the_other_is_clearly_higher(more, expected_s):
    near, far = (np.exp(-(((DELAYS_S - at_s) / 0.006) ** 2)) for at_s in (0.0, 0.03))
    assert _peak_s(list(near + (1.0 + more) * far), 0.0) == pytest.approx(expected_s, abs=1e-3)
