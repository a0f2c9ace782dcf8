"""Meanings of columns: ``--channels``, then the bike file, then those confirmed for logs of this shape."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from telemetry.cli.output import say
from telemetry.logs import RawLog, recall, remember

if TYPE_CHECKING:
    from telemetry.bike import Bike


def with_channels(bike: "Bike", log: RawLog, given: Mapping[str, str]) -> "Bike":
    """Bike file with this log's columns: ``--channels``, else its own names, else those confirmed for such a log.

    Prints what was confirmed before; raises `ChannelError` as `telemetry.review.with_columns`.
    """
    from telemetry.review import confirmed_columns, with_columns

    known = confirmed_columns(bike, log)
    if used := [f"{key}={column}" for key, column in known.items() if key not in given]:
        say(f"Columns as confirmed before for logs like this one: {', '.join(used)}")
    return with_columns(bike, log, {**known, **given})


def keep(log: RawLog, given: Mapping[str, str]) -> None:
    """Remember what was confirmed, forget what was taken back, and say so."""
    columns = {key: column for key, column in given.items() if key != "rate_hz"}
    if not columns or not (any(columns.values()) or columns.keys() & recall(log).keys()):
        return
    if (path := remember(log, columns)) is not None:
        forgotten = ", ".join(key for key, column in columns.items() if not column)
        what = "Kept for logs with the same columns" if any(columns.values()) else "Taken back"
        say(f"{what}{f' (forgotten: {forgotten})' if forgotten else ''}, in {path}")
