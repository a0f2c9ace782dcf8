"""Columns of a log by name, and what to say when there is none."""

import difflib
from collections.abc import Collection

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import ChannelError
from telemetry.logs.rawlog import RawLog


def similar_hint(log: RawLog, name: str, *, but: Collection[str | None] = ()) -> str:
    """A question after the columns whose names are closest to one that the log has not; "" where none is close.

    ``but`` are columns that are something else already.
    """
    free = [column for column in log.columns if column not in but]
    close = difflib.get_close_matches(name.lower(), [n.lower() for n in free], n=3, cutoff=0.5)
    similar = [n for n in free if n.lower() in close]
    return f" Did you mean {' or '.join(map(repr, similar))}?" if similar else ""


def find_column(log: RawLog, name: str, *, meaning: str, cure: str = "") -> str:
    """The column of the log that a name means.

    Parameters
    ----------
    name : str
        As in the file's header, with or without its unit.
    meaning : str
        What it is wanted for, for messages.
    cure : str
        What else can be done if there is none: a sentence.

    Returns
    -------
    str
        A key of ``log.columns``.

    Raises
    ------
    ChannelError
        If there is no such column; it names the closest.
    """
    found = log.called(name)
    if found is not None:
        return found
    raise ChannelError(
        f"{log.source}: has no column {name!r} ({meaning}).{similar_hint(log, name)} Its columns are "
        f"{', '.join(log.columns)}.{cure and ' ' + cure}"
    )


def find_numbers(log: RawLog, name: str, *, meaning: str, cure: str = "") -> tuple[str, FloatArray]:
    """A column of the log that must hold numbers.

    Parameters
    ----------
    log, name, meaning, cure
        As in `find_column`.

    Returns
    -------
    name : str
        A key of ``log.columns``.
    values : ndarray of shape (n_rows,)

    Raises
    ------
    ChannelError
        If there is no such column, or it holds no numbers.
    """
    found = find_column(log, name, meaning=meaning, cure=cure)
    values = log.columns[found]
    if np.isnan(values).all():
        raise ChannelError(
            f"{log.source}, column {found!r} ({meaning}): holds no numbers; check the sensor and its wiring."
        )
    return found, values
