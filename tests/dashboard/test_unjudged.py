"""Nowhere is a damper called fine that was not judged: every printer and every page, given the same answer."""

import re
from dataclasses import replace

import pytest
from rich.console import Console

from dashboard.app import pages
from telemetry.damping import Oscillation
from telemetry.damping.verdict import DamperCourse, DampingTrend, OscillationEvent
from telemetry.report import damping_cell, debrief_html, print_review
from telemetry.summary import summary_to_json
from tests.dashboard.made_up import made_up
from tests.dashboard.test_pages import _with_answer, opened

REAR_FINE = re.compile(
    r"no sign of (a sudden |lost |loss)|no sudden loss|nothing suggests lost|(?<!whether )the rear stayed settled|"
    r"no unsettled stretch|rear(: | damper |'s damper )(is )?(sound|fine|steady)",
    re.IGNORECASE,
)
EVENT = OscillationEvent(
    30.0, 30.7, 1, 900.0, 3, "drive", 16.2, 0.06, (0.03, 0.11), 1.1, 0.6, 0.8, "The front did not feel it.",
    level="look",
)  # fmt: skip
TOO_FEW = DamperCourse("cannot tell", "A course over the laps needs 4 complete laps at pace.", (), None)
NOT_JUDGED = {
    "time and travel only": Oscillation("cannot_tell", "No speed.", course={"rear": TOO_FEW}),
    "stood still": Oscillation("cannot_tell", "There is less than 20 s of riding."),
    "rang without speed": Oscillation("cannot_tell", "It rang.", unexplained=9),
    "one short stretch": Oscillation("cannot_tell", "It rang once.", (EVENT,)),
    "weak or rough": Oscillation("cannot_tell", "Low.", course={"rear": DamperCourse("doubtful", "Low.", (), None)}),
    "recovering": Oscillation("cannot_tell", "It rose.", course={"rear": DamperCourse("recovering", "Up.", (), None)}),
    "half measured": Oscillation("cannot_tell", "Only 40 % of the riding could be judged.", judged_share=0.4),
}  # fmt: skip
TREND = DampingTrend(0.2, (-1.0, 1.4))
SOUND = Oscillation(
    "no",
    "Nothing suggests lost rear damping.",
    judged_share=1.0,
    course={end: DamperCourse("sound", "Near 0.3.", (), TREND) for end in ("front", "rear")},
)


def everything_said(run, answer) -> dict[str, str]:
    """What each printer and each page says of a run with this answer of the detector."""
    logbook = _with_answer(run, answer)
    (changed,) = logbook.runs()
    summary = logbook.summary(changed.run_id)
    console = Console(width=100, color_system=None, record=True, quiet=False)
    with console.capture() as terminal:
        print_review(summary, console)
    said = {
        "terminal": terminal.get(),
        "paper": re.sub(
            r"<(style|script).*?</\1>|<[^>]+>",
            " ",
            debrief_html(summary, logbook.traces(changed.run_id), appendix=True),
            flags=re.DOTALL,
        ),
        "JSON": summary_to_json(summary),
        "list": damping_cell(summary),
    }
    for path in pages():
        for query in ("", f"?run={changed.run_id}", f"?run={changed.run_id}&lap=2"):
            said[path + query] = opened(logbook, path, query)[2]
    return {where: " ".join(words.split()) for where, words in said.items()}


@pytest.fixture(scope="module")
def run():
    return made_up("after", masked=False)


@pytest.mark.parametrize("answer", NOT_JUDGED.values(), ids=NOT_JUDGED)
def test_nowhere_is_a_rear_damper_called_fine_that_was_not_judged(run, answer):
    for where, words in everything_said(run, answer).items():
        found = REAR_FINE.search(words)
        assert found is None, f"{where}: ...{words[max(found.start() - 80, 0) : found.end() + 40]}..."


def test_a_rear_without_a_sensor_is_nowhere_called_fine():
    run = made_up("front-only", ends=("front",), masked=False)
    for where, words in everything_said(run, replace(NOT_JUDGED["stood still"])).items():
        assert REAR_FINE.search(words) is None, where


def test_a_damper_that_was_judged_is_called_fine(run):
    said = everything_said(run, SOUND)
    for where in (
        "terminal",
        "paper",
        "JSON",
        "list",
        "/?run=after",
        "/rider?run=after",
        "/rider?run=after&lap=2",
    ):
        assert REAR_FINE.search(said[where]), where
