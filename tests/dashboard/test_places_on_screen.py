"""Every place that a page names leads to its lap and stretch, and the largest words are the first finding."""

import re
from dataclasses import replace

import numpy as np
import pytest
from dash import html

from dashboard.urlstate import parse
from telemetry.findings import findings, nothing_asks
from telemetry.laps import Corner
from telemetry.report import LapName, Places, Said, Spot
from telemetry.simulate import SCENARIOS
from telemetry.summary import place_words, summary_from_json, summary_to_json
from telemetry.summary.stretch import Stretch, selected
from tests.dashboard.made_up import MadeUp, MadeUpLogbook, made_up
from tests.dashboard.test_pages import opened, text, walk
from tests.demo_reviews import SIMULATED, demo_review, simulated_review

MADE_UP = {
    "rings": {},
    "calm": {"oscillation": "no", "masked": False},
    "no position": {"gps": False},
    "front alone": {"ends": ("front",), "oscillation": "cannot_tell"},
    "deeper": {"deeper_mm": 4.0, "seed": 2},
}
# One lap of a demo log as the whole outing: other findings from the same samples.
ONE_LAP = {"before, lap 1": ("vellmoor-before", 1), "soft fork, lap 2": ("vellmoor-soft-fork", 2)}
REVIEWED = [*SCENARIOS, *SIMULATED, *ONE_LAP]
NAMES = [*REVIEWED, *MADE_UP]
# Read here apart from the program's own reading: a place is a corner or a distance into the lap, and a lap its number.
NAMED = re.compile(r"\bcorner \d+|\d m into the lap|\blap \d+", re.IGNORECASE)


@pytest.fixture(scope="module", params=NAMES)
def stored(request):
    """A review as it is stored and read back, with its traces."""
    name = request.param
    if name in MADE_UP:
        made = made_up("stored", **MADE_UP[name])
        summary, traces = made.summary, made.traces
    elif name in ONE_LAP:
        scenario, number = ONE_LAP[name]
        whole = demo_review(scenario)
        lap = next(one for one in whole.summary.laps if one.lap == number)
        found = findings((lap,), lap.ends, lap.balance, whole.summary.oscillation)
        summary = replace(whole.summary, ends=lap.ends, balance=lap.balance, findings=found)
        traces = whole.traces
    else:
        made = demo_review(name) if name in SCENARIOS else simulated_review(name)
        summary, traces = made.summary, made.traces
    return MadeUp(
        replace(made_up().entry, run_id="stored"), summary_from_json(summary_to_json(summary)), traces
    )


def test_there_are_twelve_reviews_of_logs():
    assert len(set(REVIEWED)) >= 12


def test_the_largest_words_are_the_first_finding(stored):
    page, _, _ = opened(MadeUpLogbook(stored), "/", "?run=stored")
    (headline,) = [part for part in walk(page) if getattr(part, "className", "") == "headline"]
    found = stored.summary.findings
    assert text(headline.children) == (found[0].title if found else nothing_asks(stored.summary)[0])


def _sentences(page):
    """Everything that says something: paragraphs, items of lists, cells; not headings, folds' titles or choices."""
    kinds = (html.P, html.Li, html.Td)
    return [part for part in walk(page) if isinstance(part, kinds)]


def _unlinked(part):
    """Text of a part outside its links and inner blocks."""
    children = part.children if isinstance(part.children, list | tuple) else [part.children]
    return " ".join(child for child in children if isinstance(child, str))


@pytest.mark.parametrize("path", ["/", "/balance"])
def test_every_place_in_a_sentence_or_table_is_a_link(stored, path):
    page, _, _ = opened(MadeUpLogbook(stored), path, "?run=stored&lap=whole")
    known = {corner.number for corner in stored.summary.corners}
    for part in _sentences(page):
        for words in NAMED.findall(_unlinked(part)):
            corner = re.fullmatch(r"corner (\d+)", words, re.IGNORECASE)
            assert corner and int(corner[1]) not in known, text(part)


@pytest.mark.parametrize("path", ["/", "/balance"])
def test_every_link_to_a_place_holds_samples_of_its_lap(stored, path):
    page, _, _ = opened(MadeUpLogbook(stored), path, "?run=stored&lap=whole")
    links = [part for part in walk(page) if getattr(part, "className", "") == "in place"]
    for link in links:
        view = parse(link.href.partition("?")[2])
        if view.lap == "worst":
            worst = Places(stored.summary).worst_lap() or min(
                (lap for lap in stored.summary.laps if lap.complete), key=lambda lap: lap.time_s
            )
            lap = worst.lap
        else:
            lap = None if view.lap == "whole" else view.lap
        if view.zoom is None:
            inside = selected(stored.traces, Stretch(lap=lap))
        elif view.against == "time":
            start_s = (
                0.0 if lap is None else next(one.start_s for one in stored.summary.laps if one.lap == lap)
            )
            inside = stored.traces["t_s"] >= start_s + view.zoom[0]
            inside &= stored.traces["t_s"] <= start_s + view.zoom[1]
        else:
            inside = selected(stored.traces, Stretch(lap=lap, distance_m=view.zoom))
        assert np.count_nonzero(inside) > 10, (link.children, link.href)


def test_a_place_of_a_finding_is_on_the_lap_with_the_worst_event():
    summary = made_up("stored").summary
    ring = max(
        (event for event in summary.oscillation.events if event.level == "alarm"),
        key=lambda event: event.end_s - event.start_s,
    )
    assert Places(summary).worst_lap().lap == ring.lap
    calm = made_up("stored", oscillation="no").summary
    stops = calm.ends["front"].bottomed
    fastest = max(stops, key=lambda stop: (stop.hard, stop.speed_mm_s))
    assert calm.findings[0].title.startswith("Front bottoms")
    assert Places(calm).worst_lap().lap == fastest.lap


@pytest.mark.parametrize(
    "words",
    [
        place_words(1, "braking"),
        place_words(1, None),
        place_words(None, "straight", 840.0),
        place_words(None, None, 840.0),
        place_words(None, None, None, 12.3),
    ],
)
def test_what_is_written_of_a_place_is_read_again(words):
    said = Places(made_up("stored").summary).said(
        f"Rear packed down at {words}: 3 times, lap 2, 4 mm deeper."
    )
    assert isinstance(said, Said) and str(said).startswith("Rear packed down at ")
    spots = [part for part in said.parts if isinstance(part, Spot)]
    assert [spot.words for spot in spots] == [words]
    assert [part.words for part in said.parts if isinstance(part, LapName)] == ["lap 2"]
    if "12.3" not in words:
        assert spots[0].lap == 2, "the lap that the sentence goes on to name"


def test_only_what_the_review_has_becomes_a_link():
    places = Places(made_up("stored").summary)
    for text_ in (
        "corner 99",
        "in lap 77",
        "laps 1 and 77",
        "3 laps, 4 times",
        "0.55 from 0.5 s on",
        "2.8 mm",
    ):
        assert not isinstance(places.said(text_), Said), text_


def test_a_corner_is_shown_with_its_braking_but_without_its_neighbours():
    summary = replace(
        made_up("stored").summary, corners=(Corner(1, 100, 150, 200, 1), Corner(2, 260, 300, 350, 1))
    )
    places = Places(summary)
    assert places.corner_span_m(summary.corners[0]) == (0.0, 260.0)
    assert places.corner_span_m(summary.corners[1]) == (200.0, 410.0)
