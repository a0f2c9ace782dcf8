"""``bothends bounce``: the bike pushed by hand on its wheels."""

import argparse
from collections.abc import Mapping

from telemetry.balance import BounceTest, bounce_to_json
from telemetry.bike import Bike, load_bike
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.output import console, working, write_page, write_text
from telemetry.logs import read_log
from telemetry.notes import QualityNote
from telemetry.report import print_bounce
from telemetry.review import pushes_of


def bounce(arguments: argparse.Namespace) -> None:
    """Read the pushes, write the requested files, print the verdict."""
    with working("Reading the pushes"):
        result, notes = bounce_of(arguments.log, load_bike(arguments.bike), arguments.channels)
        inputs = (arguments.log, arguments.bike)
        write_text(arguments.json, bounce_to_json(result), inputs=inputs)
        if arguments.html:
            from telemetry.report import bounce_html

            write_page(arguments, arguments.html, bounce_html(result, notes), inputs)
    print_bounce(result, notes, console(arguments))


def bounce_of(
    path: str, bike: Bike, channels: Mapping[str, str]
) -> tuple[BounceTest, tuple[QualityNote, ...]]:
    """The bounce test of a log, and notes on the log; what was confirmed of its columns is kept."""
    log = read_log(path)
    found = pushes_of(log, with_channels(bike, log, channels))
    keep(log, channels)
    return found
