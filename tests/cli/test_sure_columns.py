"""Columns that a bike file does not name, names in a list, and signals of laps that are not what was said of them."""

import csv
import json

import numpy as np
import pytest
from asammdf import MDF, Signal

from tests.cli.cli_fixtures import files, run  # noqa: F401

UNITS = {"time": "s", "fork": "V", "shock": "V", "speed": "km/h", "throttle": "%", "brake": "bar", "lean": "deg",
         "latitude": "deg", "longitude": "deg"}  # fmt: skip


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "config"))


@pytest.fixture(scope="module")
def columns(files):  # noqa: F811
    """The columns of a demo log of one lap at 50 Hz."""
    with files[0].open(newline="") as text:
        rows = list(csv.reader(text))
    return dict(zip(rows[0], np.array(rows[1:], dtype=float)[::4].T, strict=True))


@pytest.fixture
def write(tmp_path):
    """Write columns as a CSV with units in the names."""

    def write_csv(columns, name="log.csv"):
        heads = [f"{key} [{UNITS[key]}]" if key in UNITS else key for key in columns]
        body = "\n".join(",".join(map(repr, row)) for row in np.column_stack(list(columns.values())).tolist())
        (tmp_path / name).write_text(",".join(heads) + "\n" + body)
        return tmp_path / name

    return write_csv


@pytest.fixture
def bike(files, tmp_path):  # noqa: F811
    """The demo bike file with other [channels]."""
    text = files[1].read_text()

    def write_bike(channels, **sensors):
        body = text[: text.index("[channels]")]
        for old, new in sensors.items():
            body = body.replace(f'channel = "{old}"', f"channel = {new}")
        (tmp_path / "bike.toml").write_text(f"{body}[channels]\n{channels}\n")
        return tmp_path / "bike.toml"

    return write_bike


@pytest.fixture
def reviewed(run, tmp_path):  # noqa: F811
    """The review of a log, by the command."""

    def review(log, bike_file, *options):
        code, _, err = run("review", log, "--bike", bike_file, "--json", tmp_path / "r.json", *options)
        assert code == 0, err
        return json.loads((tmp_path / "r.json").read_text())

    return review


def note(review, code):
    found = [note for note in review["quality"] if note["code"] == code]
    return found[0]["message"] if found else None


def test_what_a_check_calls_sure_is_used_and_said(columns, write, bike, run, reviewed, tmp_path):  # noqa: F811
    log = write(columns)
    named = reviewed(
        log, bike("\n".join(f'{key} = "{key}"' for key in columns if key not in ("fork", "shock")))
    )
    assert note(named, "columns_found") is None
    found = reviewed(log, bike(""))
    assert found["run"]["lap_source"] == named["run"]["lap_source"] == "lap channel"
    assert found["run"]["phase_sources"] == named["run"]["phase_sources"] == ["lean", "brake", "throttle"]
    assert found["laps"] == named["laps"]
    words = note(found, "columns_found")
    for key in ("latitude", "longitude", "speed", "throttle", "brake", "lean", "lap"):
        assert f"{key} '{key}'" in words
    run("check", log, "--json", tmp_path / "c.json")
    told = json.loads((tmp_path / "c.json").read_text())["meanings"]
    assert all(row["confidence"] >= 0.8 for row in told)  # so that a check calls each of them sure


def test_one_that_was_left_out_on_purpose_stays_out(columns, write, bike, reviewed):
    log = write(columns)
    assert "lean" in reviewed(log, bike(""))["run"]["phase_sources"]
    assert "lean" not in reviewed(log, bike('lean = ""'))["run"]["phase_sources"]
    assert "lean" not in reviewed(log, bike(""), "--channels", "lean=")["run"]["phase_sources"]


def test_a_name_that_says_nothing_is_not_used(columns, write, bike, reviewed):
    log = write(
        {
            "A" * (i + 1) if key not in ("time", "fork", "shock") else key: v
            for i, (key, v) in enumerate(columns.items())
        }
    )
    found = reviewed(log, bike(""))
    assert note(found, "columns_found") is None
    assert found["run"]["phase_sources"] == []


@pytest.fixture
def pulsed(columns):
    """The demo log with a beacon in place of its lap number: pulses of 0.1 s."""
    level = np.zeros(len(columns["time"]))
    for at in np.flatnonzero(np.diff(columns["lap"]) > 0) + 1:
        level[at : at + 5] = 1.0
    return {**{key: v for key, v in columns.items() if key != "lap"}, "lap_beacon": level}


def test_a_pulse_called_a_lap_beacon_is_proposed_as_a_beacon(pulsed, write, run, tmp_path):  # noqa: F811
    code, _, _ = run("check", write(pulsed), "--json", tmp_path / "c.json")
    told = {
        row["meaning"]: row["column"] for row in json.loads((tmp_path / "c.json").read_text())["meanings"]
    }
    assert code == 0 and told["beacon"] == "lap_beacon" and "lap" not in told


