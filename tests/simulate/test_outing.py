"""Whole outings: the truth agrees with itself, everything repeats, and the file holds the log."""

import gzip
import io

import numpy as np
import pandas as pd
import pytest

from telemetry.bike import damper_force_n, leverage_curve, pitch_deg, static_sag
from telemetry.simulate import (
    Bump,
    LostDamping,
    Riding,
    Road,
    Sensors,
    demo_bike,
    log_text,
    second_bike,
    simulate_outing,
    vellmoor_ring,
    with_fork_rebound,
    write_log,
)
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit
from tests.simulate.small_outing import CIRCUIT, small_outing


@pytest.fixture(scope="module")
def outing():
    return simulate_outing(demo_bike(), seed=4, laps=2, log_rate_hz=1000.0)


def test_speed_is_the_derivative_of_travel(outing):
    truth = outing.truth
    for end in ("front", "rear"):
        for plane in ("shaft", "wheel"):
            travel, speed = getattr(truth, f"{end}_{plane}_mm"), getattr(truth, f"{end}_{plane}_mm_s")
            # speed integrated by Simpson's rule over two samples against the travel it made
            made = (speed[:-2] + 4.0 * speed[1:-1] + speed[2:]) / 3000.0
            wrong = made - (travel[2:] - travel[:-2])
            assert np.sqrt(np.mean(wrong**2)) < 1e-3
            assert np.std(speed) > 50.0


def test_shaft_and_wheel_agree_through_the_leverage_curve(outing):
    truth = outing.truth
    for end in ("front", "rear"):
        curve = leverage_curve(outing.bike, end)
        shaft = getattr(truth, f"{end}_shaft_mm")
        np.testing.assert_allclose(curve.wheel_travel_mm(shaft), getattr(truth, f"{end}_wheel_mm"), atol=1e-8)
        np.testing.assert_allclose(
            curve.ratio(shaft) * getattr(truth, f"{end}_shaft_mm_s"),
            getattr(truth, f"{end}_wheel_mm_s"),
            rtol=1e-9,
        )


def test_pitch_is_the_wheels_pitch_and_near_the_chassis_own(outing):
    truth = outing.truth
    np.testing.assert_array_equal(
        truth.pitch_deg, pitch_deg(truth.front_wheel_mm, truth.rear_wheel_mm, outing.bike.wheelbase_mm)
    )
    assert np.corrcoef(truth.pitch_deg, truth.chassis_pitch_deg)[0, 1] > 0.98


def test_laps_and_places(outing):
    truth, ring = outing.truth, vellmoor_ring()
    assert truth.corners == ring.corners
    np.testing.assert_array_equal(np.unique(truth.lap), [0, 1, 2, 3])
    assert np.all((truth.lap_distance_m >= 0.0) & (truth.lap_distance_m < ring.length_m))
    for lap, start in enumerate(truth.lap_start_s, start=1):
        after = np.searchsorted(truth.t_s, start)
        assert truth.lap[after] == lap
        assert truth.lap[after - 1] == lap - 1
        assert truth.lap_distance_m[after] < truth.speed_m_s[after] / 1000.0 + 1e-6


def test_the_road_is_the_same_on_every_lap_and_meets_the_rear_later(outing):
    # between laps the wheels' answers at a place differ only by the rider's small differences
    truth = outing.truth
    grid = np.arange(50.0, 2900.0, 0.25)
    for end in ("front", "rear"):
        laps = [
            np.interp(
                grid,
                truth.lap_distance_m[truth.lap == lap],
                getattr(truth, f"{end}_wheel_mm_s")[truth.lap == lap],
            )
            for lap in (1, 2)
        ]
        assert np.corrcoef(*laps)[0, 1] > 0.9
    on_straight = (truth.lap == 1) & (truth.lap_distance_m > 500.0) & (truth.lap_distance_m < 690.0)
    front, rear = truth.front_wheel_mm_s[on_straight], truth.rear_wheel_mm_s[on_straight]
    lags = np.arange(0, 120)
    match = [np.corrcoef(front[: len(front) - lag], rear[lag:])[0, 1] for lag in lags]
    delay_s = 1.41 / np.mean(truth.speed_m_s[on_straight])
    assert lags[np.argmax(match)] / 1000.0 == pytest.approx(delay_s, abs=0.006)


