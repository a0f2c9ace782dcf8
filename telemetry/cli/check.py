"""``bothends check``: what a log holds."""

import argparse
from typing import TYPE_CHECKING

from telemetry.cli.channels import keep, meanings, with_channels
from telemetry.cli.output import console, working, write_text
from telemetry.errors import BothEndsError
from telemetry.logs import read_log, with_rate
from telemetry.report.check import check_log, check_to_json, print_check

if TYPE_CHECKING:
    from telemetry.bike import Bike


def check(arguments: argparse.Namespace) -> None:
    """Print columns and faults, and with a bike file what can be judged."""
    bike = _load(arguments.bike) if arguments.bike else None
    with working("Checking"):
        log = read_log(arguments.log)
        refusal, measured = None, None
        given = arguments.channels
        bike = with_channels(bike, log, given) if bike else None
        if rate := given.get("rate_hz"):
            log = with_rate(log, float(rate))
        if bike:
            try:
                from telemetry.columns import telling_columns
                from telemetry.review import measure  # not needed to look at a log alone

                with telling_columns(bike, log):
                    measured = measure(log, bike)
            except BothEndsError as error:  # the columns are shown first: they say what to put right
                refusal = error
        result = check_log(log, meanings=meanings(log, given, bike), measured=measured)
        write_text(arguments.json, check_to_json(result), inputs=(arguments.log, arguments.bike))
    keep(log, given)
    print_check(result, console())
    if refusal is not None:
        raise refusal


def _load(path: str) -> "Bike":
    from telemetry.bike import load_bike

    return load_bike(path)
