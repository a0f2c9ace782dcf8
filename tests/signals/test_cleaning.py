"""Faults put into travel at known places: found, counted, located, and nothing else touched."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.errors import CalibrationError, ChannelError
from telemetry.signals import to_run
from telemetry.signals.clean import find_spikes
from telemetry.signals.clock import bridge, runs
from tests.signals.made_logs import (
    FIRST_ROW,
    FORK,
    SHOCK,
    codes,
    fork_mm,
    make_log,
    make_run,
    shock_mm,
    volts,
)

RATES_HZ = (100.0, 200.0, 500.0, 1000.0)


def faulty_log(rate_hz, fault, *, duration_s=20.0):
    """A noisy log in which ``fault`` changes the fork's travel in mm, in place."""
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    travel = fork_mm(t) + 0.03 * np.random.default_rng(3).standard_normal(len(t))
    fault(travel)
    return make_log(t_s=t, fork=volts(travel), noise_mm=0.03)


def note_of(run, code):
    (note,) = [note for note in run.notes if note.code == code and note.channel == "fork"]
    return note


@pytest.mark.parametrize("rate", RATES_HZ)
@pytest.mark.parametrize("height", [25.0, -8.0, 6.0])
def test_single_sample_spikes(rate, height):
    places = np.array([500, 777, 1400])

    def fault(travel):
        travel[places] += height

    run = make_run(faulty_log(rate, fault))
    assert codes(run)[0] == "spikes"
    note = note_of(run, "spikes")
    assert note.message == (
        f"Front travel has spikes in 3 places, first at row {FIRST_ROW + 500} (t = {500 / rate:.3f} s); "
        f"3 samples are left out."
    )
    assert note.start_s == pytest.approx(500 / rate)
    travel, truth = run.shaft_travel_mm["front"], fork_mm(run.t_s)
    if rate >= 200:  # bridged, and said
        assert note_of(run, "bridged").severity == "info"
        assert np.abs(travel - truth).max() < 0.3
    else:
        assert np.flatnonzero(np.isnan(travel)).tolist() == places.tolist()
    assert [step.name for step in run.history][-2:] == (
        ["spikes", "bridged"] if rate >= 200 else ["calibrate", "spikes"]
    )


@pytest.mark.parametrize("rate", [500.0, 1000.0])
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_every_spike_of_2_mm_is_found_and_nothing_else(rate, data):
    heights = st.floats(2.0, 60.0).flatmap(lambda h: st.sampled_from([h, -h]))
    spikes = data.draw(
        st.lists(
            st.tuples(st.integers(0, 30), st.integers(1, 2), heights),
            min_size=1,
            max_size=8,
            unique_by=lambda s: s[0],
        )
    )
    t = np.arange(4000) / rate
    truth = 60 + 20 * np.sin(2 * np.pi * 1.3 * t) + 1.5 * np.sin(2 * np.pi * 14.3 * t)
    noise = 0.03 * np.random.default_rng(data.draw(st.integers(0, 1000))).standard_normal(len(t))
    travel, wanted = truth + noise, np.zeros(4000, bool)
    for place, width, height in spikes:
        start = 100 + 120 * place
        travel[start : start + width] += height
        wanted[start : start + width] = True
    np.testing.assert_array_equal(find_spikes(travel, rate), wanted)


@pytest.mark.parametrize("rate", RATES_HZ)
def test_excursions_out_of_the_stroke_are_masked_however_they_look(rate):
    def fault(travel):
        travel[300] = 400.0
        travel[600:602] = -90.0

    run = make_run(faulty_log(rate, fault))
    assert "2 places" in note_of(run, "outside").message
    assert np.nanmax(run.shaft_travel_mm["front"]) < 90


@pytest.mark.parametrize("rate", RATES_HZ)
def test_an_open_wire_is_a_gap(rate):
    start, end = round(4 * rate), round(4.6 * rate)

    def fault(travel):
        travel[start:end] = -15.0

    run = make_run(faulty_log(rate, fault))
    note = note_of(run, "rail")
    assert "stands outside the stroke (an open wire?)" in note.message
    assert (note.start_s, note.end_s) == (pytest.approx(4.0), pytest.approx(4.6))
    assert np.isnan(run.shaft_travel_mm["front"][start:end]).all()
    assert run.masked_share["front"] == pytest.approx(0.6 / 20, abs=3 / (20 * rate))
    assert run.masked_share["rear"] == 0


def test_blanks_are_missing_not_invented():
    def fault(travel):
        travel[2000:2050] = np.nan

    run = make_run(faulty_log(500.0, fault))
    assert np.flatnonzero(np.isnan(run.shaft_travel_mm["front"])).tolist() == list(range(2000, 2050))
    assert (
        note_of(run, "missing").message
        == "Front travel is missing in row 2003 (t = 4.000 s); 50 samples in all."
    )


