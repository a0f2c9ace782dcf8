"""Demo data: a logbook of it (``demo``), and a log whose truth is known (``simulate``)."""

import argparse
import json
from dataclasses import asdict, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from telemetry.cli.logbook import serve_logbook
from telemetry.cli.output import console, say, working, write_file, write_text
from telemetry.errors import BothEndsError
from telemetry.logbook import Logbook, own_logbook_path
from telemetry.report import print_review
from telemetry.simulate import (
    SCENARIOS,
    LostDamping,
    Outing,
    Scenario,
    Truth,
    simulate_scenario,
    write_log,
    write_scenario,
)
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


BESIDE = {
    "bike.toml": "its bike file",
    "setup.toml": "its setup sheet",
    "truth.json": "what happened: laps, corners, contacts with the stops, lost damping",
    "truth.parquet": "the true motion, sample by sample",
}
TRUTH_SCHEMA = "bothends.truth/1"


def simulate(arguments: argparse.Namespace) -> None:
    """Ride a scenario and write what was logged and what was true."""
    out = Path(arguments.out)
    if not out.name.endswith((".csv", ".csv.gz")):
        raise BothEndsError(f"{out}: the name of a simulated log ends in .csv or .csv.gz.")
    stem = out.name.removesuffix(".gz").removesuffix(".csv")
    beside = {kind: out.with_name(f"{stem}.{kind}") for kind in BESIDE}
    scenario = _scenario(arguments)
    if scenario.sheet_toml is None:
        del beside["setup.toml"]
    with working("Simulating"):
        outing = simulate_scenario(scenario)
        dialect = scenario.dialect
        write_file(
            out,
            lambda part: write_log(
                outing,
                part,
                delimiter=dialect.delimiter,
                decimal=dialect.decimal,
                units_row=dialect.units_row,
            ),
        )
        write_text(beside["bike.toml"], scenario.bike_toml)
        if scenario.sheet_toml is not None:
            write_text(beside["setup.toml"], scenario.sheet_toml)
        text = truth_json(scenario, outing)
        write_text(beside["truth.json"], text)
        write_text(arguments.json, text)
        write_file(beside["truth.parquet"], lambda part: _write_truth(outing.truth, part))
    say(f"Simulated, demo data: {scenario.about}")
    print(f"{out}  the log: {outing.log_rate_hz:g} Hz, {len(outing.truth.lap_start_s)} times over the line")
    for kind, path in beside.items():
        print(f"{path}  {BESIDE[kind]}")
    if arguments.json:
        print(f"{arguments.json}  {BESIDE['truth.json']}")


def _scenario(arguments: argparse.Namespace) -> Scenario:
    """The scenario with the options of the command line."""
    scenario = SCENARIOS[arguments.scenario]
    options = {"laps": arguments.laps, "log_rate_hz": arguments.rate, "seed": arguments.seed}
    faults = [*scenario.faults, *(LostDamping(a, b) for a, b in arguments.lose_damping or ())]
    if arguments.damping_left is not None:
        if not any(isinstance(fault, LostDamping) for fault in faults):
            arguments.parser.error("--damping-left needs --lose-damping, or a scenario that loses it")
        faults = [
            replace(fault, scale=arguments.damping_left) if isinstance(fault, LostDamping) else fault
            for fault in faults
        ]
    given = {key: value for key, value in options.items() if value is not None}
    changed = bool(given) or faults != [*scenario.faults]
    about = f"As {scenario.name}, but changed on the command line." if changed else scenario.about
    return replace(scenario, faults=tuple(faults), about=about, **given)


def truth_json(scenario: Scenario, outing: Outing) -> str:
    """Truth of an outing as JSON: laps, corners, contacts with the stops, stretches of lost damping."""
    truth = outing.truth
    document: dict[str, Any] = {
        "schema": TRUTH_SCHEMA,
        "scenario": scenario.name,
        "about": scenario.about,
        "seed": scenario.seed,
        "log_rate_hz": outing.log_rate_hz,
        "lap_start_s": truth.lap_start_s.tolist(),
        "corners": [asdict(corner) for corner in truth.corners],
        "contacts": [asdict(contact) for contact in truth.contacts],
        "lost_damping": [asdict(stretch) for stretch in truth.lost_damping],
    }
    return json.dumps(document, indent=1)


def _write_truth(truth: Truth, path: Path) -> None:
    """The true motion sample by sample, as Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    values = {field.name: getattr(truth, field.name) for field in fields(truth)}
    columns = {
        name: array
        for name, array in values.items()
        if isinstance(array, np.ndarray) and array.shape == truth.t_s.shape
    }
    pq.write_table(pa.table(columns), path, compression="zstd")
