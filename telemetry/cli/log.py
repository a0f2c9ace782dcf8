"""Commands on one log or two: ``review``, ``check``, ``bounce``, ``compare``, ``damper``."""

import argparse
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from functools import partial
from typing import NamedTuple

from telemetry.arrays import ENDS
from telemetry.balance import BounceTest, bounce_to_json
from telemetry.bike import Bike, load_bike
from telemetry.cli.inputs import given_cut, keep, keep_ground, on_ground, with_channels
from telemetry.cli.output import (
    check_outputs,
    console,
    say,
    working,
    write_debrief,
    write_file,
    write_text,
)
from telemetry.errors import BothEndsError
from telemetry.laps import circuit_text
from telemetry.logs import RawLog, read_log, with_rate
from telemetry.notes import QualityNote
from telemetry.prediction import Expected
from telemetry.report import (
    WANTED,
    bounce_damper_document,
    bounce_document,
    bounce_html,
    check_log,
    check_to_json,
    damper_document,
    debrief_html,
    history_document,
    print_check,
    print_comparison,
    print_document,
    print_review,
    print_section,
    quality_section,
)
from telemetry.review import Measured, Review, column_meanings, measure, pushes_of
from telemetry.review import review as review_log
from telemetry.setup import (
    COLUMNS,
    Outing,
    SetupSheet,
    bounce_comparison_to_json,
    compare_bounce,
    compare_damper,
    comparison_to_json,
    damper_comparison_to_json,
    load_sheet,
    repeats,
)
from telemetry.setup import compare as compare_summaries
from telemetry.summary import Summary, Traces, summary_to_json, write_traces


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
                units=arguments.units,
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


def check(arguments: argparse.Namespace) -> None:
    """Print columns and faults, and with a bike file what can be judged."""
    if (arguments.line or arguments.circuit) and not arguments.bike:
        arguments.parser.error(
            "--line and --circuit count laps, which takes a bike file; give it with --bike"
        )
    bike = load_bike(arguments.bike) if arguments.bike else None
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


def _with_stated_rate(log: RawLog, given: Mapping[str, str], bike: Bike | None) -> RawLog:
    if bike is not None:
        rate_hz = bike.channels.rate_hz
        return log if rate_hz is None else with_rate(log, rate_hz, bike.channels.time)
    return with_rate(log, float(given["rate_hz"])) if "rate_hz" in given else log


def bounce(arguments: argparse.Namespace) -> None:
    """Read the pushes, write the requested files, print the verdict."""
    with working("Reading the pushes"):
        result, notes = bounce_of(arguments.log, load_bike(arguments.bike), arguments.channels)
        inputs = (arguments.log, arguments.bike)
        write_text(arguments.json, bounce_to_json(result), inputs=inputs)
        if arguments.html:
            write_text(arguments.html, bounce_html(result, notes, arguments.units), inputs=inputs)
    print_document(bounce_document(result, notes), console(arguments))


def bounce_of(
    path: str, bike: Bike, channels: Mapping[str, str]
) -> tuple[BounceTest, tuple[QualityNote, ...]]:
    """The bounce test of a log, and notes on the log; what was confirmed of its columns is kept."""
    log = read_log(path)
    found = pushes_of(log, with_channels(bike, log, channels))
    keep(log, channels)
    return found


class Side(NamedTuple):
    """One run of a comparison; ``traces`` reads its traces when they are needed."""

    summary: Summary
    sheet: SetupSheet | None
    traces: Callable[[], Traces]


def compare(arguments: argparse.Namespace) -> None:
    """Compare two runs of a logbook, or two logs."""
    of_logs = (arguments.bike_b, arguments.setup_a, arguments.setup_b)
    if arguments.logbook and any((*of_logs, arguments.channels, arguments.line, arguments.circuit)):
        arguments.parser.error(
            "--bike-b, --setup-a, --setup-b, --channels, --line and --circuit are for logs; a logbook knows its own"
        )
    inputs = (arguments.a, arguments.b, arguments.bike, arguments.circuit, *of_logs)
    check_outputs(arguments.json, inputs=inputs)
    with working("Comparing"):
        a, b = from_logbook(arguments) if arguments.logbook else from_logs(arguments)
        result = compare_summaries(
            a.summary,
            b.summary,
            a.sheet,
            b.sheet,
            repeats=repeats(a.summary, _outings_of(arguments, a.summary.run.bike)),
            traces=(a.traces, b.traces),
        )
        write_text(arguments.json, comparison_to_json(result), inputs=inputs)
    print_comparison(result, console(arguments))


def _outings_of(arguments: argparse.Namespace, bike: str) -> tuple[Outing, ...]:
    """All outings of a bike in the logbook."""
    from telemetry.logbook import Logbook, outings_of

    if not arguments.logbook:
        return ()
    logbook = Logbook(arguments.logbook, create=False)
    return outings_of(bike, logbook.runs(), logbook.summary, logbook.sheet)


def from_logbook(arguments: argparse.Namespace) -> tuple[Side, Side]:
    """Two runs of a logbook with their setup sheets."""
    from telemetry.logbook import Logbook

    logbook = Logbook(arguments.logbook, create=False)
    before, after = (
        Side(logbook.summary(run), logbook.sheet(run), partial(logbook.traces, run, COLUMNS))
        for run in (logbook.find(name).run_id for name in (arguments.a, arguments.b))
    )
    return before, after


def from_logs(arguments: argparse.Namespace) -> tuple[Side, Side]:
    """Two logs, reviewed, with their setup sheets."""

    def side_of(path: str, bike: Bike, sheet: SetupSheet | None) -> Side:
        log = read_log(path)
        bike = with_channels(bike, log, arguments.channels)
        result, ground = on_ground(arguments, log, bike, review_log)
        keep(log, arguments.channels)
        keep_ground(arguments, ground, result.track)
        return Side(result.summary, sheet, lambda: result.traces)

    bike_a = load_bike(arguments.bike)
    bike_b = load_bike(arguments.bike_b) if arguments.bike_b else bike_a
    sheet_a, sheet_b = (load_sheet(path) if path else None for path in (arguments.setup_a, arguments.setup_b))
    return side_of(arguments.a, bike_a, sheet_a), side_of(arguments.b, bike_b, sheet_b)


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
