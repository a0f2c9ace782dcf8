"""What a document is made of: frozen blocks, which each printer has a function for; places named in its sentences."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property
from typing import Any

from telemetry.arrays import ENDS, End
from telemetry.findings import EXPECTED, HOW_MUCH
from telemetry.laps import PHASES, Corner, lap_length_m
from telemetry.summary import UNKNOWN, LapSummary, Metric, Summary, interval, number, plus_minus


class Medium(IntEnum):
    """Where a block is printed: in the terminal and everywhere else, on paper and screen, or on the screen alone."""

    TERMINAL = 0
    PAPER = 1
    SCREEN = 2


@dataclass(frozen=True)
class Number:
    """A cell with a number: its metric reads it of ``subject`` (None where it is not known) and has the decimals.

    ``ci`` is the interval of the number itself, ``error`` its standard error.
    """

    subject: Any
    metric: Metric
    ci: tuple[float, float] | None = None
    error: float | None = None

    @property
    def value(self) -> float | None:
        """The number, in the unit of its metric."""
        return None if self.subject is None else self.metric.read(self.subject)

    def __str__(self) -> str:
        """As it is written everywhere."""
        read, digits, value = self.metric.read, self.metric.digits, self.value
        if self.ci is not None:
            low, high = self.ci
            return interval(value, (read(low), read(high)), digits)
        if self.error is not None:
            return plus_minus(value, read(self.error), digits)
        return number(value, digits)


@dataclass(frozen=True)
class Spot:
    """A cell with a place of the lap: a screen makes a link of it.

    ``lap`` is one on which it was, None where no lap is meant, ``distance_m`` along it. ``span_m`` is the stretch to
    look at, None for a little on both sides; ``span_s`` the same by time since the start of the lap, or of the run
    without one, where no distance is known.
    """

    words: str
    lap: int | None = None
    distance_m: float | None = None
    span_m: tuple[float, float] | None = None
    span_s: tuple[float, float] | None = None

    def __str__(self) -> str:
        """In words."""
        return self.words


@dataclass(frozen=True)
class LapName:
    """A cell with a lap: a screen makes a link of it."""

    lap: int
    words: str

    def __str__(self) -> str:
        """In words."""
        return self.words


class Said(str):
    """A text that knows its ``parts``, places and laps among them: printed as it is, or each of them as a link."""

    __slots__ = ("parts",)
    parts: tuple["str | Spot | LapName", ...]

    def __new__(cls, parts: "Iterable[str | Spot | LapName]") -> "Said":
        """The text of all parts."""
        kept = tuple(part for part in parts if str(part))
        made = super().__new__(cls, "".join(map(str, kept)))
        made.parts = kept
        return made


@dataclass(frozen=True)
class RunName:
    """A cell with a run of a logbook ("" without one): a screen makes a link of it."""

    run_id: str
    words: str

    def __str__(self) -> str:
        """In words."""
        return self.words


Cell = str | Number | Spot | LapName | RunName
Row = Sequence[Cell]


@dataclass(frozen=True)
class Column:
    """A column of a table: figures, or words; ``end`` gives it the colour of an end."""

    label: str
    words: bool = False
    end: End | None = None
    medium: Medium = Medium.TERMINAL


@dataclass(frozen=True)
class Sentence:
    """A sentence; ``look`` is "", "note", "strong" or "copy" (a line to copy in one piece)."""

    text: str
    look: str = ""


@dataclass(frozen=True)
class Answer:
    """The first sentences: the first finding, or that nothing asks for a change.

    ``headline`` has the largest words of a page, ``why`` and ``todo`` what shows it and what to try, in short; a
    terminal has both in the findings below, but for what is ``grave``: a damper in doubt, with what to do before
    riding on. ``others`` is what else there is to say; ``trust`` (a sentence) and ``mark`` (few words) say the state
    of the log, and ``sound`` whether nothing is wrong with it.
    """

    headline: str
    why: str = ""
    todo: str = ""
    others: tuple[str, ...] = ()
    trust: str = ""
    mark: str = ""
    sound: bool = True
    grave: bool = False


@dataclass(frozen=True)
class Sentences:
    """A list of sentences; ``verdicts`` are numbered and the largest."""

    items: tuple[str, ...]
    verdicts: bool = False


@dataclass(frozen=True)
class Caution:
    """A warning in words, in a frame where the printer has one; ``word`` is its severity."""

    texts: tuple[str, ...]
    word: str = "CAUTION"


@dataclass(frozen=True)
class Advice:
    """A finding: what stands out, what shows it, what to do step by step."""

    title: str
    evidence: str
    steps: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table; without a caption the heading of its section says what it is. A terminal prints ``most`` rows."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    caption: str = ""
    most: int | None = None

    def shown(self, medium: Medium) -> tuple[tuple[Column, ...], tuple[tuple[Cell, ...], ...]]:
        """Columns and rows as a medium has room for them; a column without a word in it is left out."""
        said = [any(str(row[i]) for row in self.rows) for i in range(len(self.columns))]
        kept = [i for i, column in enumerate(self.columns) if column.medium <= medium and said[i]]
        rows = tuple(tuple(row[i] for i in kept) for row in self.rows)
        return tuple(self.columns[i] for i in kept), rows


@dataclass(frozen=True)
class Facts:
    """Short facts, each with its label."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Blank:
    """Room on paper to write in; ``words`` are what was written down already."""

    words: str = ""
    medium: Medium = Medium.PAPER


