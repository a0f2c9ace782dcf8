"""``bothends stand``: the bike at the stand, before and after a change."""

import argparse

from telemetry.bike import load_bike
from telemetry.cli.output import console, working, write_page, write_text
from telemetry.errors import BothEndsError
from telemetry.report import print_stand
from telemetry.stand import at_stand, parse_change, stand_to_json


def stand(arguments: argparse.Namespace) -> None:
    """Compute the effects of changes, write the requested files, print them."""
    changes = [parse_change(text) for text in arguments.change]
    with working("Computing"):
        result = at_stand(
            load_bike(arguments.bike),
            changes,
            targets=_numbers(arguments.target, "--target"),
            measured=_numbers(arguments.measured, "--measured"),
        )
        inputs = (arguments.bike,)
        write_text(arguments.json, stand_to_json(result.stand), inputs=inputs)
        if arguments.plot:
            from telemetry.report import stand_html

            write_page(arguments, arguments.plot, stand_html(result), inputs)
    print_stand(result.stand, console(arguments))


def _numbers(texts: list[str], option: str) -> dict[str, float]:
    """``KEY=NUMBER`` options as a dictionary."""
    found = {}
    for text in texts:
        change = parse_change(text)
        if isinstance(change.value, str):
            raise BothEndsError(f"{option} {text}: needs a number after the =, such as rear.rider_sag_mm=30.")
        found[change.key] = change.value
    return found
