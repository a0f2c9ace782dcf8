"""``bothends try``: the laps of a log with a changed set-up."""

import argparse
from dataclasses import replace

from telemetry.bike import Bike, load_bike
from telemetry.cli.channels import keep, with_channels
from telemetry.cli.circuits import on_ground
from telemetry.cli.output import check_outputs, console, working, write_page, write_text
from telemetry.damping import find_oscillation
from telemetry.errors import BothEndsError
from telemetry.logs import read_log
from telemetry.prediction import Laps, at_corner, parse_wish, prediction_to_json, prepare, reach, steps
from telemetry.prediction import predict as predict_change
from telemetry.report import print_prediction
from telemetry.review import Measured, measure
from telemetry.stand import parse_change


def predict(arguments: argparse.Namespace) -> None:
    """Simulate the laps with the change, write the requested files, print the result."""
    if not (arguments.change or arguments.want or arguments.steps):
        arguments.parser.error("needs --change KEY=+STEP, --want KEY=VALUE or --steps; see --help")
    inputs = (arguments.log, arguments.bike)
    check_outputs(arguments.json, arguments.plot, inputs=inputs)
    changes = [parse_change(text) for text in arguments.change]
    wanted = [parse_wish(text) for text in arguments.want]
    with working("Riding the laps again"):
        laps = laps_of(arguments)
        if arguments.corner is not None:
            laps = at_corner(laps, arguments.corner)
        tried = predict_change(laps, changes)
        prediction = replace(
            tried.prediction,
            wishes=tuple(reach(laps, key, value, arguments.only) for key, value in wanted),
            steps=steps(laps, arguments.only) if arguments.steps else (),
        )
        write_text(arguments.json, prediction_to_json(prediction), inputs=inputs)
        if arguments.plot:
            from telemetry.report import prediction_html

            page = prediction_html(replace(tried, prediction=prediction))
            write_page(arguments, arguments.plot, page, inputs)
    print_prediction(prediction, console(arguments))


def laps_of(arguments: argparse.Namespace) -> Laps:
    """Laps of a log (with ``logbook``: of a run) for the prediction, by ``bike`` and ``channels`` as given."""
    if arguments.logbook:
        return _stored(arguments)
    if not arguments.bike:
        raise BothEndsError(f"{arguments.log}: needs --bike BIKE.toml, or --logbook DIR for a stored run.")
    bike = load_bike(arguments.bike)
    log = read_log(arguments.log)
    bike = with_channels(bike, log, arguments.channels)
    measured, _ = on_ground(arguments, log, bike, measure)
    keep(log, arguments.channels)
    return _ready(measured, bike)


def _stored(arguments: argparse.Namespace) -> Laps:
    """A run of a logbook, with the bike file it was kept with or the one that is given."""
    from telemetry.logbook import Logbook

    book = Logbook(arguments.logbook, create=False)
    run_id = book.find(arguments.log).run_id
    given = load_bike(arguments.bike) if arguments.bike else None
    measured, bike = book.measured(run_id, given)
    return prepare(measured, bike, book.summary(run_id).oscillation)


def _ready(measured: Measured, bike: Bike) -> Laps:
    return prepare(measured, bike, find_oscillation(measured.motion, measured.track, bike))