@dataclass(frozen=True)
class Figure:
    """A picture as data, and the sentence that says how to read it; paper and screen draw it."""

    name: str
    picture: Any
    caption: str
    medium: Medium = Medium.PAPER


@dataclass(frozen=True)
class Fold:
    """Blocks under a title of their own, which a screen opens on demand."""

    title: str
    blocks: "tuple[Block, ...]"
    medium: Medium = Medium.PAPER


Block = Answer | Sentence | Sentences | Caution | Advice | Facts | Blank | Table | Figure | Fold


@dataclass(frozen=True)
class Section:
    """Blocks under a heading; ``note`` says how they are to be read, ``name`` is the section's for a program."""

    name: str
    title: str
    blocks: tuple[Block, ...]
    note: str = ""
    medium: Medium = Medium.TERMINAL


@dataclass(frozen=True)
class Document:
    """Sections of one document, in reading order; ``appendix`` begins on a new page."""

    title: str
    facts: str
    sections: tuple[Section, ...]
    appendix: tuple[Section, ...] = ()

    def __getitem__(self, name: str) -> Section | None:
        """The section of that name; None where there is nothing to tell."""
        return next((section for section in self.sections if section.name == name), None)

    def followed_by(self, other: "Document") -> "Document":
        """With the sections of another document at its end, which is said in their headings."""
        said = f"{other.title}; {other.facts}"
        sections = (
            replace(one, name=f"other-{one.name}", title=f"{one.title} ({said})" if index == 0 else one.title)
            for index, one in enumerate(other.sections)
        )
        return replace(self, sections=(*self.sections, *sections))


def is_printed(block: Block | Section, medium: Medium) -> bool:
    """Whether a medium prints a block."""
    return getattr(block, "medium", Medium.TERMINAL) <= medium


def document(title: str, facts: str, *sections: Section | None, appendix: Iterable[Section] = ()) -> Document:
    """A document of the sections that there are."""
    there = tuple(one for one in sections if one is not None)
    return Document(title, facts, there, tuple(appendix))


def section(
    name: str, title: str, *blocks: Block | None, note: str = "", medium: Medium = Medium.TERMINAL
) -> Section | None:
    """A section of the blocks that there are; None without any."""
    there = tuple(block for block in blocks if block is not None)
    return Section(name, title, there, note, medium) if there else None


