"""The detector from log to verdict, on bikes, roads and seeds that tuned nothing."""

from functools import cache

import numpy as np
import pytest

from telemetry.damping.evidence import fit_pole
from telemetry.damping.hop import WheelHop, band_response, band_signals, coefficients, tyre_hz_of
from telemetry.damping.verdict import MOST_OFF, SOUND_DAMPING, SOUND_HZ, ratio_read
from telemetry.logs import RawLog
from telemetry.review import review
from telemetry.simulate import (
    LostDamping,
    Riding,
    SensorTone,
    TyreRunout,
    demo_bike,
    simulate_outing,
    vellmoor_ring,
)
from tests.randomised.bikes import random_bike

HARD_BRAKING = Riding(brake_g=0.9, handling_s=0.2)


@cache
def oscillation(bike_seed, *, lost=False, riding=None, faults=(), rate_hz=200.0, laps=3):
    """What the detector says of an outing, and the losses that were in it."""
    length = vellmoor_ring().length_m
    losses = (LostDamping(0.3 * length, 0.3 * length + 60.0, laps=(2, 3), scale=0.05),) if lost else ()
    outing = simulate_outing(
        random_bike(bike_seed) if bike_seed else demo_bike(),
        seed=bike_seed + 40,
        laps=laps,
        log_rate_hz=rate_hz,
        riding=riding,
        faults=(*losses, *faults),
    )
    log = RawLog("simulated", outing.log_columns, outing.units)
    return review(log, outing.bike).summary.oscillation, outing.truth.lost_damping


@pytest.mark.parametrize(("bike", "riding"), [(9301, None), (9302, HARD_BRAKING), (9303, HARD_BRAKING)])
def test_a_sound_damper_is_not_called_lost(bike, riding):
    found, _ = oscillation(bike, riding=riding)
    assert found.verdict == "no"
    assert found.events == ()


@pytest.mark.parametrize("bike", [9304, 9305])
def test_a_loss_of_two_seconds_is_found_with_its_place_and_pole(bike):
    found, truth = oscillation(bike, lost=True)
    assert found.verdict == "yes"
    assert len(truth) == len(found.events) == 2
    for event, loss in zip(found.events, truth, strict=True):
        assert event.start_s == pytest.approx(loss.start_s, abs=0.4)
        assert event.end_s == pytest.approx(loss.end_s, abs=0.4)
        # 5 % of the damper leaves what the tyre has: well below the 0.3-0.5 of a sound one
        assert event.damping_ratio < 0.15
        low, high = event.damping_ratio_ci95
        assert low < event.damping_ratio < high
        assert 11.0 < event.frequency_hz < 22.0
        assert event.amplitude_mm > event.shaft_amplitude_mm > 0.1
    assert "suggests" in found.reason
    place, *others = found.places
    assert (place.laps, place.events, others) == ((2, 3), (0, 1), [])
    assert place.damping_ratio_ci95[0] < place.damping_ratio < place.damping_ratio_ci95[1]


def test_an_event_shows_its_trace_its_spectrum_and_what_was_ruled_out():
    found, _ = oscillation(9304, lost=True)
    for event in found.events:
        assert len(event.checks) == 6
        assert not any(check.against for check in event.checks)
        seen = event.seen
        assert len(seen.own_mm) == len(seen.other_mm)
        inside = round((event.start_s - seen.start_s) / seen.step_s)
        own = np.array(seen.own_mm[inside : len(seen.own_mm) - inside])
        hz, density = np.array(seen.frequency_hz), np.array(seen.own_mm2_hz)
        # Parseval: the density adds up to the mean square of the trace, but for the taper at its ends
        assert density.sum() * (hz[1] - hz[0]) == pytest.approx(np.mean(own**2), rel=0.35)
        # with the damping of the outing the same road would have moved the wheel less at the hop
        near = np.abs(hz - event.frequency_hz) < 1.0
        assert np.array(seen.healthy_mm2_hz)[near].sum() < 0.5 * density[near].sum()


@pytest.mark.parametrize(
    "fault",
    [SensorTone(15.0, 0.3), TyreRunout(0.5)],
    ids=["tone on the bracket", "tyre out of round"],
)
def test_what_only_looks_like_it_is_not_called(fault):
    found, _ = oscillation(0, faults=(fault,))
    assert found.verdict != "yes"


def test_a_log_too_slow_for_the_hop_cannot_tell():
    found, _ = oscillation(0, rate_hz=50.0, laps=1)
    assert found.verdict == "cannot_tell"
    assert "50 samples a second" in found.reason


def test_the_refusal_of_slow_logs_is_what_such_a_log_would_read():
    # the equation with its input white, sampled at 50 Hz and fitted, against the computed reading
    assert ratio_read(1000.0) == pytest.approx(ratio_read(100.0), rel=1e-6)
    off = [abs(ratio_read(rate) / ratio_read(100.0) - 1.0) for rate in (8.0, 20.0, 40.0, 50.0, 62.5, 80.0)]
    assert [share > MOST_OFF for share in off] == [True, True, True, True, False, False]
    hop = WheelHop()
    rng = np.random.default_rng(6)
    n, fine_hz = 1 << 19, 400.0
    hz = np.fft.rfftfreq(n, 1 / fine_hz)[1:]
    row = coefficients(hop, np.array(tyre_hz_of(hop, SOUND_HZ)), np.array(SOUND_DAMPING))
    speed = (rng.standard_normal(len(hz)) + 1j * rng.standard_normal(len(hz))) / band_response(row, hz)
    # an ideal filter stands before the slow logger
    travel = np.fft.irfft(np.concatenate([[0.0], np.where(hz < 24.5, speed / (1j * hz), 0.0)]))[::8]
    _, own = band_signals(travel, 50.0, (2, 1, 0, -1, -2), reference_hz=15.0)
    assert fit_pole(own @ own.T, hop).damping_ratio == pytest.approx(ratio_read(50.0), rel=0.1)


def test_a_log_of_eighty_samples_a_second_is_judged_with_its_own_limit():
    found, truth = oscillation(9304, lost=True, rate_hz=80.0)
    assert found.verdict == "yes"
    assert len(found.events) == len(truth) == 2
    assert all(limit.shortest_s is not None for limit in found.limits)


def test_damping_over_the_laps_is_steady_on_a_sound_damper():
    found, _ = oscillation(9301)
    ratios = np.array([lap.damping_ratio for lap in found.fade if lap.damping_ratio is not None])
    assert len(ratios) == 3
    assert np.ptp(ratios) < 0.1 * ratios.mean()
