"""Setup sheets: what is read, what is refused and in which words, what differs."""

from datetime import date

import pytest

from telemetry.errors import BikeFileError
from telemetry.setup import changes, load_sheet, parse_sheet

SHEET = """
name = "Friday 2"
date = 2026-05-01
place = "Vellmoor Ring"
outing = 2
[front]
spring_rate_n_per_mm = 9.5
compression_clicks = 10
fork_height_mm = 4
[rear]
shock_length_mm = 312.5
"""


def test_reads_a_sheet(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_text(SHEET, encoding="utf-8")
    sheet = load_sheet(path)
    assert (sheet.date, sheet.outing, sheet.rear.shock_length_mm) == (date(2026, 5, 1), "2", 312.5)
    assert sheet.front.rebound_clicks is None
    assert sheet.source == str(path)


def test_an_empty_sheet_is_a_sheet():
    assert parse_sheet({}).name is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[front]\nprelaod_mm = 5",
            "front.prelaod_mm: is not a key of a setup sheet; did you mean preload_mm?",
        ),
        ("[rear]\nfork_height_mm = 5", "rear.fork_height_mm: is not a key of a setup sheet"),
        ("[middle]\nx = 1", "middle: is not a key of a setup sheet; allowed: name, date"),
        (
            "[front]\nrebound_clicks = -1",
            "front.rebound_clicks = -1 is not between 0 and 100 clicks. With the wrong sign? Then write 1",
        ),
        ("[front]\npreload_mm = 'lots'", "front.preload_mm: Input should be a valid number"),
        ("[front]\npreload_mm = nan", "front.preload_mm: Input should be a finite number"),
        ("date = 'soon'", "date: Input should be a valid date"),
        ("front = 3", "front: Input should be"),
        ("source = 'x'", "source: is not a key"),
        ("name = ", "is not valid TOML"),
    ],
)
def test_refuses_naming_file_key_and_what_is_allowed(tmp_path, text, said):
    path = tmp_path / "sheet.toml"
    path.write_text(text)
    with pytest.raises(BikeFileError) as caught:
        load_sheet(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ") and said in message and "\n" not in message


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(BikeFileError, match="no such setup sheet"):
        load_sheet(tmp_path / "none.toml")
    with pytest.raises(BikeFileError, match="cannot be read"):
        load_sheet(tmp_path)
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(BikeFileError, match="not a text file"):
        load_sheet(tmp_path / "binary")


def test_changes_name_the_setting_with_its_unit_and_skip_labels():
    a = parse_sheet({"name": "a", "notes": "x", "rear": {"spring_rate_n_per_mm": 95, "linkage": "long"}})
    b = parse_sheet({"name": "b", "date": "2026-05-02", "rear": {"spring_rate_n_per_mm": 100.0}})
    assert [(c.what, c.before, c.after) for c in changes(a, b)] == [
        ("rear spring rate", "95 N/mm", "100 N/mm"),
    ]
    assert changes(a, a) == ()
