"""``--channels``: what a person says of the columns comes first, and is kept for the next log like it."""

import gzip
import json
from pathlib import Path

import pytest

from telemetry.cli import main

FIXTURES = Path(__file__).parents[2] / "fixtures"
SAID = "time=A0,front=A1,rear=A2,speed=A3,throttle=A4,brake=A5,lean=A6,latitude=A7,longitude=A8,lap=A9"
NONE = "throttle=,brake=,lean=,latitude=,longitude="


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "config"))


@pytest.fixture
def log(tmp_path):
    """A demo log of about a minute whose columns have no names to go by."""
    lines = gzip.decompress((FIXTURES / "vellmoor-clean.csv.gz").read_bytes()).decode().splitlines()
    path = tmp_path / "log.csv"
    path.write_text("\n".join([",".join(f"A{i}" for i in range(10)), *lines[2:40_002]]))
    return path


def review(log, *options):
    return main(["review", str(log), "--bike", str(FIXTURES / "qb-6.toml"), *map(str, options)])


def test_said_once_and_kept(log, tmp_path, capsys):
    assert review(log) == 1
    assert "say which is which with --channels" in capsys.readouterr().err
    assert review(log, "--channels", SAID, "--json", tmp_path / "a.json") == 0
    assert "Kept for logs with the same columns" in capsys.readouterr().err
    assert review(log, "--json", tmp_path / "b.json") == 0
    assert "Columns as confirmed before" in capsys.readouterr().err
    assert (tmp_path / "a.json").read_text() == (tmp_path / "b.json").read_text()


def test_check_proposes_and_shows_what_was_said(log, tmp_path, capsys):
    assert main(["check", str(log), "--json", str(tmp_path / "c.json")]) == 0
    printed = capsys.readouterr().out
    assert "--channels 'time=A0," in printed and "speed=A3,front=A1,rear=A2,throttle=A4" in printed
    rows = {row["meaning"]: row for row in json.loads((tmp_path / "c.json").read_text())["meanings"]}
    assert rows["front"]["column"] == "A1" and rows["front"]["confidence"] < 1
    assert main(["check", str(log), "--channels", "front=A2", "--json", str(tmp_path / "c.json")]) == 0
    rows = {row["meaning"]: row for row in json.loads((tmp_path / "c.json").read_text())["meanings"]}
    assert (rows["front"]["column"], rows["front"]["confidence"]) == ("A2", 1.0)
    assert rows["front"]["reasons"] == ["as --channels says", "but 'A1' looks like it"]


def test_add_keeps_the_columns_with_the_run(log, tmp_path, capsys, monkeypatch):
    book, bike = tmp_path / "book", FIXTURES / "qb-6.toml"
    add = ["add", str(log), "--bike", str(bike), "--logbook", str(book)]
    assert main(add) == 1
    assert "say which is which with --channels" in capsys.readouterr().err
    assert main([*add, "--channels", SAID, "--json", str(tmp_path / "a.json")]) == 0
    assert "Kept for logs with the same columns" in capsys.readouterr().err
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "another computer"))
    assert main(add) == 0
    assert "was there already" in " ".join(capsys.readouterr().out.split())
    run_id = json.loads((next(book.glob("runs/*")) / "entry.json").read_text())["run_id"]
    rebuild = ["logbook", "rebuild", run_id, "--logbook", str(book), "--json", str(tmp_path / "b.json")]
    assert main(rebuild) == 0
    a, b = (json.loads((tmp_path / name).read_text()) for name in ("a.json", "b.json"))
    assert a == b
    assert main(["logbook", "verify", str(book)]) == 0
    assert main(["logbook", "export", str(book), str(tmp_path / "out")]) == 0
    exported = next((tmp_path / "out").glob("runs/*/channels.json"))
    assert json.loads(exported.read_text())["front"] == "A1"


def test_add_takes_what_was_confirmed_in_a_check(log, tmp_path, capsys):
    assert main(["check", str(log), "--channels", SAID]) == 0
    bike, book = FIXTURES / "qb-6.toml", tmp_path / "book"
    assert main(["add", str(log), "--bike", str(bike), "--logbook", str(book)]) == 0
    kept = json.loads(next(book.glob("runs/*/channels.json")).read_text())
    assert (kept["front"], kept["speed"]) == ("A1", "A3")


def test_compare_takes_the_columns(log, tmp_path, capsys):
    bike = str(FIXTURES / "qb-6.toml")
    assert main(["compare", str(log), str(log), "--bike", bike, "--channels", SAID]) == 0
    assert main(["compare", "a", "b", "--logbook", str(tmp_path), "--channels", SAID]) == 2


def test_a_log_without_time_at_a_stated_rate(log, capsys):
    log.write_text("\n".join(line.split(",", 1)[1] for line in log.read_text().splitlines()))
    assert review(log, "--channels", f"rate_hz=500,front=A1,rear=A2,speed=A3,lap=A9,{NONE}") == 0
    assert "at 500 Hz" in capsys.readouterr().out


