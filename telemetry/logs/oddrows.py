"""Rows of a delimited text that have not as many cells as the table has columns."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import IntArray
from telemetry.logs.dialect import is_comment
from telemetry.notes import QualityNote


@dataclass(frozen=True)
class OddRows:
    """Where rows are missing from the parsed table, and what to say about it.

    Parameters
    ----------
    insert_at : ndarray of int
        For `numpy.insert`: where a row of NaN keeps the count of lines true.
    wrong : int
        How many are neither comments nor a cut last line.
    first_wrong_line : int or None
        Line of the file, counted from 1.
    """

    insert_at: IntArray
    wrong: int
    first_wrong_line: int | None
    notes: tuple[QualityNote, ...]


def place_odd_rows(rows: Sequence[tuple[int, str]], *, first_row: int, n_parsed: int, width: int) -> OddRows:
    """Sort odd rows into comments, a cut last line and wrong ones.

    Parameters
    ----------
    rows : sequence of (line, text)
        Line counted from 1.
    first_row : int
        Line of the first row of data.
    n_parsed : int
        Rows that did fit.
    width : int
        Cells a row should have.
    """
    rows = sorted(rows)
    notes = []
    last_line = first_row + n_parsed + len(rows) - 1
    if rows and rows[-1][0] == last_line and not is_comment(rows[-1][1]):
        notes.append(
            QualityNote("info", "cut_last_line", f"The last line ({last_line}) is cut short; it is left out.")
        )
        rows = rows[:-1]
    lines = np.array([line for line, _ in rows], dtype=np.int64)
    wrong = [line for line, text in rows if not is_comment(text)]
    if wrong:
        notes.append(
            QualityNote(
                "warning",
                "odd_rows",
                f"{len(wrong)} rows do not have {width} cells (first: row {wrong[0]}); they count as missing.",
            )
        )
    return OddRows(
        insert_at=lines - first_row - np.arange(len(lines)),
        wrong=len(wrong),
        first_wrong_line=wrong[0] if wrong else None,
        notes=tuple(notes),
    )
