"""Resampling against SciPy's own and against band-limited signals with a closed form; logs whose rate changes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from telemetry.signals import to_run
from telemetry.signals.clock import find_stretches, resample, runs
from tests.signals.made_logs import FORK, codes, fork_mm, make_log, make_run, shock_mm

EDGE_S = 0.2  # a filter of 24 crossings at 250 Hz reaches 0.1 s; the mirrored ends cost as much again


def band_limited(t_s, seed, highest_hz):
    """A sum of tones below ``highest_hz``, known at every instant."""
    rng = np.random.default_rng(seed)
    tones = rng.uniform(0.5, highest_hz, 12)
    return 50 + sum(
        rng.uniform(0.2, 3) * np.sin(2 * np.pi * f * t_s + p)
        for f, p in zip(tones, rng.uniform(0, 6, 12), strict=True)
    )


@pytest.mark.parametrize(
    ("from_hz", "to_hz"), [(1000, 250), (1000, 500), (1000, 400), (500, 200), (200, 1000)]
)
@pytest.mark.parametrize("seed", range(4))
def test_against_scipy_on_band_limited_signals(from_hz, to_hz, seed):
    t = np.arange(8 * from_hz) / from_hz
    values = band_limited(t, seed, 0.38 * min(from_hz, to_hz))
    ours = resample(values, from_hz, to_hz)
    wanted_s = np.arange(len(ours)) / to_hz
    inside = (wanted_s > EDGE_S) & (wanted_s < t[-1] - EDGE_S)
    factor = np.gcd(from_hz, to_hz)
    # scipy's own polyphase filter, made as sharp as ours: its default passes less of the band
    taps = signal.firwin(
        2 * 60 * max(from_hz, to_hz) // factor + 1,
        0.9 * min(from_hz, to_hz) / 2,
        fs=from_hz * to_hz / factor,
        window=("kaiser", 8.0),
    )
    theirs = signal.resample_poly(values, to_hz // factor, from_hz // factor, window=taps, padtype="line")
    np.testing.assert_allclose(ours[inside], theirs[: len(ours)][inside], atol=0.02)
    np.testing.assert_allclose(
        ours[inside], band_limited(wanted_s, seed, 0.38 * min(from_hz, to_hz))[inside], atol=0.02
    )


@pytest.mark.parametrize(("tone_hz", "to_hz"), [(330, 250), (130, 200), (240, 250), (480, 500)])
def test_no_alias_where_plain_thinning_has_one(tone_hz, to_hz):
    # folding: |f - fs round(f / fs)|, any text on sampling
    t = np.arange(8000) / 1000
    tone = np.sin(2 * np.pi * tone_hz * t)
    inside = slice(round(EDGE_S * to_hz), -round(EDGE_S * to_hz))
    assert np.abs(resample(tone, 1000, to_hz))[inside].max() < 2e-3
    if 1000 % to_hz == 0:
        folded = abs(tone_hz - to_hz * round(tone_hz / to_hz))
        plain = tone[:: 1000 // to_hz]
        spectrum = np.abs(np.fft.rfft(plain * np.hanning(len(plain))))
        assert np.argmax(spectrum) * to_hz / len(plain) == pytest.approx(folded, abs=0.5)


def test_decimate_agrees():
    t = np.arange(8000) / 1000
    values = 10 * np.sin(2 * np.pi * 3 * t) + np.sin(2 * np.pi * 15 * t)
    theirs = signal.decimate(values, 4, n=400, ftype="fir", zero_phase=True)
    # its Hamming window lets the pass band ripple by 0.05 %
    np.testing.assert_allclose(resample(values, 1000, 250)[60:-60], theirs[60:-60], atol=8e-3)


def test_a_line_stays_a_line_to_its_ends():
    np.testing.assert_allclose(resample(np.arange(500) * 0.2, 500, 200), np.arange(200) * 0.5, atol=1e-6)


masks = st.lists(st.tuples(st.integers(0, 1900), st.integers(1, 200)), max_size=6)


@settings(max_examples=40, deadline=None)
@given(masks, st.sampled_from([100.0, 250.0, 333.0, 500.0, 800.0]))
def test_never_across_a_gap(gaps, to_hz):
    values = band_limited(np.arange(2000) / 500, 1, 30.0)
    for start, length in gaps:
        values[start : start + length] = np.nan
    result = resample(values, 500.0, to_hz)
    place = np.arange(len(result)) / to_hz * 500
    low, high = np.floor(place + 1e-6).astype(int), np.ceil(place - 1e-6).astype(int)
    assert np.isnan(result[np.isnan(values[low]) | np.isnan(values[high])]).all()
    # what lies beyond a gap has no say
    other = values.copy()
    starts, ends = runs(~np.isnan(values))
    if len(starts) > 1:
        other[starts[1] :] += 1000.0
        first = place <= ends[0] - 1
        np.testing.assert_array_equal(resample(other, 500.0, to_hz)[first], result[first])


def changing_stamps(*parts):
    """Stamps of stretches (rate, seconds), one after the other."""
    stamps, start = [], 0.0
    for rate, lasts in parts:
        stamps.append(start + np.arange(round(lasts * rate)) / rate)
        start += lasts
    return np.concatenate(stamps)


@pytest.mark.parametrize("digits", [3, 6])
def test_stretches_are_found_to_the_row(digits):
    found = find_stretches(np.round(changing_stamps((500, 10), (200, 8), (500, 5)), digits))
    assert [(part.start, part.end) for part in found] == [(0, 5000), (5000, 6600), (6600, 9100)]
    np.testing.assert_allclose([part.rate_hz for part in found], [500, 200, 500], rtol=1e-3)


@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_one_rate_with_jitter_pauses_and_lost_rows_is_one_rate(jitter):
    rng = np.random.default_rng(5)
    stamps = np.arange(30_000) / 500 + jitter / 500 * rng.uniform(-1, 1, 30_000)
    stamps[20_000:] += 3.0
    assert find_stretches(stamps[rng.random(30_000) > 0.02]) == ()


def test_a_rate_that_changes_comes_to_the_slower_one():
    log = make_log(t_s=changing_stamps((500, 20), (200, 10)))
    run = make_run(log)
    assert run.sample_rate_hz == 200.0
    assert codes(run) == ["rate_changes"]
    assert "first at row 10003" in run.notes[0].message and run.notes[0].start_s == pytest.approx(20.0)
    for end, true_mm in (("front", fork_mm), ("rear", shock_mm)):
        travel = run.shaft_travel_mm[end]
        assert np.isfinite(travel).mean() > 0.995
        away = np.abs(travel - true_mm(run.t_s))
        assert np.nanmax(away[(run.t_s > 0.3) & (np.abs(run.t_s - 20) > 0.3) & (run.t_s < 29.7)]) < 0.02


def test_a_short_slow_stretch_is_left_out_and_said():
    run = make_run(make_log(t_s=changing_stamps((500, 30), (100, 2), (500, 10))))
    assert run.sample_rate_hz == 500.0
    assert "2.0 s logged slower are left out" in run.notes[0].message
    inside = (run.t_s > 30.01) & (run.t_s < 31.98)
    assert np.isnan(run.shaft_travel_mm["front"][inside]).all()
    assert np.isfinite(run.shaft_travel_mm["front"][~inside]).mean() > 0.99


def test_a_run_is_resampled_only_when_asked():
    log = make_log(rate_hz=1000.0, speed=lambda t: 20 + np.sin(t))
    asked = {"sensors": {"front": FORK}, "channels": {"speed": "speed"}, "time_channel": "time"}
    assert to_run(log, **asked).sample_rate_hz == 1000.0
    run = to_run(log, **asked, resample_hz=250.0)
    assert run.sample_rate_hz == 250.0 and len(run.t_s) == len(run.shaft_travel_mm["front"]) == 2000
    assert run.history[-1].name == "resample"
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(run.t_s), atol=0.1)
    np.testing.assert_allclose(run.shaft_travel_mm["front"][50:-50], fork_mm(run.t_s)[50:-50], atol=2e-3)
    np.testing.assert_allclose(run.channels["speed_m_s"], 20 + np.sin(run.t_s), atol=1e-3)
