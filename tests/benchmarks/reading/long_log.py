"""A long log with ten full columns, made of the laps of a demo fixture over and over."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from telemetry.logs import read_log

FIXTURES = Path(__file__).parents[3] / "fixtures"
DECIMALS = {
    "fork": 4,
    "shock": 4,
    "speed": 2,
    "throttle": 1,
    "brake": 2,
    "lean": 2,
    "latitude": 7,
    "longitude": 7,
}


def _one_lap(rate_hz: float) -> dict[str, np.ndarray]:
    """The columns of one complete lap, every row filled."""
    log = read_log(FIXTURES / "vellmoor-clean.csv.gz")
    t, lap = log.columns["time"], log.columns["lap"]
    start, end = t[np.argmax(lap == 2)], t[np.argmax(lap == 3)]
    at = np.arange(start, end, 1 / rate_hz)
    found = {}
    for name, decimals in DECIMALS.items():
        there = np.isfinite(log.columns[name])
        found[name] = np.round(np.interp(at, t[there], log.columns[name][there]), decimals)
    return found


def write_long_log(path: Path, minutes: float, rate_hz: float = 1000.0) -> int:
    """Write the log; returns its number of rows."""
    lap, wanted, written = _one_lap(rate_hz), round(60 * minutes * rate_hz), 0
    length, number = len(lap["fork"]), 0
    noise = np.random.default_rng(3)
    with path.open("wb") as file:
        file.write(b"time [s],fork [V],shock [V],speed [km/h],throttle [%],brake [bar],lean [deg],"
                   b"latitude [deg],longitude [deg],lap\n")  # fmt: skip
        while written < wanted:
            rows = min(length, wanted - written)
            columns = {"time": np.round((written + np.arange(rows)) / rate_hz, 3)}
            for name, values in lap.items():
                columns[name] = values[:rows]
                if name in ("fork", "shock"):  # no two laps alike, to the digit
                    columns[name] = np.round(values[:rows] + 1e-3 * noise.standard_normal(rows), 4)
            columns["lap"] = np.full(rows, number)
            options = arrow_csv.WriteOptions(include_header=False)
            arrow_csv.write_csv(pa.table(columns), file, options)
            written, number = written + rows, number + 1
    return written
