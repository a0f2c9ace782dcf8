"""``bothends compare``: two runs over their laps."""

import argparse

from telemetry.cli.output import console, working, write_text
from telemetry.report import print_comparison
from telemetry.setup import SetupSheet, comparison_to_json, load_sheet
from telemetry.setup import compare as compare_summaries
from telemetry.summary import Summary

Side = tuple[Summary, SetupSheet | None]


def compare(arguments: argparse.Namespace) -> None:
    """Compare two runs of a logbook, or two logs."""
    from_logs = (arguments.bike_b, arguments.setup_a, arguments.setup_b)
    if arguments.logbook and any(from_logs):
        arguments.parser.error("--bike-b, --setup-a and --setup-b are for logs; a logbook knows its own")
    with working("Comparing"):
        (a, sheet_a), (b, sheet_b) = _from_logbook(arguments) if arguments.logbook else _from_logs(arguments)
        result = compare_summaries(a, b, sheet_a, sheet_b)
        inputs = (arguments.a, arguments.b, arguments.bike, *from_logs)
        write_text(arguments.json, comparison_to_json(result), inputs=inputs)
    print_comparison(result, console())


def _from_logbook(arguments: argparse.Namespace) -> tuple[Side, Side]:
    from telemetry.logbook import Logbook

    logbook = Logbook(arguments.logbook, create=False)
    a, b = (logbook.find(name).run_id for name in (arguments.a, arguments.b))
    return (logbook.summary(a), logbook.sheet(a)), (logbook.summary(b), logbook.sheet(b))


def _from_logs(arguments: argparse.Namespace) -> tuple[Side, Side]:
    from telemetry.bike import load_bike
    from telemetry.logs import read_log
    from telemetry.review import review

    bike_a = load_bike(arguments.bike)
    bike_b = load_bike(arguments.bike_b) if arguments.bike_b else bike_a
    sheets = [load_sheet(path) if path else None for path in (arguments.setup_a, arguments.setup_b)]
    a = review(read_log(arguments.a), bike_a).summary
    b = review(read_log(arguments.b), bike_b).summary
    return (a, sheets[0]), (b, sheets[1])
