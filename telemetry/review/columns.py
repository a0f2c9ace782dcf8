"""A bike file and the columns that one log has: which column means what, when the names differ or are not given."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.bike import Bike, Channels
from telemetry.errors import ChannelError
from telemetry.laps import Circuit, is_line_of, known_circuit
from telemetry.logs import (
    MEANINGS,
    Behaviour,
    Proposal,
    RawLog,
    describe,
    find_unit,
    propose,
    recall,
    to_unit,
)
from telemetry.notes import QualityNote

# Of a long log, places of so many rows are enough to know its circuit.
MOST_FIXES = 100_000
KEYS = tuple(key for key in Channels.model_fields if key != "rate_hz")
_SAID = {"lap": "the lap number", "beacon": "the beacon"}


def named_columns(bike: Bike, log: RawLog) -> dict[str, str]:
    """What a bike file names, by key of [channels] and by ``front`` and ``rear``.

    Returns
    -------
    dict of str to str
        Of several names the first that the log has; where it has none of them, the first.
    """
    named = {key: bike.channels.names(key) for key in KEYS}
    for end in ENDS:
        if (sensor := bike.end(end).sensor) is not None:
            named[end] = sensor.names("channel")
    return {key: _in_log(log, names) for key, names in named.items() if names}


def _in_log(log: RawLog, names: tuple[str, ...]) -> str:
    return next((name for name in names if log.called(name) is not None), names[0])


def confirmed_columns(bike: Bike, log: RawLog) -> dict[str, str]:
    """What was confirmed for a log of this shape, where the bike file's own names find nothing.

    Returns
    -------
    dict of str to str
        Column by key, as `with_columns` takes it.
    """
    names = named_columns(bike, log)
    return {
        key: column for key, column in recall(log).items() if key not in names or not log.called(names[key])
    }


GIVEN = "as --channels says"
REMEMBERED = "confirmed before, for a log with the same columns"
BIKE_FILE = "named in the bike file"


def column_meanings(log: RawLog, given: Mapping[str, str], bike: Bike | None) -> tuple[Proposal, ...]:
    """Meaning of each column, and why: ``--channels`` and what was confirmed before come before what is only likely."""
    likely = {proposal.meaning: proposal for proposal in propose(log)}
    known = recall(log)
    if bike is None:
        said = {meaning: (column, REMEMBERED) for meaning, column in known.items()}
        left_out = set[str]()
    else:
        bike, _ = right_signals(bike, log)
        found = {meaning: log.called(name) for meaning, name in named_columns(bike, log).items()}
        said = {
            meaning: (column, REMEMBERED if known.get(meaning) == column else BIKE_FILE)
            for meaning, column in found.items()
            if column is not None
        }
        left_out = {key for key in KEYS if getattr(bike.channels, key) == ""}
    for meaning, name in given.items():
        if (column := log.called(name)) is not None and (
            bike is None or said.get(meaning, ("",))[0] == column
        ):
            said[meaning] = (column, GIVEN)
    left_out |= {meaning for meaning, name in given.items() if name == ""}
    taken = {column for column, _ in said.values()}
    settled = {}
    for meaning, (column, why) in said.items():
        guess = likely.get(meaning)
        reasons = guess.reasons if guess and guess.column == column else ()
        doubts = [f"but {guess.column!r} looks like it"] if guess and not reasons else []
        doubts += [
            f"but it looks like {p.meaning}"
            for p in likely.values()
            if p.sure and p.column == column and p.meaning != meaning
        ]
        settled[meaning] = Proposal(meaning, column, 1.0, (why, *reasons, *doubts))
    open_ = {m: p for m, p in likely.items() if m not in settled and p.column not in taken}
    told = {m: p for m, p in (settled | open_).items() if m not in left_out}
    return tuple(sorted(told.values(), key=lambda proposal: MEANINGS.index(proposal.meaning)))


def with_columns(bike: Bike, log: RawLog, chosen: Mapping[str, str]) -> Bike:
    """The bike file with the columns that this log has.

    A name that is not chosen stays, and is missed with the usual words when the log does not have it.

    Parameters
    ----------
    chosen : mapping of str to str
        Column by key of [channels], and by ``front`` and ``rear``; "" where none is to be used; and ``rate_hz``.

    Returns
    -------
    Bike
        With one name each.

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
    names = {**named_columns(bike, log), **chosen}
    ends = [log.called(name) for key, name in names.items() if key in ENDS]
    if len(ends) == 2 and ends[0] == ends[1] is not None:
        raise ChannelError(
            f"{log.source}: front and rear are both column {ends[0]!r}; say which is which with "
            f"--channels front=COLUMN,rear=COLUMN."
        )
    update: dict[str, object] = {}
    for end in ENDS:
        section = getattr(bike, end)
        if section.sensor is not None:
            supply = section.sensor.names("supply")
            one = {"channel": names[end], "supply": _in_log(log, supply) if supply else None}
            update[end] = section.model_copy(update={"sensor": section.sensor.model_copy(update=one)})
    keys = {key: value for key, value in names.items() if key in Channels.model_fields}
    update["channels"] = Channels.model_validate({**bike.channels.model_dump(), **keys})
    return bike.model_copy(update=update)


