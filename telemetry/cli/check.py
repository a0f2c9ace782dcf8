"""``bothends check``: what a log holds."""

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING

from telemetry.arrays import ENDS
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.output import console, working, write_text
from telemetry.errors import BothEndsError
from telemetry.logs import RawLog, read_log, with_rate
from telemetry.report import WANTED, check_log, check_to_json, print_check
from telemetry.review import column_meanings

if TYPE_CHECKING:
    from telemetry.bike import Bike


def check(arguments: argparse.Namespace) -> None:
    """Print columns and faults, and with a bike file what can be judged."""
    if (arguments.line or arguments.circuit) and not arguments.bike:
        arguments.parser.error(
            "--line and --circuit count laps, which takes a bike file; give it with --bike"
        )
    bike = _load(arguments.bike) if arguments.bike else None
    with working("Checking"):
        log = read_log(arguments.log)
        refusal, measured = None, None
        given = arguments.channels
        bike = with_channels(bike, log, given) if bike else None
        wanted: tuple[str, ...] = WANTED
        if bike:
            wanted = ("time", *(end for end in ENDS if bike.end(end).sensor is not None))
        log = _with_stated_rate(log, given, bike)
        if bike:
            try:
                from telemetry.cli.circuits import keep_ground, on_ground
                from telemetry.review import measure

                measured, ground = on_ground(arguments, log, bike, measure)
                keep_ground(arguments, ground, measured.track)
            except BothEndsError as error:  # the columns are shown first: they say what to put right
                refusal = error
        result = check_log(log, meanings=column_meanings(log, given, bike), measured=measured, wanted=wanted)
        write_text(
            arguments.json, check_to_json(result), inputs=(arguments.log, arguments.bike, arguments.circuit)
        )
    keep(log, given)
    print_check(result, console(arguments), bike_given=bike is not None)
    if refusal is not None:
        raise refusal


def _with_stated_rate(log: RawLog, given: Mapping[str, str], bike: "Bike | None") -> RawLog:
    if bike is not None:
        rate_hz = bike.channels.rate_hz
        return log if rate_hz is None else with_rate(log, rate_hz, bike.channels.time)
    return with_rate(log, float(given["rate_hz"])) if "rate_hz" in given else log


def _load(path: str) -> "Bike":
    from telemetry.bike import load_bike

    return load_bike(path)