def table(
    columns: Sequence[Column], rows: Iterable[Row], caption: str = "", *, most: int | None = None
) -> Table | None:
    """A table; None without rows."""
    found = tuple(rows)
    return Table(tuple(columns), found, caption, most) if found else None


def fold(title: str, *blocks: Block | None, medium: Medium = Medium.PAPER) -> Fold | None:
    """Blocks to open; None without any."""
    there = tuple(block for block in blocks if block is not None)
    return Fold(title, there, medium) if there else None


def figure(name: str, picture: Any, caption: str, medium: Medium = Medium.PAPER) -> Figure | None:
    """A picture with its caption; None without one."""
    return None if picture is None else Figure(name, picture, caption, medium)


def caution(*texts: str, word: str = "CAUTION") -> Caution | None:
    """A caution of the texts that there are; None without any."""
    there = tuple(filter(None, texts))
    return Caution(there, word) if there else None


def sentences(texts: Iterable[str], *, verdicts: bool = False) -> Sentences | None:
    """A list of sentences; None without any."""
    there = tuple(texts)
    return Sentences(there, verdicts) if there else None


def notes(*words: str) -> Iterator[Sentence]:
    """Remarks below a table; empty ones are left out."""
    return (Sentence(text, "note") for text in words if text)


def words_columns(*labels: str) -> tuple[Column, ...]:
    """Columns of text."""
    return tuple(Column(label, words=True) for label in labels)


def both_ends(label: str, *more: Column) -> tuple[Column, ...]:
    """Columns of words and of each end, then others."""
    return (Column(label, words=True), *(Column(end, end=end) for end in ENDS), *more)


def end_row(metric: Metric, ends: Mapping[End, Any]) -> Row:
    """A metric of both ends, a dash for one that is not among them."""
    return (metric.heading, *(Number(ends[end], metric) if end in ends else UNKNOWN for end in ENDS))


def metric_column(metric: Metric) -> Column:
    """A column of one metric."""
    return Column(metric.heading)


# Intervals stand in the tables and in the findings.
_INTERVAL = re.compile(r" \(95 % [^()]*\)")
_SENTENCE_END = re.compile(r"(?<=\.) (?=[A-Z])")


def without_intervals(text: str) -> str:
    """A sentence as it is read aloud.

    >>> without_intervals("The rear comes up 23 % faster (95 % +8 to +40 %), 43 bumps.")
    'The rear comes up 23 % faster, 43 bumps.'
    """
    return _INTERVAL.sub("", text)


def in_short(suggestion: str) -> str:
    """What to do, without what to recheck and why another step is not advised or predicted: the finding says so."""
    if EXPECTED in suggestion:
        suggestion = suggestion.partition(HOW_MUCH)[0].rstrip()
    kept = (words for words in _SENTENCE_END.split(suggestion) if not words.startswith(("Recheck: ", "Not ")))
    return " ".join(kept)


_STEP_START = re.compile(
    rf" (?=(?:Then one step|Not advised|Expect|Recheck): |{re.escape(EXPECTED)}|{re.escape(HOW_MUCH)})"
)


def advice_steps(suggestion: str) -> tuple[str, ...]:
    """What to do, line by line.

    >>> advice_steps("Rule out first: sag. Then one step: less preload. Recheck: sag.")
    ('Rule out first: sag.', 'Then one step: less preload.', 'Recheck: sag.')
    """
    return tuple(_STEP_START.split(suggestion))


# Shown of the lap on both sides of a point, and before and after a corner, its neighbours left out. Own choices. [m]
AROUND_M = 100.0
BEFORE_CORNER_M, AFTER_CORNER_M = 150.0, 60.0
# Shown before and after a moment that has no place on the lap. An own choice. [s]
AROUND_S = 2.0