def settled(bike: Bike, log: RawLog) -> tuple[Bike, RawLog]:
    """Bike file with the columns to use, and the log with a note on each that the file does not name so.

    Of several names the log's one is taken. A lap-number column that pulses becomes the beacon, and the other way
    about. A column of certain meaning is used where the named one is missing; not for travel, since sensor points
    belong to one column.
    """
    bike, notes = right_signals(with_columns(bike, log, {}), log)
    sure = sure_columns(bike, log)
    if sure:
        before, bike = bike, with_columns(bike, log, {proposal.meaning: proposal.column for proposal in sure})
        notes = (*notes, _sure_note(sure, named_columns(before, log)))
    return bike, replace(log, notes=(*log.notes, *notes)) if notes else log


def sure_columns(bike: Bike, log: RawLog) -> tuple[Proposal, ...]:
    """Columns of which it is sure what they mean, for the keys of [channels] of which the bike file finds none."""
    names = named_columns(bike, log)
    known = {key: column for key, name in names.items() if (column := log.called(name)) is not None}
    left_out = {key for key in KEYS if getattr(bike.channels, key) == ""}
    if bike.channels.rate_hz is not None:
        left_out.add("time")  # who states a rate says that the log has none
    return tuple(
        proposal
        for proposal in propose(log, known)
        if proposal.sure and proposal.meaning in KEYS and proposal.meaning not in left_out
    )


def right_signals(bike: Bike, log: RawLog) -> tuple[Bike, tuple[QualityNote, ...]]:
    """The bike file with lap counter and beacon as what they do, and notes on what was put right or is of no use."""
    names = named_columns(bike, log)
    signals = {key: log.called(names[key]) for key in ("lap", "beacon") if key in names}
    columns = {key: column for key, column in signals.items() if column is not None}
    does = describe(log, tuple(columns.values())) if columns else {}
    notes, update = [], dict[str, str]()
    for key, column in columns.items():
        if (behaviour := does.get(column)) is None:
            continue  # without a number: said where the channel is read
        other = "beacon" if key == "lap" else "lap"
        turned = behaviour.pulses if key == "lap" else behaviour.counts and not behaviour.pulses
        if turned:
            update[key] = ""
            if other not in columns:
                update[other] = column
            notes.append(_turned_note(key, other, column, behaviour, used=other not in columns))
        elif (words := _of_no_use(key, behaviour)) is not None:
            update[key] = ""
            notes.append(_no_use_note(key, column, words))
    return (with_columns(bike, log, update) if update else bike), tuple(notes)


def _of_no_use(key: str, does: Behaviour) -> str | None:
    """Why a column can be no lap number or beacon; None where it can."""
    if not does.moves:
        return "never changes"
    if key == "beacon":
        return None
    if not does.whole:
        return "holds numbers that are not whole"
    return None if does.counts else f"rises {does.steps} and falls {does.falls} times"