def test_a_stuck_sensor_is_told_by_the_other_end():
    def fault(travel):
        travel[3000:4000] = travel[3000]

    run = make_run(faulty_log(500.0, fault))
    assert np.isnan(run.shaft_travel_mm["front"][3000:4000]).all()
    assert "does not change while the other end moves" in note_of(run, "stuck").message


def test_both_ends_still_is_a_motorcycle_standing():
    t = np.arange(2000) / 500
    run = make_run(make_log(t_s=t, fork=np.full(2000, 2.0), shock=np.full(2000, 2.0)))
    assert run.notes == ()
    assert run.masked_share == {"front": 0.0, "rear": 0.0}


def test_stroke_exceeded_names_row_time_channel_and_what_to_check():
    def fault(travel):
        travel *= 1.7

    run = make_run(faulty_log(500.0, fault))
    assert list(run.shaft_travel_mm) == ["rear"]
    reason = run.not_judged["front"]
    assert reason.startswith("'fork' gives up to 1") and "more than the 120 mm stroke" in reason
    assert "Check points in [front.sensor] of bike.toml, and the stroke." in reason
    (note,) = [note for note in run.notes if note.severity == "refused"]
    assert (note.code, note.message, note.channel) == ("scale", reason, "fork")
    with pytest.raises(CalibrationError, match="outing.csv: 'fork' gives up to 1"):
        make_run(faulty_log(500.0, fault), ends=("front",))


def at_the_stop(rate_hz, over_mm, lasts_s):
    """An arrival at 1.2 m/s, half a sine past the 120 mm stroke, and back as fast."""

    def fault(travel):
        t = np.arange(len(travel)) / rate_hz - 8.0
        blow = 120 + over_mm * np.sin(np.pi * np.clip(t / lasts_s, 0, 1))
        off = np.maximum(np.maximum(-t, t - lasts_s), 0.0)
        near = off < 0.04
        travel[near] = (blow - 1200.0 * off)[near]

    return fault


@pytest.mark.parametrize("rate", RATES_HZ)
@pytest.mark.parametrize("over_mm", [1.0, 2.5, 3.0])
def test_a_hard_contact_with_its_overshoot_is_motion_and_stays(rate, over_mm):
    fault = at_the_stop(rate, over_mm, 0.010)
    log = faulty_log(rate, fault)
    run = make_run(log)
    travel = run.shaft_travel_mm["front"]
    about = slice(round(7.95 * rate), round(8.05 * rate))
    np.testing.assert_allclose(travel[about], (log.columns["fork"][about] - 0.5) * 30, atol=1e-9)
    if rate >= 500:
        assert travel.max() == pytest.approx(120 + over_mm, abs=0.3)
        note = note_of(run, "over_stroke")
        assert note.severity == "info" and "past the 120 mm stroke" in note.message
    assert {note.severity for note in run.notes} <= {"info"}


@pytest.mark.parametrize("rate", [500.0, 1000.0])
def test_a_spike_as_high_as_a_hard_contact_is_masked_all_the_same(rate):
    at = round(8.005 * rate)

    def fault(travel):
        travel[at] = 122.5

    run = make_run(faulty_log(rate, fault))
    assert {note.code for note in run.notes} <= {"spikes", "outside", "bridged"}
    assert np.abs(run.shaft_travel_mm["front"] - fork_mm(run.t_s)).max() < 0.3


def test_a_bike_that_bottoms_fifty_times_is_not_refused():
    def fault(travel):
        for k in range(50):
            blow = slice(500 + 180 * k, 510 + 180 * k)
            travel[blow] = 120 + 2.6 * np.sin(np.pi * np.arange(10) / 9)
            for side, sign in ((range(1, 26), -1), (range(10, 35), 1)):
                for j in side:
                    away = j if sign < 0 else j - 9
                    i = blow.start + (-j if sign < 0 else j)
                    travel[i] = max(travel[i], 120 - 2.4 * away)

    run = make_run(faulty_log(500.0, fault))
    assert "50 places" in note_of(run, "over_stroke").message
    assert np.nanmax(run.shaft_travel_mm["front"]) == pytest.approx(122.6, abs=0.2)


def test_beyond_five_millimetres_past_the_stroke_a_reading_is_invalid():
    run = make_run(faulty_log(1000.0, at_the_stop(1000.0, 6.5, 0.012)))
    assert np.nanmax(run.shaft_travel_mm["front"]) <= 125.0
    assert "more than 5 mm past its stroke" in note_of(run, "beyond_stroke").message


