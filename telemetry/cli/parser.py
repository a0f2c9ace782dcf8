"""Command line of ``bothends``: commands, arguments, help."""

import argparse
import gc
import os
import re
from collections.abc import Callable, Sequence
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

# Names in `telemetry.simulate.SCENARIOS`, written out so that --help need not import the simulator.
SCENARIOS = (
    "vellmoor-clean",
    "vellmoor-lost-damping",
    "vellmoor-before",
    "vellmoor-after",
    "vellmoor-soft-fork",
    "vellmoor-plain",
    "qb3-semicolon",
)

# `telemetry.report.UNIT_CHOICES`, written out likewise: units in place of mm, N/mm, km/h and bar.
UNIT_CHOICES = ("in", "lb/in", "mph", "psi")
# Commands that print measured numbers.
PRINTING = (
    "demo", "review", "debrief", "batch", "season", "check", "compare", "damper", "stand", "try", "bounce",
)  # fmt: skip


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command line; ``run`` of its result is the function that does the work."""
    parser = argparse.ArgumentParser(
        prog="bothends",
        description="Suspension travel logs of a motorcycle into a review: travel, speed, balance of the two "
        "ends, lost damping.",
        epilog="Every command has its own --help. Exit code: 0 done, 1 the data cannot be used, 2 wrong usage.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and stop")
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND", required=True)
    for add in (
        _demo, _review, _debrief, _batch, _season, _check, _compare, _damper, _bike, _stand, _try, _bounce, _add,
        _logbook, _serve, _simulate,
    ):  # fmt: skip
        add(commands)
    for name in PRINTING:
        _units(commands.choices[name])
    return parser


def join_line(argv: Sequence[str]) -> list[str]:
    """``--line -33.1,151.2`` as one argument, since a leading minus would be taken for an option."""
    joined: list[str] = []
    for argument in argv:
        if joined and joined[-1] == "--line":
            joined[-1] = f"--line={argument}"
        else:
            joined.append(argument)
    return joined


class _Version(argparse.Action):
    """Look the version up only for ``--version``."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from telemetry import __version__

        print(f"bothends {__version__}")
        parser.exit()


def _run(work: str, arguments: argparse.Namespace) -> None:
    """Run a command's function, "module.function"; its module is imported only now."""
    module, function = work.split(".")
    found = getattr(import_module(f"telemetry.cli.{module}"), function)
    gc.freeze()  # what was imported stays, and is not looked through for cycles
    found(arguments)


def _command(commands: "Commands", work: str, words: str, *, name: str = "") -> argparse.ArgumentParser:
    """Parser of a command, called as its function unless it has another ``name``."""
    name = name or work.split(".")[1]
    parser = commands.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
    parser.set_defaults(run=partial(_run, work), parser=parser)
    return parser


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", metavar="FILE", help="also write the result as JSON")


def _reader_units(text: str) -> frozenset[str]:
    """Units to print in, "in,mph"; "" for ours."""
    found = frozenset(filter(None, text.split(",")))
    if unknown := sorted(found - set(UNIT_CHOICES)):
        raise argparse.ArgumentTypeError(f"{unknown[0]!r} is none of {', '.join(UNIT_CHOICES)}")
    return found


def _units(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--units",
        type=_reader_units,
        default=os.environ.get("BOTHENDS_UNITS", ""),
        metavar="UNIT,...",
        help=f"print in these in place of mm, N/mm, km/h and bar: {', '.join(UNIT_CHOICES)}; JSON and files to fill in "
        "stay (default: those in BOTHENDS_UNITS)",
    )


def _line(text: str) -> tuple[float, float]:
    """A position "latitude,longitude" in degrees."""
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not LAT,LON in degrees, such as 47.1,8.5") from None
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not on earth: latitude to 90, longitude to 180 degrees"
        )
    return latitude, longitude


def _stretch(text: str) -> tuple[float, float]:
    """A stretch of the lap "from,to" in metres."""
    try:
        start_m, end_m = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not FROM,TO in metres, such as 900,980") from None
    if not 0 <= start_m < end_m:
        raise argparse.ArgumentTypeError(f"{text!r}: FROM must not be below 0, and TO must be above it")
    return start_m, end_m


# Keys of [channels] in the bike file, and the two travel sensors.
_CHANNEL_KEYS = (
    "time", "rate_hz", "front", "rear", "speed", "latitude", "longitude", "throttle", "brake", "lean",
    "acceleration", "lap", "beacon",
)  # fmt: skip


