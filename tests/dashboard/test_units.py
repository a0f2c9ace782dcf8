"""Units of the reader's choice: exact, everywhere that a number is printed, never where one is typed."""

import re
from io import StringIO

import pint
import pytest
from rich.console import Console

from dashboard.app import create_app
from dashboard.units import COOKIE, in_units
from telemetry.cli import main
from telemetry.cli.parser import UNIT_CHOICES as OF_THE_COMMAND
from telemetry.report import (
    UNIT_CHOICES,
    UNITS,
    Column,
    Document,
    Facts,
    Fold,
    Medium,
    Section,
    Sentence,
    Table,
    document_html,
    picture_in,
    print_section,
    text_in,
)
from telemetry.report.drawings import Scale, level_axis

ALL = frozenset(UNIT_CHOICES)
HOME = "http://127.0.0.1:8417"
BIKE = "fixtures/qb-6-stand.toml"


@pytest.mark.parametrize("ours", UNITS)
def test_factors_are_those_of_another_library(ours):
    names = {
        "in": "inch",
        "in/s": "inch/second",
        "lb/in": "force_pound/inch",
        "mph": "mile/hour",
        "psi": "psi",
    }
    theirs = pint.UnitRegistry().Quantity(1.0, ours.replace("N", "newton")).to(names[UNITS[ours].name])
    assert UNITS[ours].factor == pytest.approx(theirs.magnitude, rel=1e-12)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("Front keeps 9 mm.", "Front keeps 0.35 in."),
        ("31.1 (was 31.9) mm", "1.224 (was 1.256) in"),
        ("−5.2 mm and +5.2 mm", "−0.205 in and +0.205 in"),
        (
            "corner 2, 3 of 3 laps, 0.05 mm²/Hz, 12 N s/mm, 23 %",
            "corner 2, 3 of 3 laps, 0.05 mm²/Hz, 12 N s/mm, 23 %",
        ),
        ("180 km/h, 2.25 bar", "112 mph, 32.6 psi"),
        ("ride height: 264.8 to 265.7 mm (+1.0)", "ride height: 10.425 to 10.461 in (+0.039)"),
    ],
)
def test_sentences(ours, theirs):
    assert text_in(ours, ALL) == theirs and text_in(ours, {"kg"}) == ours


def element(kind, *children, **props):
    return {"type": kind, "namespace": "dash_html_components", "props": {"children": list(children), **props}}


def rows(*cells, kind="Td"):
    return element("Tr", *(element(kind, cell) for cell in cells))


def texts(value):
    if isinstance(value, list):
        return [text for part in value for text in texts(part)]
    return texts(value["props"]["children"]) if isinstance(value, dict) else [value]


def test_tables_by_column_by_row_and_as_a_whole():
    def table(head, *body):
        made = element(
            "Table", element("Thead", rows(*head, kind="Th")), element("Tbody", *(rows(*one) for one in body))
        )
        return texts(in_units(made, ALL))

    assert table(("place", "travel [mm]", "laps"), ("corner 3", "50.8 ± 2.5", "4")) == [
        "place", "travel [in]", "laps", "corner 3", "2.000 ± 0.098", "4",
    ]  # fmt: skip
    assert table(("", "front"), ("maximum travel [mm]", "25.4"), ("used [%]", "92")) == [
        "", "front", "maximum travel [in]", "1.000", "used [%]", "92",
    ]  # fmt: skip
    assert table(("[mm]", "front left"), ("whole lap", "12.7")) == [
        "[in]",
        "front left",
        "whole lap",
        "0.500",
    ]
    assert table(("", "as it is", ""), ("rider sag", "38.1", "mm"), ("body", "2.25", "Hz")) == [
        "", "as it is", "", "rider sag", "1.500", "in", "body", "2.25", "Hz",
    ]  # fmt: skip
    assert table(("change", "now"), ("preload", "12.7 mm")) == ["change", "now", "preload", "0.500 in"]


def test_a_section_of_the_terminal_is_in_the_units_of_its_console():
    assert OF_THE_COMMAND == UNIT_CHOICES
    blocks = (
        Sentence("Front keeps 9 mm."),
        Sentence("--want rear.travel_left_mm=8 mm", "copy"),
        Facts((("front", "preload 12.7 mm"),)),
        Fold(
            "in numbers",
            (Table((Column("", words=True), Column("now [mm]")), (("sag", "38.1"),)),),
            Medium.TERMINAL,
        ),
    )
    printed = []
    for units in ((), ALL):
        console = Console(width=80, record=True, file=StringIO())
        console.units = units
        print_section(Section("x", "Below 25.4 mm/s", blocks, "of 5 mm"), console)
        printed.append(console.export_text())
    assert "keeps 9 mm" in printed[0] and "now [mm]" in printed[0] and "25.4 mm/s" in printed[0]
    for words in (
        "keeps 0.35 in.",
        "left_mm=8 mm",
        "preload 0.500 in",
        "now [in]",
        "1.500",
        "Below 1.00 in/s",
    ):
        assert words in printed[1]


