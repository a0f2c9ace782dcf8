"""The terminal: readable at 80 and 120 columns, in words, whatever is missing."""

import re
from dataclasses import replace

import pytest
from rich.console import Console

from telemetry.damping import Oscillation, OscillationEvent
from telemetry.findings import trust_sentence
from telemetry.motion import not_judged
from telemetry.notes import QualityNote, Step
from telemetry.report import print_comparison, print_review, sensor_checks, sensor_rows
from telemetry.report.check import check_log, check_to_json, judgements, print_check
from telemetry.report.document import answer
from telemetry.review import Measured
from telemetry.setup import compare, parse_sheet
from telemetry.summary import Finding
from tests.report.report_fixtures import *  # noqa: F403


def printed(show, value, width=80, **options):
    console = Console(width=width, color_system=None, force_terminal=False, record=True)
    with console.capture() as capture:
        show(value, console, **options)
    return capture.get()


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("width", [80, 120])
def test_no_line_is_wider_than_the_screen_and_no_figure_is_cut(reviewed, width):
    run = replace(
        reviewed.summary.run, source="vellmoor-plain.csv"
    )  # a long path is one word, and stays whole
    text = printed(print_review, replace(reviewed.summary, run=run), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text and "\x1b" not in text
    for sentence in reviewed.summary.verdicts:
        assert flat(sentence) in flat(text)
    front = reviewed.summary.ends["front"].wheel
    assert f"{front.travel.median_mm:.1f}" in text and f"{front.speed.rebound.rms_mm_s:.0f}" in text


def test_sentences_come_before_numbers_and_numbers_before_the_log(reviewed):
    text = printed(print_review, reviewed.summary)
    places = [
        text.index(word)
        for word in ("- ", "Both ends", "Balance: rear", "Where the travel", "Laps", "The log itself")
    ]
    assert places == sorted(places)


def test_an_end_without_a_sensor_shows_dashes(reviewed):
    front = not_judged(125.0, 114.0, "Its wire is off.")
    ends = {"front": front, "rear": reviewed.summary.ends["rear"]}
    laps = tuple(
        replace(lap, ends={"front": front, "rear": lap.ends["rear"]}) for lap in reviewed.summary.laps
    )
    balance = replace(reviewed.summary.balance, reason="the front has no sensor")
    text = printed(print_review, replace(reviewed.summary, ends=ends, laps=laps, balance=balance))
    assert "front: not judged" in text and "Front not judged: Its wire is off." in text
    row = next(line for line in text.splitlines() if line.startswith("times bottomed"))
    assert "–" in row
    row = next(line for line in text.splitlines() if line.startswith("maximum travel"))
    assert "–" in row and f"{ends['rear'].wheel.travel.max_mm:.1f}" in row
    assert "Cannot be told: the front has no sensor" in text


def test_no_laps_nothing_reached_and_cannot_tell(reviewed):
    ends = {end: replace(s, bottomed=(), topped_out=()) for end, s in reviewed.summary.ends.items()}
    summary = replace(
        reviewed.summary, ends=ends, laps=(), oscillation=Oscillation("cannot_tell", "logged at 50 Hz.")
    )
    text = flat(printed(print_review, summary))
    assert (
        "No laps were found" in text and "Neither end bottomed." in text and "Neither end topped out." in text
    )
    assert "Lost rear damping: cannot tell." in text


def test_lost_damping_is_said_with_its_caution_once(reviewed):
    event = OscillationEvent(30.0, 31.0, 1, 900.0, 2, "drive", 16.0, 0.05, (0.03, 0.08), 1.0, 0.5, 0.9, "x")
    caution = "Have the shock inspected by a qualified technician."
    summary = replace(
        reviewed.summary,
        verdicts=("All is well.",),
        oscillation=Oscillation(
            "yes", "it rang", tuple(replace(event, corner=None, distance_m=100.0 * i) for i in range(20))
        ),
        findings=(Finding("Rear damping suspected lost", "corner 2", "look", caution),) * 2,
    )
    text = printed(print_review, summary)
    assert text.count("CAUTION") == 1 and caution in flat(text)
    assert text.index("CAUTION") < text.index("Both ends")
    assert "and 8 more" in text and "0.05 (0.03 to 0.08)" in text
    said = replace(summary, verdicts=(f"It rang. {caution}",))
    assert "CAUTION" not in printed(print_review, said)
    row = next(line for line in text.splitlines() if "0.05 (0.03 to 0.08)" in line)
    assert row.split()[-2:] == ["1.0", "alarm"]  # nothing is cut at 80 columns
    often = replace(summary, oscillation=Oscillation("yes", "it rang", (event, replace(event, lap=2))))
    # two alike: half the interval's logarithm over root two, 0.05 / 1.394 to 0.05 x 1.394
    assert "corner 2, drive 1-2 2 2.0 16.0 0.05 (0.04 to 0.07)" in flat(printed(print_review, often))


def test_quality_notes_say_how_bad_where_and_what(reviewed):
    notes = (
        QualityNote("warning", "spikes", "3 spikes were masked.", channel="fork", start_s=1.5, end_s=2.0),
        QualityNote("refused", "rate", "Too slow."),
    )
    text = flat(printed(print_review, replace(reviewed.summary, quality=notes)))
    assert "WARNING [fork] at 1.50 to 2.00 s: 3 spikes were masked." in text
    assert "CANNOT TELL: Too slow." in text


def test_a_log_without_laps_says_so(reviewed):
    run = replace(reviewed.summary.run, lap_source="none")
    text = flat(printed(print_review, replace(reviewed.summary, run=run)))
    assert "no laps found" in text and "laps from" not in text


def test_brackets_in_names_are_text_not_markup(reviewed):
    run = replace(reviewed.summary.run, source="[bold]log[/bold].csv")
    assert "[bold]log[/bold].csv" in printed(print_review, replace(reviewed.summary, run=run))


def test_the_sheet_is_printed(reviewed):
    sheet = parse_sheet({"name": "Friday", "rear": {"shock_length_mm": 315}})
    text = printed(print_review, reviewed.summary, sheet=sheet)
    assert "rear shock length" in text and "315 mm" in text


def test_comparison_fits_and_says_when_there_are_too_few_laps(reviewed):
    result = compare(reviewed.summary, reviewed.summary)
    text = printed(print_comparison, result)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Not enough laps to tell" in text and "what was changed is not known" in flat(text)
    assert "higher" not in text
    # the damping ratios are of the whole runs: their intervals do not come from laps
    judged = {row.key for row in result.metrics if row.verdict != "not enough laps to tell"}
    assert judged and all(".damping." in key for key in judged)


def test_what_must_be_said_before_any_difference_is_printed_first(reviewed):
    made = replace(compare(reviewed.summary, reviewed.summary), first=("Stop.",), sentences=("Higher.",))
    lines = flat(printed(print_comparison, made))
    assert lines.index("CAUTION Stop.") < lines.index("- Higher.")


def test_check_says_what_can_be_judged(reviewed, tmp_path):
    from telemetry.logs import read_log
    from telemetry.logs.mapping import propose

    path = tmp_path / "log.csv"
    path.write_text("time,fork,gear\ns,V,\n0.00,1.5,\n0.01,1.6,2\n0.02,1.7,\n0.03,1.8,3\n")
    log = read_log(path)
    check = check_log(log, meanings=propose(log))
    rates = {column.name: column.rate_hz for column in check.columns}
    assert rates["fork"] == pytest.approx(100) and rates["gear"] == pytest.approx(50)
    assert {column.name: column.blank_share for column in check.columns}["gear"] == 0.5
    text = printed(print_check, check)
    assert "give its file with --bike" in flat(text)
    whole = check_log(log, measured=measured(reviewed))
    assert [row.can for row in whole.judged] == [True] * 7
    text = printed(print_check, whole)
    assert "What can be judged" in text and max(map(len, text.splitlines())) <= 80
    assert '"rate_hz": 100' in check_to_json(check)
    motion = reviewed.motion
    why = {"front": "The bike file has no [front.sensor]."}
    slow = replace(motion, sample_rate_hz=50.0, ends={"rear": motion.ends["rear"]}, not_judged=why)
    few = Measured(reviewed.run, slow, replace(reviewed.track, laps=()), ())
    said = {row.what: (row.can, row.reason) for row in judgements(few)}
    assert said["front travel and speed"] == (False, why["front"])
    assert "The log has 50 samples a second" in said["lost rear damping"][1]
    assert not any(
        said[what][0] for what in ("lost rear damping", "laps", "balance", "both ends on the same bump")
    )


def measured(reviewed):
    return Measured(reviewed.run, reviewed.motion, reviewed.track, reviewed.summary.quality)


def test_a_log_without_a_clock_has_no_rates(tmp_path):
    from telemetry.logs import read_log

    path = tmp_path / "log.csv"
    path.write_text("fork,shock\n1.5,2\n1.6,2\n1.7,2\n")
    check = check_log(read_log(path))
    assert {column.rate_hz for column in check.columns} == {None} and check.duration_s is None
    assert "–" in printed(print_check, check)


def test_a_comparison_says_before_and_after_throughout_and_never_a_and_b(reviewed):
    lost = replace(reviewed.summary, oscillation=Oscillation("yes", "it rang"))
    text = printed(print_comparison, compare(lost, reviewed.summary))
    assert "Lost damping is suspected in the run before" in flat(text)
    assert not re.search(r"(?:in|than|against) [AB]\b|[AB]:|\([AB]\)|\b[AB] (?:\(SD|against|-)", text)


def test_a_sensor_is_shown_with_the_supply_that_its_log_has():
    settings = {
        "end": "front",
        "channel": "fork",
        "kind": "line",
        "points": 2,
        "mm_per_signal": 30.0,
        "zero_from": "signal",
    }
    fed = {"end": "front", "channel": "5V", "least_share": 0.982, "most_share": 1.001}
    (with_supply,) = sensor_checks([Step("calibrate", settings), Step("supply", fed)])
    (without,) = sensor_checks([Step("calibrate", settings)])
    assert with_supply.supply_pct == pytest.approx((98.2, 100.1)) and without.supply_pct is None
    assert [sensor_rows([one])[0][-1] for one in (with_supply, without)] == ["98.2 to 100.1", ""]


def test_a_stored_review_in_older_words_says_its_verdicts_once(reviewed):
    summary = replace(
        reviewed.summary,
        oscillation=Oscillation("yes", "It rang."),
        findings=(Finding("Rear damping suspected lost", "corner 2", "look"),),
    )
    found = answer(
        replace(
            summary,
            verdicts=(
                "Suspected loss of rear damping: it rang.",
                *summary.verdicts[:-1],
                "The log is sound: " + trust_sentence(summary.run, summary.laps, ()).partition(": ")[2],
            ),
            quality=(),
        )
    )
    assert found.why.startswith("Suspected loss of rear damping.")
    assert not any("Suspected loss" in words for words in found.others)
    assert [words for words in found.others if "log is" in words] == [found.trust]