def _columns(text: str) -> dict[str, str]:
    """Columns by meaning, "front=COL,rear=COL"; a comma inside a name is part of it."""
    pairs = [part.split("=", 1) for part in re.split(rf",(?=(?:{'|'.join(_CHANNEL_KEYS)})=)", text)]
    if not all(len(pair) == 2 and pair[0] in _CHANNEL_KEYS for pair in pairs):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not KEY=COLUMN,...; keys are {', '.join(_CHANNEL_KEYS)}"
        )
    found = dict(pairs)
    if empty := [key for key in ("time", "rate_hz", "front", "rear") if found.get(key) == ""]:
        raise argparse.ArgumentTypeError(f"{empty[0]} needs a value")
    if "rate_hz" in found:
        _real(0.1, 1e6)(found["rate_hz"])
    return found


def _channels(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--channels",
        type=_columns,
        default={},
        metavar="KEY=COLUMN,...",
        help="which column means what, such as front=A1,rear=A2,speed=V; kept for the next log with the same columns; "
        "KEY= leaves it out of this log, and forgets what was kept. "
        f"Keys: {', '.join(_CHANNEL_KEYS)} (rate_hz=200 for a log without time)",
    )


def _between(text: str, kind: type[int] | type[float], low: float, high: float) -> float:
    try:
        value = kind(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"{text} is not within {low:g} to {high:g}")
    return value


def _whole(low: float, high: float) -> Callable[[str], float]:
    return partial(_between, kind=int, low=low, high=high)


def _real(low: float, high: float) -> Callable[[str], float]:
    return partial(_between, kind=float, low=low, high=high)


def _demo(commands: "Commands") -> None:
    parser = _command(commands, "demo.demo", "make a logbook of demo data, review a run, open the dashboard")
    parser.add_argument("directory", nargs="?", metavar="DIR", help="keep the logbook there (else temporary)")
    parser.add_argument("--no-serve", action="store_true", help="stop after printing the review")
    _serving(parser)
    _json(parser)


def _serving(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port", type=_whole(0, 65535), help="port of the dashboard (default: a fixed one if free)"
    )
    parser.add_argument("--no-browser", action="store_true", help="only print the address")
    parser.add_argument(
        "--share",
        action="store_true",
        help="also answer phones and tablets in the same network, by a secret address",
    )


def _review(commands: "Commands") -> None:
    parser = _command(commands, "log.review", "review one log: verdicts, then numbers")
    parser.add_argument("log", metavar="LOG")
    parser.add_argument("--bike", required=True, metavar="BIKE.toml", help="bike file")
    parser.add_argument("--setup", metavar="SHEET.toml", help="setup sheet of the outing")
    _channels(parser)
    _line_and_circuit(parser)
    _cut(parser)
    parser.add_argument(
        "--save-circuit", metavar="FILE.toml", help="write the circuit as found, for the next log on it"
    )
    parser.add_argument(
        "--amounts",
        action="store_true",
        help="ride the laps again with each step that is advised: how much it does",
    )
    _json(parser)
    parser.add_argument("--traces", metavar="FILE", help="also write the run sample by sample, as Parquet")
    _debrief_files(parser)


def _debrief(commands: "Commands") -> None:
    parser = _command(commands, "logbook.debrief", "write the debrief of a stored run: one page to pin up")
    parser.add_argument("which", metavar="RUN", help="id, start of id, or name")
    parser.add_argument("--logbook", required=True, metavar="DIR")
    _json(parser)
    _debrief_files(parser)


