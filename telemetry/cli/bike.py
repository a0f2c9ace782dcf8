"""``bothends bike new``: a commented bike file to fill in."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from telemetry.bike import Answer, implausible, left_open, new_bike_text, toml_text
from telemetry.cli.output import check_outputs, say, working
from telemetry.errors import BothEndsError

Reads = Callable[[str, str], str]
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
    """The columns of a log by key of the bike file, as far as they are likely, with the reasons."""
    from telemetry.logs import LIKELY, propose, read_log

    with working("Reading"):
        log = read_log(path)
        proposals = propose(log)
    found = {}
    for proposal in proposals:
        end = proposal.meaning in ("front", "rear")
        key = f"{proposal.meaning}.sensor.channel" if end else f"channels.{proposal.meaning}"
        reasons = "; ".join(proposal.reasons)
        if proposal.confidence >= LIKELY:
            found[key] = Answer(toml_text(proposal.column), reasons)
        elif end:
            found[key] = Answer('"?"', f"perhaps {proposal.column!r}, but that is a guess: {reasons}")
        if end and proposal.confidence >= LIKELY and log.units.get(proposal.column) == "mm":
            found[f"{proposal.meaning}.sensor.mm_per_unit"] = Answer("1", "the column is in mm already")
    return found


def _number(key: str, text: str) -> str:
    """A number as TOML; refused with the likely slip where it is not plausible."""
    value = float(text.replace(",", "."))
    section, _, name = key.rpartition(".")
    if words := implausible(name, value, section):
        raise ValueError(f"{name} {words}")
    return f"{value:.10g}"


def _pairs(key: str, text: str) -> str:
    """Pairs of numbers as a table of TOML."""
    numbers = [float(part) for part in text.replace(",", " ").replace("[", " ").replace("]", " ").split()]
    if len(numbers) < 4 or len(numbers) % 2:
        raise ValueError("two pairs or more: shock and wheel travel, such as 0 0, 10 19.7, 20 38.8")
    return f"[{', '.join(f'[{a:g}, {b:g}]' for a, b in zip(numbers[::2], numbers[1::2], strict=True))}]"


def _text(key: str, text: str) -> str:
    return toml_text(text)


QUESTIONS: tuple[tuple[str, str, Reads], ...] = (
    ("name", "What is the motorcycle called", _text),
    ("wheelbase_mm", "Wheelbase, both ends extended [mm]", _number),
    ("front.stroke_mm", "Stroke of the fork along its legs [mm]", _number),
    ("front.rake_deg", "Rake: steering axis from the vertical [deg]", _number),
    ("rear.shock_stroke_mm", "Stroke of the shock [mm]", _number),
    (
        "rear.leverage_table_mm",
        "Leverage: pairs of shock and wheel travel [mm], such as 0 0, 10 19.7, 20 38.8",
        _pairs,
    ),
    *(
        question
        for end, part in (("front", "fork"), ("rear", "shock"))
        for question in (
            (f"{end}.sensor.channel", f"Column of the {part}'s sensor in the log", _text),
            (f"{end}.sensor.zero", f"Its signal with the {part} fully extended", _number),
            (f"{end}.sensor.mm_per_unit", f"Travel of the {part} for one volt or count of it [mm]", _number),
        )
    ),
)


def _of_person(known: dict[str, Answer]) -> dict[str, Answer]:
    """What a person at the terminal answers; an empty line leaves a value open, or as the log has it."""
    say("An empty line leaves a value open, to be written into the file later.")
    found = {}
    for key, question, read in QUESTIONS:
        proposed = known[key].value if key in known and known[key].value != '"?"' else ""
        shown = f"{question}{f' ({proposed})' if proposed else ''}: "
        while True:
            print(shown, end="", file=sys.stderr, flush=True)
            line = sys.stdin.readline()
            if not line.strip():  # an empty line, or the end of what is typed
                break
            try:
                found[key] = Answer(read(key, line.strip()))
                break
            except ValueError as error:
                words = str(error)
                say("  That is no number." if "could not convert" in words else f"  {words}.")
        if not line:
            break
    return found
