"""``batch``: many logs, a log that cannot be used does not stop the others; ``season``: one number of many runs."""

import argparse
import csv
import json
from collections.abc import Generator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from difflib import get_close_matches
from io import StringIO
from pathlib import Path

from telemetry.batch import (
    Job,
    default_workers,
    find_logs,
    job_inputs,
    kept_settings,
    lost_job,
    review_job,
    run_here,
    run_job,
    run_on_cluster,
)
from telemetry.bike import Bike, load_bike
from telemetry.cli.inputs import circuit_path_of, keep_ground
from telemetry.cli.output import check_outputs, console, progress, say, write_text
from telemetry.errors import BothEndsError
from telemetry.laps import load_circuit
from telemetry.logbook import Logbook, read_given
from telemetry.plaintext import csv_cell, plain
from telemetry.report import document_html, print_document, print_section, runs_section, season_document
from telemetry.season import Dataset, LapRecord, RunRecord, season_points
from telemetry.summary import LAP_METRICS, METRICS, Metric

BATCH_SCHEMA = "bothends.batch/1"


def batch(arguments: argparse.Namespace) -> None:
    """Review every log, keep the results where asked, print a line each; exit code 1 when one cannot be used."""
    inputs = (*arguments.logs, arguments.bike, arguments.circuit)
    check_outputs(arguments.json, arguments.csv, inputs=inputs)
    bike = load_bike(arguments.bike)
    logs = find_logs(arguments.logs)
    if arguments.logbook and arguments.scheduler:
        raise BothEndsError(
            "--logbook: a cluster does not write to a logbook; use --out, or leave out --scheduler."
        )
    if arguments.logbook:
        Logbook(arguments.logbook)  # made once, before several processes open it
    dataset = Dataset(arguments.out) if arguments.out else None
    jobs = _jobs(logs, bike, arguments)
    found = _kept(dataset, jobs)
    if found:
        say(f"{len(found)} of {len(jobs)} logs are in {arguments.out} already; they are not reviewed again.")
    left = [job for job in jobs if job.log not in found]
    with progress(len(jobs), len(found)) as one_more, closing(_records(left, arguments)) as records:
        try:
            for job, record in records:
                if dataset is not None:
                    dataset.add(record)
                found[job.log] = record
                one_more()
                if record.error:
                    say(f"bothends: {record.error}")
        except KeyboardInterrupt:
            go_on = (
                "; the same command goes on from there" if dataset is not None or arguments.logbook else ""
            )
            say(f"{len(found)} of {len(jobs)} logs were done{go_on}.")
            raise
    _report({job.log: found[job.log] for job in jobs}, arguments, inputs)


def _jobs(logs: Sequence[str], bike: Bike, arguments: argparse.Namespace) -> list[Job]:
    circuit = Path(arguments.circuit) if arguments.circuit else None
    given = read_given(Path(arguments.bike), None, circuit)
    job = Job(
        log="",
        bike=bike,
        channels=arguments.channels,
        line=arguments.line,
        # a fault of the file is one of the command, not of every log
        circuit=load_circuit(circuit) if circuit else None,
        logbook=arguments.logbook or "",
        bike_path=arguments.bike,
        circuit_path=arguments.circuit or "",
    )
    jobs = (replace(job, log=log) for log in logs)
    return [replace(one, inputs=job_inputs(one, given)) for one in jobs]


def _kept(dataset: Dataset | None, jobs: Sequence[Job]) -> dict[str, RunRecord]:
    """Records of the jobs that an earlier batch has done, by log."""
    if dataset is None:
        return {}
    known = {(one.log, one.inputs): one for one in dataset.records()}
    keys = {job.log: (job.source, job.inputs) for job in jobs if job.inputs}
    return {log: known[key] for log, key in keys.items() if key in known}


def _records(
    jobs: Sequence[Job], arguments: argparse.Namespace
) -> Generator[tuple[Job, RunRecord], None, None]:
    """Jobs with their records, as they are done."""
    left = list(jobs)
    if arguments.line is not None and not arguments.circuit:
        kept = ""
        while left and not kept:  # the circuit that the line gives serves the logs that follow
            job = left.pop(0)
            record, kept = _first_on_circuit(job, arguments)
            yield job, record
        left = [replace(job, circuit_path=kept if job.logbook else "") for job in left]
    if arguments.scheduler:
        settings = kept_settings()
        sent = [replace(job, log=job.source, settings=settings) for job in left]
        typed = {job.source: job for job in left}
        with closing(run_on_cluster(sent, run_job, lost_job, address=arguments.scheduler)) as done:
            for job, record in done:
                yield typed[job.source], record
        return
    workers = min(int(arguments.workers or default_workers()), len(left))
    if workers <= 1:
        yield from ((job, run_job(job)) for job in left)
        return
    with closing(run_here(left, run_job, lost_job, workers=workers)) as done:
        yield from done


