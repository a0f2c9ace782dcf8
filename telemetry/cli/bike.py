"""``bothends bike new``: a commented bike file to fill in."""

import argparse
import sys
from pathlib import Path

from telemetry.bike import Answer, left_open, new_bike_text
from telemetry.cli.output import check_outputs, say, working
from telemetry.errors import BothEndsError
from telemetry.review import QUESTIONS, answers_of_log, read_answer

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
    from telemetry.logs import propose, read_log

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
