"""One table, written in every dialect, must read to the identical table."""

import bz2
import gzip
import itertools

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.errors import LogError
from telemetry.logs import read_log
from telemetry.logs.textfile import sniff

NAMES = ("time", "fork", "shock", "speed")
UNITS = ("s", "mV", "V", "km/h")
TABLE = np.column_stack(
    [
        np.round(np.arange(40) / 200, 4),
        np.round(1500 + 300 * np.sin(np.arange(40) / 5), 1),
        np.round(2 + np.cos(np.arange(40) / 7), 4),
        np.where(np.arange(40) % 10 == 0, np.round(80 + np.arange(40) / 3, 2), np.nan),  # logged at 20 Hz
    ]
)

DELIMITERS = (",", ";", "\t")
DECIMALS = (".", ",")
UNITS_IN = ("none", "row", "square brackets", "round brackets")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1")
LINE_ENDS = ("\n", "\r\n")
MATRIX = [
    way
    for way in itertools.product(DELIMITERS, DECIMALS, UNITS_IN, ENCODINGS, LINE_ENDS)
    if (way[0], way[1]) != (",", ",")  # only with quotes: see below
]


def write_text(
    table=TABLE,
    *,
    delimiter=",",
    decimal=".",
    units_in="none",
    line_end="\n",
    na="",
    quote=False,
    preamble=(),
):
    def cell(value):
        text = na if np.isnan(value) else f"{value:.10g}".replace(".", decimal)
        return f'"{text}"' if quote else text

    headers = {
        "square brackets": [f"{name} [{unit}]" for name, unit in zip(NAMES, UNITS, strict=True)],
        "round brackets": [f"{name} ({unit})" for name, unit in zip(NAMES, UNITS, strict=True)],
    }.get(units_in, NAMES)
    lines = [*preamble, delimiter.join(headers)]
    if units_in == "row":
        lines.append(delimiter.join(UNITS))
    lines += [delimiter.join(cell(value) for value in row) for row in table]
    return line_end.join([*lines, ""])


def assert_is_the_table(log, table=TABLE):
    assert tuple(log.columns) == NAMES
    for name, wanted in zip(NAMES, table.T, strict=True):
        np.testing.assert_array_equal(log.columns[name], wanted)


@pytest.mark.parametrize(("delimiter", "decimal", "units_in", "encoding", "line_end"), MATRIX)
def test_every_dialect_reads_to_the_identical_table(
    tmp_path, delimiter, decimal, units_in, encoding, line_end
):
    path = tmp_path / "log.csv"
    preamble = ["Rider: rider 1", "Ort: Höhe 3°"] if encoding == "latin-1" else ["Rider: rider 1"]
    text = write_text(
        delimiter=delimiter, decimal=decimal, units_in=units_in, line_end=line_end, preamble=preamble
    )
    path.write_bytes(text.encode(encoding))
    log = read_log(path)
    assert_is_the_table(log)
    assert tuple(log.units.values()) == (("",) * 4 if units_in == "none" else UNITS)
    assert log.dialect["encoding"] == encoding
    assert log.metadata["Rider"] == "rider 1"
    assert log.notes == ()
    # the line of the file that holds row 0, as an editor counts it
    assert log.first_row == len(preamble) + 2 + (units_in == "row")


# What only touches the bytes (encoding, line end, compression) is tried in full on a few texts. What touches the lines
# is tried on plain bytes: of every combination each eleventh, in which every three values meet (checked below).
SQUEEZE = {"none": bytes, "gzip": gzip.compress, "bz2": bz2.compress,
           "zstd": lambda data: bytes(pa.compress(data, "zstd", asbytes=True))}  # fmt: skip
LINES = [
    way
    for way in itertools.product(
        (",", ";", "\t", "|"), DECIMALS, UNITS_IN, (False, True), ("", "NaN", "n/a", "-"), (0, 3),
        (False, True), (False, True), (False, True),
    )
    if way[3] or (way[0], way[1]) != (",", ",")  # a decimal comma between commas needs quotes
][::11]  # fmt: skip