def _first_on_circuit(job: Job, arguments: argparse.Namespace) -> tuple[RunRecord, str]:
    """Record of a log reviewed here with ``--line``, and the file in which its circuit is kept, "" for none."""
    kept = ""

    def work(job: Job) -> RunRecord:
        nonlocal kept
        if job.logbook:
            kept = str(circuit_path_of(arguments, job.log))
            return review_job(replace(job, circuit_path=kept)).record
        result = review_job(job)
        if result.track is not None and result.ground is not None:
            kept = str(keep_ground(arguments, result.ground, result.track) or "")
        return result.record

    return run_job(job, work), kept


def _report(
    found: Mapping[str, RunRecord], arguments: argparse.Namespace, inputs: Sequence[str | None]
) -> None:
    """Write what was asked for, then a line for each log."""
    write_text(arguments.json, _batch_json(found), inputs=inputs)
    write_text(arguments.csv, _csv_text(found), inputs=inputs)
    runs = [record for record in found.values() if record.rows]
    if runs:
        print_section(runs_section(runs), console(arguments), heading=False)
    if len(runs) < len(found):
        raise BothEndsError(
            f"{len(found) - len(runs)} of {len(found)} logs could not be used; the lines above say why."
        )


def _batch_json(found: Mapping[str, RunRecord]) -> str:
    runs = [
        {
            "log": plain(log),
            "error": record.error or None,
            "oscillation": record.oscillation or None,
            "laps": [{"lap": row.lap, "complete": row.complete, **_values(row)} for row in record.rows[1:]],
        }
        for log, record in found.items()
    ]
    return json.dumps({"schema": BATCH_SCHEMA, "runs": runs}, indent=1)


def _csv_text(found: Mapping[str, RunRecord]) -> str:
    """One row a lap, the same numbers as `compare` takes; empty where one is not known."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("log", "lap", "complete", *(metric.key for metric in METRICS)))
    for log, record in found.items():
        for row in record.rows[1:]:
            writer.writerow((csv_cell(plain(log)), row.lap, row.complete, *_values(row).values()))
    return text.getvalue()


def _values(row: LapRecord) -> dict[str, float | None]:
    return {metric.key: row.values[metric.key] for metric in METRICS}


SEASON_SCHEMA = "bothends.season/1"


def season(arguments: argparse.Namespace) -> None:
    """Print one number of every run of a logbook or dataset, in groups."""
    check_outputs(arguments.json, arguments.html)
    if arguments.metrics:
        for metric in LAP_METRICS:
            print(f"{metric.key:36} {metric.heading}")
        return
    if arguments.source is None:
        raise BothEndsError("season: name a logbook, or the directory that 'bothends batch --out' wrote.")
    metric = _metric(arguments.metric)
    records = [record for record in _kept_records(Path(arguments.source)) if _is_asked_for(record, arguments)]
    if arguments.json:
        write_text(arguments.json, _season_json(records, metric))
    document = season_document(records, metric, arguments.by)
    if arguments.html:
        write_text(arguments.html, document_html(document, units=arguments.units))
    print_document(document, console(arguments))


def _metric(key: str) -> Metric:
    known = {metric.key: metric for metric in LAP_METRICS}
    if key not in known:
        close = get_close_matches(key, known, 3, 0.4)
        meant = f"did you mean {', '.join(close)}? " if close else ""
        raise BothEndsError(f"--metric {key}: is no metric; {meant}'bothends season --metrics' lists them.")
    return known[key]


def _kept_records(source: Path) -> tuple[RunRecord, ...]:
    """Records of a logbook, or of the dataset of a batch."""
    if not source.is_dir():
        raise BothEndsError(f"{source}: no such directory.")
    if any(source.glob("bike=*")):
        return Dataset(source).records()
    return Logbook(source, create=False).season()


def _is_asked_for(record: RunRecord, arguments: argparse.Namespace) -> bool:
    """Whether a run is of the bike and circuit asked for; a part of the name is enough."""
    return (arguments.bike or "").lower() in record.bike.lower() and (
        arguments.circuit or ""
    ).lower() in record.circuit.lower()


def _season_json(records: list[RunRecord], metric: Metric) -> str:
    runs = [
        {
            "run": plain(point.name),
            "run_id": point.run_id or None,
            "date": point.date or None,
            "bike": point.bike,
            "circuit": point.circuit,
            "laps": point.laps,
            "value": point.value,
            "lowest_lap": point.low,
            "highest_lap": point.high,
        }
        for point in season_points(records, metric)
    ]
    about = {"schema": SEASON_SCHEMA, "metric": metric.key, "label": metric.label, "unit": metric.unit}
    return json.dumps({**about, "runs": runs}, indent=1)
