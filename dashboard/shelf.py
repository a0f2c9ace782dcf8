"""The logbook for the pages: it keeps what was read last in memory."""

import logging
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from threading import Lock
from typing import Any, Protocol

import numpy as np
import pyarrow as pa

from telemetry.arrays import FloatArray
from telemetry.batch import run_here
from telemetry.bike import Bike
from telemetry.errors import BothEndsError
from telemetry.findings import HOW_MUCH, without_amount
from telemetry.logbook import RunEntry
from telemetry.prediction import Expected
from telemetry.report import Usual, usual_travel
from telemetry.review import Measured
from telemetry.season import RunRecord
from telemetry.setup import SetupSheet
from telemetry.summary import TRACE_COLUMNS, Plane, Summary, Traces

log = logging.getLogger(__name__)

# Columns kept, which are what pages draw: in single precision, all of 2 h at 1 kHz.
_KEPT_BYTES = 400 * 2**20
# What pictures are placed by stays in double precision.
_PRECISE = {"t_s", "distance_m"}
_SUMMARIES = 64
_USUAL = 16
_MADE = 4  # the long lines of two pictures, of two laps


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


@dataclass(frozen=True)
class Amounts:
    """A review with the size of its steps, and what the first is expected to do; not ``ready`` while that is tried."""

    summary: Summary
    expected: Expected | None
    ready: bool


_PENDING = "Still being tried; this page shows it in some seconds."


class Shelf:
    """A logbook with a memory.

    Parameters
    ----------
    logbook : Logbook
        A stored run never changes under its id, so what was read stays right.
    """

    def __init__(self, logbook: Logbook) -> None:
        pa.set_memory_pool(pa.system_memory_pool())  # Arrow's own keeps what it read, for every thread
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="amounts")
        self.desk: Any = None  # the writing side, `dashboard.desk.desk.Desk`, when there is one
        self.open(logbook)

    @property
    def writes(self) -> bool:
        """Whether there is a logbook to write to."""
        return self.desk is not None and bool(self.desk.writes)

    def open(self, logbook: Logbook) -> None:
        """Answer from this logbook from now on."""
        self.logbook = logbook
        self.runs = logbook.runs
        self.left_out = logbook.left_out
        self.sheet = logbook.sheet
        self.season = logbook.season
        self.summary = lru_cache(maxsize=_SUMMARIES)(logbook.summary)
        self._trying: dict[str, Future[tuple[Summary, Expected | None]]] = {}
        self.usual = lru_cache(maxsize=_USUAL)(self._usual)
        self._columns: OrderedDict[tuple[str, str], FloatArray] = OrderedDict()
        self._made: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = Lock()

    def column(self, run_id: str, name: str) -> FloatArray | None:
        """One column of the traces, None when the run has no such column; those asked for last are kept."""
        key = run_id, name
        with self._lock:
            if key in self._columns:
                self._columns.move_to_end(key)
                return self._columns[key]
        values = self.logbook.traces(run_id, (name,)).columns.get(name)
        if values is None:
            return None
        if name not in _PRECISE:
            values = values.astype(np.float32)
        with self._lock:
            self._columns[key] = values
            while (
                len(self._columns) > 1 and sum(kept.nbytes for kept in self._columns.values()) > _KEPT_BYTES
            ):
                self._columns.popitem(last=False)
        return values

    def kept(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """What `make` gives, made once for a key; the few asked for last are kept."""
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        made = make()
        with self._lock:
            self._made[key] = made
            if len(self._made) > _MADE:
                self._made.popitem(last=False)
        return made

    def traces(self, run_id: str, columns: tuple[str, ...] | None = None) -> Traces:
        """The traces of a run as stored; all of them are read one by one, when they are looked at."""
        return Traces(_Columns(self, run_id)) if columns is None else self.logbook.traces(run_id, columns)

    def _usual(self, run_id: str, plane: Plane) -> Usual | None:
        """The usual travel along the lap of a run."""
        return usual_travel(self.summary(run_id), partial(self.column, run_id), plane)

    def amounts(self, run_id: str, *, start: bool = True, wait: bool = False) -> Amounts:
        """A review whose findings say what their steps are expected to do, tried on its laps in the background.

        Parameters
        ----------
        start : bool
            Begin to try where that was not done yet.
        wait : bool
            Until it is done, some seconds the first time.

        Raises
        ------
        LogbookError
            If there is no such run.
        """
        summary = self.summary(run_id)
        if not any(finding.turns for finding in summary.findings):
            return Amounts(summary, None, ready=True)
        if start:
            with self._lock:
                if run_id not in self._trying:
                    self._trying[run_id] = self._worker.submit(_apart, self.logbook, run_id)
        tried = self._trying.get(run_id)
        if tried is not None and (wait or tried.done()):
            return Amounts(*tried.result(), ready=True)
        return Amounts(
            _how_much(summary, f"{_PENDING[0].lower()}{_PENDING[1:]}"), Expected(reason=_PENDING), ready=False
        )


def _apart(logbook: Logbook, run_id: str) -> tuple[Summary, Expected | None]:
    """`_ride_again` in a separate process: it needs much memory, which the server would keep."""
    try:
        with closing(run_here([(logbook, run_id)], _ride_again, _lost, workers=1)) as done:
            ((_, found),) = done
    except Exception:  # no page may miss its answer because a step cannot be tried
        log.exception("no process to try a step in")
        return _untold(
            logbook.summary(run_id), "trying it on the laps failed; why is in the log of the server."
        )
    return found


def _ride_again(task: tuple[Logbook, str]) -> tuple[Summary, Expected | None]:
    """A review with what its steps are expected to do, and the first one's, or why that cannot be told."""
    from telemetry.prediction import with_amounts  # compiles; imported when it is asked for

    logbook, run_id = task
    summary = logbook.summary(run_id)
    try:
        return with_amounts(*logbook.measured(run_id), summary)
    except BothEndsError as error:
        return _untold(summary, str(error))
    except Exception:
        log.exception("a step could not be tried on its laps")
        return _untold(summary, "trying it on the laps failed; why is in the log of the server.")


def _lost(task: tuple[Logbook, str]) -> tuple[Summary, Expected | None]:
    """As `_ride_again`, of one whose process was ended twice."""
    logbook, run_id = task
    return _untold(logbook.summary(run_id), "trying it on the laps was stopped, likely for want of memory.")


def _untold(summary: Summary, reason: str) -> tuple[Summary, Expected]:
    """A review whose findings say why the size of their steps is not known."""
    return _how_much(summary, f"it is not predicted: {reason}"), Expected(reason=reason)


def _how_much(summary: Summary, words: str) -> Summary:
    """A review whose findings with a step say these words of its size."""
    findings = tuple(
        replace(one, suggestion=f"{without_amount(one.suggestion)} {HOW_MUCH}: {words}") if one.turns else one
        for one in summary.findings
    )
    return replace(summary, findings=findings)


class _Columns(Mapping[str, FloatArray]):
    """The columns of a run's traces, read one by one."""

    def __init__(self, shelf: Shelf, run_id: str) -> None:
        self._shelf, self._run_id = shelf, run_id

    def __getitem__(self, name: str) -> FloatArray:
        values = self._shelf.column(self._run_id, name)
        if values is None:
            raise KeyError(name)
        return values

    def __iter__(self) -> Iterator[str]:
        return (name for name in TRACE_COLUMNS if self._shelf.column(self._run_id, name) is not None)

    def __len__(self) -> int:
        return sum(1 for _ in self)