@pytest.mark.parametrize("said", ['lap = "lap_beacon"', ""])
def test_a_pulse_said_to_be_the_lap_number_is_used_as_the_beacon(pulsed, write, bike, reviewed, said):
    found = reviewed(write(pulsed), bike(said))
    assert found["run"]["lap_source"] == "beacon"
    assert ("it is used as the beacon" in (note(found, "lap_signal_turned") or "")) == bool(said)


def test_and_said_on_the_command_line(pulsed, write, bike, reviewed):
    found = reviewed(write(pulsed), bike(""), "--channels", "lap=lap_beacon")
    assert found["run"]["lap_source"] == "beacon"
    assert "a switch that closes 2 times, briefly" in note(found, "lap_signal_turned")


def test_a_counter_said_to_be_the_beacon_is_used_as_the_lap_number(columns, write, bike, reviewed):
    counter = np.concatenate((columns["lap"][:1000], columns["lap"][1000:] + 1))  # three crossings
    found = reviewed(write({**columns, "lap": counter}), bike('beacon = "lap"'))
    assert found["run"]["lap_source"] == "lap channel"
    assert "counts up 3 times: it is used as the lap number" in note(found, "lap_signal_turned")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (lambda t: np.full(len(t), 3.0), "never changes"),
        (lambda t: 2.5 + np.sin(t), "holds numbers that are not whole"),
        (lambda t: np.floor(t) % 2, "falls"),
    ],
)
def test_a_lap_number_that_cannot_be_one_is_said_not_to_be(columns, write, bike, reviewed, values, words):
    found = reviewed(write({**columns, "lap": values(columns["time"])}), bike('lap = "lap"'))
    assert found["run"]["lap_source"] == "gps line"
    message = note(found, "lap_signal_unlike")
    assert "is said to be the lap number" in message and words in message


def test_a_column_said_and_taken_back_is_forgotten(pulsed, write, bike, run, tmp_path):  # noqa: F811
    log = write(pulsed)
    store = tmp_path / "config" / "channels.json"
    run("check", log, "--channels", "lap=lap_beacon,lean=lean")
    assert list(json.loads(store.read_text()).values()) == [{"lap": "lap_beacon", "lean": "lean"}]
    _, _, err = run("check", log, "--channels", "lap=")
    assert "forgotten: lap" in err
    assert list(json.loads(store.read_text()).values()) == [{"lean": "lean"}]
    _, out, _ = run("check", log)
    told = [line.split()[:3] for line in out.splitlines()]
    assert ["beacon", "lap_beacon", "sure"] in told and ["lean", "lean", "said"] in told
    _, _, err = run("check", log, "--channels", "lap=")
    assert "forgotten" not in err  # there is nothing left to forget


def write_mdf(path, columns):
    t_s = columns["time"]
    with MDF(version="4.10") as file:
        for name, values in columns.items():
            if name != "time":
                file.append([Signal(samples=values, timestamps=t_s, name=name, unit=UNITS.get(name, ""))])
        file.save(path)
    return path


def test_one_bike_file_serves_the_csv_and_the_mdf_of_a_logger(columns, write, bike, run, reviewed, tmp_path):  # noqa: F811
    # MDF has no column of time of its own, and this logger calls its other columns differently there
    bike_file = bike(
        'time = "time_s"\nspeed = ["speed", "Ground speed"]',
        fork='["fork", "Front travel"]',
        shock='["shock", "Rear travel"]',
    )
    csv_log = write({"time_s" if key == "time" else key: v for key, v in columns.items()})
    other = {"fork": "Front travel", "shock": "Rear travel", "speed": "Ground speed"}
    mdf = write_mdf(tmp_path / "log.mf4", {other.get(key, key): v for key, v in columns.items()})
    code, out, err = run("check", mdf, "--bike", bike_file)
    assert code == 0, err
    assert "give its file with --bike" not in out
    a, b = reviewed(csv_log, bike_file), reviewed(mdf, bike_file)
    assert "time 'time' (not 'time_s')" in note(b, "columns_found")
    assert [lap["end_s"] for lap in a["laps"]] == pytest.approx([lap["end_s"] for lap in b["laps"]], abs=0.02)


def test_a_refused_check_does_not_ask_for_the_bike_file_it_was_given(columns, write, bike, run):  # noqa: F811
    log = write({key: v for key, v in columns.items() if key != "shock"})
    code, out, err = run("check", log, "--bike", bike(""))
    assert code == 0 and "has no column 'shock'" in out
    assert "give its file with --bike" not in out


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ('speed = ["speed", 3]', "channels.speed: Input should be a valid string"),
        ("speed = []", "channels.speed"),
    ],
)
def test_a_list_that_is_none_of_names_is_named(columns, write, bike, run, channels, words):  # noqa: F811
    code, _, err = run("review", write(columns), "--bike", bike(channels))
    assert code == 1 and words in err


def test_both_ends_cannot_have_one_name_in_their_lists(columns, write, bike, run):  # noqa: F811
    code, _, err = run("review", write(columns), "--bike", bike("", fork='["fork", "shock"]'))
    assert code == 1 and "are both 'shock'" in err
