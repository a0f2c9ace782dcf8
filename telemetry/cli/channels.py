"""Which column means what: ``--channels``, then the bike file, then what was confirmed for logs of this shape."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from telemetry.cli.output import say
from telemetry.errors import ChannelError
from telemetry.logs import RawLog
from telemetry.logs.headers import split_unit
from telemetry.logs.mapping import MEANINGS, Proposal, propose
from telemetry.logs.remembered import recall, remember

if TYPE_CHECKING:
    from telemetry.bike import Bike

GIVEN = "as --channels says"
REMEMBERED = "confirmed before, for a log with the same columns"
BIKE_FILE = "named in the bike file"


def meanings(log: RawLog, given: Mapping[str, str], bike: "Bike | None") -> tuple[Proposal, ...]:
    """What each column means, and why: what was said comes before what is only likely.

    Parameters
    ----------
    log : RawLog
    given : mapping of str to str
        From ``--channels``.
    bike : Bike or None
        After `with_channels`.

    Returns
    -------
    tuple of Proposal
    """
    likely = {proposal.meaning: proposal for proposal in propose(log)}
    said = {meaning: (column, REMEMBERED) for meaning, column in recall(log).items()}
    for meaning, column in (named(bike) if bike else {}).items():
        if column in log.columns and said.get(meaning, ("",))[0] != column:
            said[meaning] = (column, BIKE_FILE)
    said |= {meaning: (column, GIVEN) for meaning, column in given.items() if column in log.columns}
    taken = {column for column, _ in said.values()}
    settled = {}
    for meaning, (column, why) in said.items():
        guess = likely.get(meaning)
        reasons = guess.reasons if guess and guess.column == column else ()
        doubts = (f"but {guess.column!r} looks like it",) if guess and not reasons else ()
        settled[meaning] = Proposal(meaning, column, 1.0, (why, *reasons, *doubts))
    open_ = {m: p for m, p in likely.items() if m not in settled and p.column not in taken}
    return tuple(sorted((settled | open_).values(), key=lambda proposal: MEANINGS.index(proposal.meaning)))


def with_channels(bike: "Bike", log: RawLog, given: Mapping[str, str]) -> "Bike":
    """The bike file with the columns that this log has.

    What ``--channels`` says comes first; then names of the bike file that the log has; then what was confirmed for
    a log of the same shape. A name that none of them finds stays, and is missed with the usual words.

    Parameters
    ----------
    bike : Bike
    log : RawLog
    given : mapping of str to str
        Column by key of [channels], and by ``front`` and ``rear``; "" where the log has none.

    Returns
    -------
    Bike

    Raises
    ------
    ChannelError
        If a column that was given is not in the log, or an end has no sensor in the bike file.
    """
    from telemetry.bike.bikefile import Channels

    for key, column in given.items():
        if key != "rate_hz" and column and column not in log.columns:
            raise ChannelError(
                f"{log.source}: --channels {key}={column}: there is no such column; its columns are "
                f"{', '.join(log.columns)}."
            )
        if key in ("front", "rear") and getattr(bike, key).sensor is None:
            raise ChannelError(
                f"--channels {key}={column}: {bike.source} has no [{key}.sensor]; add it with its points "
                f"[[signal, mm], ...]: without them the signal is no travel."
            )
    known = {key: column for key, column in recall(log).items() if not _has(log, named(bike).get(key))}
    chosen = {**known, **given}
    if used := [f"{key}={column}" for key, column in known.items() if key not in given]:
        say(f"Columns as confirmed before for logs like this one: {', '.join(used)}")
    ends = {
        end: section.model_copy(
            update={"sensor": section.sensor.model_copy(update={"channel": chosen.pop(end)})}
        )
        for end, section in (("front", bike.front), ("rear", bike.rear))
        if end in chosen and section.sensor is not None
    }
    keys = {key: value or None for key, value in chosen.items() if key in Channels.model_fields}
    channels = Channels.model_validate({**bike.channels.model_dump(), **keys})
    return bike.model_copy(update={**ends, "channels": channels})


@contextmanager
def hinting(bike: "Bike", log: RawLog) -> Iterator[None]:
    """Where the log has not the columns that the bike file names: say how to find which is which."""
    try:
        yield
    except ChannelError as error:
        if all(_has(log, name) for name in named(bike).values()):
            raise
        raise ChannelError(
            f"{error} `bothends check` shows what each column looks like; say which is which with --channels."
        ) from None


def keep(log: RawLog, given: Mapping[str, str]) -> None:
    """Remember what was confirmed, and say so."""
    columns = {key: column for key, column in given.items() if key != "rate_hz" and column}
    if columns and (path := remember(log, columns)) is not None:
        say(f"Kept for logs with the same columns, in {path}")


def named(bike: "Bike") -> dict[str, str]:
    """The columns a bike file names, by meaning."""
    found = {key: value for key, value in bike.channels.model_dump(exclude={"rate_hz"}).items() if value}
    for end, section in (("front", bike.front), ("rear", bike.rear)):
        if section.sensor is not None:
            found[end] = section.sensor.channel
    return found


def _has(log: RawLog, name: str | None) -> bool:
    """Whether a log has a column of that name, with or without its unit."""
    return name is not None and any(n in log.columns for n in (name, name.strip(), split_unit(name)[0]))
