"""Which column means what: ``--channels``, then the bike file, then what was confirmed for logs of this shape."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from telemetry.cli.output import say
from telemetry.logs import MEANINGS, Proposal, RawLog, propose, recall, remember

if TYPE_CHECKING:
    from telemetry.bike import Bike

GIVEN = "as --channels says"
REMEMBERED = "confirmed before, for a log with the same columns"
BIKE_FILE = "named in the bike file"


def meanings(log: RawLog, given: Mapping[str, str], bike: "Bike | None") -> tuple[Proposal, ...]:
    """Meaning of each column, and why: ``--channels`` and what was confirmed before come before what is only likely."""
    likely = {proposal.meaning: proposal for proposal in propose(log)}
    known = recall(log)
    if bike is None:
        said = {meaning: (column, REMEMBERED) for meaning, column in known.items()}
        left_out = set[str]()
    else:
        from telemetry.review import KEYS, named_columns, right_signals

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


def with_channels(bike: "Bike", log: RawLog, given: Mapping[str, str]) -> "Bike":
    """The bike file with the columns of this log; prints what was confirmed before.

    ``--channels`` comes first; then names of the bike file that the log has; then what was confirmed for a log of the
    same shape. Raises `ChannelError` as `telemetry.review.with_columns`.
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
