"""Terminal, paper and screen give one count of places for a stored run, and the same times at each place."""

import re
from collections import Counter
from dataclasses import replace
from html import unescape
from io import StringIO

import pytest
from dash import html
from rich.console import Console

from telemetry.findings import TWO_BALANCES
from telemetry.laps import by_place, lap_length_m
from telemetry.report import debrief_html, print_review
from telemetry.summary import summary_from_json, summary_to_json
from tests.dashboard.made_up import MadeUp, MadeUpLogbook, made_up
from tests.dashboard.test_pages import opened, text, walk
from tests.demo_reviews import demo_review

SAID = {"ran out of travel": "bottomed", "came all the way up": "topped out"}
HOW_OFTEN = {"once": 1, "twice": 2}


@pytest.fixture(scope="module")
def stored():
    """A run with stops in corners and on straights, one of them on both sides of the line."""
    made = demo_review("vellmoor-soft-fork")
    summary = summary_from_json(summary_to_json(made.summary))
    length_m = lap_length_m(summary.laps)
    (some, *_) = summary.ends["front"].bottomed
    straight = replace(some, corner=None, phase="straight")
    more = [
        replace(straight, lap=lap, distance_m=at) for lap, at in ((1, 5.0), (2, length_m - 9.0), (3, 6.0))
    ]
    more += [replace(straight, lap=lap, distance_m=length_m / 2 + lap) for lap in (1, 2)]
    front = replace(summary.ends["front"], bottomed=(*summary.ends["front"].bottomed, *more))
    summary = replace(summary, ends={**summary.ends, "front": front})
    return MadeUp(replace(made_up().entry, run_id="stored"), summary, made.traces)


@pytest.fixture(scope="module")
def expected(stored):
    """End, kind and times of every place."""
    summary = stored.summary
    kinds = ((end, name) for end in ("front", "rear") for name in ("bottomed", "topped_out"))
    return Counter(
        (end, kind.replace("_", " "), len(place.events))
        for end, kind in kinds
        for place in by_place(getattr(summary.ends[end], kind), lap_length_m(summary.laps))
    )


def test_there_is_something_to_count(expected):
    assert expected[("front", "bottomed", 3)] and sum(expected.values()) >= 5


def test_the_terminal_has_a_row_a_place(stored, expected):
    out = StringIO()
    print_review(stored.summary, Console(file=out, width=200))
    rows = re.findall(
        r"(front|rear) (bottomed|topped out) .*?  +(\d+)  +[\d.]+  +\d+  +\d+ *$", out.getvalue(), re.M
    )
    assert Counter((end, kind, int(times)) for end, kind, times in rows) == expected


def test_paper_has_a_row_a_place(stored, expected):
    page = debrief_html(stored.summary, stored.traces, appendix=True)
    rows = re.findall(r">(front|rear) (bottomed|topped out)</td><td.*?</td><td.*?</td><td>(\d+)</td>", page)
    assert Counter((end, kind, int(times)) for end, kind, times in rows) == expected


def test_the_riders_page_has_a_line_a_place(stored, expected):
    page, _, _ = opened(MadeUpLogbook(stored), "/rider", "?run=stored")
    lists = [part for part in walk(page) if isinstance(part, html.Ul) and "places" in (part.className or "")]
    found = Counter()
    for line in (text(item) for places in lists for item in places.children):
        if (said := re.search(r"(front|rear) (ran out of travel|came all the way up)", line)) is None:
            continue
        often = re.search(r", (once|twice|(\d+) times)$", line)
        laps = re.search(r" on laps? ([\d, and]+)", line)
        times = len(re.findall(r"\d+", laps[1]))
        if often:
            times = HOW_OFTEN.get(often[1]) or int(often[2])
        found[(said[1], SAID[said[2]], times)] += 1
    assert found == expected


def test_the_page_of_numbers_has_a_row_a_place(stored, expected):
    page, _, _ = opened(MadeUpLogbook(stored), "/", "?run=stored&lap=whole")
    rows = [[text(cell) for cell in row.children] for row in walk(page) if isinstance(row, html.Tr)]
    found = Counter(
        (*cells[0].split(" ", 1), int(cells[3]))
        for cells in rows
        if len(cells) == 7 and cells[0].startswith(("front ", "rear ")) and cells[3].isdigit()
    )
    assert found == expected


def test_wherever_both_balances_stand_it_is_said_what_they_are_and_that_the_same_bump_leads(stored):
    words = " ".join(TWO_BALANCES.split())
    out = StringIO()
    print_review(stored.summary, Console(file=out, width=200))
    terminal = out.getvalue()
    assert words in " ".join(terminal.split())
    assert terminal.index("same bump, all clear bumps") < terminal.index(
        "RMS speed", terminal.index("rear over front")
    )
    _, _, screen = opened(MadeUpLogbook(stored), "/balance", "?run=stored")
    paper = debrief_html(stored.summary, stored.traces, appendix=True)
    for page in (screen, html_text(paper)):
        page = " ".join(page.split())
        assert words in page
        assert page.index("same bump, all clear bumps") < page.index("all riding, RMS speed")


def html_text(page):
    """Text of a page without its marks."""
    return unescape(re.sub(r"<[^>]+>", " ", page))
