"""A log as it was written: columns of numbers in the file's own units."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.logs.headers import split_unit
from telemetry.notes import QualityNote, Step


@dataclass(frozen=True)
class RawLog:
    """The columns of one log file, not yet interpreted.

    Parameters
    ----------
    source : str
        The file, for messages.
    columns : mapping of str to ndarray of shape (n_rows,)
        By column name, in file order; NaN where a cell is blank or unreadable.
    units : mapping of str to str
        Unit as written in the file, "" where none is.
    first_row : int
        Line of the file that holds row 0, counted from 1, so that messages can name a line.
    dialect : mapping of str to str
        What the reader recognised (reader, delimiter, decimal mark, encoding, ...), for the person to see.
    metadata : mapping of str to str
        What the file says about itself (rider, date, ...), as written.
    notes : tuple of QualityNote
        Faults found while reading (blank cells, unreadable words, a cut last line).
    """

    source: str
    columns: Mapping[str, FloatArray]
    units: Mapping[str, str]
    first_row: int = 1
    dialect: Mapping[str, str] = field(default_factory=dict)
    metadata: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[QualityNote, ...] = ()
    history: tuple[Step, ...] = ()

    @property
    def n_rows(self) -> int:
        """Number of rows of data."""
        return len(next(iter(self.columns.values()))) if self.columns else 0

    def called(self, name: str) -> str | None:
        """The column that a name means: as in the file's header, with or without its unit; None if there is none."""
        return next((n for n in (name, name.strip(), split_unit(name)[0]) if n in self.columns), None)


def stated_rate_hz(log: RawLog) -> float | None:
    """The rate that a person stated for a log without time; None where it has its own. [Hz]"""
    return next((float(step.settings["rate_hz"]) for step in log.history if step.name == "stated_rate"), None)


def with_rate(log: RawLog, rate_hz: float, name: str = "time") -> RawLog:
    """A log without a column of time, its rows taken to be evenly apart; one that has it, as it is.

    Parameters
    ----------
    rate_hz : float
        As stated by a person. [Hz]
    name : str
        What the column of time is called, with or without its unit.

    Returns
    -------
    RawLog
        With the column [s] and a note.
    """
    if log.called(name) is not None:
        return log
    message = f"The log has no column {name!r}: its rows are taken to be 1/{rate_hz:g} s apart, as stated."
    return replace(
        log,
        columns={name: np.arange(log.n_rows) / rate_hz, **log.columns},
        units={name: "s", **log.units},
        notes=(*log.notes, QualityNote("info", "stated_rate", message)),
        history=(*log.history, Step("stated_rate", {"rate_hz": rate_hz})),
    )
