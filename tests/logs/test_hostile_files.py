"""Files that would take all memory or time, and files that are of another kind."""

import gzip
import zipfile

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from telemetry.errors import LogError
from telemetry.logs import read_log, textfile
from telemetry.logs.rawlog import unique_names


@pytest.mark.parametrize("pack", [gzip.compress, bytes])
def test_a_file_of_blank_lines_is_refused_before_it_takes_all_memory(tmp_path, monkeypatch, pack):
    monkeypatch.setattr(textfile, "ALWAYS_ALLOWED_CELLS", 5_000_000)
    log = tmp_path / "log.csv.gz"
    log.write_bytes(pack(b"a,b,c,d,e,f,g,h\n" + b"1,2,3,4,5,6,7,8\n" * 3 + b"\n" * 2_000_000))
    with pytest.raises(LogError, match="million cells, nearly all of them blank or the same"):
        read_log(log)


def test_a_parquet_of_one_number_is_refused_before_it_takes_all_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(textfile, "ALWAYS_ALLOWED_CELLS", 5_000_000)
    log = tmp_path / "log.parquet"
    pq.write_table(pa.table({"time": pa.array(np.zeros(6_000_000, dtype=np.int8))}), log)
    with pytest.raises(LogError, match="million cells, nearly all of them blank or the same"):
        read_log(log)


def test_a_log_with_pauses_of_blank_lines_is_read(tmp_path):
    log = tmp_path / "log.csv"
    log.write_text("time,fork\n" + "".join(f"{i / 100},{i % 7}\n{chr(10) * (i % 3)}" for i in range(3000)))
    assert np.isfinite(read_log(log).columns["fork"]).sum() == 3000


def test_thousands_of_columns_of_one_name():
    names = unique_names(["a"] * 20_000 + ["a (2)"])
    assert len(set(names)) == 20_001 and names[1] == "a (2)" and names[-1] == "a (2) (2)"


def test_an_archive_is_to_be_unpacked(tmp_path):
    path = tmp_path / "log.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("log.csv", "time,fork\n0,1\n")
    with pytest.raises(LogError, match="is a .zip archive or a spreadsheet; unpack it"):
        read_log(path)


def test_a_quotation_mark_that_is_never_closed_is_said_in_words(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text('time,fork\n0,1\n1,2\n2,"3\n' + "3,4\n" * 700_000)
    with pytest.raises(LogError, match="a line is longer than 0.5 MB, or a quotation mark"):
        read_log(path)


def test_cells_beyond_all_reason_are_missing(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "time,fork\n" + "".join(f"{i / 100},{'-1e300' if i == 5 else i % 7}\n" for i in range(50))
    )
    log = read_log(path)
    assert np.isnan(log.columns["fork"][5])
    (note,) = log.notes
    assert note.message == "1 cells of 'fork' are beyond 1e+30 (first: row 7); they count as missing."


def test_no_name_in_a_file_steers_a_terminal(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes("time,fo\x1brk\n0,1\n1,2\n2,3\n".encode("utf-16"))
    log = read_log(path)
    assert list(log.columns) == ["time", "fo\ufffdrk"]
