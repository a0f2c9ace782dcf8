"""The printed debrief: valid, self-contained, escaped, and true to the summary."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from telemetry.damping import Oscillation, OscillationEvent
from telemetry.motion import StopEvent, not_judged
from telemetry.notes import QualityNote
from telemetry.report import debrief_html
from telemetry.setup import compare, parse_sheet
from telemetry.summary import Finding, Traces
from tests.report.report_fixtures import *  # noqa: F403

VOID = {"meta", "br", "hr", "img", "link", "input"}
NASTY = "<script>alert(1)</script> & \"quotes\" 'single' <b>"

NO_FRONT = "The bike file has no [front.sensor]."


class Strict(HTMLParser):
    """Checks that every element is closed in order; gathers tags, attributes and text."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.attributes, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text.append(data)


def parsed(html):
    page = Strict()
    page.feed(html)
    page.close()
    assert page.open == []
    return page


def pictures(html):
    return [ET.fromstring(text) for text in re.findall(r"<svg.*?</svg>", html, re.DOTALL)]


def words(page):
    return " ".join(" ".join(page.text).split())


@pytest.fixture
def html(reviewed):
    return debrief_html(reviewed.summary, reviewed.traces, appendix=True)


def test_is_closed_self_contained_html_without_script(html):
    page = parsed(html)
    assert html.startswith("<!DOCTYPE html>") and 'lang="en"' in html
    assert not {"script", "link", "img", "iframe", "object"} & set(page.tags)
    loads = [value for name, value in page.attributes if name in ("src", "href", "srcset", "action")]
    assert loads == [] and "url(" not in html and "@import" not in html
    assert not any(name.startswith("on") for name, _ in page.attributes)
    assert "size: A4" in html and "break-inside: avoid" in html


def test_pictures_are_well_formed_and_titled(html):
    made = pictures(html)
    assert len(made) == 6  # the page's own; travel over the lap, travel use, speeds, average bump, map
    for picture in made:
        assert picture[0].tag.endswith("title") and picture.get("viewBox")
        assert "nan" not in ET.tostring(picture, encoding="unicode").lower().replace("instan", "")


def test_says_the_verdicts_and_the_numbers(reviewed, html):
    text = words(parsed(html)).replace("\u00a0", " ")
    for sentence in reviewed.summary.verdicts:
        assert " ".join(sentence.split()) in text
    assert f"{reviewed.summary.ends['rear'].wheel.travel.max_mm:.1f}" in text
    assert f"{reviewed.summary.ends['front'].wheel.speed.compression.rms_mm_s:.0f}" in text
    assert "How it was computed" in text and "rake deg 24" in text and "bandwidth" in text


def test_travel_over_the_lap_is_drawn_where_it_was(reviewed, html):
    travel = pictures(html)[1]
    (front,) = [e for e in travel.iter() if e.get("class") == "front trace"]
    (rear,) = [e for e in travel.iter() if e.get("class") == "rear trace"]
    front_y = [float(pair.split(",")[1]) for pair in front.get("d").replace("M", " ").split()]
    rear_y = [float(pair.split(",")[1]) for pair in rear.get("d").replace("M", " ").split()]
    assert max(front_y) < min(rear_y)  # mirrored: front above the middle, rear below
    # deepest point of the lap against the dashed line of the full stroke, to a tenth of a millimetre
    (front_end, _rear_end) = [e for e in travel.iter() if e.get("class") == "stroke-end"]
    lap = next(lap for lap in reviewed.summary.laps if lap.complete)
    base, end = 139.0, float(front_end.get("y1"))
    expected = base + lap.ends["front"].wheel.travel.max_mm / 114.19 * (end - base)
    assert min(front_y) == pytest.approx(expected, abs=0.2)


def test_text_of_strangers_is_escaped_everywhere(reviewed):
    event = OscillationEvent(30.0, 31.0, 1, 900.0, 2, "drive", 16.0, 0.05, (0.03, 0.08), 1.0, 0.5, 0.9, NASTY)
    summary = replace(
        reviewed.summary,
        run=replace(reviewed.summary.run, source=NASTY, bike=NASTY),
        verdicts=(NASTY,),
        quality=(QualityNote("warning", "x", NASTY, channel=NASTY),),
        findings=(Finding(NASTY, NASTY, NASTY, NASTY),),
        oscillation=Oscillation("yes", NASTY, (event,)),
    )
    sheet = parse_sheet({"name": NASTY, "notes": NASTY, "tyres": NASTY})
    other = parse_sheet({"name": "b", "tyres": "new"})
    comparison = compare(summary, summary, sheet, other)
    page = parsed(debrief_html(summary, reviewed.traces, comparison, sheet=sheet, appendix=True))
    assert "script" not in page.tags and "b" not in page.tags
    assert words(page).count("<script>alert(1)</script>") > 10