def test_it_looks_as_such_bikes_do(outing):
    # common practice, no source: most of the fork used, stops not hit, bulk of speeds within +-200 mm/s at the shaft
    truth = outing.truth
    on_lap = (truth.lap == 1) | (truth.lap == 2)
    assert 100.0 < np.max(truth.front_shaft_mm[on_lap]) < 120.0
    assert 40.0 < np.max(truth.rear_shaft_mm[on_lap]) < 65.0
    assert not any(contact.kind == "bottomed" for contact in truth.contacts)
    for end, bulk in (("front", 0.85), ("rear", 0.95)):
        assert np.mean(np.abs(getattr(truth, f"{end}_shaft_mm_s")[on_lap]) < 200.0) > bulk
    assert np.mean(truth.front_tyre_n <= 0.0) < 0.02
    times = np.diff(truth.lap_start_s)
    assert np.all((times > 75.0) & (times < 90.0))


def test_contacts_are_where_travel_reaches_the_stop():
    # a spring much too soft runs out of travel
    data = demo_bike().model_dump(exclude={"source"})
    data["front"] |= {"spring_rate_n_per_mm": 12.0, "preload_mm": 25.0}
    outing = small_outing(type(demo_bike()).model_validate(data), seed=1)
    truth = outing.truth
    bottomed = [c for c in truth.contacts if c.end == "front" and c.kind == "bottomed"]
    assert bottomed
    full = leverage_curve(outing.bike, "front").wheel_stroke_mm
    touching = np.zeros(len(truth.t_s), dtype=bool)
    for contact in bottomed:
        touching |= (truth.t_s >= contact.start_s) & (truth.t_s <= contact.end_s)
        assert full - 0.5 < contact.travel_mm <= full
    assert np.max(truth.front_wheel_mm[~touching]) < full - 0.45
    assert np.all(truth.front_shaft_mm <= 125.0)


def test_it_sets_off_at_rest_on_the_road_wherever_that_lies():
    raised = Road(features=(Bump(CIRCUIT.length_m - 60.0, 300.0, 100.0),))
    truth = small_outing(road=raised, riding=Riding(out_lap_m=60.0, in_lap_m=10.0, pit_s=2.0)).truth
    standing = truth.t_s < 2.0
    sag = static_sag(demo_bike())
    np.testing.assert_allclose(truth.front_wheel_mm[standing], sag["front"].wheel_mm, atol=0.01)
    np.testing.assert_allclose(truth.rear_wheel_mm[standing], sag["rear"].wheel_mm, atol=0.01)


def test_the_same_call_gives_the_same_bytes(tmp_path):
    kwargs = {"seed": 9, "faults": (LostDamping(400.0, 460.0),)}
    for name in ("a.csv.gz", "b.csv.gz"):
        write_log(small_outing(**kwargs), tmp_path / name)
    assert (tmp_path / "a.csv.gz").read_bytes() == (tmp_path / "b.csv.gz").read_bytes()
    write_log(small_outing(**(kwargs | {"seed": 10})), tmp_path / "c.csv.gz")
    assert (tmp_path / "c.csv.gz").read_bytes() != (tmp_path / "a.csv.gz").read_bytes()


def test_a_road_seed_keeps_the_road_from_day_to_day():
    days = [small_outing(seed=seed, road_seed=7) for seed in (1, 2)]
    np.testing.assert_array_equal(days[0].road.front_m, days[1].road.front_m)
    shorter = min(len(day.truth.t_s) for day in days)
    assert not np.array_equal(*(day.truth.speed_m_s[:shorter] for day in days))


@pytest.mark.parametrize("rate", [100.0, 300.0, 1000.0])
def test_the_rate_of_the_log_only_samples_the_motion(rate):
    fine, plain = (small_outing(seed=5, log_rate_hz=r, step_s=1 / 4000).truth for r in (rate, 200.0))
    ticks = [np.round(truth.t_s * 600.0).astype(int) for truth in (fine, plain)]
    a, b = (np.isin(ticks[i], ticks[1 - i]) for i in (0, 1))
    assert np.sum(a) > 1000
    np.testing.assert_allclose(fine.rear_wheel_mm[a], plain.rear_wheel_mm[b], atol=5e-3)


