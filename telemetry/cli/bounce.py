"""``bothends bounce``: the bike pushed by hand on its wheels."""

import argparse

from telemetry.balance.bounce import bounce_test, bounce_to_json
from telemetry.bike import Bike, load_bike
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.output import console, working, write_text
from telemetry.columns import KEYS, telling_columns
from telemetry.logs import read_log
from telemetry.report.bounce import print_bounce
from telemetry.review import motion_of


def bounce(arguments: argparse.Namespace) -> None:
    """Read the pushes, write what was asked for, print the verdict."""
    bike = load_bike(arguments.bike)
    with working("Reading the pushes"):
        log = read_log(arguments.log)
        bike = _travel_only(with_channels(bike, log, arguments.channels))
        with telling_columns(bike, log):
            run, motion = motion_of(log, bike)
        result = bounce_test(motion, bike.name)
        notes = (*run.notes, *motion.notes)
        inputs = (arguments.log, arguments.bike)
        write_text(arguments.json, bounce_to_json(result), inputs=inputs)
        if arguments.html:
            from telemetry.report.bounce_page import bounce_html

            write_text(arguments.html, bounce_html(result, notes), inputs=inputs)
    keep(log, arguments.channels)
    print_bounce(result, notes, console())


def _travel_only(bike: Bike) -> Bike:
    """The bike file without the columns of riding: a bike on the stand logs no speed."""
    none = dict.fromkeys((key for key in KEYS if key != "time"), "")
    channels = bike.channels.model_copy(update=none)
    return bike.model_copy(update={"channels": channels})