def _stop(end, kind, time_s, distance_m):
    return StopEvent(end, kind, time_s, 0.02, 1, distance_m, 3, "braking", 110.0, 110.0, 800.0)


def test_events_have_a_shape_of_their_own(reviewed):
    ends = reviewed.summary.ends
    traces = reviewed.traces
    t = float(traces["t_s"][len(traces["t_s"]) // 2])
    event = OscillationEvent(
        t, t + 1.2, 1, 900.0, 2, "drive", 16.0, 0.05, (0.03, 0.08), 1.0, 0.5, 0.9, "rang"
    )
    ends = {
        "front": replace(ends["front"], bottomed=(_stop("front", "bottomed", t, 700.0),), topped_out=()),
        "rear": replace(ends["rear"], bottomed=(), topped_out=(_stop("rear", "topped_out", t, 800.0),)),
    }
    summary = replace(
        reviewed.summary,
        ends=ends,
        laps=tuple(replace(lap, ends=ends) for lap in reviewed.summary.laps),
        oscillation=Oscillation("yes", "it rang", (event,)),
    )
    html = debrief_html(summary, traces, appendix=True)
    for picture in (pictures(html)[0], pictures(html)[1], pictures(html)[-1]):
        classes = [element.get("class") for element in picture.iter()]
        assert classes.count("front wedge") == 1
        assert classes.count("rear ring") == 1 and classes.count("front ring") == 0
        assert classes.count("rear wave") == 1
    text = words(parsed(html))
    assert (
        "Suspected loss of rear damping." in text and "corner 3, braking" in text and "front bottomed" in text
    )


def test_with_one_end_no_laps_and_no_position(reviewed):
    traces = Traces(
        {
            name: np.full_like(values, np.nan) if name.startswith("front") or name == "distance_m" else values
            for name, values in reviewed.traces.columns.items()
            if name not in ("x_m", "y_m")
        }
    )
    summary = replace(
        reviewed.summary,
        ends={"front": not_judged(125.0, 114.0, NO_FRONT), "rear": reviewed.summary.ends["rear"]},
        laps=(),
        corners=(),
        balance=replace(
            reviewed.summary.balance, reason="the front has no sensor", same_bump=None, per_phase=()
        ),
        oscillation=Oscillation("cannot_tell", "logged at 50 Hz, 100 are needed"),
        findings=(),
    )
    html = debrief_html(summary, traces, appendix=True)
    text = words(parsed(html))
    assert f"Front not judged: {NO_FRONT}" in text and "front: not judged" in text and "time [s]" in text
    assert "Cannot be told: the front has no sensor" in text
    assert "Lost rear damping: cannot tell." in text
    assert "no position that can be used" in text and "No laps were found" in text
    assert len(pictures(html)) == 4


def test_with_neither_end(reviewed):
    ends = {end: not_judged(125.0, 114.0, NO_FRONT) for end in ("front", "rear")}
    summary = replace(reviewed.summary, ends=ends, laps=(), findings=())
    page = parsed(
        debrief_html(
            summary, Traces({"t_s": np.arange(3.0), "distance_m": np.full(3, np.nan)}), appendix=True
        )
    )
    assert "no position" in words(page)


def test_masked_samples_are_a_gap_in_the_picture(reviewed):
    columns = dict(reviewed.traces.columns)
    rear = columns["rear_wheel_mm"].copy()
    middle = len(rear) // 2
    rear[middle : middle + 400] = np.nan
    columns["rear_wheel_mm"] = rear
    travel = pictures(debrief_html(reviewed.summary, Traces(columns), appendix=True))[0]
    (path,) = [e.get("d") for e in travel.iter() if e.get("class") == "rear trace"]
    assert path.count("M") == 2


def test_the_comparison_and_the_sheet_are_printed(reviewed):
    before = parse_sheet({"name": "before", "front": {"rebound_clicks": 5}})
    after = parse_sheet({"name": "after", "front": {"rebound_clicks": 12}})
    comparison = compare(reviewed.summary, reviewed.summary, before, after)
    text = words(
        parsed(debrief_html(reviewed.summary, reviewed.traces, comparison, sheet=after, appendix=True))
    )
    assert "front rebound clicks 5 12 setting" in text
    assert "Not enough laps to tell" in text and "Setup sheet" in text
    warned = replace(comparison, first=("Look at the damper.",), sentences=("Front: higher.",))
    text = words(parsed(debrief_html(reviewed.summary, reviewed.traces, warned, appendix=True)))
    assert text.index("Look at the damper.") < text.index("Front: higher.")
