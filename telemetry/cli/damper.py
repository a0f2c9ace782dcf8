"""``bothends damper``: is the damping back after a service, and what has a damper been through."""

import argparse
import json
from dataclasses import asdict

from telemetry.cli.compare import from_logbook, from_logs
from telemetry.cli.output import check_outputs, console, working, write_text
from telemetry.report import bounce_damper_document, damper_document, history_document, print_document
from telemetry.setup import (
    bounce_comparison_to_json,
    compare_bounce,
    compare_damper,
    damper_comparison_to_json,
)

HISTORY_SCHEMA = "bothends.damper-history/1"


def damper(arguments: argparse.Namespace) -> None:
    """Compare one damper over two outings, or list the outings of one."""
    which = arguments.which
    if len(which) > 2 or (len(which) == 1 and not arguments.logbook):
        arguments.parser.error("give two outings (A B), or with --logbook the id of one damper")
    if arguments.logbook and any((arguments.bike_b, arguments.channels, arguments.line, arguments.circuit)):
        arguments.parser.error(
            "--bike-b, --channels, --line and --circuit are for logs; a logbook knows its own"
        )
    inputs = (*which, arguments.bike, arguments.bike_b)
    check_outputs(arguments.json, inputs=inputs)
    if arguments.bounce:
        if len(which) != 2 or arguments.logbook:
            arguments.parser.error("--bounce compares two logs of a bike pushed by hand: A B with --bike")
        _by_hand(arguments, inputs)
        return
    if len(which) == 1:
        _history(arguments)
        return
    arguments.a, arguments.b = which
    arguments.setup_a = arguments.setup_b = None
    with working("Comparing"):
        a, b = from_logbook(arguments) if arguments.logbook else from_logs(arguments)
        result = compare_damper(a.summary, b.summary, arguments.end)
        write_text(arguments.json, damper_comparison_to_json(result), inputs=inputs)
    print_document(damper_document(result), console(arguments))


def _by_hand(arguments: argparse.Namespace, inputs: tuple[str | None, ...]) -> None:
    from telemetry.bike import load_bike
    from telemetry.cli.bounce import bounce_of
    from telemetry.report import print_section, quality_section

    bikes = (arguments.bike, arguments.bike_b or arguments.bike)
    with working("Comparing"):
        (a, notes_a), (b, notes_b) = (
            bounce_of(log, load_bike(bike), arguments.channels)
            for log, bike in zip(arguments.which, bikes, strict=True)
        )
        result = compare_bounce(a, b, arguments.end)
        write_text(arguments.json, bounce_comparison_to_json(result), inputs=inputs)
    print_document(bounce_damper_document(result), console(arguments))
    if log := quality_section((*notes_a, *notes_b)):
        print_section(log, console(arguments))


def _history(arguments: argparse.Namespace) -> None:
    from telemetry.logbook import Logbook, history_of_damper

    (name,) = arguments.which
    with working("Reading"):
        runs = history_of_damper(Logbook(arguments.logbook, create=False), name)
    rows = [asdict(run) for run in runs]
    write_text(arguments.json, json.dumps({"schema": HISTORY_SCHEMA, "damper": name, "runs": rows}, indent=1))
    print_document(history_document(name, runs), console(arguments))