def _debrief_files(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--html", metavar="FILE", help="write the debrief, one page to print and pin up")
    parser.add_argument(
        "--pdf", metavar="FILE", help="write it as PDF, where a Chromium, Chrome or Edge is found"
    )
    parser.add_argument("--appendix", action="store_true", help="with the whole review behind the page")
    parser.add_argument("--paper", choices=("A4", "letter"), default="A4", help="what it is printed on")


def _clock(text: str) -> float:
    """Seconds of the log, given as such or as "m:ss"."""
    minutes, colon, seconds = text.rpartition(":")
    try:
        found = 60.0 * int(minutes) + float(seconds) if colon else float(seconds)
    except ValueError:
        found = -1.0
    if not 0.0 <= found < 1e7 or (colon and not 0.0 <= float(seconds) < 60.0):
        raise argparse.ArgumentTypeError(f"{text!r} is no time of the log: seconds, or m:ss such as 2:30")
    return found


def _lap_numbers(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not lap numbers, such as 1,4") from None


def _cut(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from",
        dest="from_s",
        type=_clock,
        metavar="TIME",
        help="review from then on: seconds of the log, or m:ss",
    )
    parser.add_argument("--to", dest="to_s", type=_clock, metavar="TIME", help="review up to then")
    parser.add_argument(
        "--leave-out", type=_lap_numbers, default=(), metavar="LAP,...",
        help="laps that count in no mean, comparison or trend, such as 1,4",
    )  # fmt: skip


def _batch(commands: "Commands") -> None:
    parser = _command(commands, "many.batch", "review many logs of one bike, on all cores, a line each")
    parser.add_argument(
        "logs", metavar="LOG", nargs="+", help="logs, or addresses such as s3://bucket/day/*.csv"
    )
    parser.add_argument("--bike", required=True, metavar="BIKE.toml", help="bike file")
    _line_and_circuit(parser)
    _channels(parser)
    parser.add_argument(
        "--out",
        metavar="DIR",
        help="also write the numbers of every run and lap as a Parquet dataset; a log that is there already is not "
        "reviewed again, so that a batch that was stopped goes on where it stood",
    )
    parser.add_argument("--logbook", metavar="DIR", help="keep the runs in a logbook, made when missing")
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--workers", type=_whole(1, 1024), metavar="N", help="how many logs at a time (default: one a core)"
    )
    where.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="work on the Dask cluster of this scheduler, such as tcp://host:8786",
    )
    parser.add_argument("--csv", metavar="FILE", help="also write a table with a row a lap")
    _json(parser)


def _season(commands: "Commands") -> None:
    parser = _command(commands, "many.season", "show one number of many runs over dates, bikes and circuits")
    parser.add_argument(
        "source",
        metavar="DIR",
        nargs="?",
        help="a logbook, or the directory that 'bothends batch --out' wrote",
    )
    parser.add_argument(
        "--metric",
        default="rear.travel.max_mm",
        metavar="KEY",
        help="which number (default: rear.travel.max_mm)",
    )
    parser.add_argument("--metrics", action="store_true", help="list the keys of all numbers and stop")
    parser.add_argument(
        "--by",
        choices=("circuit", "bike", "date"),
        default="circuit",
        help="what the runs are put together by (default: circuit)",
    )
    parser.add_argument("--bike", metavar="NAME", help="only bikes with this in their name")
    parser.add_argument("--circuit", metavar="NAME", help="only circuits with this in their name")
    parser.add_argument("--html", metavar="FILE", help="also write a page with the picture, to print")
    _json(parser)


def _check(commands: "Commands") -> None:
    parser = _command(commands, "log.check", "say what a log holds and what can be judged from it")
    parser.add_argument("log", metavar="LOG")
    parser.add_argument("--bike", metavar="BIKE.toml", help="bike file: needed to say what can be judged")
    _line_and_circuit(parser)
    _channels(parser)
    _json(parser)


def _compare(commands: "Commands") -> None:
    parser = _command(commands, "log.compare", "compare two runs over their laps")
    parser.add_argument(
        "a", metavar="A", help="before: a log, or with --logbook a run (id, start of id, or name)"
    )
    parser.add_argument("b", metavar="B", help="after")
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--logbook", metavar="DIR", help="logbook that holds both runs")
    source.add_argument("--bike", metavar="BIKE.toml", help="bike file of both logs")
    parser.add_argument("--bike-b", metavar="BIKE.toml", help="bike file of B, where it differs")
    parser.add_argument("--setup-a", metavar="SHEET.toml", help="setup sheet of A")
    parser.add_argument("--setup-b", metavar="SHEET.toml", help="setup sheet of B")
    _line_and_circuit(parser)
    _channels(parser)
    _json(parser)


