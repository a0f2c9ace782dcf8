"""The circuit and the start line: ``--line`` and ``--circuit``, then what is kept for the place of the log."""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from rich.text import Text

from telemetry.bike import Bike
from telemetry.cli.output import console
from telemetry.errors import BothEndsError
from telemetry.laps import Track, keep_circuit, load_circuit
from telemetry.logs import RawLog
from telemetry.plaintext import plain
from telemetry.review import Ground, telling_columns
from telemetry.review import ground_of as find_ground

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
    from telemetry.bike import load_bike
    from telemetry.cli.channels import with_channels
    from telemetry.logs import read_log
    from telemetry.review import measure

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
