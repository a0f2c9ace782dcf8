"""``--line`` and ``--circuit`` wherever laps are found, and a circuit kept for its place."""

import json

import pytest

from telemetry.laps import load_circuit
from tests.cli.cli_fixtures import files, run  # noqa: F401

LINE = "47.0,-30.0"  # where the demo logs put it
FURTHER_ON = "47.0000,-29.9993"  # some 50 m along the same straight


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "config"))


@pytest.fixture
def log(files, tmp_path):  # noqa: F811
    """A demo log of one lap without its lap number, at 40 Hz."""
    lines = files[0].read_text().splitlines()
    rows = [line.rsplit(",", 1)[0] for line in (lines[0], *lines[1::5])]
    (tmp_path / "log.csv").write_text("\n".join(rows))
    return tmp_path / "log.csv"


@pytest.fixture
def bike(files):  # noqa: F811
    return files[1]


@pytest.fixture
def reviewed(run, log, bike, tmp_path):  # noqa: F811
    def review(*options, path=None):
        code, _, err = run("review", path or log, "--bike", bike, "--json", tmp_path / "r.json", *options)
        assert code == 0, err
        return json.loads((tmp_path / "r.json").read_text())

    return review


def kept(tmp_path):
    return sorted((tmp_path / "config" / "circuits").glob("*"))


def codes(review):
    return [note["code"] for note in review["quality"]]


def starts(review):
    return [lap["start_s"] for lap in review["laps"]]


def test_a_line_said_once_is_kept_for_the_next_log_at_the_place(reviewed, run, log, bike, tmp_path):  # noqa: F811
    assert "start_line_assumed" in codes(reviewed())
    assert kept(tmp_path) == []
    code, out, err = run("review", log, "--bike", bike, "--line", LINE)
    (path,) = kept(tmp_path)
    assert (code, err) == (0, "") and f"kept for the next log at this place, in {path}" in out
    with_line = reviewed("--line", LINE)
    text = path.read_text().replace('number = 2\nname = ""', 'number = 2\nname = "Quarry"')
    path.write_text(text)
    again = reviewed()
    assert starts(again) == pytest.approx(starts(with_line), abs=0.02)
    assert again["corners"][1]["name"] == "Quarry"
    (message,) = [note["message"] for note in again["quality"] if note["code"] == "circuit_kept"]
    assert str(path) in message
    # the same line said again keeps the names
    assert reviewed("--line", LINE)["corners"][1]["name"] == "Quarry"
    assert [p.read_text() for p in kept(tmp_path)] == [text]


def test_an_explicit_line_wins_and_takes_the_place(reviewed, tmp_path):
    first = reviewed("--line", LINE)
    other = reviewed("--line", FURTHER_ON)
    assert "circuit_kept" not in codes(other)
    assert starts(other)[1] > starts(first)[1] + 0.5
    assert len(kept(tmp_path)) == 1  # the new one is there in place of the old
    assert starts(reviewed()) == pytest.approx(starts(other), abs=0.02)


def test_a_circuit_file_wins_and_is_kept(reviewed, tmp_path):
    reviewed("--line", LINE, "--save-circuit", tmp_path / "ring.toml")
    reviewed("--line", FURTHER_ON)
    text = (
        (tmp_path / "ring.toml")
        .read_text()
        .replace('\nname = ""\nlength', '\nname = "Vellmoor Ring"\nlength')
    )
    (tmp_path / "ring.toml").write_text(text)
    found = reviewed("--circuit", tmp_path / "ring.toml")
    assert "circuit_kept" not in codes(found)
    (path,) = kept(tmp_path)
    assert load_circuit(path).name == "Vellmoor Ring"
    assert starts(reviewed()) == pytest.approx(starts(found), abs=0.02)


def test_a_log_of_another_place_is_not_touched(reviewed, log, tmp_path):
    reviewed("--line", LINE)
    moved = tmp_path / "moved.csv"
    moved.write_text(log.read_text().replace(",47.", ",48.").replace(",46.", ",47."))
    assert "circuit_kept" not in codes(reviewed(path=moved))


def test_a_log_the_other_way_round_is_not_touched(reviewed, log, tmp_path):
    reviewed("--line", LINE)
    head, *rows = log.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    place = [head.split(",").index(name) for name in ("latitude", "longitude")]
    turned = [
        ",".join(then[i] if i in place else cell for i, cell in enumerate(now))
        for now, then in zip(cells, cells[::-1], strict=True)
    ]
    (tmp_path / "turned.csv").write_text("\n".join([head, *turned]))
    assert "circuit_kept" not in codes(reviewed(path=tmp_path / "turned.csv"))


def test_a_kept_file_that_was_spoilt_by_hand_is_no_reason_not_to_review(reviewed, tmp_path):
    reviewed("--line", LINE)
    kept(tmp_path)[0].write_text("name = 3")
    assert "start_line_assumed" in codes(reviewed())


def test_a_line_far_from_the_track_is_not_kept(reviewed, tmp_path):
    assert "start_line_missed" in codes(reviewed("--line", "46.5,-30.0"))
    assert kept(tmp_path) == []


def test_check_batch_compare_and_add_take_the_line(run, log, bike, tmp_path, reviewed):  # noqa: F811
    with_line = starts(reviewed("--line", LINE))
    kept(tmp_path)[0].unlink()
    out = tmp_path / "out.json"
    assert run("check", log, "--line", LINE)[0] == 2
    code, text, _ = run("check", log, "--bike", bike, "--line", LINE, "--json", out)
    assert code == 0 and "start_line_assumed" not in codes(json.loads(out.read_text()))
    kept(tmp_path)[0].unlink()
    assert run("batch", log, "--bike", bike, "--line", LINE, "--json", out)[0] == 0
    assert json.loads(out.read_text())["runs"][0]["laps"][1]["complete"]
    kept(tmp_path)[0].unlink()
    assert run("compare", log, log, "--bike", bike, "--line", LINE)[0] == 0
    assert run("compare", "a", "b", "--logbook", tmp_path / "book", "--line", LINE)[0] == 2
    kept(tmp_path)[0].unlink()
    assert (
        run("add", log, "--bike", bike, "--logbook", tmp_path / "book", "--line", LINE, "--json", out)[0] == 0
    )
    assert starts(json.loads(out.read_text())) == pytest.approx(with_line, abs=0.02)
    # the run keeps the circuit: another computer, without what is kept here, makes the same of it
    (copy,) = (tmp_path / "book").glob("runs/*/circuit.toml")
    assert copy.read_text() == kept(tmp_path)[0].read_text()
    kept(tmp_path)[0].unlink()
    code, text, _ = run("add", log, "--bike", bike, "--logbook", tmp_path / "book")
    assert code == 0 and "was there already" in " ".join(text.split())


def test_add_takes_what_is_kept_for_the_place(reviewed, run, log, bike, tmp_path):  # noqa: F811
    with_line = starts(reviewed("--line", LINE))
    out = tmp_path / "out.json"
    assert run("batch", log, "--bike", bike, "--logbook", tmp_path / "book", "--json", out)[0] == 0
    (review,) = (tmp_path / "book").glob("runs/*/review.json")
    assert starts(json.loads(review.read_text())) == pytest.approx(with_line, abs=0.02)
    assert "circuit_kept" in codes(json.loads(review.read_text()))
