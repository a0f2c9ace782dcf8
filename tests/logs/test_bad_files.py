"""Files that cannot be used: one line that names the file and says what to do."""

import gzip
import os

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from telemetry.errors import LogError
from telemetry.logs import READERS, read_log

CASES = {
    "empty.csv": (b"", r"empty\.csv: is empty \(0 bytes\)"),
    "blank.csv": (b"\n  \n\n", r"blank\.csv: is empty"),
    "binary.csv": (
        bytes(range(256)) * 20,
        rf"binary\.csv: is a binary file that no reader \({', '.join(reader.NAME for reader in READERS)}\)",
    ),
    "picture.png": (
        b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR",
        r"picture\.png: is a binary file .* its first bytes are",
    ),
    "header.csv": (b"time,fork,shock\n", r"header\.csv: holds a header but no rows of data"),
    "two_lines.csv": (b"time,fork\ns,mm\n", r"two_lines\.csv: no column of numbers"),
    "prose.txt": (
        b"Dear team,\nthe fork was fine.\nThe shock, not so much.\n",
        r"prose\.txt: no column of numbers",
    ),
    "cut.csv.gz": (gzip.compress(os.urandom(5000).hex().encode())[:3000], r"cut\.csv\.gz: is damaged"),
    "broken.parquet": (b"PAR1 and then nothing", r"broken\.parquet: is damaged"),
    "ragged.csv": (
        b"time,a,b\n" + b"0,1,2\n7\n7,8\n" * 100,
        r"ragged\.csv, row 3: more than half of the rows do not have 3 cells",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_each_gives_its_reason(tmp_path, name):
    content, message = CASES[name]
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(LogError, match=message) as caught:
        read_log(path)
    assert "\n" not in str(caught.value)


def test_missing_file(tmp_path):
    with pytest.raises(LogError, match=r"nothing\.csv: no such file"):
        read_log(tmp_path / "nothing.csv")


def test_directory(tmp_path):
    with pytest.raises(LogError, match="is a directory"):
        read_log(tmp_path)


def test_unknown_reader(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(
        LogError, match="reader 'xls' is not known; known are 'Parquet', 'Arrow IPC', 'ASAM MDF', "
    ):
        read_log(path, reader="xls")


def test_text_read_as_parquet(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(LogError, match="is damaged"):
        read_log(path, reader="Parquet")


def test_parquet_without_numbers(tmp_path):
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table({"name": ["a", "b"]}), path)
    with pytest.raises(LogError, match="no column of numbers"):
        read_log(path)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(alphabet='0123456789.,;\t-e \n\r"#NaNtime[]mm', max_size=300).map(str.encode),
    )
)
def test_any_bytes_give_a_log_or_the_documented_error(tmp_path, content):
    path = tmp_path / "any.csv"
    path.write_bytes(content)
    try:
        log = read_log(path)
    except LogError as error:
        assert str(path) in str(error)
        assert "\n" not in str(error)
    else:
        assert log.n_rows > 0
        assert all(
            len(values) == log.n_rows and not np.isinf(values).any() for values in log.columns.values()
        )
