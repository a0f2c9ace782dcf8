"""A new bike file: what a log proposes for it, what a person is asked, and the file their answers make.

The terminal (``bothends bike new``) and the screen ask the same questions and read the answers the same way.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.arrays import ENDS, End
from telemetry.bike import (
    LEFT_OPEN,
    LEFT_OUT,
    Answer,
    Bike,
    implausible,
    left_open,
    load_bike,
    new_bike_text,
    toml_text,
)
from telemetry.errors import BikeFileError
from telemetry.logs import LIKELY, Proposal, RawLog

PARTS: Mapping[End, str] = {"front": "fork", "rear": "shock"}
# How a sensor's signal becomes travel: what each way needs beside the column.
CALIBRATIONS: Mapping[str, tuple[str, ...]] = {
    "sheet": ("mm_per_unit", "zero"),
    "hung_free": ("mm_per_unit", "zero_interval_s"),
    "topped_out": ("mm_per_unit", "zero_topped_out"),
    "points": ("points",),
}
# How the leverage is known, and the key that holds it.
LEVERAGES: Mapping[str, str] = {
    "table": "rear.leverage_table_mm",
    "points": "rear.leverage_points_mm",
    "whole": "rear.wheel_travel_mm",
    "linkage": "rear.linkage",
}
_SENSOR_KEYS = ("mm_per_unit", "zero", "zero_interval_s", "zero_topped_out", "points")


@dataclass(frozen=True)
class Question:
    """What is asked for one key of the bike file: ``words`` with the unit, and how an answer looks."""

    key: str
    words: str
    example: str = ""


QUESTIONS = (
    Question("name", "What is the motorcycle called", "QB-6"),
    Question("wheelbase_mm", "Wheelbase, both ends extended [mm]", "1410"),
    Question("front.stroke_mm", "Stroke of the fork along its legs [mm]", "125"),
    Question("front.rake_deg", "Rake: steering axis from the vertical [deg]", "24"),
    Question("rear.shock_stroke_mm", "Stroke of the shock [mm]", "70"),
    Question(
        "rear.leverage_table_mm",
        "Leverage: pairs of shock and wheel travel [mm], such as 0 0, 10 19.7, 20 38.8",
        "0 0\n10 19.7\n20 38.8\n...",
    ),
    *(
        question
        for end, part in PARTS.items()
        for question in (
            Question(f"{end}.sensor.channel", f"Column of the {part}'s sensor in the log"),
            Question(f"{end}.sensor.zero", f"Its signal with the {part} fully extended", "0.42"),
            Question(
                f"{end}.sensor.mm_per_unit", f"Travel of the {part} for one volt or count of it [mm]", "31.0"
            ),
        )
    ),
)
# What may stay open; the review says what it cannot answer then.
MAY_STAY_OPEN = (
    "wheelbase_mm",
    "front.stroke_mm",
    "front.rake_deg",
    "rear.shock_stroke_mm",
    "rear.leverage_table_mm",
)
_TEXTS = ("name", "channel")
_PAIRS = ("leverage_table_mm", "leverage_points_mm", "points")


def answers_of_log(log: RawLog, proposals: tuple[Proposal, ...]) -> dict[str, Answer]:
    """Columns of a log by key of the bike file, as far as they are likely, with the reasons.

    Parameters
    ----------
    proposals : tuple of Proposal
        From `telemetry.logs.propose`.
    """
    found = {}
    for proposal in proposals:
        end = proposal.meaning in ENDS
        key = f"{proposal.meaning}.sensor.channel" if end else f"channels.{proposal.meaning}"
        reasons = "; ".join(proposal.reasons)
        if proposal.confidence >= LIKELY:
            found[key] = Answer(toml_text(proposal.column), reasons)
        elif end:
            found[key] = Answer('"?"', f"perhaps {proposal.column!r}, but that is a guess: {reasons}")
        if end and proposal.confidence >= LIKELY and log.units.get(proposal.column) == "mm":
            found[f"{proposal.meaning}.sensor.mm_per_unit"] = Answer("1", "the column is in mm already")
    return found


def read_answer(key: str, text: str) -> str:
    """What a person typed for a key, as TOML.

    Raises
    ------
    ValueError
        Saying what is wrong, with the likely slip where a number is not plausible.
    """
    name = key.rpartition(".")[2]
    if name in _TEXTS:
        return toml_text(text.strip())
    if name in _PAIRS:
        return _pairs(text)
    if name == "zero_interval_s":
        numbers = _numbers(text)
        if len(numbers) != 2:
            raise ValueError("two times of the log in seconds, such as 2 6.5")
        return f"[{numbers[0]:g}, {numbers[1]:g}]"
    return _number(key, text)


def _number(key: str, text: str) -> str:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError("That is no number") from None
    section, _, name = key.rpartition(".")
    if words := implausible(name, value, section):
        raise ValueError(f"{name} {words}")
    return f"{value:.10g}"


_DECIMAL_COMMA = re.compile(r"-?\d+(?:,\d+)?[;\t ]+-?\d+(?:,\d+)?")


def _numbers(text: str) -> list[float]:
    """Numbers pasted from a spreadsheet: parted by tab, semicolon, blank or comma, decimal comma or point.

    A comma is a decimal mark where every line holds two numbers that something else parts.
    """
    text = re.sub(r"[\[\]]", " ", text)
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    decimal_comma = len(lines) > 1 and all(_DECIMAL_COMMA.fullmatch(line) for line in lines)
    text = text.replace(",", "." if decimal_comma else " ")
    try:
        return [float(part) for part in re.split(r"[;\s]+", text) if part]
    except ValueError as error:
        word = str(error).partition(": ")[2]
        raise ValueError(f"{word} is no number; only numbers here, two in a row") from None


def _pairs(text: str) -> str:
    """Pairs of numbers as a table of TOML."""
    lines = text.strip().splitlines()
    if len(lines) > 2 and not re.search(r"\d", lines[0]):  # the heading of a spreadsheet
        text = "\n".join(lines[1:])
    numbers = _numbers(text)
    if len(numbers) < 4 or len(numbers) % 2:
        raise ValueError("two pairs or more are needed, such as 0 0, 10 19.7, 20 38.8")
    return f"[{', '.join(f'[{a:g}, {b:g}]' for a, b in zip(numbers[::2], numbers[1::2], strict=True))}]"


@dataclass(frozen=True)
class NewBike:
    """A bike file made of answers.

    Parameters
    ----------
    text : str
        TOML, with ``"?"`` where something is still open.
    bike : Bike or None
        Checked; None while something is open or wrong.
    faults : mapping of str to str
        What to put right, by key; "" for what belongs to no one key.
    """

    text: str
    bike: Bike | None
    faults: Mapping[str, str]


def new_bike(said: Mapping[str, str], reasons: Mapping[str, str] | None = None) -> NewBike:
    """The bike file of a person's answers, checked by the same rules as any bike file.

    Parameters
    ----------
    said : mapping of str to str
        As typed, by key of the bike file. ``front.calibration`` and ``rear.calibration`` say how a signal becomes
        travel (a key of `CALIBRATIONS`, or "none" for an end without a sensor), ``rear.leverage`` how the leverage is
        known (a key of `LEVERAGES`), ``front.falls`` and ``rear.falls`` are "yes" where the signal falls when the end
        compresses. An empty text is left open.
    reasons : mapping of str to str, optional
        Comments by key.
    """
    faults: dict[str, str] = {}
    answers: dict[str, Answer] = {}
    linkage = ""
    for key, text in _used(said).items():
        try:
            if key == "rear.linkage":
                linkage = _linkage(text)
                answers["rear.leverage_table_mm"] = LEFT_OUT
            elif key == "rear.wheel_travel_mm":
                answers["rear.leverage_table_mm"] = _straight(said.get("rear.shock_stroke_mm", ""), text)
            elif key.endswith("zero_topped_out"):
                answers[key] = Answer("true")
            elif key.startswith("channels.") and key != "channels.rate_hz":
                answers[key] = Answer(toml_text(text), (reasons or {}).get(key, ""))
            else:
                answers[key] = Answer(read_answer(key, text), (reasons or {}).get(key, ""))
        except ValueError as error:
            faults[key] = f"{error}."
    answers |= _left_out(said)
    answers |= {key: LEFT_OPEN for key in MAY_STAY_OPEN if key not in answers and key not in faults}
    text = new_bike_text(answers) + linkage
    for key in left_open(text):
        faults.setdefault(key, "is still to be filled in.")
    if faults:
        return NewBike(text, None, faults)
    try:
        return NewBike(text, _checked(text), {})
    except BikeFileError as error:
        return NewBike(text, None, _by_key(error, answers))


def _used(said: Mapping[str, str]) -> dict[str, str]:
    """The answers that count: of several ways to say a thing only the chosen one, and none that is empty."""
    leverage = LEVERAGES.get(said.get("rear.leverage", "table"), LEVERAGES["table"])
    used = {}
    for key, text in said.items():
        head, _, name = key.rpartition(".")
        if (
            name in ("calibration", "leverage", "falls")
            or not text.strip()
            and not key.startswith("channels.")
        ):
            continue
        if head.endswith(".sensor"):
            way = said.get(f"{head.removesuffix('.sensor')}.calibration", "sheet")
            if way == "none" or name in _SENSOR_KEYS and name not in CALIBRATIONS.get(way, ()):
                continue
        if key in LEVERAGES.values() and key != leverage:
            continue
        if key == "channels.rate_hz" and not text.strip():
            continue
        used[key] = text
    for end in ENDS:
        if said.get(f"{end}.calibration") == "topped_out":
            used[f"{end}.sensor.zero_topped_out"] = "true"
        scale = f"{end}.sensor.mm_per_unit"
        if said.get(f"{end}.falls") and scale in used:
            used[scale] = f"-{used[scale].strip().lstrip('-')}"
    return used


def _left_out(said: Mapping[str, str]) -> dict[str, Answer]:
    """Keys of the template that the chosen ways do not need."""
    out: dict[str, Answer] = {}
    for end in ENDS:
        way = said.get(f"{end}.calibration", "sheet")
        if way == "none":
            out[f"{end}.sensor"] = LEFT_OUT
        else:
            out |= {
                f"{end}.sensor.{name}": LEFT_OUT
                for name in ("zero", "mm_per_unit")
                if name not in CALIBRATIONS.get(way, ())
            }
    if (
        said.get("rear.leverage") in ("points", "linkage")
        and said.get(LEVERAGES[said["rear.leverage"]], "").strip()
    ):
        out["rear.leverage_table_mm"] = LEFT_OUT
    return out


def _straight(stroke: str, travel: str) -> Answer:
    """A leverage table of its two ends alone, for who knows no more than the whole wheel travel."""
    if not stroke.strip():
        raise ValueError("needs the stroke of the shock as well")
    table = (
        f"[[0, 0], [{_number('rear.shock_stroke_mm', stroke)}, {_number('rear.wheel_travel_mm', travel)}]]"
    )
    return Answer(table, "only its ends are known: a straight line between them; measure more")


_POINT = re.compile(r"\s*(\w+)\s*[=:\s]\s*\[?\s*(-?[\d.]+)\s*[,;\s]\s*(-?[\d.]+)\s*\]?\s*(?:#.*)?")


def _linkage(text: str) -> str:
    """[rear.swingarm] and [rear.linkage] from lines such as ``rod_rocker_mm -104.9 -85.2``."""
    points = {}
    for line in text.strip().splitlines():
        found = _POINT.fullmatch(line)
        if found is None:
            raise ValueError(f"{line.strip()[:40]!r} is no point; write its key, x and z")
        points[found[1]] = f"[{float(found[2]):g}, {float(found[3]):g}]"
    of_swingarm = {key: points.pop(key) for key in ("pivot_mm", "axle_mm") if key in points}
    if len(of_swingarm) < 2:
        raise ValueError("needs pivot_mm and axle_mm of the swingarm as well")
    kind = "direct"
    if "rod_swingarm_mm" in points:
        kind = "rocker_on_frame"
    elif "rod_frame_mm" in points:
        kind = "rocker_on_swingarm"
    lines = ["", "[rear.swingarm]", *(f"{key} = {value}" for key, value in of_swingarm.items())]
    lines += [
        "",
        "[rear.linkage]",
        f"kind = {toml_text(kind)}",
        *(f"{key} = {value}" for key, value in points.items()),
    ]
    return "\n".join(lines) + "\n"


def _checked(text: str) -> Bike:
    with TemporaryDirectory(prefix="bothends-") as place:
        path = Path(place) / "bike.toml"
        path.write_text(text, encoding="utf-8")
        return load_bike(path)


def _by_key(error: BikeFileError, answers: Mapping[str, Answer]) -> dict[str, str]:
    """What a check found wrong, by the key that each sentence begins with."""
    known = sorted({*answers, "rear.linkage", "rear.swingarm"}, key=len, reverse=True)
    found: dict[str, str] = {}
    for fault in error.faults or (str(error),):
        key = next((key for key in known if re.match(rf"{re.escape(key)}\b", fault)), "")
        if not key:
            key = next((key for key in known if "." in key and key.rpartition(".")[2] in fault), "")
        words = fault.removeprefix(key).lstrip(": ")
        found[key] = f"{found[key]} {words}" if key in found else words
    return found
