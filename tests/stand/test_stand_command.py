"""``bothends stand`` as typed: exit codes, one-line reasons, JSON, page."""

import json
import math
import re
import tomllib
from pathlib import Path

import pytest

from telemetry.cli import main

BIKE = Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml"


def test_before_and_after(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(BIKE.parent)  # the title names the file and a path is never broken
    out, page = tmp_path / "stand.json", tmp_path / "stand.html"
    code = main(
        ["stand", BIKE.name, "--change", "rear.shock_length_mm=+3", "--change", "rear.tyre_radius_mm=+8",
         "--target", "rear.rider_sag_mm=30", "--measured", "front.rider_sag_mm=38",
         "--json", str(out), "--plot", str(page)]
    )  # fmt: skip
    said = capsys.readouterr().out
    assert code == 0
    assert max(map(len, said.splitlines())) <= 80
    for words in (
        "+3 turns",
        "CAUTION",
        "What moves most",
        "Measure again, in this order",
        "To reach rear rider sag",
        "tool",
        "within 3 mm",
        "[N/mm]",
    ):
        assert words in said
    data = json.loads(out.read_text())
    assert data["changed"][0] == {
        "key": "rear.shock_length_mm", "before": 332.0, "after": 335.0, "steps": "+3 turns"
    }  # fmt: skip
    assert data["sags"][0]["measured_mm"] == 38.0
    html = page.read_text()
    assert html.count("<svg") == 3
    assert not re.search(r"<script|https?://(?!www\.w3\.org)", html)


def test_without_changes_it_is_the_bike_as_it_is(capsys):
    assert main(["stand", str(BIKE)]) == 0
    said = capsys.readouterr().out
    assert "as it is" in said
    assert "CAUTION" not in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--change", "rear.shock_length_mm=+6"], "past its maximum of 337. Never go past"),
        (["--change", "rear.shok=+6"], "rear.shok: is not a key of a bike file"),
        # it was accepted: "sag 0.0"
        (
            ["--change", "rear.preload_mm=+200"],
            "rear.preload_mm = 212 is past its maximum of 22. Keep inside the",
        ),
        (
            ["--change", "front.tyre_radius_mm=30"],
            "front.tyre_radius_mm = 30 is not between 150 and 450 mm. In cent",
        ),
        (["--change", "rear"], "a change is KEY=+MM"),
        (["--target", "rear.rider_sag_mm=much"], "needs a number after the ="),
        (["--target", "sag=30"], "is no quantity of the stand"),
        (["--measured", "sag=30"], "is no measured sag"),
        (["--json", str(BIKE)], "is a file that was read"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_code_1(capsys, arguments, message):
    assert main(["stand", str(BIKE), *arguments]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert message in said


def test_without_a_chassis_the_extended_bike_has_its_geometry_and_no_sag(tmp_path, capsys):
    # stand wanted masses and inertia for everything
    path, out = tmp_path / "bike.toml", tmp_path / "stand.json"
    text = (BIKE.parent / "qb-3.toml").read_text()
    path.write_text(text[: text.index("[chassis]")])
    assert main(["stand", str(path), "--change", "front.fork_height_mm=+4", "--json", str(out)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    rows = {row["key"]: row for row in json.loads(out.read_text())["rows"]}
    wheelbase_mm = rows["extended.wheelbase_mm"]["before"]
    assert rows["extended.rake_deg"]["before"] == pytest.approx(
        tomllib.loads(text)["front"]["rake_deg"], abs=1e-9
    )
    # by hand: 4 mm along the legs lower the front by 4 cos(rake) at the end of the wheelbase
    rake = math.radians(rows["extended.rake_deg"]["before"])
    by_hand = -math.degrees(4 * math.cos(rake) / wheelbase_mm)
    assert rows["extended.rake_deg"]["change"] == pytest.approx(by_hand, abs=2e-3)
    assert rows["rear.rider_sag_mm"]["before"] is None
    assert "Sag, and height and geometry with the rider on, need chassis.sprung_mass_kg" in said


def test_sag_needs_masses_and_their_place_not_inertia(tmp_path, capsys):
    path, out = tmp_path / "bike.toml", tmp_path / "stand.json"
    text = (BIKE.parent / "qb-6.toml").read_text()
    path.write_text(text.replace("pitch_inertia_kg_m2 = 26\n", ""))
    results = []
    for file in (BIKE.parent / "qb-6.toml", path):
        assert main(["stand", str(file), "--change", "rear.preload_mm=+2", "--json", str(out)]) == 0
        results.append({row["key"]: row["after"] for row in json.loads(out.read_text())["rows"]})
    whole, light = results
    assert light["rear.rider_sag_mm"] == whole["rear.rider_sag_mm"] > 0
    assert light["pitch_hz"] is None
    assert whole["pitch_hz"] is not None
    assert light["rear.hop_hz"] == whole["rear.hop_hz"]
    assert "Bounce and pitching need chassis.pitch_inertia_kg_m2." in capsys.readouterr().out


def test_no_bike_is_wrong_usage(capsys):
    assert main(["stand"]) == 2
    assert "BIKE.toml" in capsys.readouterr().err


def test_a_rate_in_the_wrong_unit_is_warned_of(tmp_path, capsys):
    path = tmp_path / "bike.toml"
    text = BIKE.read_text().replace('dyno_file = "', f'dyno_file = "{BIKE.parent}/')
    text = text.replace('"front.spring_rate_n_per_mm" = { min = 16, max = 23 }', "")
    path.write_text(text.replace("spring_rate_n_per_mm = 19.0", "spring_rate_n_per_mm = 68.5"))
    assert main(["stand", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "WARNING" in said
    assert "68.5 looks like lbf/in (a factor 5.71 too high); in N/mm it would be 12" in said


def test_leverage_points_are_shown_with_their_residuals(tmp_path, capsys):
    path = tmp_path / "bike.toml"
    text = (BIKE.parent / "qb-6.toml").read_text()
    start, stop = text.index("leverage_table_mm"), text.index("]\n", text.index("[60.0")) + 2
    points = "[[0, 0.3], [10, 19.2], [20, 39.1], [30, 57.0], [40, 75.6], [55, 100.4], [70, 125.2]]"
    path.write_text(f"{text[:start]}leverage_points_mm = {points}\n{text[stop:]}")
    assert main(["stand", str(path)]) == 0
    said = capsys.readouterr().out
    assert "A smooth, monotone curve lies within" in " ".join(said.split())
    residuals = [line.split() for line in said[said.index("point above curve [mm]") :].splitlines()[2:9]]
    assert [float(row[0]) for row in residuals] == [0, 10, 20, 30, 40, 55, 70]
    assert all(abs(float(row[1].replace("−", "-"))) < 1.0 for row in residuals)


def test_where_the_file_gives_no_limits_a_change_is_held_to_what_can_be(tmp_path, capsys):
    bike = str(BIKE.parent / "qb-6.toml")
    assert main(["stand", bike, "--change", "rear.preload_mm=+200"]) == 1
    assert "rear.preload_mm = 212 is not between 0 and 80 mm" in capsys.readouterr().err
    assert main(["stand", bike, "--change", "rear.preload_mm=+60"]) == 1
    assert "preload_mm = 72 is more than the 70 mm stroke" in capsys.readouterr().err
    assert main(["stand", bike, "--change", "rear.preload_mm=+50"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "WARNING The rear does not sag with the rider on" in said
    assert (
        "[adjusters] gives no limits for rear.preload_mm: whether the parts allow it is not checked." in said
    )


def test_clicks_have_the_key_of_the_setup_sheet(capsys):
    # the sheet's rear.rebound_clicks was "not a key; check the spelling"
    assert main(["stand", str(BIKE), "--change", "rear.rebound_clicks=-2"]) == 0
    new = capsys.readouterr().out
    assert "Changed  rear rebound clicks: 12 to 10 (-2 clicks)" in new
    assert main(["stand", str(BIKE), "--change", "rear.damper.rebound_clicks=-2"]) == 0
    assert capsys.readouterr().out == new
    assert main(["stand", str(BIKE.parent / "qb-6.toml"), "--change", "rear.rebound_clicks=12"]) == 0
    assert "what a click does is not known without a dyno table" in " ".join(capsys.readouterr().out.split())


def test_a_page_without_sag_has_the_leverage_and_no_motorcycle(tmp_path, capsys):
    path, page = tmp_path / "bike.toml", tmp_path / "stand.html"
    text = (BIKE.parent / "qb-3.toml").read_text()
    text = text[: text.index("[chassis]")]
    path.write_text("\n".join(line for line in text.splitlines() if not line.startswith("fork_offset")))
    assert main(["stand", str(path), "--plot", str(page)]) == 0
    html = page.read_text()
    assert html.count("<svg") == 2
    assert "ring: rider sag" not in html
    assert "Trail needs front.fork_offset_mm" in capsys.readouterr().out