def test_a_command_prints_in_the_units_it_is_asked_for(capsys):
    assert main(["stand", BIKE, "--change", "front.preload_mm=+1", "--units", "in,lb/in"]) == 0
    said = capsys.readouterr().out
    assert " in" in said and not re.search(r"\d mm\b(?!/)|\[mm\]", said)
    assert main(["stand", BIKE, "--units", "cubits"]) == 2


def test_pictures_keep_their_lines_and_get_other_ticks():
    figure = {
        "data": [{"y": [0, 50.8], "meta": {"read": "front wheel travel", "unit": "mm", "digits": 1}}],
        "layout": {"yaxis": {"range": [0, 127]}, "annotations": [{"text": "<b>front</b><br>mm"}]},
    }
    made = in_units({"type": "Graph", "props": {"figure": figure}}, {"in"})["props"]["figure"]
    assert (
        made["data"][0]["y"] == [0, 50.8] and made["layout"]["annotations"][0]["text"] == "<b>front</b><br>in"
    )
    assert made["layout"]["yaxis"]["ticktext"][:3] == ["0", "1", "2"]
    assert made["layout"]["yaxis"]["tickvals"][:3] == pytest.approx([0, 25.4, 50.8])
    assert made["data"][0]["meta"]["factor"] == pytest.approx(1 / 25.4)


def test_what_is_typed_and_copied_stays_as_it_is():
    form = element("Form", element("Label", "Stroke [mm]", "125 mm"))
    assert in_units(form, ALL) == form
    page = page_of(
        Sentence("9 mm left"),
        Sentence("bothends try --change 9 mm", "copy"),
        Table((Column("x [mm]"),), (("25.4",),)),
    )
    assert "<p>0.35 in left</p>" in page and "bothends try --change 9 mm" in page
    assert re.search(r"<th[^>]*>x \[in\]</th>.*<td>1.000</td>", page, re.DOTALL)


def page_of(*blocks):
    """A printed page in every other unit."""
    return document_html(Document("Page", "", (Section("one", "One", blocks),)), units=ALL)


def test_a_page_kept_as_pdf_is_in_the_readers_units(logbook, monkeypatch):
    printed = []
    monkeypatch.setattr("dashboard.app.page_to_pdf", lambda page: printed.append(page) or b"%PDF")
    client = create_app(logbook).server.test_client()
    client.set_cookie(COOKIE, "in", domain="127.0.0.1")
    assert client.get("/debrief/before.pdf", base_url=HOME).status_code == 200
    assert printed == [client.get("/debrief/before", base_url=HOME).text]
    assert re.search(r"\d in\b", printed[0])


def test_a_drawn_axis_gets_round_values_of_the_other_unit_at_their_places():
    """2 in are 50.8 mm (exact), so they stand as high as a line at 50.8 mm would."""
    y = Scale(0.0, 127.0, 200.0, 0.0)
    drawn = picture_in(f"<svg>{level_axis(y, 40, 700, 'mm', 3)}</svg>", {"in"})
    found = dict(re.findall(r'<line[^>]*y1="([^"]*)"[^>]*/><text[^>]*>([^<]*)</text>', drawn))
    assert {float(words): float(at) for at, words in found.items()} == {
        inches: pytest.approx(y(25.4 * inches), abs=0.01) for inches in (0, 2, 4)
    }
    assert picture_in(drawn, set()) == drawn


def test_a_reader_gets_his_own_units_and_another_ours(logbook):
    client = create_app(logbook).server.test_client()
    pages = []
    for cookie in ("", "in.nonsense"):
        client.set_cookie(COOKIE, cookie, domain="127.0.0.1")
        pages.append(client.get("/debrief/before", base_url=HOME).text)
    ours, theirs = (re.sub(r"<style.*?</style>|<svg.*?</svg>", "", page, flags=re.DOTALL) for page in pages)
    assert re.search(r"\d mm\b", ours) and not re.search(r"\d in\b", ours)
    assert re.search(r"\d in\b", theirs) and not re.search(r"\d mm\b(?!/)", theirs)
