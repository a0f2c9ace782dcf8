"""``bothends simulate``: a log whose truth is known, with its bike file and the truth beside it."""

import argparse
import json
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.cli.output import say, working, write_file, write_text
from telemetry.errors import BothEndsError
from telemetry.simulate import SCENARIOS, LostDamping, Outing, Scenario, Truth, simulate_scenario, write_log

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