def varied(delimiter, decimal, units_in, quote, na, preamble, comments, trailing, again):
    """The text, and the rows of the table that it holds (NaN where a line is none of them)."""
    head = ["Rider: rider 1", "Place;Höhe 3°", ""][:preamble]
    lines = write_text(
        delimiter=delimiter, decimal=decimal, units_in=units_in, quote=quote, na=na
    ).splitlines()
    n_head = 1 + (units_in == "row")
    rows = list(TABLE)
    if trailing:
        lines = [f"{line}{delimiter}" for line in lines]
    if again:
        lines[n_head + 20 : n_head + 20] = lines[:n_head]
        rows[20:20] = [np.full(4, np.nan)] * n_head
    if comments:
        lines[n_head + 10 : n_head + 10] = ["# lap 2"]
        rows[10:10] = [np.full(4, np.nan)]
    return "\n".join([*head, *lines, ""]), np.array(rows), len(head) + n_head + 1


def assert_reads(log, rows, first_row, units_in):
    assert_is_the_table(log, rows)
    assert tuple(log.units.values()) == (("",) * 4 if units_in == "none" else UNITS)
    assert log.first_row == first_row
    assert {note.severity for note in log.notes} <= {"info"}


def test_every_three_values_of_the_lines_meet():
    for places in itertools.combinations(range(9), 3):
        values = [sorted({way[place] for way in LINES}) for place in places]
        met = {tuple(way[place] for place in places) for way in LINES}
        possible = set(itertools.product(*values))
        if places == (0, 1, 3):
            possible.remove((",", ",", False))
        assert met == possible, places


def test_combinations_of_lines_read_to_the_identical_table(tmp_path):
    path = tmp_path / "log.csv"
    for way in LINES:
        text, rows, first_row = varied(*way)
        path.write_text(text, encoding="utf-8")
        try:
            assert_reads(read_log(path), rows, first_row, way[2])
        except (AssertionError, LogError) as error:
            raise AssertionError(f"{way}: {error}") from error