_PHASE = "|".join(PHASES)
_DISTANCE = r"\d[\d \u202f\u00a0]*"
# What `telemetry.summary.place_words`, `laps_words` and the notes on the log write.
_NAMED = re.compile(
    rf"\b[Cc]orner (?P<corner>\d+)(?:(?: \([^()\d]*\))?, (?:{_PHASE})\b| \((?:{_PHASE})\))?"
    rf"|\b(?:{_PHASE}) \((?P<along>{_DISTANCE}) m\)"
    rf"|(?<![\d.])(?P<into>{_DISTANCE}) m into the lap\b"
    rf"|\b(?:at|t =) (?P<time>{_DISTANCE}\.\d+)(?: to (?P<until>{_DISTANCE}\.\d+))? s\b"
    r"|\b[Ll]aps (?P<laps>\d+(?:, \d+)* and \d+)\b"
    r"|\b[Ll]ap (?P<lap>\d+)\b"
)


class Places:
    """The places of one review."""

    def __init__(self, summary: Summary) -> None:
        self._summary = summary
        self._laps = {lap.lap: lap for lap in summary.laps}
        self._corners = {corner.number: corner for corner in summary.corners}

    def said(self, text: str) -> str:
        """The same text; it knows its places where it names any that the review has."""
        if isinstance(text, Said):
            return text
        parts = list(self._parts(text))
        return Said(parts) if any(not isinstance(part, str) for part in parts) else text

    def _parts(self, text: str) -> Iterator[str | Spot | LapName]:
        at = 0
        for found in _NAMED.finditer(text):
            place = self._place(found, text)
            if place is None:
                continue
            yield text[at : found.start()]
            yield from place
            at = found.end()
        if at < len(text):
            yield text[at:]

    def _place(self, found: re.Match[str], text: str) -> Sequence[str | Spot | LapName] | None:
        words, named = found.group(), found.groupdict()
        if named["lap"] or named["laps"]:
            return self._lap_names(words)
        if named["time"]:
            return self._moment(words, _value(named["time"]), _value(named["until"] or named["time"]))
        if named["corner"]:
            corner = self._corners.get(int(named["corner"]))
            if corner is None:
                return None
            lap = self._lap_in(text[found.end() :], corner.start_m, corner.end_m, corner.number)
            return [Spot(words, lap, corner.apex_m, self.corner_span_m(corner))]
        distance_m = _value(named["along"] or named["into"])
        near = (distance_m - AROUND_M, distance_m + AROUND_M)
        return [Spot(words, self._lap_in(text[found.end() :], *near), distance_m, self._within_lap(*near))]

    def _lap_names(self, words: str) -> list[str | LapName] | None:
        parts = re.split(r"(\d+)", words)
        if not all(int(number) in self._laps for number in parts[1::2]):
            return None
        if len(parts) == 3:  # one lap: the word with its number
            return [LapName(int(parts[1]), words)]
        return [LapName(int(part), part) if i % 2 else part for i, part in enumerate(parts) if part]

    def _moment(self, words: str, start_s: float, end_s: float) -> list[Spot] | None:
        if not 0 <= start_s <= self._summary.run.duration_s:
            return None
        lap = next((lap for lap in self._summary.laps if lap.start_s <= start_s < lap.end_s), None)
        zero_s = lap.start_s if lap else 0.0
        span_s = (max(start_s - zero_s - AROUND_S, 0.0), end_s - zero_s + AROUND_S)
        return [Spot(words, lap.lap if lap else None, None, span_s=span_s)]

    def _lap_in(self, after: str, start_m: float, end_m: float, corner: int | None = None) -> int | None:
        """The lap of a place: of those that the sentence goes on to name, the one with the worst event there."""
        clause = re.split(r"[;.](?:\s|$)", after, maxsplit=1)[0]
        named = [
            int(number)
            for found in _NAMED.finditer(clause)
            if found["lap"] or found["laps"]
            for number in re.findall(r"\d+", found.group())
        ]
        there = [
            event.lap
            for event in self._events
            if event.lap in self._laps
            and (not named or event.lap in named)
            and (
                (corner is not None and event.corner == corner)
                or (event.distance_m is not None and start_m <= event.distance_m <= end_m)
            )
        ]
        return next(iter(there), next((lap for lap in named if lap in self._laps), None))

    @cached_property
    def _events(self) -> list[Any]:
        """What happened at a place, the worst first: rings by their length, stops by their speed, packing."""
        found, summary = self._summary.oscillation, self._summary
        rings = [*found.events, *found.front_events]
        rings.sort(key=lambda event: (event.level != "alarm", event.start_s - event.end_s))
        stops = [stop for end in summary.ends.values() for stop in (*end.bottomed, *end.topped_out)]
        stops.sort(key=lambda stop: (stop.kind != "bottomed", not stop.hard, -abs(stop.speed_mm_s)))
        packing = sorted(summary.packing, key=lambda event: -event.sink_mm)
        return [*rings, *stops, *packing]

    def corner_span_m(self, corner: Corner) -> tuple[float, float]:
        """A corner with its braking and drive, as far as its neighbours leave room. [m]"""
        before = max((c.end_m for c in self._corners.values() if c.end_m < corner.start_m), default=-1e9)
        after = min((c.start_m for c in self._corners.values() if c.start_m > corner.end_m), default=1e9)
        return self._within_lap(
            max(corner.start_m - BEFORE_CORNER_M, before), min(corner.end_m + AFTER_CORNER_M, after)
        )

    def _within_lap(self, start_m: float, end_m: float) -> tuple[float, float]:
        longest = max((lap.distance_m or 0.0 for lap in self._summary.laps), default=0.0)
        length_m = lap_length_m(self._summary.laps) or longest or end_m
        return max(start_m, 0.0), min(end_m, max(length_m, longest))

    def worst_lap(self) -> LapSummary | None:
        """The lap on which what the first finding is about was worst; else the lap of the worst event.

        Topping out counts for nothing here: over a crest it is normal.
        """
        doubt = {"damping lost at places": "rear", "damping in doubt": "rear", "front rings": "front"}
        first = self._summary.findings[0] if self._summary.findings else None
        events = [event for event in self._events if getattr(event, "kind", "") != "topped_out"]
        if first is not None:
            alike = [event for event in events if _is_about(first.rule, first.title, event, doubt)]
            events = alike or events
        return next((self._laps[event.lap] for event in events if event.lap in self._laps), None)


