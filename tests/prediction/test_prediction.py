"""Predictions on the demo log: exact where nothing is changed, there and back, what is refused, the command."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.balance import pairs_again
from telemetry.bike import load_bike, spring_of
from telemetry.cli import main
from telemetry.errors import BothEndsError, PredictionError
from telemetry.findings import HOW_MUCH
from telemetry.laps import is_moving
from telemetry.logs import read_log
from telemetry.prediction import (
    at_corner,
    check_fork,
    parse_wish,
    predict,
    prepare,
    reach,
    steps,
    with_amounts,
)
from telemetry.prediction.model import SPREAD, spring_with_error
from telemetry.prediction.values import KEYS, ride_values
from telemetry.prediction.ways import changes_of
from telemetry.review import measure, review
from telemetry.stand import apply_changes, parse_change
from telemetry.summary import Finding, Turn

FIXTURES = Path(__file__).parents[2] / "fixtures"
LOG, BIKE = FIXTURES / "vellmoor-clean.csv.gz", FIXTURES / "qb-6.toml"


@pytest.fixture(scope="module")
def bike():
    return load_bike(BIKE)


@pytest.fixture(scope="module")
def measured(bike):
    return measure(read_log(LOG), bike)


@pytest.fixture(scope="module")
def laps(measured, bike):
    return prepare(measured, bike)


def tried(laps, *changes, draws=0):
    return predict(laps, [parse_change(text) for text in changes], draws=draws)


def test_no_change_changes_nothing(laps):
    # superposition: without a change of the forces the difference of two rides is zero, everywhere
    result = tried(laps, "front.preload_mm=+0", draws=2)
    for row in result.prediction.rows:
        assert row.change == pytest.approx(0.0, abs=1e-6), row.key
        assert row.high - row.low == pytest.approx(0.0, abs=1e-6), row.key
    for end in laps.ends:
        before, after = (motion.ends[end].shaft_travel_mm for motion in (result.before, result.after))
        assert np.nanmax(np.abs(after - before)) < 1e-9


def test_there_and_back(laps, measured, bike):
    # the ride with the new set-up, ridden back with the old one, is the ride that was logged
    change, back = ("front.spring_rate_n_per_mm=+1.9",), ("front.spring_rate_n_per_mm=-1.9",)
    there = tried(laps, *change)
    new, _ = apply_changes(laps.bike, [parse_change(text) for text in change])
    travel = {end: motion.shaft_travel_mm for end, motion in there.after.ends.items()}
    run = replace(measured.run, shaft_travel_mm=travel)
    again = tried(prepare(replace(measured, run=run, motion=there.after), new), *back)
    for end in laps.ends:
        key = f"{end}.travel.median_mm"
        assert again.prediction.row(key).after == pytest.approx(laps.values[key], abs=0.1)
    assert abs(there.prediction.row("front.travel.median_mm").change) > 1.0


def test_numbers_are_those_of_the_review(laps, bike):
    # one lap of the review and the same lap here
    lap = next(lap for lap in review(read_log(LOG), bike).summary.laps if lap.complete)
    here = laps.lap_values[laps.laps.index(lap.lap)]
    for end in laps.ends:
        wheel = lap.ends[end].wheel
        assert here[f"{end}.travel.p95_mm"] == pytest.approx(wheel.travel.p95_mm, abs=0.01)
        assert here[f"{end}.speed.rebound.rms_mm_s"] == pytest.approx(wheel.speed.rebound.rms_mm_s, rel=1e-3)


def test_more_spring_and_more_damping_do_what_they_must(laps):
    # physics: a stiffer fork rides higher; more rebound damping slows the rebound and raises the hop's damping
    spring = tried(laps, "front.spring_rate_n_per_mm=+1").prediction
    assert spring.row("front.travel.median_mm").change < 0 < spring.row("front.travel.left_mm").change
    damper = tried(
        laps, "rear.damper.rebound.low_n_s_per_mm=+2", "rear.damper.rebound.high_n_s_per_mm=+1"
    ).prediction
    assert damper.row("rear.speed.rebound.rms_mm_s").change < 0
    assert damper.row("rear.hop_damping_ratio").after > 1


def test_the_same_bumps_answer_for_every_ride(laps, measured):
    # a rear that moves 1.3 times as far is 1.3 times as fast on each bump; which bumps those are stays as logged
    again = pairs_again(laps.before, measured.track, laps.bumps)
    assert np.array_equal(again.bump, laps.bumps.bump) and np.array_equal(again.clear, laps.bumps.clear)
    rear = laps.before.ends["rear"]
    moved = replace(
        rear, wheel_travel_mm=1.3 * rear.wheel_travel_mm, wheel_speed_mm_s=1.3 * rear.wheel_speed_mm_s
    )
    louder = replace(laps.before, ends={**laps.before.ends, "rear": moved})
    values = ride_values(louder, measured.track, laps.selected, laps.bumps)
    for side in ("compression", "rebound"):
        key = f"balance.same_bump.{side}_ratio"
        # what sensor noise adds to a peak is taken off before and does not scale
        assert values[key] == pytest.approx(1.3 * laps.values[key], rel=5e-3)


def test_a_repeated_prediction_is_identical(laps):
    first, second = (tried(laps, "rear.preload_mm=+2", draws=2).prediction for _ in range(2))
    assert first == second


def test_the_interval_is_wider_where_the_file_is_guessed(laps, measured, bike):
    bare = bike.model_copy(update={"chassis": None})
    for name in ("front", "rear"):
        section = getattr(bike, name).model_copy(
            update={"damper": None, "unsprung_mass_kg": None, "tyre_rate_n_per_mm": None}
        )
        bare = bare.model_copy(update={name: section})
    change = "rear.preload_mm=+3"
    full = tried(laps, change, draws=8).prediction.row("rear.speed.rebound.rms_mm_s")
    guessed = tried(prepare(measured, bare), change, draws=8).prediction
    row = guessed.row("rear.speed.rebound.rms_mm_s")
    assert row.high - row.low > full.high - full.low
    assert "mass" in guessed.assumed
    assert guessed.row("rear.travel.median_mm").change == pytest.approx(
        tried(laps, change).prediction.row("rear.travel.median_mm").change, abs=0.3
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("front.tyre_radius_mm=+3", "bothends stand"),
        ("rear.shock_length_mm=+2", "shock_length_mm"),
        ("rear.preload_mm=+900", "preload_mm"),
        ("rear.prelod_mm=+1", "did you mean"),
    ],
)
def test_a_change_that_cannot_be_predicted_is_refused(laps, change, words):
    with pytest.raises(BothEndsError, match=words):
        tried(laps, change)


def test_clicks_without_a_dyno_table_give_the_direction_only(measured, bike):
    front = bike.front.model_copy(update={"rebound_clicks": 10.0})
    laps = prepare(measured, bike.model_copy(update={"front": front}))
    prediction = tried(laps, "front.rebound_clicks=-3").prediction
    row = prediction.row("front.speed.rebound.rms_mm_s")
    assert row.change is None and row.direction == "less"
    assert "dyno" in row.reason


def test_a_log_with_lost_damping_is_refused(capsys, tmp_path):
    out = tmp_path / "try.json"
    log = FIXTURES / "vellmoor-lost-damping.csv.gz"
    code = main(["try", str(log), "--bike", str(BIKE), "--change", "rear.preload_mm=+2", "--json", str(out)])
    said = capsys.readouterr()
    assert code == 1 and not out.exists()
    assert "rear damper is in doubt" in said.err


def test_a_slow_log_is_refused(measured, bike):
    slow = replace(measured, motion=replace(measured.motion, sample_rate_hz=50.0))
    with pytest.raises(PredictionError, match="100 Hz"):
        prepare(slow, bike)


def test_the_command(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(LOG.parent)  # the title holds the log's path, however long the checkout's is
    out = tmp_path / "try.json"
    code = main(
        ["try", LOG.name, "--bike", str(BIKE), "--change", "front.preload_mm=+4", "--change", "rear.preload_mm=+2",
         "--json", str(out)]
    )  # fmt: skip
    said = capsys.readouterr().out
    assert code == 0
    assert max(map(len, said.splitlines())) <= 80
    assert "The same laps, same road and riding, with the new set-up." in " ".join(said.split())
    assert "CAUTION" in said
    stored = json.loads(out.read_text())
    assert stored["schema"] == "bothends.try/1"
    rows = {row["key"]: row for row in stored["rows"]}
    assert list(rows) == [key for key in KEYS if key in rows]
    row = rows["front.travel.median_mm"]
    assert row["after"] - row["before"] == pytest.approx(row["change"])
    assert row["low"] < row["change"] < row["high"] < 0
    assert row["next_low"] < row["low"]


def test_the_page_shows_both_rides_and_needs_nothing_from_outside(tmp_path, capsys):
    page, out = tmp_path / "try.html", tmp_path / "try.json"
    main(
        ["try", str(LOG), "--bike", str(BIKE), "--change", "front.spring_rate_n_per_mm=+5%", "--corner", "3", "--steps",
         "--only", "rear.preload_mm", "--plot", str(page), "--json", str(out)]
    )  # fmt: skip
    assert "Corner 3 only" in " ".join(capsys.readouterr().out.split())
    html = page.read_text(encoding="utf-8")
    assert (
        html.count("<svg") == 4
    )  # both rides, their difference, the deepest moment, one step of every adjuster
    # of both rides two lines an end: as logged dashed, with the change filled
    assert html.count('class="front other"') == html.count('class="rear other"') == 2
    assert (
        "<script" not in html
        and "http://www.w3.org/2000/svg" in html
        and html.count("http") == html.count("<svg")
    )
    assert json.loads(out.read_text())["corner"] == 3


def test_a_finding_says_what_its_step_does_on_these_laps_or_why_not(measured, bike, laps):
    # the sentence has the numbers of the prediction itself, and stands in the place of the pointer to it
    turn = Turn("front", "rebound damping", "less")
    finding = Finding("Up", "It is.", f"One step. {HOW_MUCH}: 'bothends try' with this.", "", "up", (turn,))
    summary = replace(review(read_log(LOG), bike).summary, findings=(finding, replace(finding, turns=())))
    said, first = with_amounts(measured, bike, summary)
    assert HOW_MUCH not in said.findings[0].suggestion and said.findings[1] == summary.findings[1]
    change, words = changes_of(bike, turn)
    rows = {row.key: row for row in predict(laps, change).prediction.rows}
    assert first.words == words and first.rows[0] == rows[first.rows[0].key]
    assert f"{first.rows[0].after:.2f}" in said.findings[0].suggestion
    bare = bike.model_copy(
        update={"front": bike.front.model_copy(update={"damper": None, "rebound_clicks": None})}
    )
    said, _ = with_amounts(measured, bare, summary)
    assert f"{HOW_MUCH} is not predicted: " in said.findings[0].suggestion


def test_a_stored_run_is_ridden_as_its_log_is(tmp_path, laps, capsys):
    book, out = tmp_path / "book", tmp_path / "try.json"
    main(["add", str(LOG), "--bike", str(BIKE), "--logbook", str(book)])
    main(
        [
            "try",
            "vellmoor-clean",
            "--logbook",
            str(book),
            "--change",
            "rear.preload_mm=+2",
            "--json",
            str(out),
        ]
    )
    capsys.readouterr()
    stored = {row["key"]: row["change"] for row in json.loads(out.read_text())["rows"]}
    for row in tried(laps, "rear.preload_mm=+2").prediction.rows:
        assert stored[row.key] == pytest.approx(row.change, abs=1e-9), row.key


def test_numbers_of_a_corner_are_those_of_its_samples(laps, measured):
    here = at_corner(laps, 3)
    travel = laps.before.ends["front"].wheel_travel_mm[laps.selected & (measured.track.corner == 3)]
    assert here.values["front.travel.median_mm"] == pytest.approx(np.nanmedian(travel), abs=0.05)
    row = tried(here, "front.spring_rate_n_per_mm=+5%").prediction.row("front.travel.max_mm")
    assert row.before == pytest.approx(np.nanmax(travel), abs=1e-6) and row.change < -1.0
    with pytest.raises(PredictionError, match="no corner 99; there are 1 to"):
        at_corner(laps, 99)


def test_a_wish_for_a_count_is_met_by_the_least_change(laps):
    # a softer fork comes near its stop; the least stiffening that ends it is one step away from one that does not
    soft = tried(laps, "front.spring_rate_n_per_mm=-25%")
    assert soft.prediction.row("front.near_stop").after > 0
    new, _ = apply_changes(laps.bike, [parse_change("front.spring_rate_n_per_mm=-25%")])
    run = replace(
        laps.measured.run, shaft_travel_mm={e: m.shaft_travel_mm for e, m in soft.after.ends.items()}
    )
    again = prepare(replace(laps.measured, run=run, motion=soft.after), new)
    (way,) = reach(again, "front.near_stop", 0.0, only=("front.spring_rate_n_per_mm",)).ways
    least = 0.1  # N/mm: no adjuster in the file
    count = [
        tried(again, f"front.spring_rate_n_per_mm={way.set_to - by}").prediction.row("front.near_stop").after
        for by in (0.0, least)
    ]
    assert count[0] == 0 < count[1]


def test_a_wish_is_met_by_the_change_proposed(laps):
    # the proposed setting, tried, gives what was wanted; a wish beyond the limits is said to be so
    wanted = laps.values["front.travel.left_mm"] + 1.5
    key, value = parse_wish(f"front.travel_left_mm={wanted}")
    wish = reach(laps, key, value, only=("front.preload_mm",))
    (best,) = wish.ways
    assert best.key == "front.preload_mm" and best.set_to > best.now
    again = tried(laps, f"front.preload_mm={best.set_to}").prediction.row(key)
    assert again.after == pytest.approx(wanted, abs=0.1) == best.gives
    assert best.low < best.gives < best.high
    (far,) = reach(laps, key, value + 60.0, only=("front.preload_mm",)).ways
    assert far.set_to is None and "limits" in far.reason


def test_one_step_of_an_adjuster_is_that_change(laps):
    (effect,) = steps(laps, only=("rear.preload_mm",))
    row = tried(laps, f"rear.preload_mm=+{effect.step}").prediction.row("rear.travel.p95_mm")
    assert effect.changes["rear.travel.p95_mm"] == pytest.approx(row.change)
    with pytest.raises(PredictionError, match="no adjuster"):
        steps(laps, only=("rear.wheel",))


def test_a_coil_only_fork_of_an_air_fork_is_repaired(measured, bike):
    # the demo motorcycle's fork stiffens late; without that part of its file the braking shows it, and an air column
    # fitted to the log carries the deep travel to within a tenth again
    riding = is_moving(measured.track)
    full = check_fork(measured.run, measured.motion, measured.track, riding, bike)
    coil = bike.model_copy(update={"front": bike.front.model_copy(update={"spring": None})})
    bare = check_fork(measured.run, measured.motion, measured.track, riding, coil)
    assert full.state == "agrees"
    assert bare.state == "repaired" and bare.ratio < full.ratio
    deep = 0.85 * bike.front.stroke_mm
    true = spring_of(bike, "front").force_n(deep)
    likely = spring_with_error(bare.bike, "front", bare.bike, bare.fitted.error())
    assert likely.force_n(deep) == pytest.approx(true, rel=0.1)

    # what the log says of the air scatters less than what stood in for it
    scatter = np.sqrt(np.diag(bare.fitted.covariance))
    assert scatter[bare.fitted.names.index("front.oil_level")] < SPREAD["oil_level"][1]
