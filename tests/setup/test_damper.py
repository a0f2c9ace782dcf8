"""Is the damping back: one damper over two outings, and its history."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import ttest_ind

from telemetry.damping.verdict import DamperCourse, DampingTrend, LapDamping, Oscillation, SpeedDamping
from telemetry.errors import LogbookError
from telemetry.setup import compare_damper, damper_history
from telemetry.setup.damper import OUTING_SD, doubt_words, log_ratio_interval
from telemetry.summary import FittedDamper


def outing(ratios, *, by_speed=(), serviced="", damper="QB-R1", verdict="no", km=20.0, kj=None, end="rear"):
    laps = tuple(LapDamping(n, float(r), None) for n, r in enumerate(ratios, start=1))
    speeds = tuple(
        SpeedDamping(low, high, tuple(LapDamping(n, float(r), None) for n, r in enumerate(here, start=1)))
        for low, high, here in by_speed
    )
    return SimpleNamespace(
        run=SimpleNamespace(source="log.csv", distance_m=1e3 * km),
        oscillation=Oscillation(verdict, "", course={end: DamperCourse("sound", "", laps, None, speeds)}),
        dampers={end: FittedDamper(damper, serviced)},
        damper_work={} if kj is None else {end: SimpleNamespace(work_j=1e3 * kj)},
    )


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ([0.10, 0.11, 0.10, 0.11], [0.34, 0.35, 0.36, 0.34], "better"),
        ([0.34, 0.35, 0.36, 0.34], [0.12, 0.11, 0.12, 0.13], "worse"),
        ([0.34, 0.35, 0.36, 0.34], [0.35, 0.34, 0.36, 0.35], "same"),
        # one outing of a sound shock differs from another by 8 %: that is no damage
        ([0.34, 0.35, 0.36, 0.34], [0.31, 0.31, 0.32, 0.31], "cannot tell"),
        ([0.20, 0.40, 0.25], [0.30, 0.25, 0.45], "cannot tell"),
        ([0.34, 0.35], [0.10, 0.10, 0.11], "cannot tell"),
        ([], [0.10, 0.10, 0.11], "cannot tell"),
    ],
)
def test_better_same_worse_or_not_told(before, after, verdict):
    found = compare_damper(outing(before), outing(after), "rear")
    assert found.verdict == found.rows[0].verdict == verdict
    assert "qualified technician" in found.caution
    assert any("3 each are needed" in said for said in found.sentences) is (min(len(before), len(after)) < 3)


def test_the_interval_is_welchs_widened_by_what_outings_differ():
    a, b = np.log([0.10, 0.12, 0.11, 0.13]), np.log([0.30, 0.34, 0.29])
    ratio, half = log_ratio_interval(a, b)
    welch = ttest_ind(b, a, equal_var=False).confidence_interval(0.95)  # scipy.stats
    assert ratio == pytest.approx((welch.low + welch.high) / 2)
    outings = 1.959964 * np.sqrt(2) * OUTING_SD  # normal distribution, two outings
    assert half == pytest.approx(np.hypot((welch.high - welch.low) / 2, outings), rel=1e-3)


def test_each_range_of_shaft_speed_stands_alone_and_one_that_only_one_outing_has_is_not_told():
    before = outing([0.2] * 4, by_speed=[(0.0, 50.0, [0.20, 0.21, 0.20]), (50.0, 100.0, [0.1, 0.1, 0.1])])
    after = outing([0.4] * 4, by_speed=[(0.0, 50.0, [0.40, 0.41, 0.42])])
    rows = compare_damper(before, after, "rear").rows
    assert [(row.low_mm_s, row.high_mm_s, row.verdict) for row in rows] == [
        (None, None, "better"), (0.0, 50.0, "better"), (50.0, 100.0, "cannot tell"),
    ]  # fmt: skip


def test_better_is_not_called_sound_where_the_outing_itself_is_in_doubt():
    found = compare_damper(outing([0.1] * 4), outing([0.2] * 4, verdict="yes"), "rear")
    assert "Do not ride on" in found.sentences[0]


def test_two_dampers_are_named_as_two():
    found = compare_damper(outing([0.3] * 4), outing([0.3] * 4, damper="QB-R2"), "rear")
    assert any("QB-R1" in said and "QB-R2" in said for said in found.sentences)


def test_heat_and_distance_count_from_the_last_service():
    outings = [
        ("r1", "Friday", "2026-05-01", outing([0.3] * 4, serviced="2026-04-01", kj=300)),
        ("r2", "Saturday", "2026-05-02", outing([0.25] * 4, serviced="2026-04-01", kj=200, km=30)),
        ("r3", "other", "2026-05-02", outing([0.25] * 4, damper="QB-R2")),
        ("r4", "June", "2026-06-02", outing([0.33] * 4, serviced="2026-05-20", kj=100)),
    ]
    runs = damper_history("QB-R1", outings)
    assert [run.run_id for run in runs] == ["r1", "r2", "r4"]
    assert [run.since_service_kj for run in runs] == [300, 500, 100]
    assert [run.since_service_km for run in runs] == [20, 50, 20]
    assert runs[0].damping_ratio == pytest.approx(0.3) and runs[0].laps == 4


def test_the_logbook_lists_a_damper_and_names_those_there_are(monkeypatch):
    from telemetry.logbook import history_of_damper

    entry = SimpleNamespace(run_id="r1", name="Friday", date="2026-05-01", added_at="")
    book = SimpleNamespace(path="lb", runs=lambda: (entry,), summary=lambda _: outing([0.3] * 4))
    assert len(history_of_damper(book, "QB-R1")) == 1
    with pytest.raises(LogbookError, match="QB-R1"):
        history_of_damper(book, "unknown")


def test_a_front_whose_course_cannot_be_told_was_not_judged():
    few = DamperCourse("cannot tell", "3 laps are needed.", (), None)
    assert doubt_words(Oscillation("no", "fine", course={"front": few}), "front") == "not judged"
    assert doubt_words(Oscillation("no", "fine"), "front") == "not judged"
    steady = DamperCourse("steady", "No change.", (), DampingTrend(0.2, (-1.0, 1.4)))
    assert doubt_words(Oscillation("no", "fine", course={"front": steady}), "front") == ""
