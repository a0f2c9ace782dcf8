"""Damper curves from a dyno table, and what a damper does over a run."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import erf

from telemetry.bike import damper_force_n, damper_use, load_bike, parse_bike
from telemetry.bike.dyno import dyno_clicks, dyno_force_n, fitted_sides, read_dyno
from telemetry.bike.ends import Damper
from telemetry.bike.sections import read_bench_table
from telemetry.errors import BikeFileError
from tests.bike.stand_bike import STAND_BIKE, stand_bike, stand_bike_data

SPEED = np.array([10.0, 25.0, 50.0, 80.0, 130.0, 200.0, 300.0, 500.0])


def digressive(v, low, high, knee):
    return high * v + (low - high) * knee * np.tanh(v / knee)


def table(clicks=(4.0, 12.0, 20.0), per_click=0.05):
    rows = []
    for c in clicks:
        k = (1 + per_click) ** (12.0 - c)
        rows += [(c, v, float(digressive(v, 3.8 * k, 2.4 * k, 80.0))) for v in SPEED]
        rows += [(c, -v, -float(digressive(v, 6.8 * k, 3.9 * k, 80.0))) for v in SPEED]
    return tuple(rows)


def linear(c_n_s_per_mm, friction_n=0.0):
    side = {"low_n_s_per_mm": c_n_s_per_mm, "high_n_s_per_mm": c_n_s_per_mm}
    return Damper(compression=side, rebound=side, friction_n=friction_n)


def test_the_curve_that_made_the_table_is_found_again():
    found = fitted_sides(table(), 12.0, 12.0)
    for side, (low, high) in (("compression", (3.8, 2.4)), ("rebound", (6.8, 3.9))):
        assert found[side]["low_n_s_per_mm"] == pytest.approx(low, rel=1e-6)
        assert found[side]["high_n_s_per_mm"] == pytest.approx(high, rel=1e-6)
        assert found[side]["knee_mm_s"] == pytest.approx(80.0, rel=1e-6)


def test_between_clicks_the_force_lies_between_in_proportion():
    at = np.array([80.0])
    low, high = (dyno_force_n(table(), at, c, 12.0)[0] for c in (4.0, 12.0))
    assert dyno_force_n(table(), at, 10.0, 12.0)[0] == pytest.approx(0.25 * low + 0.75 * high)


@pytest.mark.parametrize("clicks", [(4.0, 12.0, 20.0), (5.0, 6.0), (9.0,)])
def test_every_row_of_the_table_is_its_own_force(clicks):
    rows = table(clicks)
    found = [float(dyno_force_n(rows, np.array([v]), c, c)[0]) for c, v, _ in rows]
    assert found == pytest.approx([force for *_, force in rows])


def test_beyond_the_fastest_row_the_last_slope_goes_on():
    # 200 N at 100 mm/s, 280 N at 200 mm/s: 0.8 N s/mm on; below the slowest row straight to nothing at rest
    rows = tuple((1.0, sign * v, sign * f) for sign in (1, -1) for v, f in ((100.0, 200.0), (200.0, 280.0)))
    at = np.array([-300.0, -50.0, 0.0, 25.0, 150.0, 450.0])
    assert dyno_force_n(rows, at, 1.0, 1.0) == pytest.approx([-360.0, -100.0, 0.0, 50.0, 240.0, 480.0])


def test_four_rows_of_a_side_are_enough():
    rows = [(1.0, sign * v, sign * 2.0 * v) for sign in (1, -1) for v in (50.0, 100.0, 200.0, 400.0)]
    data = stand_bike_data()
    data["rear"] |= {"damper": {"dyno": rows}, "compression_clicks": None, "rebound_clicks": None}
    data["adjusters"] = {}
    assert damper_force_n(np.array([300.0]), parse_bike(data).rear.damper) == pytest.approx([600.0])


@given(v=st.floats(-900.0, 900.0), c=st.floats(4.0, 20.0), r=st.floats(4.0, 20.0))
def test_a_table_only_ever_takes_energy_and_closing_it_takes_more(v, c, r):
    force = dyno_force_n(table(), np.array([v]), c, r)[0]
    assert force * v >= 0.0
    firmer = dyno_force_n(table(), np.array([v]), max(4.0, c - 2.0), max(4.0, r - 2.0))[0]
    assert abs(firmer) >= abs(force) - 1e-9


def test_the_demo_shock_reads_its_dyno_file_and_clicks_count():
    bike = stand_bike()
    at = np.array([-300.0, -50.0, 50.0, 300.0])
    expected = np.sign(at) * np.where(
        at > 0, digressive(abs(at), 3.8, 2.4, 80.0), digressive(abs(at), 6.8, 3.9, 80.0)
    )
    np.testing.assert_allclose(damper_force_n(at, bike.rear.damper), expected, atol=0.06)  # printed to 0.1 N
    data = stand_bike_data()
    data["rear"]["rebound_clicks"] = 10
    closed = parse_bike(data).rear.damper
    ratio = damper_force_n(at, closed) / damper_force_n(at, bike.rear.damper)
    np.testing.assert_allclose(ratio, [(1.05**4 + 1) / 2] * 2 + [1.0] * 2, atol=1e-3)  # between 8 and 12
    assert closed.rebound.low_n_s_per_mm > bike.rear.damper.rebound.low_n_s_per_mm


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("clicks,speed\n1,2\n", r"dyno\.csv: lacks the column speed_mm_s"),
        ("clicks,speed_mm_s,force_n\n1,a,3\n", r"dyno\.csv, line 2: is not three numbers"),
        ("clicks,speed_mm_s,force_n\n1,10,-3\n", r"force and speed must have one sign"),
        ("clicks,speed_mm_s,force_n\n1,10,3\n1,20,5\n", r"2 rows of compression at 1 clicks; at least 4"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path, text, message):
    (tmp_path / "dyno.csv").write_text(text)
    bike = STAND_BIKE.read_text().replace("qb-6-shock-dyno.csv", "dyno.csv")
    (tmp_path / "bike.toml").write_text(bike)
    with pytest.raises(BikeFileError, match=message):
        load_bike(tmp_path / "bike.toml")


def test_a_table_saved_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "dyno.csv"
    path.write_text("clicks,speed_mm_s,force_n\n1,10,3\n", encoding="utf-8-sig")
    assert read_dyno(path) == ((1.0, 10.0, 3.0),)


def test_a_bench_table_names_the_line_that_is_no_pair(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_text("signal,mm\n0.5,0\n2.5,60\nend of the stroke\n")
    with pytest.raises(BikeFileError, match="line 4: 'end of the stroke' is not a pair"):
        read_bench_table(path)


def test_clicks_may_be_left_out_only_where_a_side_has_one_setting():
    one = ((3.0, 100.0, 200.0), (3.0, 200.0, 300.0), (7.0, -100.0, -400.0), (7.0, -200.0, -500.0))
    assert dyno_clicks(one, None, None) == (3.0, 7.0)
    two = (*one, (5.0, -100.0, -300.0), (5.0, -200.0, -400.0))
    assert dyno_clicks(two, None, 6.0) == (3.0, 6.0)
    with pytest.raises(ValueError, match=r"rebound_clicks: is needed, .* several \(5 to 7\)"):
        dyno_clicks(two, None, None)


def test_clicks_that_were_not_on_the_dyno():
    data = stand_bike_data()
    data["rear"]["rebound_clicks"] = 25
    with pytest.raises(
        BikeFileError, match=r"rebound_clicks = 25 was not on the dyno; its table has 4 to 20"
    ):
        parse_bike(data)


@pytest.mark.parametrize("share", [0.25, 1.0])
def test_energy_of_a_cycle_is_pi_c_omega_x_squared(share):
    # c 1500 N s/m, amplitude 20 mm, 2 Hz: pi c w X^2 = 23.6871 J a cycle, 47.374 W (Rao; Den Hartog)
    rate, cycles = 2000.0, 40
    t = np.arange(int(rate * cycles / 2.0)) / rate
    speed = 20.0 * 2 * np.pi * 2.0 * np.cos(2 * np.pi * 2.0 * t)
    speed[: int((1 - share) * len(speed))] = np.nan
    used = damper_use(linear(1.5), speed, rate, 100.0, laps_s=((15.0, 15.5), (15.5, 17.5)))
    assert used.hydraulic_w == pytest.approx(47.374, rel=1e-4)
    assert used.lap_j == pytest.approx((23.6871, 4 * 23.6871), rel=1e-4)
    assert used.work_j == pytest.approx(share * cycles * 23.6871, rel=1e-4)
    assert used.peak_w == pytest.approx(2 * 47.374, rel=1e-4)


def test_heat_of_a_lap_is_of_its_own_time():
    # 1 N s/mm at 100 mm/s for 2 s, then at 300 mm/s for 2 s: c v^2 t = 20 J and 180 J
    speed = np.repeat([100.0, 300.0], 1000)
    used = damper_use(linear(1.0), speed, 500.0, 200.0, laps_s=((0.0, 2.0), (2.0, 4.0), (1.0, 3.0)))
    assert used.lap_j == pytest.approx((20.0, 180.0, 100.0))


def test_two_rates_and_friction():
    # 1000 and 2000 N s/m: pi w X^2 (cb + cr)/2 = 23.6871 J; Coulomb 120 N: 4 F X = 9.6 J a cycle (Rao)
    rate = 4000.0
    t = np.arange(int(rate * 10.0)) / rate
    speed = 20.0 * 2 * np.pi * 2.0 * np.cos(2 * np.pi * 2.0 * t)
    one, two = ({"low_n_s_per_mm": c, "high_n_s_per_mm": c} for c in (1.0, 2.0))
    used = damper_use(Damper(compression=one, rebound=two, friction_n=120.0), speed, rate, 100.0)
    assert used.work_j / 20 == pytest.approx(23.6871, rel=1e-4)
    assert used.friction_w / 2.0 == pytest.approx(9.6, rel=1e-4)


def test_share_of_the_curve_lived_on_for_a_sine():
    # sine of speed amplitude V: share of time below v is (2/pi) asin(v/V); V 300: v 50, 150 mm/s
    t = np.arange(200_000) / 1000.0
    speed = 300.0 * np.sin(2 * np.pi * 0.97 * t)
    for split, share in ((50.0, 0.106601), (150.0, 0.333333)):
        used = damper_use(linear(1.0), speed, 1000.0, split)
        low = sum(region.time_share for region in used.regions if region.speeds == "low")
        assert low == pytest.approx(share, abs=1e-3)
    assert sum(region.time_share for region in used.regions) == pytest.approx(1.0, abs=1e-5)
    assert sum(region.work_share for region in used.regions) == pytest.approx(1.0)


def test_random_speed():
    # Gaussian speed sigma 195 mm/s: share below v = erf(v/(sigma sqrt2)); power c sigma^2 = 57.04 W for c 1500 N s/m
    speed = np.random.default_rng(2).normal(0.0, 195.0, 400_000)
    used = damper_use(linear(1.5), speed, 1000.0, 150.0)
    low = sum(region.time_share for region in used.regions if region.speeds == "low")
    assert low == pytest.approx(erf(150.0 / (195.0 * np.sqrt(2))), abs=3e-3)
    assert used.hydraulic_w == pytest.approx(57.04, rel=0.01)


def test_each_part_of_the_curve_names_what_acts_there():
    used = damper_use(linear(1.0), np.array([10.0, 400.0, -10.0, -400.0]), 100.0, 100.0)
    acting = {(region.direction, region.speeds): region.adjuster for region in used.regions}
    assert acting["compression", "low"] == "compression clicker (the bleed)"
    assert acting["rebound", "high"] == "high-speed rebound adjuster, else the shim stack"


def test_nothing_valid_is_nothing_known():
    used = damper_use(linear(1.0), np.full(10, np.nan), 100.0, 100.0, laps_s=((0.0, 0.1),))
    assert np.isnan(used.hydraulic_w)
    assert np.isnan(used.lap_j[0])
