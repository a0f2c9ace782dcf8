"""The Parquet dataset of a batch, read back by ourselves, by pandas and by DuckDB."""

from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from telemetry.bike import load_bike
from telemetry.errors import LogbookError
from telemetry.laps import laps_at_pace
from telemetry.logs import read_log
from telemetry.review import review
from telemetry.season import COLUMNS, Dataset, failed, record_of, season_groups, season_points
from telemetry.summary import BY_KEY, LAP_METRICS, values_by_lap

FIXTURES = Path(__file__).parents[2] / "fixtures"
P95 = BY_KEY["front.travel.p95_mm"]


@pytest.fixture(scope="module")
def summary():
    log = read_log(FIXTURES / "vellmoor-clean.csv.gz")
    return review(log, load_bike(FIXTURES / "qb-6.toml")).summary


@pytest.fixture
def record(summary):
    found = record_of(summary, "/logs/a.csv", name="a.csv", date="2026-05-01", circuit="Vellmoor Ring")
    return replace(found, log_sha256="aa", damping="cannot tell", inputs="x")


@pytest.fixture
def dataset(tmp_path, record):
    found = Dataset(tmp_path / "season")
    found.add(record)
    found.add(replace(record, log="/logs/b.csv", name="b.csv", bike="QB/7 = 50 %", date="", log_sha256="bb"))
    found.add(failed("/logs/c.csv", "QB-6", "/logs/c.csv: no table"))
    return found


def test_what_is_written_is_read_back(dataset, record):
    a, b, c = dataset.records()
    assert a == record
    assert (b.bike, b.date, b.rows) == ("QB/7 = 50 %", "", record.rows)
    assert (c.error, c.rows, c.bike) == ("/logs/c.csv: no table", (), "QB-6")


def test_the_numbers_are_those_of_the_review(record, summary):
    whole, *laps = record.rows
    assert whole.lap is None and [row.lap for row in laps] == [lap.lap for lap in summary.laps]
    assert whole.values["front.travel.max_mm"] == summary.ends["front"].wheel.travel.max_mm
    assert whole.values["rear.travel.bottomed"] == len(summary.ends["rear"].bottomed)
    assert whole.values["balance.rebound"] == summary.balance.speed_ratio.rebound
    for row, lap in zip(laps, summary.laps, strict=True):
        for metric in LAP_METRICS:
            value = metric.read(lap)
            assert row.values[metric.key] == (value if value is not None and np.isfinite(value) else None)


def test_a_log_is_in_it_once(dataset, record):
    dataset.add(replace(record, inputs="y"))
    dataset.add(replace(record, inputs="z", bike="QB-6 with another name"))
    assert [(one.log, one.inputs) for one in dataset.records()][0] == ("/logs/a.csv", "z")
    assert len(dataset.records()) == 3


def test_pandas_reads_it(dataset, record):
    table = pd.read_parquet(dataset.path)
    assert set(table.columns) == {"bike", *(column.name for column in COLUMNS)}
    laps = table[(table.log == "/logs/a.csv") & table.lap.notna() & table.at_pace.astype(bool)]
    expected = [row.values[P95.key] for row in record.rows[1:] if row.at_pace]
    assert sorted(laps[P95.key]) == sorted(expected)
    assert set(table.bike.astype(str)) == {record.bike, "QB/7 = 50 %", "QB-6"}
    assert table.date.isna().sum() == len(record.rows) + 1


def test_duckdb_reads_it(dataset, record, summary):
    rows = duckdb.sql(
        f"""SELECT bike, date, avg("{P95.key}"), count(*)
        FROM read_parquet('{dataset.path}/*/*.parquet', hive_partitioning = true)
        WHERE at_pace AND "front.masked_share" <= 0.05 GROUP BY ALL ORDER BY date NULLS LAST"""
    ).fetchall()
    _, values = values_by_lap(laps_at_pace(summary.laps), P95)
    (bike, day, mean, n), (other, no_day, same, _) = rows
    assert (bike, str(day), n) == (record.bike, "2026-05-01", len(values))
    assert mean == pytest.approx(np.mean(values), rel=1e-12) and same == pytest.approx(mean)
    assert (other, no_day) == ("QB/7 = 50 %", None)


def test_every_column_says_what_it_is(dataset):
    import pyarrow.parquet as pq

    for path in dataset.path.glob("*/*.parquet"):
        for field in pq.read_schema(path):
            assert field.metadata[b"meaning"], field.name
    assert len({column.name for column in COLUMNS}) == len(COLUMNS)


def test_a_point_is_the_mean_over_the_laps_that_compare_uses(dataset, summary):
    points = season_points(dataset.records(), P95)
    _, values = values_by_lap(laps_at_pace(summary.laps), P95)
    assert [point.name for point in points] == ["a.csv", "b.csv"]  # dated runs first, none of the failed
    for point in points:
        assert point.value == pytest.approx(np.mean(values), rel=1e-12)
        assert (point.low, point.high, point.laps) == (min(values), max(values), len(values))


def test_the_same_bytes_are_one_run(dataset, record):
    dataset.add(replace(record, log="/logs/copy of a.csv"))
    assert len(season_points(dataset.records(), P95)) == 2


def test_circuits_without_a_name_are_told_apart_by_their_length(record):
    runs = [
        replace(
            record,
            log=str(k),
            log_sha256=str(k),
            circuit="",
            lap_length_m=length,
            date=f"2026-05-{k + 1:02d}",
        )
        for k, length in enumerate((3000.0, 3050.0, 4100.0, 2990.0, None))
    ]
    groups = season_groups(season_points(runs, P95), "circuit")
    assert [(group.name, len(group.points)) for group in groups] == [
        ("lap of 3.01 km", 3), ("lap of 4.10 km", 1), ("circuit not known", 1),
    ]  # fmt: skip
    assert [len(group.points) for group in season_groups(season_points(runs, P95), "bike")] == [5]


def test_a_run_without_a_lap_at_pace_shows_the_whole_run(record):
    laps = tuple(replace(row, at_pace=False) for row in record.rows)
    (point,) = season_points([replace(record, rows=laps)], P95)
    assert (point.laps, point.low) == (0, None) and point.value == record.rows[0].values[P95.key]


def test_another_directory_is_not_written_into(tmp_path):
    (tmp_path / "notes.txt").touch()
    with pytest.raises(LogbookError, match="holds something else"):
        Dataset(tmp_path)
    with pytest.raises(LogbookError, match="is a file"):
        Dataset(tmp_path / "notes.txt")


def test_a_damaged_file_is_named(dataset):
    path = next(dataset.path.glob("*/*.parquet"))
    path.write_bytes(b"PAR1 no more")
    with pytest.raises(LogbookError, match="delete it"):
        dataset.records()
