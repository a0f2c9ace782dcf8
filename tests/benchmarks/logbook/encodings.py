"""How small a stored log is, and how soon it is open again: encodings compared on the same columns.

    python -m tests.benchmarks.logbook.encodings [LOG ...]

By default the demo logs. Every encoding is checked to give the very numbers back. Bytes are against those of the
CSV (unpacked); times are CPU seconds, best of three, reopening against pyarrow's bare parse of the CSV.
"""

import gzip
import io
import sys
import time
from pathlib import Path
from tempfile import gettempdir

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from telemetry.decimals import packed
from telemetry.logbook.columns import read_stored_log, write_log
from telemetry.logs import RawLog, read_log

FIXTURES = Path(__file__).parents[3] / "fixtures"
DIFFERENCES = {"use_dictionary": False, "column_encoding": "DELTA_BINARY_PACKED"}
WHOLE = {
    "whole numbers, dictionary": {},
    "whole numbers, plain": {"use_dictionary": False},
    "whole numbers, differences": DIFFERENCES,
    "whole numbers, split bytes": {"use_dictionary": False, "use_byte_stream_split": True},
}
FLOATS = {
    "float64, dictionary": {},
    "float64, split bytes": {"use_dictionary": False, "use_byte_stream_split": True},
}


def best_of_three(work) -> float:
    """CPU seconds of the quickest of three."""
    times = []
    for _ in range(3):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def sizes(log: RawLog) -> dict[str, int]:
    """Bytes of each encoding, with zstd."""
    floats = pa.table({name: pa.array(v, mask=np.isnan(v)) for name, v in log.columns.items()})
    whole = {}
    for name, values in log.columns.items():
        found = packed(values).whole_numbers()
        if found is None:
            raise SystemExit(f"{log.source}: {name} holds no decimals; choose another log")
        numbers, decimals = found
        np.testing.assert_array_equal(
            np.where(np.isnan(values), np.nan, numbers / 10.0**decimals), values, err_msg=name
        )
        small = np.abs(numbers).max(initial=0) < 2**31
        whole[name] = pa.array(numbers.astype(np.int32) if small else numbers, mask=np.isnan(values))
    result = {}
    for table, settings in ((floats, FLOATS), (pa.table(whole), WHOLE)):
        for label, options in settings.items():
            buffer = io.BytesIO()
            pq.write_table(table, buffer, compression="zstd", **options)
            result[label] = buffer.tell()
    return result


def main(paths: list[Path]) -> None:
    """Print a table for each log."""
    for path in paths:
        data = path.read_bytes()
        csv = gzip.decompress(data) if path.suffix == ".gz" else data
        log, stored = read_log(path), Path(gettempdir()) / f"bothends-{path.name}.parquet"
        write_log(log, stored)
        back = read_stored_log(stored)
        for name, values in log.columns.items():
            np.testing.assert_array_equal(back.columns[name], values, err_msg=name)
        bare = csv if b";" not in csv[:200] else None  # (a bare parse takes commas and points only)
        parse_s = best_of_three(lambda bare=bare: bare and pyarrow.csv.read_csv(io.BytesIO(bare)))
        open_s = best_of_three(lambda stored=stored: read_stored_log(stored))
        print(f"{path.name}: {log.n_rows} rows, {len(log.columns)} columns, {len(csv) / 1e6:.2f} MB of CSV")
        found = {"the CSV in gzip": len(gzip.compress(csv)), **sizes(log)}
        for label, size in {**found, "levels and differences (kept)": stored.stat().st_size}.items():
            print(f"  {label:36} {size / 1e6:7.3f} MB  {size / len(csv):.3f} of the CSV")
        ratio = f", {open_s / parse_s:.2f} of a bare parse" if bare else ""
        print(f"  reopened in {1e3 * open_s:.1f} ms{ratio}; equal to the last bit")
        stored.unlink()


if __name__ == "__main__":
    given = [Path(text) for text in sys.argv[1:]]
    main(given or [*sorted(FIXTURES.glob("vellmoor-*.csv*")), FIXTURES / "qb3-semicolon.csv"])
