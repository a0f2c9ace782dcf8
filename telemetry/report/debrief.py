"""Pages to pin up and to send: the debrief of a run, and its card, a picture for a phone."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from statistics import median
from textwrap import wrap
from typing import TYPE_CHECKING, Literal

from telemetry.arrays import ENDS
from telemetry.damping import dampers_in_doubt
from telemetry.findings import EXPECTED, nothing_asks, suspicions, without_amount
from telemetry.laps import lap_length_m, laps_at_pace
from telemetry.report.blocks import (
    Blank,
    Block,
    Column,
    Document,
    Facts,
    Figure,
    Medium,
    Places,
    Row,
    Section,
    Sentence,
    Table,
    advice_steps,
    both_ends,
    caution,
    document,
    end_row,
    section,
    table,
)
from telemetry.report.document import CLOSING, also_words, answer, lap_travel, review_document
from telemetry.report.drawings import drawn, svg_element, svg_picture, svg_text
from telemetry.report.figures import whole_run
from telemetry.report.lap import Drawn, quickest_lap, track_picture
from telemetry.report.printers import document_html
from telemetry.report.runs import comparison_document
from telemetry.setup import Comparison, SetupSheet, section_time_s, sections, settings
from telemetry.summary import (
    OF_END,
    UNKNOWN,
    LapSummary,
    Summary,
    Traces,
    count_word,
    decimals_of,
    headed,
    in_sentence,
    lap_time,
    limits_words,
    number,
    sentence,
    signed,
)

if TYPE_CHECKING:
    from telemetry.prediction import Expected, TryRow

Paper = Literal["A4", "letter"]
_MARGIN_MM = 10
# Height of the printed page within its margins. [mm]
_HEIGHT_MM: Mapping[Paper, float] = {"A4": 297.0 - 2 * _MARGIN_MM, "letter": 279.4 - 2 * _MARGIN_MM}
# Six numbers an end.
SIX = (
    "travel.median_mm", "travel.p95_mm", "travel.max_mm", "travel.left_mm", "speed.compression.p95_mm_s",
    "speed.rebound.p95_mm_s",
)  # fmt: skip
# What the bike file says of how an end stood: key, words, unit.
SETTINGS = (
    ("spring_rate_n_per_mm", "spring", "N/mm"),
    ("preload_mm", "preload", "mm"),
    ("compression_clicks", "compression clicks", ""),
    ("rebound_clicks", "rebound clicks", ""),
)
# More would not leave the page its room; the review and the appendix have all of it.
_MOST_SETTINGS = 10
_MOST_LETTERS = 210
_MOST_NAME = 40
_MOST_TITLE = 110
_MOST_ADVICE = 540
_MOST_FINDINGS = 3
_MOST_NOTE = 170
WRITE_HERE = "What the rider felt, and where"


@dataclass(frozen=True)
class Details:
    """Who, when and where: what the setup sheet or the logbook says, "" where nothing was written down."""

    name: str = ""
    date: str = ""
    place: str = ""
    rider: str = ""
    outing: str = ""
    tyres: str = ""
    notes: str = ""


def details_of(sheet: SetupSheet | None) -> Details:
    """What a setup sheet says of who, when and where."""
    if sheet is None:
        return Details()
    date = "" if sheet.date is None else sheet.date.isoformat()
    said = {
        name: getattr(sheet, name) or "" for name in ("name", "place", "rider", "outing", "tyres", "notes")
    }
    return Details(date=date, **said)


def debrief_document(
    summary: Summary,
    traces: Traces | None = None,
    comparison: Comparison | None = None,
    *,
    sheet: SetupSheet | None = None,
    details: Details | None = None,
    expected: "Expected | None" = None,
    appendix: bool = False,
) -> Document:
    """The debrief of a run as a document: its page, and the whole review behind it where ``appendix`` is set.

    Without ``traces`` of the run there is no picture. The ``sheet`` says how the motorcycle stood and, without
    ``details``, who, when and where. ``expected`` is what the step is expected to do; without it the page says that
    it was not computed. The ``comparison`` stands in the appendix.
    """
    details = details or details_of(sheet)
    picture = lap_travel(summary, traces, Places(summary).worst_lap()) if traces is not None else None
    sections = (
        _answer(summary),
        _small(picture) if picture is not None else None,
        _six(summary),
        _change(summary, expected),
        _stood(summary, sheet, details),
        section("words", WRITE_HERE, Blank(cut_short(details.notes)), medium=Medium.PAPER),
    )
    behind: tuple[Section, ...] = ()
    if appendix:
        whole = review_document(whole_run(summary), traces, sheet=sheet)
        behind = (
            whole if comparison is None else whole.followed_by(comparison_document(comparison))
        ).sections
    title = cut_short(details.name or summary.run.source, _MOST_NAME)
    return document(title, facts_line(summary, details), *sections, appendix=behind)


def facts_line(summary: Summary, details: Details) -> str:
    """Who, when, where, with what, how quick: one line."""
    laps = [lap for lap in summary.laps if lap.complete]
    quickest = quickest_lap(summary)
    quick = f", quickest {lap_time(quickest.time_s)} (lap {quickest.lap})" if quickest else ""
    said = (
        details.rider,
        details.outing and f"outing {details.outing}",
        details.date,
        details.place,
        summary.run.bike,
        f"log {summary.run.source}",
    )
    names = (cut_short(one, _MOST_NAME) for one in said if one)
    return " · ".join((*names, f"{count_word(len(laps), 'complete lap')}{quick}"))


def cut_short(text: str, most: int = _MOST_LETTERS) -> str:
    """A text as far as the page has room for it, with a mark where it was cut.

    >>> cut_short("front stays down", 11), cut_short("short")
    ('front stays…', 'short')
    """
    text = " ".join(text.split())
    return text if len(text) <= most else f"{text[:most].rstrip()}…"


def _answer(summary: Summary) -> Section | None:
    found = answer(summary)
    also = [finding.title for finding in summary.findings[1:_MOST_FINDINGS]]
    others = len(summary.findings) - 1 - len(also)
    also += [f"{others} more in the review"] if others > 0 else []
    doubt = dampers_in_doubt(summary.oscillation)
    grave = summary.findings[0].caution if doubt and summary.findings else ""
    # the caution stands below in full
    faults = tuple(fault.replace(grave, "").rstrip() for fault in suspicions(summary.oscillation))
    rest = (
        *(faults or (found.why,)),
        also_words(also),
        *limits_words(summary.ends),
    )
    rest = rest if summary.findings else (*nothing_asks(summary)[1:], *rest)
    rest = rest if found.sound else (*rest, found.trust)
    return section(
        "answer",
        "The answer",
        Sentence(cut_short(found.headline, _MOST_TITLE), "largest"),
        *(Sentence(sentence(cut_short(text))) for text in rest if text),
        caution(cut_short(grave, _MOST_ADVICE)),
    )


def _small(picture: Section) -> Section:
    """The picture of the lap as the page has room for it, with the one line that it needs."""
    figure = next(block for block in picture.blocks if isinstance(block, Figure))
    words = "Front above, rear below, both outwards from full extension. Numbers: corners. "
    words += "Wedge: bottomed; ring (front) or square (rear): topped out; wave: rear not settled."
    small = Figure("small", replace(figure.picture, small=True), words)
    return replace(picture, name="picture", blocks=(small,), medium=Medium.PAPER)


def _six(summary: Summary) -> Section | None:
    judged = whole_run(summary).judged
    rows = (end_row(OF_END[key], judged) for key in SIX)
    return section("six", "Both ends over the run", table(both_ends("at the wheel"), rows))


def _change(summary: Summary, expected: "Expected | None") -> Section | None:
    """The one change to try with what it is expected to do; with a damper in doubt what to look at instead."""
    if not summary.findings:
        return section("change", "One change", Sentence("None: nothing in this log asks for one."))
    first = next((found for found in summary.findings if found.turns), summary.findings[0])
    advice = cut_short(without_amount(first.suggestion), _MOST_ADVICE)
    blocks: list[Block | None] = [*map(Sentence, advice_steps(advice))]
    if first.turns:
        blocks += _expected(expected)
        blocks += [Sentence(cut_short(first.caution, _MOST_NOTE), "note")] if first.caution else []
    title = "One change" if first.turns else "Before any change"
    return section("change", title, *blocks)


def _expected(expected: "Expected | None") -> Iterator[Block | None]:
    if expected is None:
        yield Sentence("What the step is expected to do was not computed for this page.", "note")
        return
    if expected.rows:
        yield Sentence(f"{EXPECTED} with {in_sentence(expected.words)}:", "strong")
        yield expected_table(expected.rows)
    if expected.reason:
        yield Sentence(
            "Not predicted: "
            + cut_short(in_sentence(expected.reason), _MOST_NOTE if expected.rows else _MOST_LETTERS),
            "note",
        )


def expected_table(rows: "Iterable[TryRow]") -> Table | None:
    """Numbers before and after a step, with the 90 % interval of the change on laps like these."""
    columns = (Column("", words=True), Column("now"), Column("then"), Column("change, 90 %"))
    return table(columns, map(_expected_row, rows))


def _expected_row(row: "TryRow") -> Row:
    digits = decimals_of(row.unit) if row.unit else 2
    name, now = headed(row.name, row.unit), number(row.before, digits)
    if row.after is None:
        return name, now, row.direction or UNKNOWN, ""
    low, high = (row.low, row.high) if row.next_low is None else (row.next_low, row.next_high)
    between = "" if low is None or high is None else f"{signed(low, digits)} to {signed(high, digits)}"
    return name, now, number(row.after, digits), between


def _stood(summary: Summary, sheet: SetupSheet | None, details: Details) -> Section | None:
    """Set-up of the motorcycle: what the sheet says of each end, else the bike file."""
    written = settings(sheet) if sheet is not None else {}
    from_file = "" if written else ", from the bike file"
    found = written or {
        f"{end} {words}": f"{summary.bike_values[f'{end}.{key}']:g} {unit}".strip()
        for end in ENDS
        for key, words, unit in SETTINGS
        if f"{end}.{key}" in summary.bike_values
    }
    pairs: list[tuple[str, str]] = [(end, _of_end(end, found)) for end in ENDS]
    other = [f"{what} {text}" for what, text in found.items() if what.split()[0] not in ENDS]
    pairs += [("other", ", ".join(other)), ("tyres", details.tyres)]
    facts = tuple(
        (label, cut_short(text, _MOST_NOTE if label in ENDS else _MOST_NAME)) for label, text in pairs if text
    )
    return section("stood", f"Set-up{from_file}", Facts(facts)) if facts else None


def _of_end(end: str, found: Mapping[str, str]) -> str:
    own = [f"{what.partition(' ')[2]} {text}" for what, text in found.items() if what.split()[0] == end]
    more = f" and {len(own) - _MOST_SETTINGS} more" if len(own) > _MOST_SETTINGS else ""
    return ", ".join(own[:_MOST_SETTINGS]) + more


def page_rules(paper: Paper) -> str:
    """Rules of the style sheet that make a document one page of that paper; an appendix begins on the next."""
    rules = files("telemetry.report").joinpath("onepage.css").read_text(encoding="utf-8")
    size = f"@page {{ size: {paper}; margin: {_MARGIN_MM}mm 12mm; }}"
    return f"{rules}{size}\n@media print {{ main {{ height: {_HEIGHT_MM[paper] - 1:.1f}mm; }} }}\n"


def debrief_html(
    summary: Summary,
    traces: Traces,
    comparison: Comparison | None = None,
    *,
    sheet: SetupSheet | None = None,
    details: Details | None = None,
    expected: "Expected | None" = None,
    appendix: bool = False,
    paper: Paper = "A4",
    units: Collection[str] = (),
) -> str:
    """The debrief of a run as one HTML page to pin up: no script, nothing loaded from anywhere, one printed page.

    All but ``paper``, on which it is printed, and ``units`` (of `UNIT_CHOICES`) is as of `debrief_document`; every
    text in it is escaped.
    """
    page = debrief_document(
        summary, traces, comparison, sheet=sheet, details=details, expected=expected, appendix=appendix
    )
    return document_html(page, heading="Debrief: ", style=page_rules(paper), closing=CLOSING, units=units)


# Size of the card, and how many letters of its three sizes of type fit beside each other.
CARD_WIDTH, _MARGIN = 720.0, 28.0
_BIG, _PLAIN = (30.0, 38), (22.0, 54)


@dataclass(frozen=True)
class SectionTime:
    """A section of the lap: the best time, and the median over the laps at pace. [s]"""

    name: str
    best_s: float
    typical_s: float


def section_times(summary: Summary) -> tuple[SectionTime, ...]:
    """Times of the sections between the corners over the complete laps at pace; empty where they are not known."""
    laps = [lap for lap in laps_at_pace(summary.laps) if lap.passing_s]
    times_by_section = []
    for name, start, end in sections(summary.corners, lap_length_m(summary.laps)) if laps else ():
        if times := [time for lap in laps if (time := section_time_s(lap.passing_s, start, end))]:
            times_by_section.append(SectionTime(name, min(times), median(times)))
    return tuple(times_by_section)


def usual_lap_s(laps: Sequence[LapSummary]) -> float | None:
    """Median time of the complete laps at pace; None without one. [s]"""
    times = [lap.time_s for lap in laps_at_pace(laps)]
    return median(times) if times else None


def card_svg(scene: Drawn, title: str, says: Sequence[str], places: Sequence[str]) -> str:
    """The rider's page as one picture file: which run, what it ``says`` (the largest first), the map, ``places``."""
    body, y = [], _MARGIN + 20.0
    body.append(svg_text(_MARGIN, y, title[:70], font_size="20", class_="quiet-words"))
    for index, words in enumerate(says):
        y, lines = _lines(y + 14, words, *(_BIG if index == 0 else _PLAIN), bold=index == 0)
        body += lines
    whole = track_picture(scene)
    inner = drawn(replace(whole, spots=tuple(spot for spot in whole.spots if spot.kind == "bottomed")))
    box = inner.partition('viewBox="0 0 ')[2].partition('"')[0].split()
    height = float(box[1]) * (CARD_WIDTH - 2 * _MARGIN) / float(box[0])
    across = CARD_WIDTH - 2 * _MARGIN
    placed = f'<svg x="{_MARGIN}" y="{y + 14:.0f}" width="{across}" height="{height:.0f}"'
    body.append(inner.replace("<svg", placed, 1))
    y += 20 + height
    for words in places:
        y, lines = _lines(y + 8, words, *_PLAIN)
        body += lines
    return with_rules(svg_picture(CARD_WIDTH, y + _MARGIN, f"{title}. {' '.join(says)}", body))


