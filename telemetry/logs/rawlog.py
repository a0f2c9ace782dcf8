"""A log as it was written: columns of numbers in the file's own units."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from telemetry.arrays import FloatArray
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
    history : tuple of Step
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
