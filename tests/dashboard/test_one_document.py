"""Ten stored reviews in the terminal, on paper and on the screen: one set of labels, numbers and places."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from io import StringIO

import pytest
from dash import html
from rich.console import Console

from telemetry.report import debrief_html, print_review
from telemetry.simulate import SCENARIOS
from telemetry.summary import summary_from_json, summary_to_json
from tests.dashboard.made_up import MadeUp, MadeUpLogbook, made_up
from tests.dashboard.test_pages import opened, text, walk
from tests.demo_reviews import SIMULATED, demo_review, simulated_review

NAMES = [*SCENARIOS, *SIMULATED]


@pytest.fixture(scope="module", params=NAMES)
def stored(request):
    """A review as it is stored and read back, with its traces."""
    made = demo_review(request.param) if request.param in SCENARIOS else simulated_review(request.param)
    return MadeUp(
        replace(made_up().entry, run_id="stored"),
        summary_from_json(summary_to_json(made.summary)),
        made.traces,
    )


class Tables(HTMLParser):
    """The tables of a page: each a tuple of rows, the headings first."""

    def __init__(self):
        super().__init__()
        self.found, self.cell = [], None

    def handle_starttag(self, tag, attrs):
        if tag == "table":
            self.found.append([])
        elif tag == "tr":
            self.found[-1].append([])
        elif tag in ("td", "th"):
            self.cell = ""

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self.found[-1][-1].append(self.cell)
            self.cell = None

    def handle_data(self, data):
        if self.cell is not None:
            self.cell += data.replace("\u00a0", " ")


def on_paper(stored):
    return tables(debrief_html(stored.summary, stored.traces, appendix=True).partition("<aside>")[2])


def tables(markup):
    page = Tables()
    page.feed(markup)
    return {tuple(map(tuple, table)) for table in page.found}


def on_screen(stored):
    found = set()
    for path in ("/", "/balance"):
        page, _, _ = opened(MadeUpLogbook(stored), path, "?run=stored&lap=whole")
        for table in (part for part in walk(page) if isinstance(part, html.Table)):
            rows = [part for part in walk(table) if isinstance(part, html.Tr)]
            found.add(tuple(tuple(" ".join(text(cell).split()) for cell in row.children) for row in rows))
    return found


def in_terminal(stored):
    out = StringIO()
    print_review(stored.summary, Console(file=out, width=400))
    return [re.split(r"\s{2,}", line.strip()) for line in out.getvalue().splitlines()]


def test_every_table_on_paper_is_on_the_screen_cell_by_cell(stored):
    paper = on_paper(stored)
    assert len(paper) >= 8
    assert paper <= on_screen(stored)


def test_the_six_numbers_of_the_one_page_are_those_of_the_screen(stored):
    rows = [row for table in on_screen(stored) for row in table]
    six = [row for table in tables(debrief_html(stored.summary, stored.traces)) for row in table]
    assert six[0] == ("at the wheel", "front", "rear") and len(six) == 7
    assert all(row in rows for row in six[1:])


def test_every_row_in_the_terminal_is_on_paper(stored):
    """A terminal leaves out columns it has no room for, and of a long table the rows after the twelfth."""
    lines = in_terminal(stored)
    rules = [i for i, line in enumerate(lines) if len(line) == 1 and set(line[0]) == {"─"}]
    paper = [row for table in on_paper(stored) for row in table]
    assert len(rules) >= 7
    for rule in rules:
        for line in (lines[rule - 1], lines[rule + 1]):
            cells = [cell for cell in line if cell]
            assert any(_in_order(cells, row) for row in paper), cells


def _in_order(cells, row):
    """Whether the cells stand in a row in their order; single spaces may part two of them."""
    rest = iter(" ".join(row).split())
    return all(word in rest for cell in cells for word in cell.split())


def _stops(rows):
    return sorted(
        (what, where, laps, int(times))
        for what, where, laps, times in (row[:4] for row in rows if len(row) >= 6)
        if re.match(r"(front|rear) (bottomed|topped out)$", what) and times.isdigit()
    )


def test_the_number_of_places_is_the_same_on_all_three(stored):
    paper = _stops(row for table in on_paper(stored) for row in table)
    assert paper == _stops(row for table in on_screen(stored) for row in table)
    lines = in_terminal(stored)
    printed = _stops(lines)
    more = sum(int(n) for line in lines for n in re.findall(r"^and (\d+) more rows? ", line[0]))
    assert set(printed) <= set(paper) and len(printed) + more >= len(paper) >= len(printed)
