"""Made-up outings of one damper: worn out, then serviced."""

from dataclasses import replace

from telemetry.damping.verdict import DamperCourse, LapDamping, Oscillation, SpeedDamping
from telemetry.summary import FittedDamper
from tests.dashboard.made_up import made_up

NAME = "QB-R1"
# run, day, last service, damping ratio of the laps, verdict
OUTINGS = (
    ("r1", "2026-05-01", "2026-03-10", (0.31, 0.30, 0.31, 0.30), "no"),
    ("r2", "2026-05-02", "2026-03-10", (0.22, 0.20, 0.19, 0.18), "no"),
    ("r3", "2026-05-16", "2026-05-10", (0.34, 0.35, 0.33, 0.34), "no"),
)


def _laps(ratios):
    return tuple(LapDamping(n, ratio, None) for n, ratio in enumerate(ratios, start=1))


def made_dampers():
    """Three outings of the rear damper, the newest first."""
    found = []
    for run_id, date, serviced, ratios, verdict in OUTINGS:
        made = made_up(run_id, name=f"Run {run_id[1:]}", oscillation="no", laps=4)
        by_speed = (SpeedDamping(0.0, 50.0, _laps(ratios)), SpeedDamping(50.0, 150.0, _laps(ratios[:2])))
        course = {"rear": DamperCourse("steady", "It did not clearly fall.", _laps(ratios), None, by_speed)}
        summary = replace(
            made.summary,
            oscillation=Oscillation(verdict, "Nothing.", judged_share=1.0, course=course),
            dampers={"rear": FittedDamper(NAME, serviced)},
        )
        entry = replace(made.entry, date=date, added_at=f"{date}T10:00:00Z")
        found.append(replace(made, entry=entry, summary=summary))
    return tuple(reversed(found))
