"""``bothends demo``: a logbook of demo data, the review of one run, and the dashboard on it."""

import argparse
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.cli.output import console, say, working, write_text
from telemetry.cli.serve import serve_logbook
from telemetry.logbook import Logbook, own_logbook_path
from telemetry.report import print_review
from telemetry.simulate import SCENARIOS, write_scenario
from telemetry.summary import summary_to_json

# What the demo logbook holds, in the order it was ridden, and how many laps of each: enough to compare, soon
# ridden. The last is the one whose review is printed.
RUNS = {
    "vellmoor-clean": 3,
    "vellmoor-soft-fork": 3,
    "vellmoor-before": 4,
    "vellmoor-after": 4,
    "vellmoor-lost-damping": 3,
}


def demo(arguments: argparse.Namespace) -> None:
    """Make the demo logbook, print the review of one run, serve the dashboard."""
    if arguments.directory:
        _demo_in(Path(arguments.directory), arguments)
        return
    with TemporaryDirectory(prefix="bothends-demo-") as directory:
        _demo_in(Path(directory) / "logbook", arguments)


def _demo_in(directory: Path, arguments: argparse.Namespace) -> None:
    logbook = Logbook(directory)
    shown = fill(logbook)
    summary = logbook.summary(shown)
    write_text(arguments.json, summary_to_json(summary))
    print_review(summary, console(arguments))
    say(f"Demo data, simulated and invented throughout; {len(logbook.runs())} runs in {directory}")
    if not arguments.no_serve:
        serve_logbook(logbook, arguments, own_logbook=own_logbook_path())


def fill(logbook: Logbook) -> str:
    """Add the demo runs that a logbook does not hold yet; the run id of the last of them."""
    there = {entry.name: entry.run_id for entry in logbook.runs()}
    run_id = ""
    for name, laps in RUNS.items():
        if name in there:
            run_id = there[name]
            continue
        scenario = SCENARIOS[name]
        scenario = replace(scenario, laps=laps, file_name=scenario.file_name.removesuffix(".gz"))
        with working(f"Simulating and reviewing {name}"), TemporaryDirectory(prefix="bothends-") as place:
            write_scenario(scenario, place)
            folder = Path(place)
            sheet = folder / scenario.sheet_file if scenario.sheet_toml is not None else None
            run_id = logbook.add(folder / scenario.file_name, folder / scenario.bike_file, sheet, name=name)
    return run_id