def _damper(commands: "Commands") -> None:
    parser = _command(
        commands,
        "log.damper",
        "say whether a damper is back after a service (two outings), or what one has been through",
    )
    parser.add_argument(
        "which",
        nargs="+",
        metavar="A B | ID",
        help="before and after: two logs, or with --logbook two runs; or with --logbook the id of a damper, as in "
        "[rear.damper] id",
    )
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--logbook", metavar="DIR", help="logbook that holds the runs")
    source.add_argument("--bike", metavar="BIKE.toml", help="bike file of both logs")
    parser.add_argument("--bike-b", metavar="BIKE.toml", help="bike file after the service, where it differs")
    parser.add_argument(
        "--end", choices=("front", "rear"), default="rear", help="which damper (default: rear)"
    )
    parser.add_argument(
        "--bounce", action="store_true", help="A and B are bounce tests: the bike pushed by hand"
    )
    _line_and_circuit(parser)
    _channels(parser)
    _json(parser)


def _repeated(parser: argparse.ArgumentParser, option: str, metavar: str, words: str) -> None:
    parser.add_argument(
        f"--{option}", action="append", default=[], metavar=metavar, help=f"{words}; may be repeated"
    )


def _stand(commands: "Commands") -> None:
    parser = _command(
        commands, "bike.stand", "say what a change at the stand does, and what to measure again after it"
    )
    parser.add_argument("bike", metavar="BIKE.toml", help="bike file with [chassis]")
    for option, metavar, words in (
        ("change", "KEY=+MM", "change a value of the bike file by (+, -) or to a number, such as "
         "rear.shock_length_mm=+3 or rear.preload_mm=9"),
        ("target", "KEY=VALUE", "find the preload, spring or length that reaches a number of the stand, such as "
         "rear.rider_sag_mm=30 or trail_mm=98"),
        ("measured", "KEY=MM", "check the bike file against a sag that was measured, such as "
         "front.rider_sag_mm=38"),
    ):  # fmt: skip
        _repeated(parser, option, metavar, words)
    _json(parser)
    parser.add_argument("--plot", metavar="FILE.html", help="also write a page with pictures, to print")


def _try(commands: "Commands") -> None:
    parser = _command(
        commands,
        "bike.predict",
        "predict what a set-up change does to the laps of a log, before it is made",
        name="try",
    )
    parser.add_argument(
        "log", metavar="LOG", help="a log, or with --logbook a run (id, start of id, or name)"
    )
    parser.add_argument("--bike", metavar="BIKE.toml", help="bike file, as the bike was when it was logged")
    parser.add_argument("--logbook", metavar="DIR", help="logbook that holds the run")
    _repeated(
        parser,
        "change",
        "KEY=+STEP",
        "change a value of the bike file by (+, -) or to a number, such as front.spring_rate_n_per_mm=+1 or "
        "rear.rebound_clicks=10",
    )
    _repeated(
        parser,
        "want",
        "KEY=VALUE",
        "find the adjuster that brings a number there, such as rear.travel_left_mm=8 or "
        "balance.speed_ratio.rebound=1.0",
    )
    _repeated(parser, "only", "KEY", "adjuster that --want and --steps may turn (default: all)")
    parser.add_argument("--steps", action="store_true", help="what one step of every adjuster does")
    parser.add_argument(
        "--corner", type=int, metavar="N", help="take every number in this corner of the laps only"
    )
    parser.add_argument(
        "--plot", metavar="PAGE.html", help="also write a page with both rides drawn, to print"
    )
    _channels(parser)
    _line_and_circuit(parser)
    _json(parser)


def _bike(commands: "Commands") -> None:
    parser = commands.add_parser("bike", help="write a bike file to fill in")
    verbs = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    new = _command(
        verbs, "bike.new", "write a commented bike file to fill in; at a terminal a few questions first"
    )
    new.add_argument("file", metavar="FILE.toml", help="file to write; one that exists is left alone")
    new.add_argument(
        "--from", dest="log", metavar="LOG", help="a log of the motorcycle: proposes its columns"
    )


def _bounce(commands: "Commands") -> None:
    parser = _command(
        commands, "log.bounce", "compare both ends of a bike pushed down by hand on its wheels, several times"
    )
    parser.add_argument("log", metavar="LOG")
    parser.add_argument("--bike", required=True, metavar="BIKE.toml", help="bike file")
    _channels(parser)
    _json(parser)
    parser.add_argument("--html", metavar="FILE", help="also write a page with the picture, for a phone")


