"""``bothends season``: one number over dates, bikes and circuits."""

import argparse
import json
from difflib import get_close_matches
from pathlib import Path

from telemetry.cli.output import check_outputs, console, write_page, write_text
from telemetry.errors import BothEndsError
from telemetry.logbook import Logbook
from telemetry.plaintext import plain
from telemetry.report import document_html, print_document, season_document
from telemetry.season import Dataset, RunRecord, season_points
from telemetry.summary import LAP_METRICS, Metric

SCHEMA = "bothends.season/1"


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
    records = [record for record in _records(Path(arguments.source)) if _is_asked_for(record, arguments)]
    if arguments.json:
        write_text(arguments.json, _json_text(records, metric))
    document = season_document(records, metric, arguments.by)
    if arguments.html:
        write_page(arguments, arguments.html, document_html(document))
    print_document(document, console(arguments))


def _metric(key: str) -> Metric:
    known = {metric.key: metric for metric in LAP_METRICS}
    if key not in known:
        close = get_close_matches(key, known, 3, 0.4)
        meant = f"did you mean {', '.join(close)}? " if close else ""
        raise BothEndsError(f"--metric {key}: is no metric; {meant}'bothends season --metrics' lists them.")
    return known[key]


def _records(source: Path) -> tuple[RunRecord, ...]:
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


def _json_text(records: list[RunRecord], metric: Metric) -> str:
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
    about = {"schema": SCHEMA, "metric": metric.key, "label": metric.label, "unit": metric.unit}
    return json.dumps({**about, "runs": runs}, indent=1)
