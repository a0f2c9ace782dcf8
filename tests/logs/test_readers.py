"""One contract for all readers: the same log, in every format, is the same RawLog."""

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from telemetry.logs import READERS, read_log
from tests.logs.log_formats import COLUMNS, UNITS, WRITERS


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.NAME)
def test_contract(tmp_path, reader):
    path = tmp_path / "log"
    columns, units = WRITERS[reader.NAME](path) or (COLUMNS, UNITS)
    assert reader.recognises(path)
    assert next(other.NAME for other in READERS if other.recognises(path)) == reader.NAME
    for log in (read_log(path), read_log(str(path), reader=reader.NAME)):
        assert log.source == str(path)
        assert log.dialect["reader"] == reader.NAME
        assert log.n_rows == 200
        assert dict(log.units) == units
        assert log.history[0].settings["reader"] == reader.NAME
        for name, wanted in columns.items():
            assert log.columns[name].dtype == np.float64
            np.testing.assert_array_equal(log.columns[name], wanted)


def test_parquet_types(tmp_path):
    path = tmp_path / "log.parquet"
    table = pa.table(
        {
            "time_ms": pa.array([0, 2, 4], pa.int32()),
            "fork [mm]": pa.array([1.5, None, 2.5], pa.float32()),
            "brake": pa.array([True, False, None]),
            "state": ["a", "b", "c"],
        }
    ).replace_schema_metadata({"rider": "rider 1"})
    pq.write_table(table, path)
    log = read_log(path)
    assert dict(log.units) == {"time_ms": "ms", "fork": "mm", "brake": ""}
    np.testing.assert_array_equal(log.columns["fork"], [1.5, np.nan, 2.5])
    np.testing.assert_array_equal(log.columns["brake"], [1, 0, np.nan])
    assert [note.channel for note in log.notes] == ["state"]
    assert log.metadata == {"rider": "rider 1"}
