"""Columns of a log by name, and what to say when there is none."""

import difflib

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import ChannelError
from telemetry.logs.headers import split_unit
from telemetry.logs.rawlog import RawLog


def find_column(log: RawLog, name: str, *, meaning: str) -> str:
    """The column of the log that a name means.

    Parameters
    ----------
    log : RawLog
    name : str
        As in the file's header, with or without its unit.
    meaning : str
        What it is wanted for, for messages.

    Returns
    -------
    str
        A key of ``log.columns``.

    Raises
    ------
    ChannelError
        If there is no such column; it names the closest.
    """
    found = next((n for n in (name, name.strip(), split_unit(name)[0]) if n in log.columns), None)
    if found is not None:
        return found
    close = difflib.get_close_matches(name.lower(), [n.lower() for n in log.columns], n=3, cutoff=0.5)
    similar = [n for n in log.columns if n.lower() in close]
    hint = f" Did you mean {' or '.join(map(repr, similar))}?" if similar else ""
    raise ChannelError(
        f"{log.source}: has no column {name!r} ({meaning}).{hint} Its columns are {', '.join(log.columns)}."
    )


def find_numbers(log: RawLog, name: str, *, meaning: str) -> tuple[str, FloatArray]:
    """A column of the log that must hold numbers.

    Parameters
    ----------
    log, name, meaning
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
    found = find_column(log, name, meaning=meaning)
    values = log.columns[found]
    if np.isnan(values).all():
        raise ChannelError(
            f"{log.source}, column {found!r} ({meaning}): holds no numbers; check the sensor and its wiring."
        )
    return found, values
