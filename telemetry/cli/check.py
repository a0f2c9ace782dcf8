"""``bothends check``: what a log holds."""

import argparse

from telemetry.bike import load_bike
from telemetry.cli.output import console, working, write_text
from telemetry.errors import BothEndsError
from telemetry.logs import read_log
from telemetry.report.check import check_log, check_to_json, print_check
from telemetry.review import review


def check(arguments: argparse.Namespace) -> None:
    """Print columns and faults, and with a bike file what can be judged."""
    bike = load_bike(arguments.bike) if arguments.bike else None
    with working("Checking"):
        log = read_log(arguments.log)
        refusal, summary = None, None
        if bike:
            try:
                summary = review(log, bike).summary
            except BothEndsError as error:  # the columns are shown first: they say what to put right
                refusal = error
        result = check_log(log, time_column=bike.channels.time if bike else None, review=summary)
        write_text(arguments.json, check_to_json(result), inputs=(arguments.log, arguments.bike))
    print_check(result, console())
    if refusal is not None:
        raise refusal
