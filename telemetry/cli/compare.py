"""``bothends compare``: two runs over their laps."""

import argparse
from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from telemetry.cli.channels import keep, with_channels
from telemetry.cli.output import check_outputs, console, working, write_text
from telemetry.report import print_comparison
from telemetry.setup import COLUMNS, Outing, SetupSheet, comparison_to_json, load_sheet, repeats
from telemetry.setup import compare as compare_summaries
from telemetry.summary import Summary, Traces


class Side(NamedTuple):
    """One run of a comparison; ``traces`` reads its traces when they are needed."""

    summary: Summary
    sheet: SetupSheet | None
    traces: Callable[[], Traces]


def compare(arguments: argparse.Namespace) -> None:
    """Compare two runs of a logbook, or two logs."""
    of_logs = (arguments.bike_b, arguments.setup_a, arguments.setup_b)
    if arguments.logbook and any((*of_logs, arguments.channels, arguments.line, arguments.circuit)):
        arguments.parser.error(
            "--bike-b, --setup-a, --setup-b, --channels, --line and --circuit are for logs; a logbook knows its own"
        )
    inputs = (arguments.a, arguments.b, arguments.bike, arguments.circuit, *of_logs)
    check_outputs(arguments.json, inputs=inputs)
    with working("Comparing"):
        a, b = from_logbook(arguments) if arguments.logbook else from_logs(arguments)
        result = compare_summaries(
            a.summary,
            b.summary,
            a.sheet,
            b.sheet,
            repeats=repeats(a.summary, _outings(arguments, a.summary.run.bike)),
            traces=(a.traces, b.traces),
        )
        write_text(arguments.json, comparison_to_json(result), inputs=inputs)
    print_comparison(result, console(arguments))


def _outings(arguments: argparse.Namespace, bike: str) -> tuple[Outing, ...]:
    """All outings of a bike in the logbook."""
    from telemetry.logbook import Logbook, outings_of

    if not arguments.logbook:
        return ()
    logbook = Logbook(arguments.logbook, create=False)
    return outings_of(bike, logbook.runs(), logbook.summary, logbook.sheet)


def from_logbook(arguments: argparse.Namespace) -> tuple[Side, Side]:
    """Two runs of a logbook with their setup sheets."""
    from telemetry.logbook import Logbook

    logbook = Logbook(arguments.logbook, create=False)
    before, after = (
        Side(logbook.summary(run), logbook.sheet(run), partial(logbook.traces, run, COLUMNS))
        for run in (logbook.find(name).run_id for name in (arguments.a, arguments.b))
    )
    return before, after


def from_logs(arguments: argparse.Namespace) -> tuple[Side, Side]:
    """Two logs, reviewed, with their setup sheets."""
    from telemetry.bike import Bike, load_bike
    from telemetry.cli.circuits import keep_ground, on_ground
    from telemetry.logs import read_log
    from telemetry.review import review

    def side_of(path: str, bike: Bike, sheet: SetupSheet | None) -> Side:
        log = read_log(path)
        bike = with_channels(bike, log, arguments.channels)
        result, ground = on_ground(arguments, log, bike, review)
        keep(log, arguments.channels)
        keep_ground(arguments, ground, result.track)
        return Side(result.summary, sheet, lambda: result.traces)

    bike_a = load_bike(arguments.bike)
    bike_b = load_bike(arguments.bike_b) if arguments.bike_b else bike_a
    sheet_a, sheet_b = (load_sheet(path) if path else None for path in (arguments.setup_a, arguments.setup_b))
    return side_of(arguments.a, bike_a, sheet_a), side_of(arguments.b, bike_b, sheet_b)
