import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.along import ZOOMED_POINTS, LongLine, packed, packed_line, window
from telemetry.report.lap import POINTS, thinned


@pytest.fixture
def long_trace():
    rng = np.random.default_rng(3)
    x = np.cumsum(rng.uniform(0, 2, 100_000))
    y = rng.normal(0, 10, len(x))
    y[61_234], y[17_777] = 500.0, -400.0
    return x, y


def test_extremes_are_kept_and_nothing_is_invented(long_trace):
    x, y = long_trace
    few_x, few_y = thinned(x, y)
    assert len(few_x) == POINTS
    assert few_y.max() == 500.0 and few_y.min() == -400.0
    where = np.searchsorted(x, few_x)
    np.testing.assert_array_equal(x[where], few_x)
    np.testing.assert_array_equal(y[where], few_y)
    assert (np.diff(few_x) >= 0).all()


def test_a_short_trace_is_left_as_it_is(long_trace):
    x, y = long_trace
    few_x, few_y = thinned(x[:POINTS], y[:POINTS])
    assert few_x is not None and len(few_x) == POINTS
    np.testing.assert_array_equal(few_y, y[:POINTS])


def test_a_long_gap_stays_a_gap(long_trace):
    x, y = long_trace
    y[30_000:40_000] = np.nan
    few_x, few_y = thinned(x, y)
    inside = (few_x > x[30_000]) & (few_x < x[39_999])
    assert inside.any() and np.isnan(few_y[inside]).all()


def test_a_part_of_a_read_only_array_can_be_thinned(long_trace):
    x, y = long_trace
    x.flags.writeable = y.flags.writeable = False
    assert len(thinned(x[10:90_000], y[10:90_000])[0]) == POINTS


@given(
    st.lists(st.floats(-1e6, 1e6), max_size=50),
    st.floats(-2e6, 2e6),
    st.floats(-2e6, 2e6),
)
def test_a_window_holds_what_is_inside_and_one_more_on_each_side(values, a, b):
    x, low, high = np.sort(values), min(a, b), max(a, b)
    cut = window(x, (low, high))
    inside = np.flatnonzero((x >= low) & (x <= high))
    if len(inside):
        assert cut.start == max(inside[0] - 1, 0)
        assert cut.stop == min(inside[-1] + 2, len(x))
    assert cut.start >= 0 and cut.stop <= len(x)


def test_a_packed_array_is_little_endian_as_plotly_js_reads_it():
    # plotly.js typed array specification: {"dtype": "f4", "bdata": base64 of little-endian bytes}
    sent = packed([1.0, -2.5], "f4")
    assert sent == {"dtype": "f4", "bdata": base64.b64encode(b"\x00\x00\x80\x3f\x00\x00\x20\xc0").decode()}


def test_a_packed_line_is_cut_to_the_zoom(long_trace):
    x, y = long_trace
    sent, _ = packed_line(x, y, (x[500], x[700]))
    read = np.frombuffer(base64.b64decode(sent["bdata"]), "<f8")
    np.testing.assert_array_equal(read, x[499:702])


def test_a_long_line_keeps_the_extremes_of_wide_zooms():
    """Against numpy's own least and greatest of what is shown."""
    n = 3_000_000
    chance = np.random.default_rng(4)
    x = np.arange(n) / 1000.0
    y = np.cumsum(chance.standard_normal(n)).astype(np.float32)
    y[1_234_567], y[2_000_001] = 1e6, -1e6
    line = LongLine(x, y)
    for zoom in (None, (10.0, 2990.0), (1234.0, 2950.0), (1200.0, 1300.0)):
        sent = line.packed(zoom)
        few_x, few_y = (np.frombuffer(base64.b64decode(each["bdata"]), dtype=each["dtype"]) for each in sent)
        shown, at = y[window(x, zoom)], x[window(x, zoom)]
        across, up = (at[-1] - at[0]) / 2000, (y.max() - y.min()) / 500  # no more than a picture has pixels
        assert len(few_y) <= ZOOMED_POINTS
        np.testing.assert_allclose((few_y.min(), few_y.max()), (shown.min(), shown.max()), atol=up)
        assert (np.diff(few_x) >= 0).all()
        for here, drawn in zip(few_x.tolist(), few_y.tolist(), strict=True):  # no sample is invented
            near = y[slice(*np.searchsorted(x, (here - across, here + across)))]
            assert np.abs(near - drawn).min() <= up


def test_a_zoom_that_shows_every_sample_sends_them_as_they_are():
    x, y = np.arange(5000) / 1000.0, np.sin(np.arange(5000)).astype(np.float32)
    sent = LongLine(x, y).packed((1.0, 1.5))
    few_x, few_y = (np.frombuffer(base64.b64decode(each["bdata"]), dtype=each["dtype"]) for each in sent)
    np.testing.assert_array_equal(few_x, x[999:1502])
    np.testing.assert_array_equal(few_y, y[999:1502])
