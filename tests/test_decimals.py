"""Columns kept as whole numbers and a count of decimals are to the last bit what was put in."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.decimals import Column, Columns, EvenTimes, Lines, Packer, as_column, kept_of, packed
from telemetry.numeric import BLOCK

ANY = st.floats(allow_nan=True, allow_infinity=True)
WRITTEN = st.decimals(-(10**6), 10**6, places=7).map(float)


@given(st.lists(st.lists(ANY | WRITTEN, max_size=6), max_size=6))
def test_whatever_comes_piece_by_piece_is_kept(pieces):
    packer = Packer()
    for piece in pieces:
        packer.add(np.array(piece, dtype=np.float64), expected_rows=3)
    wanted = np.array([value for piece in pieces for value in piece], dtype=np.float64)
    column = packer.column()
    np.testing.assert_array_equal(column.values, wanted)
    np.testing.assert_array_equal(column.known(), np.isfinite(wanted))
    assert column.missing == (not np.isfinite(wanted).all())


@given(st.lists(WRITTEN | st.just(float("nan")), min_size=1, max_size=40), st.data())
def test_numbers_that_were_written_are_kept_as_the_decimals_that_were_written(values, data):
    column = packed(np.array(values))
    numbers, decimals = column.whole_numbers()
    # Outside: the decimal of Python's shortest text of the float is what was written (seven digits after the point).
    for value, number in zip(values, numbers.tolist(), strict=True):
        assert np.isnan(value) or Decimal(number).scaleb(-decimals) == Decimal(str(value))
    rows = np.array(data.draw(st.lists(st.integers(0, len(values) - 1), max_size=9)), dtype=np.int64)
    np.testing.assert_array_equal(column[rows], np.array(values)[rows])
    np.testing.assert_array_equal(column.some(slice(1, None, 2)).values, values[1::2])
    filled = np.array(values)[~np.isnan(values)]
    assert column.limits == ((filled.min(), filled.max()) if len(filled) else None)


@pytest.mark.parametrize(
    ("values", "kind", "base"),
    [
        (np.arange(1000) % 5000 / 1000, np.int16, 0),
        (np.linspace(0.0, 5.0, 50_001).round(4), np.int16, 25_000),  # five volts, four decimals
        (np.arange(100_000) / 1000, np.int32, 0),
        (1.7e9 + np.arange(100_000) / 1000, np.int32, 1_700_000_049_999),  # seconds since 1970
        (np.array([0.0, 2.0**52]), np.int64, 0),
        (np.array([np.pi]), np.float64, 0),
        (np.array([1e300]), np.float64, 0),
        (np.array([np.nan, 4.0]), np.int16, 0),
    ],
)
def test_a_column_takes_the_room_it_needs(values, kind, base):
    column = packed(values)
    assert column.kept.dtype == kind and abs(column.base - base) <= 20_000
    np.testing.assert_array_equal(column.values, values)


def test_a_form_is_widened_when_later_numbers_do_not_fit():
    whole, finer = np.arange(3.0 * BLOCK), np.arange(BLOCK) / 8
    values = np.concatenate((whole, finer, [np.nan, -1e6]))
    column = packed(values)
    assert column.decimals == 3 and column.kept.dtype == np.int32
    np.testing.assert_array_equal(column.values, values)
    broken = np.concatenate((values, [np.e]))
    assert packed(broken).is_float
    np.testing.assert_array_equal(packed(broken).values, broken)


@pytest.mark.parametrize("values", [np.array([1.25, np.nan, 3.5, 3.5]), np.array([np.pi, np.nan, 2.0, 2.0])])
def test_columns_are_changed_as_arrays_are(values):
    column = packed(values)
    np.testing.assert_array_equal(column.times(1 / 3.6).values, values * (1 / 3.6))
    np.testing.assert_array_equal(column.times(0.1).less(0.7).values, values * 0.1 - 0.7)
    np.testing.assert_array_equal(
        column.with_blanks(np.array([0, 2])).values, np.insert(values, [0, 2], np.nan)
    )
    np.testing.assert_array_equal(column.blanked(values > 3).values, np.where(values > 3, np.nan, values))
    assert column.changes().tolist() == [True, True, True, False]
    assert column.times(2.0).whole_numbers() is None


def test_columns_by_name_give_floats_and_hold_what_is_put_in():
    columns = Columns({"fork": packed(np.array([1.5, 2.5])), "lap": np.array([1.0, 2.0])})
    assert columns["fork"].dtype == np.float64 and {**columns, "x": 1}.keys() == {"fork", "lap", "x"}
    assert kept_of(columns, "fork").kept.dtype == np.int16
    with pytest.raises(ValueError, match="read-only"):
        columns["fork"][0] = 7.0
    columns["fork"] = np.array([np.pi, 0.0])
    del columns["lap"]
    assert list(columns) == ["fork"] and columns["fork"][0] == np.pi
    assert isinstance(kept_of({"a": np.array([0.5])}, "a"), Column)


def test_lines_between_few_numbers_are_those_of_numpy():
    at, numbers = np.array([2.0, 5.0, 9.0]), np.array([1.0, 4.0, 0.0])
    lines = Lines(at, numbers, 12, blank=np.array([0, 1, 6, 8]))
    wanted = np.interp(np.arange(12), at, numbers)
    wanted[[0, 6, 7]] = np.nan
    np.testing.assert_array_equal(lines.values, wanted)
    np.testing.assert_array_equal(lines[::3], wanted[::3])
    np.testing.assert_array_equal(lines[np.array([7, 1, 11])], wanted[[7, 1, 11]])
    np.testing.assert_array_equal(lines[wanted > 2], wanted[wanted > 2])
    part = lines.part(slice(3, 10))
    np.testing.assert_array_equal(part.values, wanted[3:10])
    np.testing.assert_array_equal(part.part(slice(2, None))[np.array([4, 1])], wanted[[9, 6]])
    assert lines[3] == wanted[3] and np.isnan(lines[7])
    np.testing.assert_array_equal(as_column(lines).values, wanted)
    for outside in (np.array([-1]), np.array([7])):
        with pytest.raises(IndexError, match="0 to 6"):
            part[outside]


@pytest.mark.parametrize("rate_hz", [1000.0, 200.0, 333.3, 104.166666, 0.1])
def test_times_of_an_even_clock_are_those_of_an_array(rate_hz):
    n = 50_000
    array, times = np.arange(n) / rate_hz, EvenTimes(rate_hz, range(n))
    assert len(times) == n
    np.testing.assert_array_equal(times, array)
    np.testing.assert_array_equal(times + 1.0, array + 1.0)
    assert (times[7], times[-1]) == (array[7], array[-1])
    rows = np.array([4, 1999, 12])
    mask = np.arange(n) % 7 == 0
    for some in (slice(100, 900), slice(None), slice(0, n, 9), rows, mask):
        np.testing.assert_array_equal(times[some], array[some])
    part, of_array = times.part(slice(1234, 40_000)), array[1234:40_000]
    np.testing.assert_array_equal(part, of_array)
    np.testing.assert_array_equal(part[rows], of_array[rows])
    assert part[-1] == of_array[-1]
    near = np.concatenate(
        (array[::501], np.nextafter(array[::501], -1.0), np.nextafter(array[::501], 1e9), [-5.0, 1e9])
    )
    for side in ("left", "right"):
        np.testing.assert_array_equal(np.searchsorted(times, near, side), np.searchsorted(array, near, side))
        np.testing.assert_array_equal(
            np.searchsorted(part, near, side), np.searchsorted(of_array, near, side)
        )
    assert np.searchsorted(times, array[17]) == 17
