"""``bothends review``: one log."""

import argparse

from telemetry.bike import load_bike
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.output import console, working, write_file, write_text
from telemetry.columns import telling_columns
from telemetry.logs import read_log
from telemetry.report import debrief_html, print_review
from telemetry.review import review as review_log
from telemetry.setup import load_sheet
from telemetry.summary import summary_to_json, write_traces


def review(arguments: argparse.Namespace) -> None:
    """Review one log, write what was asked for, print the debrief."""
    bike = load_bike(arguments.bike)
    sheet = load_sheet(arguments.setup) if arguments.setup else None
    with working("Reviewing"):
        log = read_log(arguments.log)
        bike = with_channels(bike, log, arguments.channels)
        with telling_columns(bike, log):
            result = review_log(log, bike, start_line=arguments.line)
        inputs = (arguments.log, arguments.bike, arguments.setup)
        write_text(arguments.json, summary_to_json(result.summary), inputs=inputs)
        if arguments.traces:
            write_file(arguments.traces, lambda part: write_traces(result.traces, part), inputs=inputs)
        if arguments.html:
            write_text(
                arguments.html, debrief_html(result.summary, result.traces, sheet=sheet), inputs=inputs
            )
    keep(log, arguments.channels)
    print_review(result.summary, console(), sheet=sheet)
