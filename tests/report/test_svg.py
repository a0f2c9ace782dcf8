"""The SVG writer: places, ticks, gaps, thinning, and that what it writes is XML."""

import xml.etree.ElementTree as ET

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from telemetry.report import drawings as svg
from telemetry.report.lap import thinned


@given(st.text(alphabet=st.characters(exclude_categories=["Cs", "Cc"])))
def test_any_text_comes_through_as_text(words):
    root = ET.fromstring(svg.svg_picture(10, 10, words, [svg.svg_text(1, 2, words, class_='a"b')]))
    title, text = root
    assert (title.text or "") == words and (text.text or "") == words
    assert text.get("class") == 'a"b'


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 12))
def test_ticks_are_round_evenly_spaced_and_inside(low, span, about):
    values = svg.ticks(low, low + span, about)
    step = values[1] - values[0] if len(values) > 1 else span
    assert 1 <= len(values) <= about + 1
    assert np.allclose(np.diff(values), step, rtol=1e-6)
    assert all(low - 1e-6 * step <= value <= low + span + 1e-6 * step for value in values)
    if len(values) > 1:
        mantissa = step / 10 ** np.floor(np.log10(step * 1.0001))
        assert np.isclose(mantissa, [1, 2, 5, 10], rtol=1e-6).any()


def test_a_scale_goes_through_its_ends_either_way():
    scale = svg.Scale(0.0, 120.0, 300.0, 60.0)
    assert [scale(0), scale(60), scale(120)] == [300, 180, 60]
    assert scale.array(np.array([0.0, 120.0])).tolist() == [300, 60]


def test_thinning_keeps_extremes_and_gaps():
    x = np.arange(100_000.0)
    y = np.sin(x / 9000)
    y[41_234], y[77_777] = 9.0, -9.0
    y[50_000:52_000] = np.nan
    thin_x, thin_y = thinned(x, y, points=1000)
    assert len(thin_x) <= 1000
    assert (np.nanmax(thin_y), np.nanmin(thin_y)) == (9.0, -9.0)
    pieces = svg.pieces(np.isfinite(thin_y))
    assert len(pieces) == 2
    assert thin_x[pieces[0]][-1] < 50_000 and thin_x[pieces[1]][0] >= 52_000
    assert thinned(x[:50], y[:50])[0] is not None


def test_a_gap_lifts_the_pen():
    x, y = np.arange(5.0), np.array([1.0, 2.0, np.nan, 3.0, 4.0])
    assert svg.trace_path(x, y).count("M") == 2
    assert svg.area_path(x, y, base=0.0).count("Z") == 2
    assert svg.trace_path(x, np.full(5, np.nan)) == ""