def _add(commands: "Commands") -> None:
    parser = _command(commands, "logbook.add", "review a log and keep it in a logbook")
    parser.add_argument("log", metavar="LOG")
    parser.add_argument("--bike", required=True, metavar="BIKE.toml", help="bike file")
    parser.add_argument("--logbook", required=True, metavar="DIR", help="made when missing")
    parser.add_argument("--setup", metavar="SHEET.toml", help="setup sheet of the outing")
    _line_and_circuit(parser)
    _cut(parser)
    _channels(parser)
    _words(parser)
    _json(parser)


def _line_and_circuit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--line",
        type=_line,
        metavar="LAT,LON",
        help="middle of the start line, for a log with GPS; said once, the circuit is kept for the next log there",
    )
    _circuit(parser)


def _circuit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--circuit",
        metavar="FILE.toml",
        help="circuit file: the same places, corner numbers and names as before",
    )


def _words(parser: argparse.ArgumentParser) -> None:
    """Description of a run in the catalogue; the keys of `telemetry.logbook.run.Words`."""
    for option, words in (
        ("name", "what to call the run"),
        ("date", "day of the outing, such as 2026-05-01"),
        ("place", "where it was ridden"),
        ("rider", "who rode"),
        ("outing", "which outing of the day"),
        ("tyres", "tyres of both ends"),
        ("notes", "anything else to remember"),
    ):
        parser.add_argument(f"--{option}", help=f"{words} (else as the setup sheet says)")


def _logbook(commands: "Commands") -> None:
    parser = commands.add_parser("logbook", help="check, export, take in or correct what a logbook keeps")
    verbs = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    verify = _command(verbs, "logbook.verify", "check every file of a logbook against its hash")
    verify.add_argument("logbook", metavar="LOGBOOK")
    _json(verify)

    export = _command(verbs, "logbook.export", "write everything a logbook keeps in open formats")
    export.add_argument("logbook", metavar="LOGBOOK")
    export.add_argument("out", metavar="DIR", help="directory to make")
    export.add_argument(
        "--run", dest="which", action="append", metavar="RUN",
        help="only this run (id, start of id, or name) with its history; may be repeated",
    )  # fmt: skip

    take_in = _command(verbs, "logbook.take_in", "take in what a colleague exported", name="import")
    take_in.add_argument("source", metavar="EXPORT", help="directory of an export, or a ZIP archive of it")
    take_in.add_argument("--logbook", required=True, metavar="DIR", help="made when missing")

    rebuild = _command(verbs, "logbook.rebuild", "make a run again from its original log")
    rebuild.add_argument("which", metavar="RUN", help="id, start of id, or name")
    rebuild.add_argument("--logbook", required=True, metavar="DIR")
    rebuild.add_argument("--bike", metavar="BIKE.toml", help="corrected bike file (else the one it has)")
    rebuild.add_argument("--setup", metavar="SHEET.toml", help="corrected setup sheet (else the one it has)")
    _circuit(rebuild)
    _channels(rebuild)
    _words(rebuild)
    _json(rebuild)


def _serve(commands: "Commands") -> None:
    parser = _command(commands, "logbook.serve", "open the dashboard on a logbook")
    parser.add_argument("logbook", metavar="LOGBOOK")
    _serving(parser)


def _simulate(commands: "Commands") -> None:
    parser = _command(
        commands, "demo.simulate", "simulate an outing: a log, its bike file, and the truth beside it"
    )
    parser.add_argument("out", metavar="OUT.csv", help="log to write (.csv or .csv.gz)")
    parser.add_argument("--scenario", choices=SCENARIOS, default=SCENARIOS[0], metavar="NAME",
                        help=f"which outing: {', '.join(SCENARIOS)} (default {SCENARIOS[0]})")  # fmt: skip
    parser.add_argument("--laps", type=_whole(1, 200), help="timed laps (default: the scenario's)")
    parser.add_argument(
        "--rate", type=_real(20, 2000), metavar="HZ", help="rate of the log (default: the scenario's)"
    )
    parser.add_argument(
        "--seed", type=_whole(0, 2**31), help="of everything random (default: the scenario's)"
    )
    parser.add_argument(
        "--lose-damping",
        type=_stretch,
        action="append",
        metavar="FROM,TO",
        help="the shock loses its damping between these metres of every lap; may be repeated",
    )
    parser.add_argument(
        "--damping-left",
        type=_real(0, 1),
        metavar="SHARE",
        help="what the shock keeps there (default: the scenario's, else 0.05)",
    )
    _json(parser)
