"""Zero from the log, its drift, the supply, and a sensor that measures another travel than the shaft's."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.errors import CalibrationError, ChannelError
from telemetry.notes import Step
from telemetry.signals import to_run
from telemetry.signals.calibrate import TopOuts, check_zero, drift_between_mm, find_top_outs
from tests.signals.made_logs import FORK, SHOCK, codes, fork_mm, make_log, volts


def front_run(log, setup=FORK, channels=None):
    return to_run(log, sensors={"front": setup}, channels=channels or {}, time_channel="time")


def step_of(run, name):
    (step,) = [step for step in run.history if step.name == name]
    return step.settings


def hanging(t_s, offset_mm):
    """Two seconds with the wheels off the ground, then riding; the sensor reads too much by an offset."""
    return volts(np.where(t_s < 2.0, 0.0, fork_mm(t_s)) + offset_mm)


@pytest.mark.parametrize("offset", [0.0, 1.7, -2.4])
def test_zero_from_an_interval_with_the_wheels_off_the_ground(offset):
    log = make_log(fork=lambda t: hanging(t, offset), noise_mm=0.0)
    run = front_run(log, replace(FORK, zero_interval_s=(0.3, 1.8)))
    settings = step_of(run, "calibrate")
    assert settings["zero_from"] == "log interval" and settings["zero_moved_mm"] == pytest.approx(
        offset, abs=1e-9
    )
    riding = run.t_s > 2.01
    np.testing.assert_allclose(run.shaft_travel_mm["front"][riding], fork_mm(run.t_s)[riding], atol=1e-9)


@pytest.mark.parametrize(
    ("interval", "message"),
    [
        ((3.0, 5.0), r"zero_interval_s = \[3, 5\]: travel moves by \d+\.\d mm there; it must be still"),
        ((7.9, 20.0), r"the log has 0.1 s of readings there, and lasts 8.0 s"),
    ],
)
def test_an_interval_that_gives_no_zero(interval, message):
    log = make_log(fork=lambda t: hanging(t, 0.0))
    with pytest.raises(CalibrationError, match=message):
        front_run(log, replace(FORK, zero_interval_s=interval))


def topping_out(t_s, *, drift_mm=0.0, zero_mm=0.0, every_s=10.0):
    """Riding that tops out against a stop at 0 every 10 s."""
    riding = fork_mm(t_s) + 20 * np.sin(2 * np.pi * 0.013 * t_s)
    away = np.abs((t_s % every_s) - every_s / 2)
    rises = np.clip(away / 0.3, 0, 1)
    return np.maximum(riding * rises - 3.0 * (1 - rises), 0.0) + zero_mm + drift_mm * t_s / t_s[-1]


def long_log(**kwargs):
    t = np.arange(200 * 240) / 200
    noise = 0.03 * np.random.default_rng(8).standard_normal(len(t))
    return make_log(t_s=t, fork=volts(topping_out(t, **kwargs) + noise))


def test_zero_from_topping_out():
    run = front_run(long_log(zero_mm=2.2), replace(FORK, zero_topped_out=True))
    assert step_of(run, "calibrate")["zero_moved_mm"] == pytest.approx(2.2, abs=0.15)
    error = run.shaft_travel_mm["front"] - topping_out(run.t_s)
    assert abs(np.nanmedian(error)) < 0.15


def test_nothing_topped_out_gives_no_zero():
    log = make_log(fork=lambda t: volts(fork_mm(t) + t))
    with pytest.raises(CalibrationError, match="zero_topped_out: no level at which this end tops out"):
        front_run(log, replace(FORK, zero_topped_out=True))


@pytest.mark.parametrize("drift", [-1.7, 1.0, 1.8, 2.7])
def test_drift_within_a_run_in_mm(drift):
    run = front_run(long_log(drift_mm=drift, zero_mm=0.0))
    (note,) = [note for note in run.notes if note.code == "zero_drift"]
    told = step_of(run, "zero")["drift_mm"]
    assert told == pytest.approx(drift, abs=0.25)
    words = f"{abs(told):.1f} mm {'higher' if drift > 0 else 'lower'} at the end of the run than at its start"
    assert words in note.message


def test_no_drift_is_none():
    run = front_run(long_log())
    assert "zero_drift" not in codes(run)
    assert abs(step_of(run, "zero")["drift_mm"]) < 0.1
    assert step_of(run, "zero")["topped_out_mm"] == pytest.approx(0.0, abs=0.12)


def test_some_twenty_contacts_at_one_level_above_zero_may_be_the_same_places_of_every_lap():
    assert "zero_moved" not in codes(front_run(long_log(zero_mm=1.5)))


@pytest.mark.parametrize(
    ("zero", "every_s"), [(-1.5, 10.0), (-1.0, 10.0), (1.0, 2.0), (1.5, 2.0), (2.5, 2.0)]
)
def test_a_zero_that_is_off_is_told_by_many_contacts(zero, every_s):
    run = front_run(long_log(zero_mm=zero, every_s=every_s))
    (note,) = [note for note in run.notes if note.code == "zero_moved"]
    assert step_of(run, "zero")["topped_out_mm"] == pytest.approx(zero, abs=0.15)
    assert f"rests at {step_of(run, 'zero')['topped_out_mm']:+.1f} mm when it tops out (" in note.message


def test_blows_that_pass_full_extension_for_moments_are_no_wrong_zero():
    # top-out blows as deep as 0.9 mm for some milliseconds, and rest at 0 after each
    def fork(t_s):
        rng = np.random.default_rng(17)
        since = t_s % 10 - 4.7  # the end arrives at its stop
        depth = rng.uniform(0.2, 0.9, int(t_s[-1] // 10) + 1)[(t_s // 10).astype(int)]
        blow = depth * np.sin(np.pi * np.clip(since / 0.015, 0, 1))
        return volts(topping_out(t_s) - blow + 0.03 * rng.standard_normal(len(t_s)))

    run = front_run(make_log(t_s=np.arange(500 * 240) / 500, fork=fork))
    assert {note.code for note in run.notes} <= {"under_zero"}


def test_an_end_that_never_tops_out_says_nothing_of_its_zero():
    run = front_run(make_log(t_s=np.arange(200 * 240) / 200, fork=lambda t: volts(fork_mm(t) - 8.0)))
    assert run.notes == ()
    assert not [step for step in run.history if step.name == "zero" and "within_mm" in step.settings]


def test_between_runs():
    earlier, later = front_run(long_log()), front_run(long_log(zero_mm=1.4))
    assert drift_between_mm(earlier.history, later.history, "front") == pytest.approx(1.4, abs=0.1)
    assert drift_between_mm(earlier.history, later.history, "rear") is None
    assert drift_between_mm((), (Step("zero", {"end": "front", "top_outs": 1}),), "front") is None


def test_top_outs_of_nothing():
    assert find_top_outs(np.full(100, np.nan), 200.0).stop_mm is None
    assert check_zero(np.full(100, np.nan), 200.0, "front", FORK) == ((), ())


def supplied_log(supply_v, **columns):
    """A log whose fork sensor is fed by another voltage than at the bench (5 V)."""
    t = np.arange(4000) / 500
    v = supply_v(t)
    return make_log(t_s=t, fork=volts(fork_mm(t)) * v / 5.0, supply=v, **columns)


SUPPLIED = replace(FORK, supply="supply", supply_reference=5.0)


def test_a_supply_that_sags_is_corrected():
    log = supplied_log(lambda t: 4.8 + 0.2 * np.sin(t))
    np.testing.assert_allclose(
        front_run(log, SUPPLIED).shaft_travel_mm["front"], fork_mm(log.columns["time"]), atol=1e-9
    )
    wrong = front_run(log).shaft_travel_mm["front"]
    assert np.abs(wrong - fork_mm(log.columns["time"])).max() > 3.0
    settings = step_of(front_run(log, SUPPLIED), "supply")
    assert settings["least_share"] == pytest.approx(0.92, abs=0.001)


def test_a_supply_at_a_slower_rate_with_blank_cells():
    def slow(t):
        values = 4.8 + 0.1 * np.sin(t)
        return np.where(np.arange(len(t)) % 25 == 0, values, np.nan)

    t = np.arange(4000) / 500
    log = make_log(t_s=t, fork=volts(fork_mm(t)) * (4.8 + 0.1 * np.sin(t)) / 5.0, supply=slow(t))
    travel = front_run(log, SUPPLIED).shaft_travel_mm["front"]
    assert np.nanmax(np.abs(travel - fork_mm(t))) < 0.02
    assert np.isfinite(travel).mean() > 0.98


def test_a_supply_that_fails_leaves_no_travel():
    log = supplied_log(lambda t: np.where((t > 3) & (t < 4), 0.4, 5.0))
    run = front_run(log, SUPPLIED)
    (note,) = [note for note in run.notes if note.code == "supply_lost"]
    assert note.start_s == pytest.approx(3.0, abs=0.01) and note.end_s == pytest.approx(4.0, abs=0.01)
    assert np.isnan(run.shaft_travel_mm["front"][1505:1995]).all()
    with pytest.raises(ChannelError, match="has no column 'feed' "):
        front_run(log, replace(FORK, supply="feed", supply_reference=5.0))


def test_wheel_travel_goes_back_to_the_shaft():
    # a ratio that falls from 2.0 to 1.6 over the stroke: w = 2 s - 0.2 s^2 / 70
    shaft = np.linspace(0, 70, 101)
    wheel = 2 * shaft - 0.2 * shaft**2 / 70
    setup = replace(
        SHOCK, points=((0.5, 0.0), (4.5, float(wheel[-1]))), to_shaft=tuple(zip(wheel, shaft, strict=True))
    )
    t = np.arange(4000) / 500
    true = 30 + 25 * np.sin(2 * np.pi * 1.3 * t)
    logged = 0.5 + 4.0 * (2 * true - 0.2 * true**2 / 70) / wheel[-1]
    run = to_run(make_log(t_s=t, shock=logged), sensors={"rear": setup}, channels={}, time_channel="time")
    np.testing.assert_allclose(run.shaft_travel_mm["rear"], true, atol=1e-4)


def bench(kind, **kwargs):
    volts_at = np.linspace(0.5, 4.5, 9)
    travel = 120 * (volts_at - 0.5) / 4 + kind * np.sin(np.pi * (volts_at - 0.5) / 4)
    return replace(FORK, points=tuple(zip(volts_at, travel, strict=True)), **kwargs)


def test_linearity_is_reported_and_a_line_that_was_insisted_on_is_said_to_be_wrong():
    run = front_run(make_log(), bench(3.0))
    settings = step_of(run, "calibrate")
    volts_at, travel = np.array(bench(3.0).points).T
    residual = travel - np.polyval(np.polyfit(volts_at, travel, 1), volts_at)
    assert settings["kind"] == "curve"
    assert settings["largest_residual_mm"] == pytest.approx(np.abs(residual).max())
    assert settings["linearity_pct"] == pytest.approx(100 * np.abs(residual).max() / 120)
    assert settings["residual_sd_mm"] == pytest.approx(np.sqrt(residual @ residual / 7))
    assert "not_linear" not in codes(run)
    insisted = front_run(make_log(), bench(3.0, shape="line"))
    assert step_of(insisted, "calibrate")["kind"] == "line"
    (note,) = [note for note in insisted.notes if note.code == "not_linear"]
    assert "bench points lie up to" in note.message and "Take shape out of [front.sensor]" in note.message
    assert step_of(front_run(make_log(), bench(0.1, shape="curve")), "calibrate")["kind"] == "curve"


@pytest.mark.parametrize(
    ("levels", "stop_mm"),
    [
        ([0.1, 0.2, 0.3, 2.0], 0.2),  # three within 0.3 mm; the median of those
        ([0.1, 0.2, 0.5, 2.0], None),  # the third is 0.4 mm above the lowest
        ([0.1, 0.2], None),
        ([2.5, 0.4, 0.1, 0.35, 0.2], 0.275),  # in any order; four within 0.3 mm
    ],
)
def test_a_stop_is_where_the_three_lowest_readings_agree(levels, stop_mm):
    found = TopOuts(np.arange(float(len(levels))), np.array(levels)).stop_mm
    assert found == (None if stop_mm is None else pytest.approx(stop_mm))


def test_top_outs_are_where_and_as_low_as_they_were_put():
    # by construction: at rest on 2.0, 2.1 and 2.3 mm at 5, 20 and 50 s, else at 30 mm
    travel = np.full(60 * 200, 30.0)
    for at_s, level_mm in ((5, 2.0), (20, 2.1), (50, 2.3)):
        travel[at_s * 200 : at_s * 200 + 100] = level_mm
    found = find_top_outs(travel, 200.0)
    assert found.time_s == pytest.approx([5, 20, 50], abs=0.2)
    assert found.level_mm == pytest.approx([2.0, 2.1, 2.3])
