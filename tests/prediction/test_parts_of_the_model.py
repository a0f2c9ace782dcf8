"""Parts of the model of a ride by hand: masses, springs and dampers with errors, gaps of a log, a wheel in the air."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import linalg

from telemetry.bike import damper_force_n, spring_of
from telemetry.prediction.model import (
    EXACT,
    OF_AN_END,
    SPREAD,
    USUAL_COM_SHARE,
    USUAL_GYRATION,
    USUAL_RUBBER,
    USUAL_SPRUNG_KG,
    ZERO_SD_MM,
    FileError,
    Fitted,
    _after_gaps,
    _gap_m,
    assumed,
    body_of,
    damper_of,
    damper_table_n,
    draw_errors,
    old_ride,
    shaft_grid_mm,
    spread_of,
    spring_table_n,
    spring_with_error,
    tables_of,
    with_usual_rubber,
)
from telemetry.prediction.values import hop_damping
from tests.bike.stand_bike import stand_bike, with_values

ENDS = ("front", "rear")
AIR = {"oil_level_mm": 110.0, "bore_mm": 40.0, "exponent": 1.2}
BARE = {
    f"{end}__{key}": None for end in ENDS for key in ("unsprung_mass_kg", "tyre_rate_n_per_mm", "damper", "spring")
}  # fmt: skip


@pytest.mark.parametrize("name", SPREAD)
def test_a_usual_value_is_known_less_than_one_of_the_file_at_its_own_end(name):
    # what a file lacks as a whole, air or rubber, lacks its parts too
    whole = {"oil_level": "air", "rubber_length": "rubber"}.get(name, name)
    given, usual = SPREAD[name]
    assert 0.0 < given <= usual < 1.0
    if name in ("mass", "com", "inertia"):
        assert spread_of(name, (whole,)) == usual and spread_of(name, ()) == given
    else:
        assert spread_of(name, (f"rear.{whole}",), "rear") == usual
        assert spread_of(name, (f"front.{whole}",), "rear") == given


def test_drawn_errors_scatter_as_they_are_said_to():
    # standard deviation of 2000 draws within 5 standard errors: 5 / sqrt(2 n) = 8 %; drawn apart from each other
    lacks = ("mass", "front.tyre", "rear.damper")
    fitted = Fitted(("front.air",), np.array([0.4]), np.array([[0.01]]))
    draws = draw_errors(lacks, 2000, fitted)
    assert draws[:3] == draw_errors(lacks, 3, fitted)
    logs = {name: np.log([draw.factors[name] for draw in draws]) for name in draws[0].factors}
    expected = {name: spread_of(name, lacks) for name in ("mass", "com", "inertia")}
    for end in ENDS:
        expected |= {f"{end}.{name}": spread_of(name, lacks, end) for name in OF_AN_END}
        expected |= {f"{end}.{side}": spread_of("damper", lacks, end) for side in ("compression", "rebound")}
    expected["front.air"] = 0.1  # by the log, in the place of what the file says
    assert set(logs) == set(expected)
    for name, spread in expected.items():
        assert logs[name].std() == pytest.approx(spread, rel=0.08), name
        middle = 0.4 if name == "front.air" else 0.0
        assert logs[name].mean() == pytest.approx(middle, abs=5 * spread / np.sqrt(2000)), name
    apart = np.corrcoef(np.array(list(logs.values()))) - np.eye(len(logs))
    assert np.abs(apart).max() < 5 / np.sqrt(2000)
    for end in ENDS:
        assert np.std([draw.zero_mm[end] for draw in draws]) == pytest.approx(ZERO_SD_MM, rel=0.08)


def test_scatter_of_what_was_fitted_goes_along_its_covariance():
    covariance = np.array([[0.04, 0.018], [0.018, 0.09]])
    fitted = Fitted(("front.air", "front.rubber"), np.array([0.1, -0.2]), covariance)
    assert fitted.error().factors == pytest.approx({"front.air": np.exp(0.1), "front.rubber": np.exp(-0.2)})
    root = linalg.cholesky(covariance, lower=True)
    moved = fitted.error(np.array([2.0, -1.0])).factors
    assert np.log(list(moved.values())) == pytest.approx(np.array([0.1, -0.2]) + root @ [2.0, -1.0])


def test_what_a_file_lacks_is_named():
    assert assumed(stand_bike()) == ()
    bare = with_values(chassis=None, adjusters={}, **BARE)
    per_end = [
        f"{end}.{part}" for end in ENDS for part in ("unsprung", "tyre", "damper", "friction", "rubber")
    ]
    assert sorted(assumed(bare)) == sorted(["mass", "com", "inertia", *per_end])
    assert assumed(with_values(chassis__pitch_inertia_kg_m2=None)) == ("inertia",)


def test_usual_rubber_stands_only_where_the_file_names_none():
    bike = with_values(front__spring={"air": AIR})
    made = with_usual_rubber(bike)
    assert (
        made.front.spring.bump_stop == USUAL_RUBBER["front"]
        and made.front.spring.air == bike.front.spring.air
    )
    assert made.rear == bike.rear


def test_masses_of_a_file_and_usual_ones():
    body = body_of(stand_bike())
    assert (body.mass_kg, body.inertia_kg_m2) == (212.0, 26.0)
    assert body.arm_m == pytest.approx([0.710, 0.700])
    assert body.unsprung_kg == pytest.approx([15.0, 20.0])
    assert body.tyre_n_m == pytest.approx([170e3, 180e3]) and body.tyre_n_s_m == pytest.approx([150.0, 200.0])
    usual = body_of(with_values(chassis=None, adjusters={}, **BARE))
    back = USUAL_COM_SHARE * 1.410
    assert usual.arm_m == pytest.approx([1.410 - back, back])
    assert usual.mass_kg == USUAL_SPRUNG_KG
    assert usual.inertia_kg_m2 == pytest.approx(USUAL_GYRATION * USUAL_SPRUNG_KG * back * (1.410 - back))


def test_errors_of_masses_and_tyres_are_factors():
    names = ("mass", "inertia", "com", "front.unsprung", "rear.tyre", "front.tyre_damping")
    error = FileError(dict(zip(names, (1.1, 0.8, 1.05, 1.2, 0.9, 2.0), strict=True)))
    body = body_of(stand_bike(), error)
    assert (body.mass_kg, body.inertia_kg_m2) == pytest.approx((212 * 1.1, 26 * 0.8))
    assert body.arm_m == pytest.approx([1.410 - 0.735, 0.735])
    assert body.unsprung_kg == pytest.approx([18.0, 20.0])
    assert body.tyre_n_m == pytest.approx([170e3, 162e3]) and body.tyre_n_s_m == pytest.approx([300.0, 200.0])
    # a centre of mass stays between the axles, a fifth of the wheelbase from either
    for factor, share in ((0.1, 0.2), (9.0, 0.8)):
        assert body_of(stand_bike(), FileError({"com": factor})).arm_m[1] == pytest.approx(share * 1.410)


def test_with_one_end_a_push_there_does_not_move_the_other():
    # a point mass at the centre of percussion: acceleration of the rear by a force at the front, 1/m - a b / J, is zero
    body = body_of(stand_bike(), one_end=True)
    a, b = body.arm_m
    assert 1 / body.mass_kg - a * b / body.inertia_kg_m2 == pytest.approx(0.0, abs=1e-12)


def force(bike, nominal, error, end="front", at=60.0):
    return spring_with_error(bike, end, nominal, error).force_n(at)


def test_an_error_of_the_coil_is_of_the_coil_before_the_change():
    # 19 N/mm known to 10 %, then 2 N/mm stiffer: 20.9 + 2, not 21 times 1.1
    old = with_values(front__spring=None)
    new = with_values(front__spring=None, front__spring_rate_n_per_mm=21.0)
    error = FileError({"front.spring": 1.1})
    assert force(old, old, error) == pytest.approx(20.9 * 72.0)
    assert force(new, old, error) == pytest.approx(22.9 * 72.0)


def test_an_error_of_the_coil_is_in_both_parts_of_a_dual_rate():
    dual = {"second_rate_n_per_mm": 30.0, "second_from_mm": 40.0}
    bike = with_values(front__spring=dual)
    softer = spring_with_error(bike, "front", bike, FileError({"front.spring": 0.9}))
    both = [
        float(np.diff([spring.force_n(x) for x in (80.0, 81.0)])[0])
        for spring in (spring_of(bike, "front"), softer)
    ]
    assert both == pytest.approx([30.0, 28.1])


def test_errors_of_rubber_and_top_out_are_factors_of_their_force():
    bike = stand_bike()
    # the rubber alone: 600 N at its end, (depth / length) ^ 2.5 before
    coil = with_values(front__spring={"top_out": {"length_mm": 12, "rate_n_per_mm": 20}})
    for at, error in (
        (125.0, {"front.rubber": 1.4}),
        (110.0, {"front.rubber_length": 0.5, "front.rubber": 1.0}),
    ):
        length, factor = 40 * error.get("front.rubber_length", 1.0), error["front.rubber"]
        rubber = force(bike, bike, FileError(error), at=at) - spring_of(coil, "front").force_n(at)
        assert rubber == pytest.approx(600 * factor * ((at - 125 + length) / length) ** 2.5)
    # the top-out spring: 20 N/mm over 12 mm, against the coil
    plain = with_values(front__spring={"bump_stop": {"length_mm": 40, "force_n": 600, "power": 2.5}})
    against = spring_of(plain, "front").force_n(3.0) - force(
        bike, bike, FileError({"front.top_out": 1.3}), at=3.0
    )
    assert against == pytest.approx(1.3 * 20 * 9.0)
    # rubber is never longer than the stroke
    longest = spring_with_error(bike, "front", bike, FileError({"front.rubber_length": 9.0}))
    assert longest.parts.bump_stop.length_mm == 125.0


@pytest.mark.parametrize("displacing", [None, 30.0])
def test_an_error_of_the_air_is_of_its_area(displacing):
    # bore and rod alike scaled, the pressure is as before at every travel and the force goes with the area
    air = AIR | ({} if displacing is None else {"displacing_mm": displacing})
    bike, coil = with_values(front__spring={"air": air}), with_values(front__spring=None)
    at, wider = np.array([30.0, 110.0]), FileError({"front.air": 1.3})
    of_air = [
        np.array([force(bike, bike, error, at=x) - spring_of(coil, "front").force_n(x) for x in at])
        for error in (EXACT, wider)
    ]
    assert of_air[1] == pytest.approx(1.3 * of_air[0])
    higher = spring_with_error(bike, "front", bike, FileError({"front.oil_level": 1.1})).parts.air
    assert (higher.oil_level_mm, higher.bore_mm) == pytest.approx((121.0, 40.0))


def test_beyond_the_stroke_there_is_metal():
    bike = with_values(rear__spring=None)
    grid = np.array([-1.0, 0.0, 69.0, 70.0, 71.0, 72.0])
    table = spring_table_n(spring_of(bike, "rear"), grid)
    assert table[1:4] == pytest.approx([70 * 12, 70 * 81, 70 * 82])
    metal = table[4] - table[3]
    assert metal > 10 * 70 and table[5] - table[4] == pytest.approx(metal) == pytest.approx(
        table[1] - table[0]
    )
    # a sensor that reads 2 mm too little: the force of 2 mm more
    moved = spring_table_n(spring_of(bike, "rear"), np.array([67.0]), 2.0)
    assert moved == pytest.approx(table[2:3])


def test_the_grid_holds_the_longer_stroke_and_as_much_beyond_either_end():
    grid = shaft_grid_mm(stand_bike())
    assert -grid[0] == pytest.approx(grid[-1] - 125.0) and grid[-1] > 125.0
    assert np.diff(grid) == pytest.approx(np.full(len(grid) - 1, grid[1] - grid[0]))


def test_errors_of_a_damper_are_factors_of_each_way_and_of_its_friction():
    damper = damper_of(stand_bike(), "rear")
    error = FileError({"rear.compression": 1.2, "rear.rebound": 0.7, "rear.friction": 2.0})
    speed = np.linspace(-4000.0, 4000.0, 16001)
    plain, wrong = (damper_table_n(damper, "rear", each) for each in (EXACT, error))
    oil = damper_force_n(speed, damper)
    for v, factor in ((500.0, 1.2), (-500.0, 0.7)):
        k = int(np.flatnonzero(speed == v)[0])
        assert plain[k] - oil[k] == pytest.approx(np.sign(v) * 15.0)  # of the seals, against the motion
        assert wrong[k] == pytest.approx(factor * oil[k] + np.sign(v) * 30.0)


def test_a_damper_of_the_file_goes_before_a_usual_one():
    bare = with_values(front__damper=None, rear__damper__friction_n=40.0)
    assert damper_of(bare, "rear").friction_n == 40.0
    assert damper_of(bare, "front").friction_n > 0.0


@pytest.mark.parametrize("by_mm", [3.0, -3.0])
def test_a_change_of_length_leaves_the_wheel_at_a_length_where_it_is(by_mm):
    # a straight leverage of 1.8: at travel q + by the shock is as long as it was at q
    table = [[-10.0, -18.0], [80.0, 144.0]]
    values = {"rear__linkage": None, "rear__mount_insert": None, "rear__leverage_table_mm": table}
    old = with_values(**values)
    new = with_values(**values, rear__shock_length_mm=332.0 + by_mm, measured_at={"shock_length_mm": 332.0})
    before, after = (tables_of(each, old).position_m[1] for each in (old, new))
    grid = shaft_grid_mm(old)
    inside = (grid > 5.0) & (grid < 60.0)
    assert np.interp(grid[inside] + by_mm, grid, after) == pytest.approx(before[inside], abs=1e-6)


def logged(front, rear, rate_hz=100.0):
    ends = {"front": front, "rear": rear}
    found = {end: SimpleNamespace(shaft_travel_mm=mm) for end, mm in ends.items() if mm is not None}
    return SimpleNamespace(sample_rate_hz=rate_hz, ends=found)


def test_a_stretch_is_ridden_with_four_seconds_before_it():
    ramp = np.arange(2000, dtype=float)
    ride = old_ride(logged(ramp, None), 700, 900)
    assert (ride.rows, ride.lead) == (slice(300, 900), 400)
    assert 1e3 * ride.shaft_m[0] == pytest.approx(ramp[300:900])
    assert ride.speed_m_s[0] == pytest.approx(np.full(600, 0.1))  # 1 mm a sample at 100 Hz
    assert ride.usable[0].all() and not ride.usable[1].any() and not ride.shaft_m[1].any()
    assert (ride.sample_s, ride.substeps) == (0.01, 4)
    # where the log begins later than that, its first travel is held
    early = old_ride(logged(ramp + 7.0, None), 100, 300)
    assert (early.rows, early.lead) == (slice(0, 300), 400)
    assert 1e3 * early.shaft_m[0] == pytest.approx(np.concatenate((np.full(300, 7.0), ramp[:300] + 7.0)))
    assert not early.usable[0, :300].any() and early.usable[0, 300:].all()


@pytest.mark.parametrize(("rate_hz", "substeps"), [(100.0, 4), (399.0, 2), (400.0, 1), (1000.0, 1)])
def test_no_step_is_longer_than_the_motorcycle_needs(rate_hz, substeps):
    assert old_ride(logged(np.zeros(50), np.zeros(50), rate_hz), 0, 50).substeps == substeps


def test_a_gap_is_bridged_in_a_line_and_what_it_spoils_is_not_used():
    # at 100 Hz: a gap of 5 samples is bridged and left out; after one of 6, a second more
    travel = np.arange(500, dtype=float)
    travel[50:55] = travel[100:106] = np.nan
    ride = old_ride(logged(travel, np.full(500, np.nan)), 0, 500)
    assert 1e3 * ride.shaft_m[0, ride.lead :] == pytest.approx(np.arange(500.0))
    spoilt = np.zeros(500, dtype=bool)
    spoilt[50:55] = spoilt[100:206] = True
    assert np.array_equal(ride.usable[0, ride.lead :], ~spoilt)
    assert not ride.usable[1].any()
    # a log that begins with a gap has nothing that could be spoilt
    assert not _after_gaps(np.arange(200) >= 50, 100.0).any()


def test_a_wheel_in_the_air_is_thrown_up():
    # take-off and landing on the road, g downwards between: height g t (T - t) / 2 (a parabola; any textbook)
    sample_s, n = 0.001, 120
    t = sample_s * np.arange(1, n + 1)
    height = _gap_m(np.full(n, -9.81), sample_s)
    assert height == pytest.approx(0.5 * 9.81 * t * (t[-1] - t), abs=1e-12)
    assert not _gap_m(np.full(n, 9.81), sample_s).any()  # it does not go into the road
    assert len(_gap_m(np.zeros(0), sample_s)) == 0


def test_hop_damping_of_a_linear_motorcycle_is_that_of_its_eigenvalues():
    # straight dampers and springs, no friction, leverage of 1.8: scipy's eigenvalues of M q'' + C q' + K q = 0 for
    # heave, pitch and both wheels
    side = {"low_n_s_per_mm": 1.0, "high_n_s_per_mm": 1.0}
    shock = {"low_n_s_per_mm": 4.0, "high_n_s_per_mm": 4.0}
    bike = with_values(
        front__spring=None, rear__spring=None, rear__linkage=None, rear__mount_insert=None,
        front__damper={"compression": side, "rebound": side}, rear__damper={"compression": shock, "rebound": shock},
        rear__leverage_table_mm=[[0.0, 0.0], [70.0, 126.0]], rear__compression_clicks=None, rear__rebound_clicks=None,
        adjusters={},
    )  # fmt: skip
    body, tables = body_of(bike), tables_of(bike, bike)
    speed = 200.0 * np.sin(np.linspace(0.0, 60.0, 3000))
    ends = {
        end: SimpleNamespace(
            valid=np.ones(3000, dtype=bool), shaft_speed_mm_s=speed, shaft_travel_mm=np.full(3000, 40.0)
        )
        for end in ENDS
    }
    found = hop_damping(SimpleNamespace(ends=ends), np.ones(3000, dtype=bool), body, tables)

    ratio = np.array([np.cos(np.radians(24.0)), 1.8])
    stiff, damping = np.array([19e3, 70e3]) / ratio**2, np.array([1e3, 4e3]) / ratio**2
    a, b = body.arm_m
    squeeze = np.array([[-1.0, a, 1.0, 0.0], [-1.0, -b, 0.0, 1.0]])  # travel of both ends
    k = squeeze.T @ np.diag(stiff) @ squeeze + np.diag([0, 0, *body.tyre_n_m])
    c = squeeze.T @ np.diag(damping) @ squeeze + np.diag([0, 0, *body.tyre_n_s_m])
    inverse = np.diag(1 / np.array([body.mass_kg, body.inertia_kg_m2, *body.unsprung_kg]))
    values, shapes = linalg.eig(np.block([[np.zeros((4, 4)), np.eye(4)], [-inverse @ k, -inverse @ c]]))
    for wheel, end in enumerate(ENDS, start=2):
        own = [
            -value.real / abs(value)
            for value, shape in zip(values, shapes.T, strict=True)
            if value.imag > 0 and np.argmax(np.abs(shape[:4])) == wheel and abs(value) > 30.0
        ]
        assert found[end] == pytest.approx(own[0], rel=2e-3)
