"""``bothends batch``: the logs of a day, a line each; a log that cannot be used does not stop the others."""

import argparse
import csv
import json
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from telemetry.bike import Bike, load_bike
from telemetry.cli import NO_MEMORY
from telemetry.cli.channels import with_channels
from telemetry.cli.circuits import circuit_path_of, ground_of, keep_ground
from telemetry.cli.output import check_outputs, console, say, working, write_text
from telemetry.errors import BothEndsError, unexpected
from telemetry.laps import load_circuit
from telemetry.logs import read_log
from telemetry.plaintext import csv_cell, plain
from telemetry.report import print_section, runs_section
from telemetry.review import review as review_log
from telemetry.review import telling_columns
from telemetry.summary import METRICS, Summary, values_of

SCHEMA = "bothends.batch/1"


@dataclass(frozen=True)
class _Outcome:
    """What became of one log: its review, or why there is none."""

    log: str
    summary: Summary | None = None
    error: str = ""


def batch(arguments: argparse.Namespace) -> None:
    """Review every log, keep them where a logbook is named, print a line each; exit code 1 when one cannot be used."""
    inputs = (*arguments.logs, arguments.bike, arguments.circuit)
    check_outputs(arguments.json, arguments.csv, inputs=inputs)
    bike = load_bike(arguments.bike)
    if arguments.circuit:
        load_circuit(arguments.circuit)  # a fault of the file is one of the command, not of every log
    found = []
    for number, log in enumerate(arguments.logs, start=1):
        with working(f"Reviewing {number} of {len(arguments.logs)}, {log}"):
            found.append(_outcome(log, bike, arguments))
        if found[-1].error:
            say(f"bothends: {plain(' '.join(found[-1].error.split()))}")
    write_text(arguments.json, _json_text(found), inputs=inputs)
    write_text(arguments.csv, _csv_text(found), inputs=inputs)
    runs = [(plain(Path(one.log).name), one.summary) for one in found if one.summary is not None]
    if runs:
        print_section(runs_section(runs), console(), heading=False)
    if len(runs) < len(found):
        raise BothEndsError(
            f"{len(found) - len(runs)} of {len(found)} logs could not be used; the lines above say why."
        )


def _outcome(log: str, bike: Bike, arguments: argparse.Namespace) -> _Outcome:
    try:
        if arguments.logbook:
            return _Outcome(log, _kept(log, arguments))
        raw = read_log(log)
        known = with_channels(bike, raw, arguments.channels)
        with telling_columns(known, raw):
            ground = ground_of(arguments, raw, known)
            result = review_log(raw, known, start_line=ground.start_line, circuit=ground.circuit)
        keep_ground(arguments, ground, result.track)
        return _Outcome(log, result.summary)
    except (BothEndsError, OSError) as error:
        return _Outcome(log, error=str(error))
    except MemoryError:
        return _Outcome(log, error=f"{log}: {NO_MEMORY}")
    except Exception as error:  # a fault of ours in one log costs that log, not the day
        return _Outcome(log, error=f"{log}: {unexpected(error)}")


def _kept(log: str, arguments: argparse.Namespace) -> Summary:
    from telemetry.logbook import Logbook

    book = Logbook(arguments.logbook)
    circuit = circuit_path_of(arguments, log)
    return book.summary(book.add(log, arguments.bike, channels=arguments.channels, circuit_path=circuit))


def _json_text(found: list[_Outcome]) -> str:
    runs = [
        {
            "log": plain(one.log),
            "error": plain(one.error) or None,
            "oscillation": None if one.summary is None else one.summary.oscillation.verdict,
            "laps": [] if one.summary is None else [
                {"lap": lap.lap, "complete": lap.complete, **values_of(lap)} for lap in one.summary.laps
            ],
        }
        for one in found
    ]  # fmt: skip
    return json.dumps({"schema": SCHEMA, "runs": runs}, indent=1)


def _csv_text(found: list[_Outcome]) -> str:
    """One row a lap, the same numbers as `compare` takes; empty where one is not known."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("log", "lap", "complete", *(metric.key for metric in METRICS)))
    for one in found:
        for lap in one.summary.laps if one.summary else ():
            writer.writerow((csv_cell(plain(one.log)), lap.lap, lap.complete, *values_of(lap).values()))
    return text.getvalue()
