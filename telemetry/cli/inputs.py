"""What several commands are given: columns, circuit and start line, the part of the log that counts."""

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from rich.text import Text

from telemetry.bike import Bike, load_bike
from telemetry.cli.output import console, say
from telemetry.errors import BothEndsError
from telemetry.laps import Track, keep_circuit, load_circuit
from telemetry.logs import RawLog, read_log, recall, remember
from telemetry.plaintext import plain
from telemetry.review import Cut, Ground, confirmed_columns, measure, telling_columns, with_columns
from telemetry.review import ground_of as find_ground


def with_channels(bike: Bike, log: RawLog, given: Mapping[str, str]) -> Bike:
    """Bike file with this log's columns: ``--channels``, else its own names, else those confirmed for such a log.

    Prints what was confirmed before; raises `ChannelError` as `telemetry.review.with_columns`.
    """
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


Result = TypeVar("Result")


def ground_of(arguments: argparse.Namespace, log: RawLog, bike: Bike) -> Ground:
    """Circuit from ``--line`` and ``--circuit``; otherwise the one kept for the place of the log."""
    given = load_circuit(arguments.circuit) if arguments.circuit else None
    return find_ground(log, bike, arguments.line, given)


def on_ground(
    arguments: argparse.Namespace, log: RawLog, bike: Bike, work: Callable[..., Result]
) -> tuple[Result, Ground]:
    """Result of ``work(log, bike, start_line=..., circuit=...)``, and the ground; an error also names the columns."""
    with telling_columns(bike, log):
        ground = ground_of(arguments, log, bike)
        return work(log, bike, start_line=ground.start_line, circuit=ground.circuit), ground


def keep_ground(arguments: argparse.Namespace, ground: Ground, track: Track) -> Path | None:
    """Keep the circuit for its place if its line was given, and print the file; returns it, None if not kept."""
    circuit = track.circuit
    if circuit is None or circuit.kept_in:
        return Path(circuit.kept_in) if circuit is not None else None
    said = circuit is ground.circuit if arguments.circuit else arguments.line is not None
    if not said or (not arguments.circuit and track.lap_source != "gps line"):
        return None
    path = keep_circuit(circuit)
    if path is not None:
        words = f"The circuit and its line are kept for the next log at this place, in {path}"
        console().print(Text(plain(words)), soft_wrap=True)
    return path


def circuit_path_of(arguments: argparse.Namespace, log_path: str) -> str | Path | None:
    """Circuit file to keep a run with: ``--circuit``, or made by ``--line``; `BothEndsError` without a complete lap."""
    if arguments.circuit or arguments.line is None:
        return arguments.circuit  # type: ignore[no-any-return]
    log = read_log(log_path)
    bike = with_channels(load_bike(arguments.bike), log, arguments.channels)
    with telling_columns(bike, log):
        ground = ground_of(arguments, log, bike)
        if ground.circuit is not None:
            return Path(ground.circuit.kept_in)
        track = measure(log, bike, start_line=ground.start_line).track
    path = keep_ground(arguments, ground, track)
    if path is None:
        raise BothEndsError(
            f"{log_path}: --line: there is no complete lap over this line, or no place to keep it "
            f"(BOTHENDS_CONFIG names one); without --line the log is kept with the laps it shows itself."
        )
    return path


def given_cut(arguments: argparse.Namespace) -> Cut:
    """Part of the log to review, from the options."""
    if None not in (arguments.from_s, arguments.to_s) and arguments.from_s >= arguments.to_s:
        arguments.parser.error("--to must be later than --from")
    return Cut(arguments.from_s, arguments.to_s, arguments.leave_out)