def _no_use_note(key: str, column: str, words: str) -> QualityNote:
    # standing still is what a counter does in a log of one lap
    severity = "info" if words == "never changes" else "warning"
    message = (
        f"Column {column!r} is said to be {_SAID[key]}, but {words}: laps are sought in the other channels. Check "
        f"{key} in [channels]."
    )
    return QualityNote(severity, "lap_signal_unlike", message, channel=column)  # type: ignore[arg-type]


def _turned_note(key: str, other: str, column: str, does: Behaviour, *, used: bool) -> QualityNote:
    what = (
        f"is a switch that closes {does.steps} times, briefly"
        if key == "lap"
        else f"counts up {does.steps} times"
    )
    done = f"it is used as {_SAID[other]}" if used else f"it is not used; {other} has a column of its own"
    cure = f"Write {other} = {column!r} in [channels]."
    message = f"Column {column!r} is said to be {_SAID[key]}, but {what}: {done}. {cure}"
    return QualityNote("info", "lap_signal_turned", message, channel=column)


def _sure_note(sure: tuple[Proposal, ...], named: Mapping[str, str]) -> QualityNote:
    def told(proposal: Proposal) -> str:
        other = f" (not {named[proposal.meaning]!r})" if proposal.meaning in named else ""
        return f"{proposal.meaning} {proposal.column!r}{other}"

    message = (
        "Used though the bike file does not name them so, being sure by name, unit and behaviour: "
        f'{", ".join(map(told, sure))}. To leave one out, say --channels KEY= or write KEY = "" in [channels].'
    )
    return QualityNote("info", "columns_found", message)


def positions_deg(bike: Bike, log: RawLog) -> tuple[FloatArray, FloatArray] | None:
    """Latitude and longitude of rows of a log that have both, of a long log not of all; None where it has none. [deg]

    Parameters
    ----------
    bike : Bike
        After `with_columns`.

    Returns
    -------
    latitude, longitude : ndarray of shape (n_fixes,)
    """
    names = named_columns(bike, log)
    if not {"latitude", "longitude"} <= names.keys():
        names = named_columns(settled(bike, log)[0], log)
    values = []
    for key in ("latitude", "longitude"):
        column = log.called(names.get(key, ""))
        if column is None:
            return None
        some = log.column(column)[:: max(1, log.n_rows // MOST_FIXES)]
        unit = find_unit(log.units.get(column, ""))
        values.append(to_unit(some, unit.symbol, "deg") if unit and unit.quantity == "angle" else some)
    latitude, longitude = values
    # GPS without a fix writes 0 or nonsense
    good = (latitude != 0) & (longitude != 0) & (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    return (latitude[good], longitude[good]) if np.count_nonzero(good) > 1 else None


@contextmanager
def telling_columns(bike: Bike, log: RawLog) -> Iterator[None]:
    """Where the log has not the columns that the bike file names: say how to find which is which.

    Parameters
    ----------
    bike : Bike
        After `with_columns`.

    Raises
    ------
    ChannelError
        The one that was raised inside, with more words.
    """
    try:
        yield
    except ChannelError as error:
        needed = (name for key, name in named_columns(bike, log).items() if key in ("time", *ENDS))
        if all(log.called(name) for name in needed):
            raise
        raise ChannelError(
            f"{error} `bothends check` shows what each column looks like; say which is which with --channels."
        ) from None


@dataclass(frozen=True)
class Ground:
    """Start line and circuit, as `telemetry.review.review` takes them."""

    start_line: tuple[float, float] | None = None
    circuit: Circuit | None = None


def ground_of(
    log: RawLog, bike: Bike, line: tuple[float, float] | None = None, circuit: Circuit | None = None
) -> Ground:
    """The line and circuit given; otherwise the circuit stored at the position of the log.

    Parameters
    ----------
    line : tuple of float, optional
        Latitude and longitude of the middle of the start line. A kept circuit with this very line is used, for the
        names of its corners; one with another line is not. [deg]
    circuit : Circuit, optional
        From a file; it comes first.
    """
    if circuit is not None:
        return Ground(line, circuit)
    positions = positions_deg(bike, log)
    known = None if positions is None else known_circuit(*positions)
    if known is None or (line is not None and not is_line_of(known, line)):
        return Ground(line)
    return Ground(None, known)
