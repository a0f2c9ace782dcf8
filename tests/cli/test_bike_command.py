"""``bothends bike new``: a bike file to fill in, alone, with a log, and with a person at the terminal."""

import os
import pty
import re
import subprocess
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from telemetry.bike import Bike, load_bike
from telemetry.bike.bikefile import OTHER_KEYS, Answer, left_open, new_bike_text
from telemetry.errors import BikeFileError
from tests.cli.cli_fixtures import BOTHENDS, FIXTURES, run

__all__ = ["run"]
LOG = FIXTURES / "vellmoor-plain.csv"
VALUES = {
    "name": '"QB-6"',
    "wheelbase_mm": "1410",
    "front.stroke_mm": "125",
    "front.rake_deg": "24",
    "front.sensor.channel": '"fork"',
    "front.sensor.zero": "0.312",
    "front.sensor.mm_per_unit": "30.43",
    "rear.shock_stroke_mm": "70",
    "rear.leverage_table_mm": "[[0, 0], [20, 38.8], [40, 75.1], [70, 125.0]]",
    "rear.sensor.channel": '"shock"',
    "rear.sensor.zero": "0.405",
    "rear.sensor.mm_per_unit": "20.23",
}


def filled():
    return new_bike_text({key: Answer(value) for key, value in VALUES.items()})


def test_unfilled_it_names_every_key_that_is_open(run, tmp_path):
    path = tmp_path / "new.toml"
    code, out, err = run("bike", "new", path)
    assert (code, err) == (0, "")
    assert f"Still to be filled in: {', '.join(VALUES)}" in out
    code, _, err = run("review", LOG, "--bike", path)
    assert code == 1
    lines = err.splitlines()
    assert lines[0] == f"bothends: {path}: {len(VALUES)} things to put right:"
    assert sorted(lines[1:]) == sorted(f"  {key}: is still to be filled in." for key in VALUES)


def test_filled_it_loads_and_a_log_is_reviewed_with_it(run, tmp_path):
    path = tmp_path / "bike.toml"
    path.write_text(filled(), encoding="utf-8")
    assert left_open(filled()) == ()
    bike = load_bike(path)
    assert (bike.front.spring_rate_n_per_mm, bike.chassis, bike.front.fork_offset_mm) == (None, None, None)
    code, out, err = run("review", LOG, "--bike", path)
    assert (code, err) == (0, "")
    assert "Front used" in out
    assert "trail" not in out  # nothing is printed from a value that nobody gave


def test_every_optional_key_loads_as_it_stands(tmp_path):
    path = tmp_path / "bike.toml"
    path.write_text(re.sub(r"(?m)^#(?=[\w\[])", "", filled()), encoding="utf-8")
    bike = load_bike(path)
    assert bike.chassis.rider.mass_kg == 76
    assert bike.rear.chain.rear_teeth == 42
    assert bike.front.spring.bump_stop.length_mm == 40
    assert bike.channels.beacon == "beacon"


def keys(kind):
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        for name, field in kind.model_fields.items():
            yield name
            yield from keys(field.annotation)
    else:
        for part in get_args(kind):
            yield from keys(part)


def test_it_shows_every_key_and_shares_its_end_with_the_demo_bike():
    text = new_bike_text({})
    assert sorted({key for key in keys(Bike) if key not in text} - {"source"}) == []
    assert (FIXTURES / "qb-6-stand.toml").read_text(encoding="utf-8").endswith(OTHER_KEYS)
    assert max(map(len, text.splitlines())) <= 120


def test_a_log_proposes_its_columns_with_the_reasons(run, tmp_path):
    path = tmp_path / "new.toml"
    code, out, _ = run("bike", "new", path, "--from", LOG)
    assert code == 0
    assert "front.sensor.channel" not in out  # nothing left to fill in there
    text = path.read_text(encoding="utf-8")
    assert re.search(r'(?m)^channel = "fork" +# named .*; rises when speed falls', text)
    given = tomllib.loads(text)
    assert given["rear"]["sensor"]["channel"] == "shock"
    assert given["channels"]["speed"] == "speed"


def test_a_file_that_exists_is_left_alone(run, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    code, _, err = run("bike", "new", path)
    assert (code, err) == (1, f"bothends: {path}: exists and is left as it is; choose another name.\n")
    assert path.read_text() == "mine"
    code, _, err = run("bike", "new", tmp_path / "no" / "bike.toml")
    assert code == 1
    assert "there is no directory" in err


def test_a_person_at_the_terminal_is_asked(tmp_path):
    path = tmp_path / "asked.toml"
    master, slave = pty.openpty()
    typed = ["QB-6", "1,41", "1410", "125", "24", "70", "0 0, 35", "0 0, 35 66.2, 70 125",
             "fork", "0,312", "30.43", "shock", "", "20.23"]  # fmt: skip
    os.write(master, "".join(f"{line}\n" for line in typed).encode())
    subprocess.run([str(BOTHENDS), "bike", "new", str(path)], stdin=slave, stderr=slave, stdout=subprocess.PIPE,
                   timeout=60, check=True)  # fmt: skip
    said = os.read(master, 65536).decode()
    os.close(master)
    os.close(slave)
    assert "wheelbase_mm = 1.41 is not between 900 and 2000 mm. In metres? Then write 1410." in said
    given = tomllib.loads(path.read_text(encoding="utf-8"))
    assert given["name"] == "QB-6"
    assert given["wheelbase_mm"] == 1410
    assert given["front"]["sensor"] == {"channel": "fork", "zero": 0.312, "mm_per_unit": 30.43}
    with pytest.raises(BikeFileError) as caught:
        load_bike(path)
    assert "rear.sensor.zero: is still to be filled in" in str(caught.value)
    assert Path(path).exists()
