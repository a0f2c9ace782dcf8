"""Records of many runs as one Parquet dataset, partitioned by bike, which other programs read as it is.

::

    bike=QB-6/<name>.parquet     one log: a row for the whole run (``lap`` is null), then a row for each lap

A file is written in one step, and its name comes from the log's path: the same log is in the dataset once.
"""

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from os import getpid
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import pyarrow as pa

from telemetry.arrays import ENDS
from telemetry.errors import LogbookError
from telemetry.season.records import LapRecord, RunRecord
from telemetry.summary import LAP_METRICS


@dataclass(frozen=True)
class _Column:
    """One column: name, Arrow type, meaning; ``unit`` for numbers that have one."""

    name: str
    type: pa.DataType
    meaning: str
    unit: str = ""


_OF_RUN = (
    _Column("log", pa.string(), "path or address of the log"),
    _Column("name", pa.string(), "name of the run"),
    _Column("date", pa.date32(), "day of the outing, null where unknown"),
    _Column("circuit", pa.string(), "name of the circuit, empty where unknown"),
    _Column("lap_length_m", pa.float64(), "median length of the complete laps", "m"),
    _Column("laps", pa.int32(), "complete laps of the run"),
    _Column("quickest_lap_s", pa.float64(), "quickest complete lap", "s"),
    _Column("oscillation", pa.string(), "lost rear damping: yes, no or cannot_tell"),
    _Column("damping", pa.string(), "verdict on the dampers in words"),
    _Column("limits", pa.string(), "which end was not judged and why, a line each"),
    _Column("error", pa.string(), "why the log could not be used, empty if it could"),
    _Column("run_id", pa.string(), "id of the run in its logbook, empty without one"),
    _Column("log_sha256", pa.string(), "hash of the log's bytes"),
    _Column("inputs", pa.string(), "hash of everything that the numbers depend on"),
)
_OF_LAP = (
    _Column("lap", pa.int32(), "lap number; null in the row of the whole run"),
    _Column("complete", pa.bool_(), "whether the lap is complete"),
    _Column("at_pace", pa.bool_(), "whether the lap counts in a mean"),
    *(
        _Column(f"{end}.masked_share", pa.float64(), f"share of {end} samples that are masked")
        for end in ENDS
    ),
)
# Every column in order; the partition column `bike` is in the path.
COLUMNS = (
    *_OF_RUN,
    *_OF_LAP,
    *(_Column(metric.key, pa.float64(), metric.label, metric.unit) for metric in LAP_METRICS),
)
_SCHEMA = pa.schema(
    [pa.field(one.name, one.type, metadata={"meaning": one.meaning, "unit": one.unit}) for one in COLUMNS]
)
_KEYS = tuple(metric.key for metric in LAP_METRICS)
# Changes with the numbers that a record holds, so that older records are made again.
REGISTRY = sha256(" ".join(_KEYS).encode()).hexdigest()[:12]


class Dataset:
    """A Parquet dataset of records in a directory.

    Parameters
    ----------
    path : str or Path
        Made with the first record.

    Raises
    ------
    LogbookError
        If it is a file, or a directory with something else in it.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if self.path.exists() and not self.path.is_dir():
            raise LogbookError(f"{self.path}: is a file; a dataset is a directory.")
        if self.path.is_dir():
            others = [each.name for each in self.path.iterdir() if not each.name.startswith((".", "bike="))]
            if others:
                raise LogbookError(
                    f"{self.path}: holds something else ({others[0]}); choose another directory."
                )

    def add(self, record: RunRecord) -> Path:
        """Write the record of a log, in place of an earlier one of the same log.

        Raises
        ------
        LogbookError
            If it cannot be written.
        """
        import pyarrow.parquet as pq

        name = sha256((record.run_id or record.log).encode()).hexdigest()[:20] + ".parquet"
        path = self.path / f"bike={quote(record.bike or 'unnamed', safe=' ')}" / name
        part = path.with_name(f".{name}.{getpid()}.part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            pq.write_table(_table(record), part, compression="zstd")
            part.replace(path)
            for earlier in self.path.glob(f"bike=*/{name}"):  # the bike has another name now
                if earlier != path:
                    earlier.unlink(missing_ok=True)
        except OSError as error:
            raise LogbookError(f"{path}: cannot be written ({error.strerror or error}).") from None
        finally:
            with suppress(OSError):
                part.unlink(missing_ok=True)
        return path

    def records(self) -> tuple[RunRecord, ...]:
        """All records, by path of the log; `LogbookError` if a file is damaged."""
        found = (record for path in self.path.glob("bike=*/[!.]*.parquet") for record in _records(path))
        return tuple(sorted(found, key=lambda record: record.log))


def _table(record: RunRecord) -> pa.Table:
    of_run = {
        column.name: getattr(record, column.name) for column in _OF_RUN if column.name not in ("date", "limits")
    }  # fmt: skip
    of_run |= {
        "date": date.fromisoformat(record.date) if record.date else None,
        "limits": "\n".join(record.limits),
    }
    rows = [{**of_run, **_row(row)} for row in record.rows] or [of_run]
    return pa.Table.from_pylist(rows, schema=_SCHEMA)


def _row(row: LapRecord) -> dict[str, Any]:
    masked = {f"{end}.masked_share": row.masked_share.get(end) for end in ENDS}
    return {"lap": row.lap, "complete": row.complete, "at_pace": row.at_pace, **masked, **row.values}


def _records(path: Path) -> Iterator[RunRecord]:
    import pyarrow.parquet as pq

    try:
        rows = pq.ParquetFile(path).read().to_pylist()
        if rows:
            yield _record(unquote(path.parent.name.removeprefix("bike=")), rows)
    except (OSError, pa.ArrowException, KeyError) as error:
        reason = (str(error).splitlines() or ["damaged"])[0]
        raise LogbookError(f"{path}: cannot be read ({reason}); delete it and run the batch again.") from None


def _record(bike: str, rows: list[dict[str, Any]]) -> RunRecord:
    of_run = {
        column.name: rows[0][column.name] for column in _OF_RUN if column.name not in ("date", "limits")
    }  # fmt: skip
    day, limits = rows[0]["date"], rows[0]["limits"]
    kept = tuple(_lap(row) for row in rows) if rows[0]["complete"] is not None else ()
    return RunRecord(
        **of_run, bike=bike, date=day.isoformat() if day else "", limits=tuple(limits.splitlines()), rows=kept
    )


def _lap(row: Mapping[str, Any]) -> LapRecord:
    return LapRecord(
        row["lap"],
        row["complete"],
        row["at_pace"],
        {end: share for end in ENDS if (share := row[f"{end}.masked_share"]) is not None},
        {key: row.get(key) for key in _KEYS},
    )
