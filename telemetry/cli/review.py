"""``bothends review``: one log."""

import argparse
from functools import partial

from telemetry.bike import Bike, load_bike
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.circuits import keep_ground, on_ground
from telemetry.cli.cut import given_cut
from telemetry.cli.output import check_outputs, console, say, working, write_debrief, write_file, write_text
from telemetry.laps import circuit_text
from telemetry.logs import read_log
from telemetry.prediction import Expected
from telemetry.report import debrief_html, print_review
from telemetry.review import Measured, Review
from telemetry.review import review as review_log
from telemetry.setup import load_sheet
from telemetry.summary import Summary, summary_to_json, write_traces


def review(arguments: argparse.Namespace) -> None:
    """Review one log, write the requested files, print the debrief."""
    inputs = (arguments.log, arguments.bike, arguments.setup, arguments.circuit)
    check_outputs(
        arguments.json, arguments.traces, arguments.html, arguments.pdf, arguments.save_circuit, inputs=inputs
    )
    bike = load_bike(arguments.bike)
    sheet = load_sheet(arguments.setup) if arguments.setup else None
    with working("Reviewing"):
        log = read_log(arguments.log)
        bike = with_channels(bike, log, arguments.channels)
        result, ground = on_ground(
            arguments, log, bike, partial(review_log, cut=given_cut(arguments), last_use=True)
        )
        summary, expected = result.summary, None
        if arguments.amounts or arguments.html or arguments.pdf:
            summary, expected = _with_amounts(result, bike)
        write_text(arguments.json, summary_to_json(summary), inputs=inputs)
        if arguments.save_circuit and result.track.circuit is not None:
            write_text(arguments.save_circuit, circuit_text(result.track.circuit), inputs=inputs)
        if arguments.traces:
            write_file(arguments.traces, lambda part: write_traces(result.traces, part), inputs=inputs)
        write_debrief(
            arguments,
            lambda: debrief_html(
                summary,
                result.traces,
                sheet=sheet,
                expected=expected,
                appendix=arguments.appendix,
                paper=arguments.paper,
            ),
            inputs,
        )
    keep(log, arguments.channels)
    keep_ground(arguments, ground, result.track)
    if arguments.save_circuit and result.track.circuit is None:
        say(f"{arguments.save_circuit}: not written, since the log holds no complete lap of the circuit.")
    print_review(summary, console(arguments), sheet=sheet)


def _with_amounts(result: Review, bike: Bike) -> tuple[Summary, Expected | None]:
    """The review with what the steps it advises are expected to do on its laps."""
    from telemetry.prediction import with_amounts  # compiles; a review that does not ask for it does without

    summary = result.summary
    measured = Measured(result.run, result.motion, result.track, summary.quality)
    return with_amounts(measured, bike, summary)
