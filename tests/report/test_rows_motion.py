"""Use by place, strokes, frequencies and shift in words and rows."""

from dataclasses import replace

from rich.console import Console

from telemetry.findings.travel import packing_candidates
from telemetry.motion import PackingEvent
from telemetry.report import debrief_html, print_review, whole_run
from telemetry.report.ends import PLACE_COLUMNS, place_rows, stroke_rows, together_words
from telemetry.summary import Trend
from tests.report.report_fixtures import *  # noqa: F403


def packed(lap, corner=4, sink_mm=8.0):
    return PackingEvent(
        "rear", 10.0 * lap, 10.0 * lap + 1, lap, 640.0, corner, "straight", 7, sink_mm, 700.0, 250.0
    )


def test_a_place_has_a_row_with_both_ends_and_corners_where_asked(reviewed):
    phases = place_rows(whole_run(reviewed.summary), corners=False)
    places = place_rows(whole_run(reviewed.summary), corners=True)
    assert phases[0][0] == "whole lap"
    assert {"braking", "mid-corner"} <= {row[0] for row in phases}
    assert "corner 1" in {row[0] for row in places}
    assert {len(row) for row in places} == {len(PLACE_COLUMNS)}


def test_one_end_leaves_dashes_for_the_other(reviewed):
    summary = replace(
        reviewed.summary,
        places={"rear": reviewed.summary.places["rear"]},
        strokes={"rear": reviewed.summary.strokes["rear"]},
    )
    assert place_rows(whole_run(summary), corners=False)[0][1:4] == ("–", "–", "–")
    assert stroke_rows(whole_run(summary))[0][1:3] == ("–", "–")
    assert "–" not in stroke_rows(whole_run(summary))[0][3]
    front, rear = (reviewed.summary.strokes[end] for end in ("front", "rear"))
    noisy = replace(front, classes=front.classes[1:])  # what is below 5 mm is hidden
    rows = stroke_rows(whole_run(replace(summary, strokes={"front": noisy, "rear": rear})))
    assert [row[0] for row in rows] == ["1 to 5", "5 to 10", "10 to 20", "20 to 40", "over 40"]
    assert rows[0][1] == "–" and rows[1][1].startswith(f"{front.classes[1].compression.count} / ")


def test_the_sections_are_printed_on_paper_and_in_the_terminal(reviewed):
    trend = Trend("front.travel.median_mm", "front median travel", "mm", 8, 48.0, 51.5, 0.5, (0.3, 0.7), True)
    summary = replace(reviewed.summary, trends=(trend,), packing=(packed(2),))
    console = Console(width=80, color_system=None, record=True)
    with console.capture() as capture:
        print_review(summary, console)
    page = debrief_html(summary, reviewed.traces, appendix=True)
    for text in (" ".join(capture.get().split()), page):
        for words in (
            "Travel by phase",
            "Strokes",
            "Frequencies of the wheel speed",
            "Over the outing",
            "rises",
        ):
            assert words in text
        assert (
            "Rear packed down at corner 4, straight: once, lap 2, up to 8 mm deeper than before and after."
            in text
        )


def test_phase_is_told_for_the_body_only_and_chance_is_called_chance(reviewed):
    words = together_words(reviewed.summary)
    assert words.count(" deg ") == 1
    alone = replace(
        reviewed.summary.frequencies,
        bands=tuple(replace(band, told=False) for band in reviewed.summary.frequencies.bands),
    )
    assert "no clear coherence" in together_words(replace(reviewed.summary, frequencies=alone))


def test_packing_in_three_of_five_laps_is_a_candidate_and_once_is_not(reviewed):
    base = reviewed.summary.laps[1]
    laps = [replace(base, lap=i, complete=True, time_s=80.0, distance_m=2700.0) for i in range(1, 6)]
    (found,) = packing_candidates([packed(1), packed(2), packed(4, sink_mm=11.0)], laps)
    assert found.title == "The rear packs down at corner 4, straight"
    assert "laps 1, 2 and 4" in found.evidence
    assert "11 mm deeper" in found.evidence
    assert packing_candidates([packed(1), packed(2)], laps) == []
    assert packing_candidates([packed(3)], laps[:1]) == []