def _lines(y: float, words: str, size: float, letters: int, *, bold: bool = False) -> tuple[float, list[str]]:
    """Words broken into lines from ``y`` on; where they end, and the lines."""
    weight = "700" if bold else "400"
    made = []
    for line in wrap(words, letters):
        y += 1.25 * size
        made.append(svg_text(_MARGIN, y, line, font_size=f"{size:g}", font_weight=weight))
    return y, made


def with_rules(picture: str) -> str:
    """A picture with its own colours and a white ground: it can be kept, sent and shown by itself."""
    head, mark, rest = picture.partition("</title>")
    width, height = picture.partition('viewBox="0 0 ')[2].partition('"')[0].split()
    ground = svg_element("rect", x=0, y=0, width=float(width), height=float(height), fill="#ffffff")
    sized = head.replace("<svg", f'<svg width="{width}" height="{height}"', 1)
    return f"{sized}{mark}<style>{_rules()}</style>{ground}{rest}"


@cache
def _rules() -> str:
    """Rules of the style sheet that are about pictures."""
    sheet = files("telemetry.report").joinpath("debrief.css").read_text(encoding="utf-8")
    kept = [line for line in sheet.splitlines() if line.startswith((":root", "svg"))]
    told = (
        "svg { font: 10.5px system-ui, sans-serif; fill: var(--ink); } .quiet-words { fill: var(--quiet); } "
        "svg .corner { font-size: 24px; }"
    )
    own = [line for line in kept if "figure" not in line and "display: block" not in line]
    return " ".join([*own, told])