def test_halving_the_step_changes_nothing_that_matters():
    half, usual_step = (small_outing(seed=5, step_s=step).truth for step in (1 / 8000, 1 / 4000))
    for name, least in (("wheel_mm", 2e-3), ("wheel_mm_s", 0.3)):
        for end in ("front", "rear"):
            assert (
                np.max(np.abs(getattr(half, f"{end}_{name}") - getattr(usual_step, f"{end}_{name}"))) < least
            )


def test_damper_heat_is_plausible(outing):
    # linear theory: mean power c sigma^2; tens of watts a damper on a rough lap, never cooling the oil
    truth, on_lap = outing.truth, outing.truth.lap == 1
    for end, damper in (("front", outing.bike.front.damper), ("rear", outing.bike.rear.damper)):
        speed = getattr(truth, f"{end}_shaft_mm_s")[on_lap]
        power = damper_force_n(speed, damper) * speed / 1e3
        assert np.min(power) >= 0.0
        assert 5.0 < np.mean(power) < 100.0


def test_other_circuits_bikes_and_sensors():
    for seed in range(3):
        outing = simulate_outing(
            random_bike(seed),
            circuit=random_circuit(seed),
            seed=seed,
            laps=1,
            log_rate_hz=100.0,
            step_s=1 / 2000,
            sensors=Sensors(slow_cells="hold"),
        )
        assert np.all(np.isfinite(outing.truth.rear_wheel_mm))
        assert outing.circuit.name == f"random circuit {seed}"
        assert not any(np.any(np.isnan(values)) for values in outing.log_columns.values())


@pytest.mark.parametrize(
    ("delimiter", "decimal", "units_row"), [(",", ".", True), (";", ",", True), ("\t", ".", False)]
)
def test_the_file_holds_the_log(tmp_path, delimiter, decimal, units_row):
    outing = small_outing(seed=6)
    path = tmp_path / "log.csv"
    write_log(
        outing, path, delimiter=delimiter, decimal=decimal, units_row=units_row, comment="made for a test"
    )
    text = path.read_text()
    assert text == log_text(
        outing, delimiter=delimiter, decimal=decimal, units_row=units_row, comment="made for a test"
    )
    assert text.startswith("# made for a test\ntime")
    rows = [1, 2] if units_row else [1]
    table = pd.read_csv(io.StringIO(text), sep=delimiter, decimal=decimal, header=None, skiprows=[0, *rows])
    names = text.splitlines()[1].split(delimiter)
    assert names == list(outing.log_columns)
    for i, (name, places) in enumerate(
        {"time": 4, "fork": 4, "shock": 4, "speed": 2, "latitude": 7, "lap": 0}.items()
    ):
        column = table[names.index(name)].to_numpy(dtype=float)
        np.testing.assert_allclose(
            column, outing.log_columns[name], atol=0.51 * 10.0**-places, err_msg=f"{i} {name}"
        )


def test_gzip_holds_the_same_text(tmp_path):
    outing = small_outing(second_bike(), seed=6, sensors=Sensors(travel_unit="counts"))
    write_log(outing, tmp_path / "log.csv")
    write_log(outing, tmp_path / "log.csv.gz")
    assert gzip.decompress((tmp_path / "log.csv.gz").read_bytes()) == (tmp_path / "log.csv").read_bytes()


def test_clicks_scale_the_fork_rebound_only():
    closed, open_ = (with_fork_rebound(demo_bike(), clicks) for clicks in (5, 12))
    assert open_ == demo_bike()
    ratio = closed.front.damper.rebound.low_n_s_per_mm / open_.front.damper.rebound.low_n_s_per_mm
    assert ratio == pytest.approx(1.06**7)
    assert closed.front.damper.compression == open_.front.damper.compression
    assert closed.rear == open_.rear
