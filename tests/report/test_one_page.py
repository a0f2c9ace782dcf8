"""The debrief is one page of paper whatever is in it: counted in the PDF that a real Chromium prints."""

import re
from dataclasses import replace

import pytest

from telemetry.errors import BothEndsError
from telemetry.prediction import Expected
from telemetry.prediction.results import TryRow
from telemetry.report import Details, debrief_html, find_browser, page_to_pdf
from telemetry.setup import SetupSheet
from telemetry.setup.sheet import FrontSettings, RearSettings
from telemetry.summary import Finding, Turn
from tests.demo_reviews import SIMULATED, demo_review, simulated_review
from tests.report.report_fixtures import *  # noqa: F403

CHROMIUM = "No Chromium found: these tests print with a real browser (see tests/dashboard/browser.py)."
TURN = Turn("front", "rebound damping", "less")
ROW = TryRow(
    "front.travel.left_mm", "front travel left at the deepest point", "mm", 3.0, 8.0, 5.0, 3.0, 7.0, 2.0, 8.0
)


def pages_of(pdf):
    """Pages of a PDF: objects of /Type /Page (ISO 32000-1, table 30); Chromium writes them uncompressed."""
    count = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert count, "no page object was found"
    return count


def size_pt(pdf):
    """Width and height of the first page in points (ISO 32000-1, 14.11.2)."""
    return [float(value) for value in re.search(rb"/MediaBox\s*\[([^]]+)]", pdf)[1].split()[2:]]


def everything_written(section):
    """Every setting of an end, each as long as a sheet takes it."""
    texts = {name for name, field in section.model_fields.items() if "str" in str(field.annotation)}
    return section.model_construct(
        **{name: "a long name of a part " * 6 if name in texts else 12.25 for name in section.model_fields}
    )


@pytest.fixture(scope="module")
def fullest(reviewed):
    """More of everything than a team writes down: the page still has to be one."""
    finding = Finding(
        "An end " * 12, "What shows it. " * 60, "What to try. " * 55, "Be careful. " * 12, "x", (TURN,)
    )
    summary = replace(reviewed.summary, findings=(finding,) * 6)
    sheet = SetupSheet.model_construct(
        tyres="soft front, medium rear " * 20,
        front=everything_written(FrontSettings),
        rear=everything_written(RearSettings),
    )
    names = {name: f"{name} " * 40 for name in ("name", "date", "place", "rider", "outing", "tyres", "notes")}
    expected = Expected("10 % less rebound damping at the front", (ROW,) * 4, "Not predicted because. " * 40)
    return {"summary": summary, "sheet": sheet, "details": Details(**names), "expected": expected}


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_the_fullest_debrief_is_one_page(reviewed, fullest, paper):
    assert find_browser(), CHROMIUM
    pdf = page_to_pdf(debrief_html(traces=reviewed.traces, paper=paper, **fullest))
    assert pages_of(pdf) == 1
    # ISO 216: A4 is 210 mm by 297 mm; ANSI letter is 8.5 in by 11 in; 72 points to the inch
    wanted = [210 / 25.4 * 72, 297 / 25.4 * 72] if paper == "A4" else [612, 792]
    assert size_pt(pdf) == pytest.approx(wanted, abs=1.5)


@pytest.mark.parametrize(
    "name", ["vellmoor-before", "vellmoor-soft-fork", "vellmoor-lost-damping", *SIMULATED]
)
def test_the_debrief_of_a_review_is_one_page_and_the_appendix_is_more(name):
    assert find_browser(), CHROMIUM
    found = simulated_review(name) if name in SIMULATED else demo_review(name)
    assert pages_of(page_to_pdf(debrief_html(found.summary, found.traces, paper="letter"))) == 1
    if name == "vellmoor-before":
        behind = page_to_pdf(debrief_html(found.summary, found.traces, appendix=True))
        assert pages_of(behind) > 4


def test_the_page_says_who_when_where_and_what_is_expected(reviewed):
    finding = Finding(
        "The front comes up slower", "It does.", "One step less.", "Slowly.", "comes up slower", (TURN,)
    )
    summary = replace(reviewed.summary, findings=(finding,))
    details = Details("Run 7", "2026-05-01", "Vellmoor Ring", "rider 1", "3", "soft", "Runs wide in 4.")
    sheet = SetupSheet.model_validate({"front": {"rebound_clicks": 12}})
    page = debrief_html(
        summary, reviewed.traces, sheet=sheet, details=details, expected=Expected("One click out", (ROW,))
    )
    for said in (*vars(details).values(), "rebound clicks 12", "The front comes up slower", "one click out", "8.0",
                 "+2.0 to +8.0", "QB-6"):  # fmt: skip
        assert said in page, said
    assert "was not computed" in debrief_html(summary, reviewed.traces)
    refused = debrief_html(summary, reviewed.traces, expected=Expected(reason="It has no dyno table."))
    assert "Not predicted: it has no dyno table." in refused


def largest(found):
    return re.search(r'<p class="largest">(.*?)</p>', debrief_html(found.summary, found.traces))[1]


def test_the_largest_sentence_is_the_first_finding_and_a_fault_brings_its_caution():
    soft, lost = demo_review("vellmoor-soft-fork"), demo_review("vellmoor-lost-damping")
    assert largest(soft) == soft.summary.findings[0].title
    assert largest(lost) == lost.summary.findings[0].title == "Rear damping suspected lost"
    page = debrief_html(lost.summary, lost.traces)
    assert "Stop and have the shock inspected" in page and "Before any change" in page
    nothing = replace(soft, summary=replace(soft.summary, findings=()))
    assert largest(nothing).startswith("Nothing in this log asks for a change")


def test_without_a_browser_the_reason_and_the_way_out_are_said(monkeypatch):
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("BOTHENDS_CHROMIUM", raising=False)
    with pytest.raises(BothEndsError, match="print the page from any browser"):
        page_to_pdf("<p>x</p>")
    monkeypatch.setenv("BOTHENDS_CHROMIUM", "/nowhere/chromium")
    with pytest.raises(BothEndsError, match="did not print the page"):
        page_to_pdf("<p>x</p>")
