"""A bike file and the columns that one log has: which column means what, when the names differ."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from telemetry.arrays import ENDS
from telemetry.bike import Bike
from telemetry.bike.bikefile import Channels
from telemetry.errors import ChannelError
from telemetry.logs import RawLog
from telemetry.logs.remembered import recall


def named_columns(bike: Bike) -> dict[str, str]:
    """The columns a bike file names, by key of [channels] and by ``front`` and ``rear``."""
    found = {key: value for key, value in bike.channels.model_dump(exclude={"rate_hz"}).items() if value}
    for end in ENDS:
        if (sensor := getattr(bike, end).sensor) is not None:
            found[end] = sensor.channel
    return found


def confirmed_columns(bike: Bike, log: RawLog) -> dict[str, str]:
    """What was confirmed for a log of this shape, where the bike file's own names find nothing.

    Parameters
    ----------
    bike : Bike
    log : RawLog

    Returns
    -------
    dict of str to str
        Column by key, as `with_columns` takes it.
    """
    names = named_columns(bike)
    return {
        key: column for key, column in recall(log).items() if key not in names or not log.called(names[key])
    }


def with_columns(bike: Bike, log: RawLog, chosen: Mapping[str, str]) -> Bike:
    """The bike file with the columns that this log has.

    A name that is not chosen stays, and is missed with the usual words when the log does not have it.

    Parameters
    ----------
    bike : Bike
    log : RawLog
    chosen : mapping of str to str
        Column by key of [channels], and by ``front`` and ``rear``; "" where the log has none; and ``rate_hz``.

    Returns
    -------
    Bike

    Raises
    ------
    ChannelError
        If a column that was chosen is not in the log, both ends are given one column, or an end has no sensor in
        the bike file.
    """
    for key, column in chosen.items():
        if key != "rate_hz" and column and log.called(column) is None:
            raise ChannelError(
                f"{log.source}: --channels {key}={column}: there is no such column; its columns are "
                f"{', '.join(log.columns)}."
            )
        if key in ENDS and getattr(bike, key).sensor is None:
            raise ChannelError(
                f"--channels {key}={column}: {bike.source} has no [{key}.sensor]; add it with its points "
                f"[[signal, mm], ...]: without them the signal is no travel."
            )
    ends = [log.called(name) for key, name in {**named_columns(bike), **chosen}.items() if key in ENDS]
    if len(ends) == 2 and ends[0] == ends[1] is not None:
        raise ChannelError(
            f"{log.source}: front and rear are both column {ends[0]!r}; say which is which with "
            f"--channels front=COLUMN,rear=COLUMN."
        )
    update: dict[str, object] = {}
    for end in ENDS:
        if end in chosen:
            section = getattr(bike, end)
            sensor = section.sensor.model_copy(update={"channel": chosen[end]})
            update[end] = section.model_copy(update={"sensor": sensor})
    keys = {key: value or None for key, value in chosen.items() if key in Channels.model_fields}
    update["channels"] = Channels.model_validate({**bike.channels.model_dump(), **keys})
    return bike.model_copy(update=update)


@contextmanager
def telling_columns(bike: Bike, log: RawLog) -> Iterator[None]:
    """Where the log has not the columns that the bike file names: say how to find which is which.

    Parameters
    ----------
    bike : Bike
        After `with_columns`.
    log : RawLog

    Raises
    ------
    ChannelError
        The one that was raised inside, with more words.
    """
    try:
        yield
    except ChannelError as error:
        needed = (name for key, name in named_columns(bike).items() if key in ("time", *ENDS))
        if all(log.called(name) for name in needed):
            raise
        raise ChannelError(
            f"{error} `bothends check` shows what each column looks like; say which is which with --channels."
        ) from None
