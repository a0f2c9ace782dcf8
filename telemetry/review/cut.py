"""A part of a log: what a person wants reviewed of it, from when to when, and without which laps."""

from dataclasses import dataclass, replace

import numpy as np
from pydantic import TypeAdapter, ValidationError

from telemetry.errors import LogError
from telemetry.laps import Track
from telemetry.logs import RawLog, each_column
from telemetry.notes import QualityNote, Step
from telemetry.plaintext import plain
from telemetry.signals import read_stamps


@dataclass(frozen=True)
class Cut:
    """The part of a log that counts.

    Parameters
    ----------
    from_s, to_s : float or None
        Since the log's first row; None is its start or its end. [s]
    leave_out : tuple of int
        Laps by number that are in no mean, comparison or trend.
    why : str
        The reason a person gave.
    """

    from_s: float | None = None
    to_s: float | None = None
    leave_out: tuple[int, ...] = ()
    why: str = ""


WHOLE = Cut()


def cut_to_json(cut: Cut) -> str:
    """A cut as text, the same for the same cut."""
    return TypeAdapter(Cut).dump_json(cut, indent=1, exclude=None if cut.why else {"why"}).decode()


def cut_from_json(text: str) -> Cut:
    """The cut that `cut_to_json` wrote.

    Raises
    ------
    ValueError
        If the text is none.
    """
    try:
        return TypeAdapter(Cut).validate_json(text)
    except ValidationError as error:
        raise ValueError(str(error)) from None


def clock_words(time_s: float) -> str:
    """A time of the log as a person types it.

    >>> clock_words(83.5), clock_words(5.0)
    ('1:23.5', '0:05')
    """
    minutes, seconds = divmod(round(time_s, 3), 60)
    whole = f"{int(minutes)}:{int(seconds):02d}"
    rest = f"{seconds % 1:.3f}".strip("0").rstrip(".")
    return whole + rest


def cut_log(log: RawLog, cut: Cut, time_channel: str) -> RawLog:
    """Rows of a log between two times, with a note; the log itself when nothing is cut.

    `LogError` if no row lies there or its clock cannot be used, `ChannelError` if the time column is missing.
    """
    if cut.from_s is None and cut.to_s is None:
        return log
    t_s = read_stamps(log, time_channel).t_s
    low, high = -np.inf if cut.from_s is None else cut.from_s, np.inf if cut.to_s is None else cut.to_s
    inside = np.flatnonzero((t_s >= low) & (t_s <= high))
    last_s = float(np.nanmax(t_s))
    start, end = clock_words(max(0.0, low)), "its end" if high >= last_s else clock_words(high)
    if len(inside) < 2:
        raise LogError(
            f"{log.source}: has no rows from {start} to {end}; it is {clock_words(last_s)} long. Choose "
            f"--from and --to within it."
        )
    rows = slice(int(inside[0]), int(inside[-1]) + 1)
    counted = "" if start == "0:00" else f" Times count from {start} of the log on."
    message = f"Only {start} to {end} of the log is reviewed, as asked; the rest is in no number.{counted}"
    return replace(
        log,
        columns=each_column(log, lambda column: column.some(rows)),
        first_row=log.first_row + rows.start,
        notes=(*log.notes, QualityNote("info", "cut", message)),
        history=(
            *log.history,
            Step("cut", {"from_s": float(t_s[inside[0]]), "to_s": float(t_s[inside[-1]])}),
        ),
    )


def leave_out_laps(track: Track, leave_out: tuple[int, ...], source: str, why: str = "") -> Track:
    """The track with some laps marked as left out, and a note; `LogError` if there is no such lap."""
    if not leave_out:
        return track
    numbers = [lap.lap for lap in track.laps]
    if missing := [number for number in leave_out if number not in numbers]:
        has = f"its laps are {', '.join(map(str, numbers))}" if numbers else "no laps were found in it"
        raise LogError(f"{source}: has no lap {missing[0]} to leave out; {has}.")
    laps = tuple(
        replace(lap, complete=False, kind="left out") if lap.lap in leave_out else lap for lap in track.laps
    )
    one = len(set(leave_out)) == 1
    because = f" ({plain(why)})" if why else ""
    message = (
        f"Lap{'' if one else 's'} {', '.join(map(str, sorted(set(leave_out))))} {'is' if one else 'are'} left out of "
        f"every mean, comparison and trend, as asked{because}. Lost damping is looked for in "
        f"{'it' if one else 'them'} as well."
    )
    return replace(track, laps=laps, notes=(*track.notes, QualityNote("info", "laps_left_out", message)))
