"""Commands on a bike file: ``bike new``, ``stand``, and ``try``, a change ridden on logged laps."""

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.bike import Answer, left_open, load_bike, new_bike_text
from telemetry.cli.inputs import keep, on_ground, with_channels
from telemetry.cli.output import check_outputs, console, say, working, write_text
from telemetry.damping import find_oscillation
from telemetry.errors import BothEndsError
from telemetry.logs import propose, read_log
from telemetry.report import prediction_document, prediction_html, print_document, stand_document, stand_html
from telemetry.review import QUESTIONS, answers_of_log, measure, read_answer
from telemetry.stand import at_stand, parse_change, stand_to_json

if TYPE_CHECKING:
    from telemetry.prediction import Laps

EXISTS = "{}: exists and is left as it is; choose another name."


def new(arguments: argparse.Namespace) -> None:
    """Write a bike file with what a log and a person at the terminal say; never over another file."""
    path = Path(arguments.file)
    if path.exists():
        raise BothEndsError(EXISTS.format(path))
    check_outputs(path, inputs=(arguments.log,))
    answers = _of_log(arguments.log) if arguments.log else {}
    if sys.stdin.isatty() and sys.stderr.isatty():
        answers |= _of_person(answers)
    text = new_bike_text(answers)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:  # since it was looked for
        raise BothEndsError(EXISTS.format(path)) from None
    print(f"{path}  bike file")
    if open_ := left_open(text):
        print(f"Still to be filled in: {', '.join(open_)}")
    print(f"Then: bothends check {arguments.log or 'LOG'} --bike {path}")


def _of_log(path: str) -> dict[str, Answer]:
    with working("Reading"):
        log = read_log(path)
        return answers_of_log(log, propose(log))


def _of_person(known: dict[str, Answer]) -> dict[str, Answer]:
    """Answers typed at the terminal; an empty line leaves a value open, or as the log has it."""
    say("An empty line leaves a value open, to be written into the file later.")
    found = {}
    for question in QUESTIONS:
        key = question.key
        proposed = known[key].value if key in known and known[key].value != '"?"' else ""
        shown = f"{question.words}{f' ({proposed})' if proposed else ''}: "
        while True:
            print(shown, end="", file=sys.stderr, flush=True)
            line = sys.stdin.readline()
            if not line.strip():  # an empty line, or the end of what is typed
                break
            try:
                found[key] = Answer(read_answer(key, line.strip()))
                break
            except ValueError as error:
                say(f"  {error}.")
        if not line:
            break
    return found


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
            write_text(arguments.plot, stand_html(result, arguments.units), inputs=inputs)
    print_document(stand_document(result.stand), console(arguments))


def _numbers(texts: list[str], option: str) -> dict[str, float]:
    """``KEY=NUMBER`` options as a dictionary."""
    found = {}
    for text in texts:
        change = parse_change(text)
        if isinstance(change.value, str):
            raise BothEndsError(f"{option} {text}: needs a number after the =, such as rear.rider_sag_mm=30.")
        found[change.key] = change.value
    return found


def predict(arguments: argparse.Namespace) -> None:
    """Simulate the laps with the change, write the requested files, print the result."""
    from telemetry import prediction as rides  # compiles

    if not (arguments.change or arguments.want or arguments.steps):
        arguments.parser.error("needs --change KEY=+STEP, --want KEY=VALUE or --steps; see --help")
    inputs = (arguments.log, arguments.bike)
    check_outputs(arguments.json, arguments.plot, inputs=inputs)
    changes = [parse_change(text) for text in arguments.change]
    wanted = [rides.parse_wish(text) for text in arguments.want]
    with working("Riding the laps again"):
        laps = laps_of(arguments)
        if arguments.corner is not None:
            laps = rides.at_corner(laps, arguments.corner)
        tried = rides.predict(laps, changes)
        prediction = replace(
            tried.prediction,
            wishes=tuple(rides.reach(laps, key, value, arguments.only) for key, value in wanted),
            steps=rides.steps(laps, arguments.only) if arguments.steps else (),
        )
        write_text(arguments.json, rides.prediction_to_json(prediction), inputs=inputs)
        if arguments.plot:
            page = prediction_html(replace(tried, prediction=prediction), arguments.units)
            write_text(arguments.plot, page, inputs=inputs)
    print_document(prediction_document(prediction), console(arguments))


def laps_of(arguments: argparse.Namespace) -> "Laps":
    """Laps of a log (with ``logbook``: of a run) for the prediction, by ``bike`` and ``channels`` as given."""
    from telemetry.prediction import prepare

    if arguments.logbook:
        from telemetry.logbook import Logbook

        book = Logbook(arguments.logbook, create=False)
        run_id = book.find(arguments.log).run_id
        given = load_bike(arguments.bike) if arguments.bike else None
        measured, bike = book.measured(run_id, given)
        return prepare(measured, bike, book.summary(run_id).oscillation)
    if not arguments.bike:
        raise BothEndsError(f"{arguments.log}: needs --bike BIKE.toml, or --logbook DIR for a stored run.")
    bike = load_bike(arguments.bike)
    log = read_log(arguments.log)
    bike = with_channels(bike, log, arguments.channels)
    measured, _ = on_ground(arguments, log, bike, measure)
    keep(log, arguments.channels)
    return prepare(measured, bike, find_oscillation(measured.motion, measured.track, bike))