@pytest.fixture
def semicolon(tmp_path):
    """A demo log as another logger writes it (semicolon, decimal comma, units in names), and its bike file."""
    lines = gzip.decompress((FIXTURES / "vellmoor-clean.csv.gz").read_bytes()).decode().splitlines()[2:20_002]
    rows = [";".join(line.split(",")[:4]).replace(".", ",") for line in lines]
    text = (FIXTURES / "qb-6.toml").read_text()
    text = text.replace('"fork"', '"Gabel [V]"').replace('"shock"', '"Schwinge [V]"')
    bike = tmp_path / "bike.toml"
    bike.write_text(
        text[: text.index("[channels]")] + '[channels]\ntime = "Zeit [s]"\nspeed = "Rad [km/h]"\n'
    )

    def write(*columns):
        names = ["Zeit [s]", "Gabel [V]", "Schwinge [V]", "Rad [km/h]"]
        kept = [names.index(name) for name in columns]
        path = tmp_path / "log.csv"
        path.write_text(
            "\n".join([";".join(columns), *(";".join(row.split(";")[i] for i in kept) for row in rows)])
        )
        return path, bike

    return write


def checked(tmp_path, *arguments):
    path = tmp_path / "check.json"
    code = main(["check", *map(str, arguments), "--json", str(path)])
    return code, json.loads(path.read_text())


def test_a_log_without_the_speed_that_the_bike_file_names_is_reviewed(semicolon, tmp_path, capsys):
    log, bike = semicolon("Zeit [s]", "Gabel [V]", "Schwinge [V]")
    assert main(["review", str(log), "--bike", str(bike)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "WARNING [Rad [km/h]]: The log has no column 'Rad [km/h]' (speed): without it," in said
    assert "use --channels speed=COLUMN." in said
    code, check = checked(tmp_path, log, "--bike", bike)
    assert code == 0 and [note["code"] for note in check["quality"]].count("absent_channel") == 1
    judged = {row["what"]: (row["can"], row["reason"]) for row in check["judged"]}
    assert judged["lost rear damping"] == (False, "without both ends and ground speed a kerb looks the same")


def test_columns_named_with_their_unit_are_told_in_a_check(semicolon, tmp_path, capsys):
    log, bike = semicolon("Zeit [s]", "Gabel [V]", "Schwinge [V]", "Rad [km/h]")
    code, check = checked(tmp_path, log, "--bike", bike)
    said = {row["meaning"]: (row["column"], row["reasons"][0]) for row in check["meanings"]}
    named = "named in the bike file"
    assert code == 0 and said == {
        "time": ("Zeit", named),
        "front": ("Gabel", named),
        "rear": ("Schwinge", named),
        "speed": ("Rad", named),
    }
    _, check = checked(tmp_path, log, "--channels", "rear=Schwinge [V]")
    said = {row["meaning"]: (row["column"], row["confidence"]) for row in check["meanings"]}
    assert said["rear"] == ("Schwinge", 1.0)


def test_a_check_tells_of_an_end_that_is_not_found(semicolon, tmp_path, capsys):
    log, bike = semicolon("Zeit [s]", "Gabel [V]")
    code, check = checked(tmp_path, log)
    assert code == 0 and check["not_found"] == ["rear"]
    assert "rear – not found say it with rear=COLUMN" in " ".join(capsys.readouterr().out.split())
    bike.write_text(bike.read_text().replace("[rear.sensor]", "[rear.measured]\nfree_sag_mm = 10\n[ignored]"))
    text = bike.read_text()
    bike.write_text(text[: text.index("[rear.measured]")] + text[text.index("[channels]") :])
    code, check = checked(tmp_path, log, "--bike", bike)
    assert code == 0 and check["not_found"] == []
    reasons = {row["what"]: row["reason"] for row in check["judged"]}
    assert reasons["rear travel and speed"] == "The bike file has no [rear.sensor]."
    assert reasons["lost rear damping"].startswith("The rear was not judged")


def test_a_check_of_a_log_without_time_asks_for_its_rate(semicolon, tmp_path, capsys):
    log, bike = semicolon("Gabel [V]", "Schwinge [V]", "Rad [km/h]")
    code, check = checked(tmp_path, log)
    out = " ".join(capsys.readouterr().out.split())
    assert code == 0 and check["not_found"] == ["time"]
    assert "No problem was found" not in out and "--channels 'rate_hz=HZ,speed=Rad," in out
    assert [note["code"] for note in check["quality"]] == ["no_clock"]
    code, _ = checked(tmp_path, log, "--bike", bike)
    assert (
        code == 1
        and "needs its rate: rate_hz in [channels], or --channels rate_hz=HZ." in capsys.readouterr().err
    )
    code, check = checked(tmp_path, log, "--bike", bike, "--channels", "rate_hz=500")
    assert code == 0 and check["not_found"] == [] and check["duration_s"] == pytest.approx(39.998)
    _, check = checked(tmp_path, log, "--channels", "rate_hz=500")
    assert "--channels 'rate_hz=500,speed=Rad,front=Gabel" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("said", "code", "message"),
    [
        ("front=pot", 1, "--channels front=pot: there is no such column; its columns are A0, A1"),
        ("time=A0,front=A1,rear=A1", 1, "front and rear are both column 'A1'; say which is which"),
        ("fork=A1", 2, "is not KEY=COLUMN"),
        ("front=", 2, "front needs a value"),
        ("rate_hz=fast", 2, "is not a number"),
    ],
)
def test_wrong_use(log, capsys, said, code, message):
    assert review(log, "--channels", said) == code
    assert message in capsys.readouterr().err