@pytest.mark.parametrize("squeeze", SQUEEZE)
@pytest.mark.parametrize("encoding", [*ENCODINGS, "utf-16-be"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_combination_of_bytes_reads_to_the_identical_table(tmp_path, squeeze, encoding, line_end):
    path = tmp_path / "log.csv"
    ways = (
        (";", ",", "row", False, "", 3, False, True, False),
        (",", ".", "square brackets", False, "", 0, True, False, False),
        (",", ",", "round brackets", True, "NaN", 3, True, True, True),
        ("\t", ".", "none", False, "n/a", 3, False, False, True),
    )
    for way in ways:
        text, rows, first_row = varied(*way)
        path.write_bytes(SQUEEZE[squeeze](text.replace("\n", line_end).encode(encoding)))
        log = read_log(path)
        assert_reads(log, rows, first_row, way[2])
        assert log.dialect["compression"] == squeeze


@pytest.mark.parametrize("delimiter", DELIMITERS)
@pytest.mark.parametrize("decimal", DECIMALS)
def test_quoted_cells(tmp_path, delimiter, decimal):
    path = tmp_path / "log.csv"
    path.write_text(write_text(delimiter=delimiter, decimal=decimal, quote=True))
    assert_is_the_table(read_log(path))


@pytest.mark.parametrize("na", ["NaN", "NA", "n/a", "null", "-", "  ", " nan ", "#N/A"])
def test_words_for_no_value(tmp_path, na):
    path = tmp_path / "log.csv"
    path.write_text(write_text(na=na))
    log = read_log(path)
    assert_is_the_table(log)
    assert log.notes == ()


def test_a_word_for_no_value_that_comes_late(tmp_path):
    late = np.vstack([np.nan_to_num(TABLE)] * 400)
    late[-3, 1] = np.nan
    path = tmp_path / "log.csv"
    path.write_text(write_text(late, na="N/A"))
    log = read_log(path)
    assert_is_the_table(log, late)
    assert log.notes == ()


def test_trailing_delimiter_makes_no_column(tmp_path):
    path = tmp_path / "log.csv"
    lines = write_text(delimiter=";", decimal=",", units_in="row").splitlines()
    for ending in (lines, [lines[0], *[f"{line};" for line in lines[1:]]], [f"{line};" for line in lines]):
        path.write_text("\n".join(ending))
        assert_is_the_table(read_log(path))


def test_comments_blank_lines_and_a_commented_header(tmp_path):
    path = tmp_path / "log.csv"
    body = write_text().splitlines()[1:]
    path.write_text("\n".join(["# made by a logger", "# time, fork, shock, speed", *body]))
    log = read_log(path)
    assert_is_the_table(log)
    assert log.first_row == 3


def test_rows_keep_their_line_number_past_comments_and_blank_lines(tmp_path):
    path = tmp_path / "log.csv"
    lines = write_text().splitlines()
    lines[11:11] = ["# lap 2", "", "1,2"]
    path.write_text("\n".join(lines))
    log = read_log(path)
    row = {name: values[37 - log.first_row] for name, values in log.columns.items()}
    assert row["time"] == float(lines[36].split(",")[0])
    np.testing.assert_array_equal(np.isnan(log.columns["time"][10:13]), True)
    (note,) = log.notes
    assert (note.code, note.message) == (
        "odd_rows",
        "1 rows do not have 4 cells (first: row 14); they count as missing.",
    )


def test_a_cut_last_line_is_left_out_and_said(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(write_text()[:-12])
    log = read_log(path)
    assert_is_the_table(log, TABLE[:-1])
    assert [note.code for note in log.notes] == ["cut_last_line"]


def test_words_among_numbers_are_counted_and_located(tmp_path):
    path = tmp_path / "log.csv"
    lines = write_text().splitlines()
    for line in (20, 30):
        cells = lines[line - 1].split(",")
        lines[line - 1] = ",".join([cells[0], "ERR", *cells[2:]])
    path.write_text("\n".join(lines))
    log = read_log(path)
    assert np.flatnonzero(np.isnan(log.columns["fork"])).tolist() == [18, 28]
    (note,) = log.notes
    assert note.severity == "warning"
    assert note.channel == "fork"
    assert note.message == "2 cells of 'fork' are no numbers (first: 'ERR' in row 20); they count as missing."


def test_a_column_of_words_is_said_to_be_one(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,state,fork", *[f"{i / 100},OK,{i}" for i in range(30)]]))
    log = read_log(path)
    assert np.isnan(log.columns["state"]).all()
    assert "'state' holds words" in log.notes[0].message


def test_no_header(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("\n".join(write_text().splitlines()[1:]))
    log = read_log(path)
    assert list(log.columns) == ["column 1", "column 2", "column 3", "column 4"]
    assert log.dialect["header"] == "none"
    assert log.first_row == 1


def test_repeated_names_are_told_apart(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,fork,fork\n0,1,2\n1,3,4\n")
    assert list(read_log(path).columns) == ["time", "fork", "fork (2)"]


def test_whole_numbers_in_the_head_leave_the_decimal_mark_open(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"{i};{i % 7}" for i in range(40_000)]
    path.write_text("\n".join(["time [ms];fork", *rows, "40000;2,5"]))
    assert read_log(path).columns["fork"][-1] == 2.5


def test_preamble_in_cells(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("Format;7\nSample rate;200\n\n" + write_text(delimiter=";", units_in="row"))
    log = read_log(path)
    assert_is_the_table(log)
    assert log.metadata == {"Format": "7", "Sample rate": "200"}


@given(
    st.lists(
        st.lists(st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: round(x, 3)), min_size=2, max_size=2),
        min_size=3,
        max_size=60,
    ),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]),
)
def test_the_sniffer_finds_delimiter_and_decimal_mark(rows, way):
    delimiter, decimal = way
    rows[0][0] += 0.5  # at least one decimal mark to see
    lines = ["time" + delimiter + "fork"]
    lines += [delimiter.join(f"{x:.3f}".replace(".", decimal) for x in row) for row in rows]
    dialect = sniff(lines)
    assert dialect is not None
    assert (dialect.delimiter, dialect.decimal, dialect.first_row) == (delimiter, decimal, 2)
