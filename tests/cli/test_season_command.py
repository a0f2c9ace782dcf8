"""``bothends season``: one number of the runs of a logbook or a dataset."""

import json
import re

import pytest

from telemetry.logbook import Logbook
from telemetry.season import season_points
from telemetry.summary import BY_KEY, LAP_METRICS
from tests.cli.cli_fixtures import *  # noqa: F403


@pytest.fixture
def two_logs(files, tmp_path):
    log, bike = files
    header, *rows = log.read_text().splitlines()
    logs = [tmp_path / "2026-05-01 a.csv", tmp_path / "2026-04-01 b.csv"]
    for k, path in enumerate(logs):
        path.write_text("\n".join([header, *rows[k::5]]))
    return logs, bike


def test_a_dataset_and_a_logbook_show_the_same_numbers(run, two_logs, tmp_path):
    logs, bike = two_logs
    command = ["batch", *logs, "--bike", bike, "--workers", 1]
    assert run(*command, "--out", tmp_path / "season")[0] == 0
    assert run(*command, "--logbook", tmp_path / "book")[0] == 0
    told = []
    for source in ("season", "book"):
        code, out, err = run(
            "season", tmp_path / source, "--metric", "front.travel.p95_mm", "--json", tmp_path / f"{source}.json",
            "--html", tmp_path / f"{source}.html",
        )  # fmt: skip
        assert (code, err) == (0, "") and "2 runs, 1 bike" in out
        told.append(json.loads((tmp_path / f"{source}.json").read_text()))
        page = (tmp_path / f"{source}.html").read_text()
        assert page.count('class="dot"') == 2 and "<script" not in page
    a, b = told
    assert (
        [one["date"] for one in a["runs"]]
        == [one["date"] for one in b["runs"]]
        == ["2026-04-01", "2026-05-01"]
    )
    assert [one["value"] for one in a["runs"]] == [one["value"] for one in b["runs"]]
    assert all(one["run_id"] for one in b["runs"]) and not any(one["run_id"] for one in a["runs"])


def test_a_logbook_keeps_the_numbers_and_takes_its_words_from_the_catalogue(run, two_logs, tmp_path):
    logs, bike = two_logs
    book = Logbook(tmp_path / "book")
    run_id = book.add(logs[0], bike, place="Sandgate")
    (first,) = book.season()
    kept = {path: path.stat().st_mtime_ns for path in (tmp_path / "book" / "season").glob("*/*.parquet")}
    assert len(kept) == 1 and (first.circuit, first.date) == ("Sandgate", "2026-05-01")
    book.add(logs[0], bike, place="Vellmoor Ring", name="run 1")
    (again,) = book.season()
    assert (again.circuit, again.name, again.run_id) == ("Vellmoor Ring", "run 1", run_id)
    assert again.rows == first.rows
    assert {path: path.stat().st_mtime_ns for path in kept} == kept
    next(iter(kept)).write_bytes(b"damaged")
    assert book.season() == (again,)  # made again
    assert run("logbook", "verify", tmp_path / "book")[0] == 0


def test_what_can_be_shown_is_listed(run):
    code, out, _ = run("season", "--metrics")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == [metric.key for metric in LAP_METRICS]


def test_what_is_wrong_is_said_in_a_line(run, tmp_path):
    assert "did you mean" in run("season", tmp_path, "--metric", "rear.travel.maxmm")[2]
    assert "no such directory" in run("season", tmp_path / "gone")[2]
    assert "name a logbook" in run("season")[2]
    (tmp_path / "x").touch()
    code, _, err = run("season", tmp_path)
    assert code == 1 and err.count("\n") == 1


def test_only_some_bikes_and_circuits(run, two_logs, tmp_path):
    logs, bike = two_logs
    book = Logbook(tmp_path / "book")
    for log, place in zip(logs, ("Sandgate", "Vellmoor Ring"), strict=True):
        book.add(log, bike, place=place)
    _, out, _ = run("season", tmp_path / "book", "--circuit", "sand", "--bike", "qb-6")
    assert "Sandgate" in out and "Vellmoor" not in out
    value = season_points(book.season(), BY_KEY["rear.travel.max_mm"])[1].value
    assert re.search(rf"\b{value:.1f}\b", out)
    assert "There is no run" in run("season", tmp_path / "book", "--bike", "none")[1]
