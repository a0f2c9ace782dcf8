"""The logbook as the pages use it: the same questions, with what was read last kept in memory."""

from collections.abc import Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Protocol

from telemetry.arrays import FloatArray
from telemetry.bike import Bike
from telemetry.logbook import RunEntry
from telemetry.prediction import Expected, expected_of
from telemetry.report import Usual, usual_travel
from telemetry.review import Measured
from telemetry.season import RunRecord
from telemetry.setup import SetupSheet
from telemetry.summary import Plane, Summary, Traces

# Columns kept: all that one page draws of two runs. An hour at 500 Hz is 14 MB a column.
_COLUMNS = 32
_SUMMARIES = 64
_USUAL = 16


class Logbook(Protocol):
    """What the dashboard needs of a logbook. Unknown ids raise `telemetry.errors.LogbookError`."""

    def runs(self) -> Sequence[RunEntry]:
        """All runs, in the order to show them."""

    def left_out(self) -> Sequence[Path]:
        """Directories of runs that cannot be shown, since their record is damaged."""

    def summary(self, run_id: str) -> Summary:
        """The stored review of a run."""

    def traces(self, run_id: str, columns: tuple[str, ...] | None = None) -> Traces:
        """The traces of a run, or those of the columns that it has."""

    def season(self) -> tuple[RunRecord, ...]:
        """The numbers of every run."""

    def sheet(self, run_id: str) -> SetupSheet | None:
        """The setup sheet of a run, None when it has none."""

    def measured(self, run_id: str) -> tuple[Measured, Bike]:
        """Motion and laps of a run from its log, and its bike file."""


class Shelf:
    """A logbook with a memory.

    Parameters
    ----------
    logbook : Logbook
        A stored run never changes under its id, so what was read stays right.
    """

    def __init__(self, logbook: Logbook) -> None:
        self.desk: Any = None  # the writing side, `dashboard.desk.desk.Desk`, when there is one
        self.open(logbook)

    def open(self, logbook: Logbook) -> None:
        """Answer from this logbook from now on."""
        self.logbook = logbook
        self.runs = logbook.runs
        self.left_out = logbook.left_out
        self.sheet = logbook.sheet
        self.season = logbook.season
        self.traces = logbook.traces
        self.summary = lru_cache(maxsize=_SUMMARIES)(logbook.summary)
        self.expected = lru_cache(maxsize=_SUMMARIES)(self._ride_again)
        self._column = lru_cache(maxsize=_COLUMNS)(self._read_column)
        self.usual = lru_cache(maxsize=_USUAL)(self._usual)

    def column(self, run_id: str, name: str) -> FloatArray | None:
        """One column of the traces, None when the run has no such column."""
        return self._column(run_id, name)

    def _usual(self, run_id: str, plane: Plane) -> Usual | None:
        """The usual travel along the lap of a run."""
        return usual_travel(self.summary(run_id), partial(self.column, run_id), plane)

    def _read_column(self, run_id: str, name: str) -> FloatArray | None:
        return self.logbook.traces(run_id, (name,)).columns.get(name)

    def _ride_again(self, run_id: str) -> Expected | None:
        """What the step that a run's review advises is expected to do; takes some seconds the first time."""
        summary = self.summary(run_id)
        return expected_of(*self.logbook.measured(run_id), summary) if summary.findings else None
