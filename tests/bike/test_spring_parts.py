"""Springs beside the coil: force and rate agree with each other, with the work by formula and with the gas law."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from telemetry.bike.sections import SpringParts
from telemetry.bike.springs import ATMOSPHERE_N_PER_MM2, ShaftSpring

STROKE = 120.0
PARTS = {
    "nothing": None,
    "dual rate": {"second_rate_n_per_mm": 24.0, "second_from_mm": 60.0},
    "dual rate, preloaded past": {"second_rate_n_per_mm": 24.0, "second_from_mm": 5.0},
    "gas": {"gas_force_n": 150.0},
    "top-out": {"top_out": {"length_mm": 15.0, "rate_n_per_mm": 30.0}},
    "bump stop": {"bump_stop": {"length_mm": 25.0, "force_n": 2500.0, "power": 2.5}},
    "air, isothermal": {"air": {"oil_level_mm": 110.0, "bore_mm": 40.0, "exponent": 1.0}},
    "air, polytropic": {
        "air": {
            "oil_level_mm": 110.0,
            "bore_mm": 40.0,
            "displacing_mm": 37.0,
            "exponent": 1.3,
            "pressure_bar": 0.4,
        }
    },
}
ALL = pytest.mark.parametrize("parts", PARTS.values(), ids=PARTS.keys())


def spring(parts):
    return ShaftSpring(18.0, 12.0, STROKE, None if parts is None else SpringParts.model_validate(parts))


@ALL
@given(s=st.floats(0.5, STROKE - 0.5))
def test_rate_is_the_slope_of_the_force(parts, s):
    made, h = spring(parts), 1e-5
    kinks = (15.0, 48.0, STROKE - 25.0)  # where a part starts or ends the rate jumps
    if min(abs(s - kink) for kink in kinks) > 1e-3:
        assert made.rate_n_per_mm(s) == pytest.approx(
            (made.force_n(s + h) - made.force_n(s - h)) / (2 * h), rel=1e-5, abs=1e-5
        )


# Work of each part over 100 mm: squares for springs, the power law for rubber, p V ln V or p V / (n - 1) for air.
LEG_MM2, PISTON_MM2, P0 = 2 * np.pi / 4 * 40.0**2, 2 * np.pi / 4 * 37.0**2, ATMOSPHERE_N_PER_MM2
V1, V2 = LEG_MM2 * (110.0 + STROKE), LEG_MM2 * 110.0 + PISTON_MM2 * STROKE
WORK_N_MM = {
    "nothing": 0.0,
    "dual rate": 6.0 * (100.0 - 48.0) ** 2 / 2,
    "dual rate, preloaded past": 6.0 * (107.0**2 - 7.0**2) / 2,
    "gas": 150.0 * 100.0,
    "top-out": -30.0 * 15.0**2 / 2,
    "bump stop": 2500.0 * 25.0 * (5.0 / 25.0) ** 3.5 / 3.5,
    "air, isothermal": P0 * V1 * np.log(V1 / (V1 - LEG_MM2 * 100)) - P0 * LEG_MM2 * 100,
    "air, polytropic": (P0 + 0.04) * V2 / 0.3 * ((V2 / (V2 - PISTON_MM2 * 100)) ** 0.3 - 1)
    - P0 * PISTON_MM2 * 100,
}


@pytest.mark.parametrize("name", PARTS)
def test_the_integral_of_the_force_is_the_work_by_the_formula(name):
    by_quadrature, _ = quad(spring(PARTS[name]).force_n, 0.0, 100.0, points=[15.0, 48.0, 95.0], epsabs=1e-9)
    coil = 18.0 * (112.0**2 - 12.0**2) / 2
    assert by_quadrature == pytest.approx(coil + WORK_N_MM[name], rel=1e-9)


def test_the_second_rate_takes_over_at_its_spring_compression():
    made = spring(PARTS["dual rate"])
    assert made.force_n(48.0) == pytest.approx(18.0 * 60.0)
    assert made.force_n(58.0) == pytest.approx(18.0 * 60.0 + 24.0 * 10.0)
    assert made.rate_n_per_mm(47.0) == 18.0
    assert made.rate_n_per_mm(49.0) == 24.0


def test_the_top_out_spring_holds_against_the_coil_and_lets_go():
    made = spring(PARTS["top-out"])
    assert made.force_n(0.0) == pytest.approx(18.0 * 12.0 - 30.0 * 15.0)
    assert made.force_n(20.0) == pytest.approx(18.0 * 32.0)


def test_boyle():
    # p V constant: two legs of 40 mm bore, 110 mm of air left at full compression, 230 mm extended
    air = spring(PARTS["air, isothermal"])
    area = 2 * np.pi / 4 * 40.0**2
    at_full = air.force_n(STROKE) - 18.0 * (STROKE + 12.0)
    assert at_full == pytest.approx(area * ATMOSPHERE_N_PER_MM2 * (230.0 / 110.0 - 1.0), rel=1e-12)


def test_air_compressed_quickly_pushes_harder_and_more_oil_pushes_harder():
    def at_full(level, exponent):
        parts = {"air": {"oil_level_mm": level, "bore_mm": 40.0, "exponent": exponent}}
        return spring(parts).force_n(STROKE)

    assert at_full(110.0, 1.4) > at_full(110.0, 1.0)
    assert at_full(100.0, 1.2) > at_full(110.0, 1.2)