@pytest.mark.parametrize("kind", ["flat", "noisy", "floating", "rail"])
@pytest.mark.parametrize("share", [0.5, 0.1])
def test_a_wire_open_from_somewhere_on_keeps_the_time_before(kind, share):
    # a fork sensor that reads 0.03 V instead of 0.5 to 4.5 V; its noise; an input that nothing drives; the other rail
    rng = np.random.default_rng(11)
    kept = round(share * 10_000)

    def fault(travel):
        left = len(travel) - kept
        reading = {
            "flat": np.full(left, (0.03 - 0.5) * 30),
            "noisy": (0.03 - 0.5) * 30 + 0.8 * rng.standard_normal(left),
            "floating": rng.uniform(-15.0, 135.0, left),
            "rail": np.full(left, (5.0 - 0.5) * 30),
        }[kind]
        travel[kept:] = reading

    run = make_run(faulty_log(500.0, fault))
    travel = run.shaft_travel_mm["front"]
    before = slice(0, kept - (20 if kind == "floating" else 2))
    np.testing.assert_allclose(travel[before], fork_mm(run.t_s)[before], atol=0.3)
    assert np.isnan(travel[kept:]).mean() > (0.97 if kind == "floating" else 0.9999)


def test_beside_a_spike_nothing_wrong_is_left_on_an_uneven_clock():
    # as interpolation onto an even clock rings: -3 mm beside a spike of 67 mm, near full extension
    rng = np.random.default_rng(5)
    t = np.arange(10_000) / 500 + rng.normal(0, 0.0003, 10_000)
    travel = fork_mm(t) * 0.4 - 10.0
    truth = fork_mm(np.arange(10_000) / 500) * 0.4 - 10.0
    logged = travel + 0.03 * rng.standard_normal(len(t))
    for at in (700, 1903, 5201, 8888):
        logged[at : at + 2] = 71.0
    run = make_run(make_log(t_s=np.sort(t), fork=volts(logged)))
    n = len(run.t_s)
    error = run.shaft_travel_mm["front"] - truth[:n]
    assert np.nanmax(np.abs(error)) < 0.5
    assert np.isfinite(error).mean() > 0.997


def test_noise_at_the_end_of_the_stroke_is_no_excess():
    t = np.arange(2000) / 500
    travel = 120.0 + 0.1 * np.random.default_rng(1).standard_normal(2000)
    run = make_run(make_log(t_s=t, fork=volts(travel)))
    assert codes(run) == []
    np.testing.assert_allclose(run.shaft_travel_mm["front"], travel, atol=1e-9)


def topped_out(travel, start, stop, level_mm):
    """The end goes to a level in 80 ms, stays there, and comes back."""
    level = level_mm + 0.03 * np.random.default_rng(2).standard_normal(len(travel))
    k = np.arange(len(travel))
    share = np.clip(np.minimum(k - (start - 40), stop + 40 - k) / 40, 0, 1)
    travel[:] = (1 - share) * travel + share * level


def test_an_end_that_stays_below_full_extension_has_a_wrong_zero():
    def fault(travel):
        topped_out(travel, 4000, 4400, -1.35)

    run = make_run(faulty_log(500.0, fault))
    note = note_of(run, "zero_moved")
    assert "rests at -1.3 mm when it tops out (for 0.8 s from t = 8.0" in note.message
    assert "Set the zero in [front.sensor]" in note.message
    assert np.nanmin(run.shaft_travel_mm["front"]) == pytest.approx(-1.45, abs=0.1)


def test_half_a_second_topped_out_with_a_zero_half_a_millimetre_off_is_no_fault():
    def fault(travel):
        topped_out(travel, 4000, 4250, -0.5)

    run = make_run(faulty_log(500.0, fault))
    assert {note.severity for note in run.notes} <= {"info"}
    assert np.isfinite(run.shaft_travel_mm["front"]).all()


def test_a_sensor_the_wrong_way_round_is_refused():
    def fault(travel):
        travel *= -1

    run = make_run(faulty_log(500.0, fault))
    assert list(run.shaft_travel_mm) == ["rear"]
    assert "compression reads negative, as from a sensor the wrong way round" in run.not_judged["front"]
    assert "[front.sensor] of bike.toml" in run.not_judged["front"]


@pytest.mark.parametrize("rate", RATES_HZ)
def test_clean_logs_have_no_faults(rate):
    run = make_run(faulty_log(rate, lambda travel: None, duration_s=120.0))
    assert run.notes == ()
    assert not np.isnan(run.shaft_travel_mm["front"]).any()


def test_an_end_without_numbers_is_left_out_if_the_other_has_some():
    run = make_run(make_log(fork=np.full(4000, np.nan)))
    assert list(run.shaft_travel_mm) == ["rear"]
    (note,) = run.notes
    assert (note.severity, note.code) == ("refused", "empty_channel")
    assert (
        note.message
        == "Column 'fork' holds no numbers: the front cannot be judged. Check the sensor and its wiring."
    )