def _is_about(rule: str, title: str, event: Any, doubt: dict[str, str]) -> bool:
    """Whether a finding is about events of this kind and end."""
    if rule in doubt or rule.startswith("damping"):
        return hasattr(event, "damping_ratio")
    words = title.lower()
    if rule == "bottoms":
        return getattr(event, "kind", "") == "bottomed" and words.startswith(event.end)
    if rule == "packs":
        return hasattr(event, "sink_mm") and event.end in words
    return False


def _value(text: str) -> float:
    return float(re.sub(r"[^\d.]", "", text))


def linked(document: Document, summary: Summary) -> Document:
    """A document of which every sentence and cell knows the places that it names."""
    places = Places(summary)

    def section_of(one: Section) -> Section:
        blocks = tuple(_linked(block, places) for block in one.blocks)
        return replace(one, blocks=blocks, note=places.said(one.note))

    return replace(document, sections=tuple(map(section_of, document.sections)))


# The fields of a block in which places are looked for; captions of pictures and facts stay as they are.
_LINKED: dict[type, tuple[str, ...]] = {
    Answer: ("headline", "why", "todo", "others"),
    Sentence: ("text",),
    Sentences: ("items",),
    Caution: ("texts",),
    Advice: ("title", "evidence", "steps"),
    Table: ("rows",),
    Fold: ("blocks",),
}


def _linked(part: Any, places: Places) -> Any:
    """A text, a block or a row with its places known; anything else as it is."""
    if isinstance(part, str):
        return places.said(part)
    if isinstance(part, tuple | list):
        return tuple(_linked(one, places) for one in part)
    fields = _LINKED.get(type(part), ())
    return (
        replace(part, **{name: _linked(getattr(part, name), places) for name in fields}) if fields else part
    )
