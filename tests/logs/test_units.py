"""Units: sizes from definitions, and the many ways loggers write them."""

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from telemetry.errors import LogError
from telemetry.logs import to_unit
from telemetry.logs.rawlog import UNITS, find_unit, split_unit

# scipy.constants: CODATA and NIST SP 811 values, kept by others
SIZES = [
    ("in", "mm", constants.inch / constants.milli),
    ("cm", "mm", 10),
    ("km/h", "m/s", constants.kmh),
    ("mph", "m/s", constants.mph),
    ("kn", "m/s", constants.knot),
    ("deg", "rad", constants.degree),
    ("bar", "kPa", constants.bar / constants.kilo),
    ("psi", "bar", constants.psi / constants.bar),
    ("g", "m/s2", constants.g),
    ("min", "s", constants.minute),
    ("ms", "s", constants.milli),
    ("us", "s", constants.micro),
    ("mV", "V", constants.milli),
    ("%", "1", 0.01),
    ("rpm", "rad/s", 2 * math.pi / 60),
]


@pytest.mark.parametrize(("unit_from", "unit_to", "size"), SIZES)
def test_sizes(unit_from, unit_to, size):
    assert to_unit(np.array([1.0]), unit_from, unit_to)[0] == pytest.approx(size, rel=1e-12)


# Ours is in pint's own spelling but for these; counts have no size, and a share is a plain number.
PINT = pint.UnitRegistry()
AS_PINT_WRITES = {"km/h": "km/hour", "kn": "knot", "rpm": "revolution/minute", "g": "standard_gravity",
                  "m/s2": "m/s**2", "%": "percent", "in": "inch", "1": "dimensionless", "min": "minute"}  # fmt: skip


@pytest.mark.parametrize("unit", [unit for unit in UNITS.values() if unit.quantity not in ("counts", "temperature")],
                         ids=lambda unit: unit.symbol)  # fmt: skip
def test_sizes_are_those_of_pint(unit):
    others = [other for other in UNITS.values() if other.quantity == unit.quantity]
    for other in others:
        one, two = (AS_PINT_WRITES.get(u.symbol, u.symbol) for u in (unit, other))
        wanted = PINT.Quantity(3.0, one).to(two).magnitude
        assert to_unit(np.array([3.0]), unit.symbol, other.symbol)[0] == pytest.approx(wanted, rel=1e-12)


@given(st.sampled_from(list(UNITS.values())), st.sampled_from(list(UNITS.values())), st.floats(-1e6, 1e6))
def test_there_and_back(one, other, value):
    if one.quantity != other.quantity:
        with pytest.raises(LogError, match="is a unit of"):
            to_unit(np.array([value]), one.symbol, other.symbol)
    else:
        there = to_unit(np.array([value]), one.symbol, other.symbol)
        assert to_unit(there, other.symbol, one.symbol)[0] == pytest.approx(value, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "symbol"),
    [
        ("KPH", "km/h"),
        ("[mm]", "mm"),
        ("µs", "us"),
        ("MV", "mV"),
        ("v", "V"),
        (" Sec ", "s"),
        ("°", "deg"),
        ("pct", "%"),
    ],
)
def test_spellings(written, symbol):
    assert find_unit(written).symbol == symbol


def test_unknown_unit():
    with pytest.raises(LogError, match="unit 'furlong' is not known; known are V, mV"):
        to_unit(np.zeros(1), "furlong", "mm")


def test_nan_stays():
    assert np.isnan(to_unit(np.array([np.nan]), "in", "mm")[0])


@pytest.mark.parametrize(
    ("header", "wanted"),
    [
        ("fork [mm]", ("fork", "mm")),
        ("fork[mm]", ("fork", "mm")),
        ("speed (km/h)", ("speed", "km/h")),
        ("brake (front)", ("brake (front)", "")),
        ("wheel speed {m/s}", ("wheel speed", "m/s")),
        ("time_ms", ("time_ms", "ms")),
        ("speed_m_s", ("speed_m_s", "m/s")),
        ("wheel_in", ("wheel_in", "")),
        ("tyre_min", ("tyre_min", "")),
        ("fork", ("fork", "")),
        ("state [words]", ("state", "words")),
    ],
)
def test_units_in_a_header(header, wanted):
    assert split_unit(header) == wanted