def test_no_numbers_at_all():
    nothing = np.full(4000, np.nan)
    with pytest.raises(
        ChannelError,
        match=r"outing.csv: neither end can be judged. Front: Column 'fork' holds no numbers.* "
        r"Rear: Column 'shock' holds no numbers",
    ):
        make_run(make_log(fork=nothing, shock=nothing))
    with pytest.raises(ChannelError, match=r"outing.csv: Column 'fork' holds no numbers"):
        make_run(make_log(fork=nothing), ends=("front",))


def test_no_sensor_given():
    with pytest.raises(
        ChannelError, match=r"no travel sensor is given; add \[front.sensor\] or \[rear.sensor\]"
    ):
        make_run(make_log(), ends=())


masks = st.lists(st.booleans(), min_size=1, max_size=60).map(lambda bits: np.array(bits, bool))


@given(masks)
def test_runs_rebuild_the_mask(mask):
    starts, ends = runs(mask)
    rebuilt = np.zeros(len(mask), bool)
    for start, end in zip(starts, ends, strict=True):
        assert end > start
        rebuilt[start:end] = True
    np.testing.assert_array_equal(rebuilt, mask)


@given(masks, st.integers(0, 3), st.floats(-3, 3), st.floats(-3, 3))
def test_a_bridge_is_exact_on_cubics_and_touches_short_gaps_only(mask, longest, a, b):
    k = np.arange(len(mask), dtype=float)
    cubic = 1 + a * k + b * k**2 / 10 - k**3 / 500
    filled, bridged = bridge(np.where(mask, np.nan, cubic), longest)
    np.testing.assert_allclose(filled[bridged], cubic[bridged], rtol=1e-6, atol=1e-6)
    np.testing.assert_array_equal(filled[~mask], cubic[~mask])
    assert not (bridged & ~mask).any()
    for start, end in zip(*runs(bridged), strict=True):
        assert end - start <= longest
        assert not mask[max(0, start - 2) : start].any() and not mask[end : end + 2].any()


@pytest.mark.parametrize("swapped", [True, False])
def test_columns_that_fit_the_other_way_about_are_named(swapped):
    # the fork's sensor reads 0.3-2.3 V, the shock's 2.6-4.6 V: each is far outside the other's points
    fork = replace(FORK, points=((0.3, 0.0), (2.3, 120.0)))
    shock = replace(SHOCK, points=((2.6, 0.0), (4.6, 70.0)))
    t = np.arange(4000) / 500
    columns = {"fork": 0.3 + fork_mm(t) / 60, "shock": 2.6 + shock_mm(t) * 2 / 70}
    if swapped:
        columns = {"fork": columns["shock"], "shock": columns["fork"]}
    else:
        columns["fork"] = columns["fork"] + 2.0  # wrong in itself

    def run():
        sensors = {"front": fork, "rear": shock}
        return to_run(make_log(t_s=t, **columns), sensors=sensors, channels={}, time_channel="time")

    if swapped:
        hint = "outing.csv: The columns fit the other way about: are 'fork' and 'shock' swapped?"
        with pytest.raises(CalibrationError) as caught:
            run()
        assert str(caught.value).startswith(hint)
    else:
        assert list(run().not_judged) == ["front"]


FAULTS = st.lists(
    st.tuples(st.integers(0, 15), st.integers(10, 200), st.sampled_from([np.nan, -15.0, 140.0])),
    min_size=1,
    max_size=6,
    unique_by=lambda fault: fault[0],
)


@settings(max_examples=40, deadline=None)
@given(FAULTS, st.sampled_from([500.0, 1000.0]))
def test_a_mask_is_the_fault_and_nothing_but_the_fault(faults, rate):
    wanted = np.zeros(round(20 * rate), bool)

    def fault(travel):
        for slot, length, reading in faults:
            start = 300 + 550 * slot
            travel[start : start + length] = reading
            wanted[start : start + length] = True

    clean, run = make_run(faulty_log(rate, lambda travel: None)), make_run(faulty_log(rate, fault))
    travel = run.shaft_travel_mm["front"]
    np.testing.assert_array_equal(np.isnan(travel), wanted)
    np.testing.assert_array_equal(travel[~wanted], clean.shaft_travel_mm["front"][~wanted])
    np.testing.assert_array_equal(run.shaft_travel_mm["rear"], clean.shaft_travel_mm["rear"])
    assert run.masked_share["front"] == pytest.approx(wanted.mean())
    first = int(np.argmax(wanted)) / rate
    assert min(note.start_s for note in run.notes) == pytest.approx(first)
