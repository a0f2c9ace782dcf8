"""What a document is made of: frozen blocks that terminal, paper and screen print, each by a table of functions."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

from telemetry.arrays import End
from telemetry.findings import EXPECTED, HOW_MUCH
from telemetry.summary import Metric, interval, number, plus_minus


class Medium(IntEnum):
    """Where a block is printed: in the terminal and everywhere else, on paper and screen, or on the screen alone."""

    TERMINAL = 0
    PAPER = 1
    SCREEN = 2


@dataclass(frozen=True)
class Number:
    """A cell with a number: its metric reads it of ``subject`` and has the decimals.

    Parameters
    ----------
    subject : Any
        What the metric reads from: an `EndAt`, or the number itself; None where it is not known.
    ci : tuple of float, optional
        Interval of the number itself.
    error : float, optional
        Its standard error.
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

    Parameters
    ----------
    lap : int or None
        A lap on which it was; None where no lap is meant.
    distance_m : float or None
        Along that lap. [m]
    span_m : (float, float) or None
        The stretch to look at, along the lap; None is a little on both sides of ``distance_m``. [m]
    span_s : (float, float) or None
        The same by time, since the start of the lap, or of the run without one, where no distance is known. [s]
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
    """A text that knows the places and laps in it: printed as it is, or each of them as a link.

    Parameters
    ----------
    parts : iterable of str, Spot or LapName
        In the order in which they are read.
    """

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
    """What is said first: the first finding, or that nothing asks for a change.

    Parameters
    ----------
    headline : str
        The largest words of a page.
    why, todo : str
        What shows it and what to try, in short; a terminal has both in the findings below, but for what is ``grave``:
        a damper in doubt, with what to do before riding on.
    others : tuple of str
        What else there is to say, a sentence each.
    trust, mark : str
        The state of the log in a sentence, and in few words; ``sound`` is whether nothing is wrong with it.
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
    """Said in words first, set in a frame where there is one; ``word`` says how grave it is."""

    texts: tuple[str, ...]
    word: str = "CAUTION"


@dataclass(frozen=True)
class Advice:
    """A finding: what stands out, what shows it, what to do."""

    title: str
    evidence: str
    suggestion: str


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
    """All that is told of one thing, in the order it is read; ``appendix`` begins on a page of its own."""

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


def notes(*words: str) -> Iterator[Sentence]:
    """Remarks below a table; empty ones are left out."""
    return (Sentence(text, "note") for text in words if text)


def words_columns(*labels: str) -> tuple[Column, ...]:
    """Columns of text."""
    return tuple(Column(label, words=True) for label in labels)


def metric_column(metric: Metric, end: End | None = None, medium: Medium = Medium.TERMINAL) -> Column:
    """A column of one metric, of one end where it is said."""
    return Column(f"{end} {metric.heading}" if end else metric.heading, end=end, medium=medium)


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
