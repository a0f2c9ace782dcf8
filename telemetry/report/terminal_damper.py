"""A damper in the terminal: whether it is back after a service, and what it has been through."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from telemetry.findings_damping import DOUBTFUL, LOST, NO_SIGN
from telemetry.report.terminal import indented, item, section, table
from telemetry.setup import BounceComparison, DamperComparison, DamperRun
from telemetry.setup.damper import DamperOuting
from telemetry.wording import UNKNOWN, count_word, interval, number

SPEED_COLUMNS = ("shaft speed, RMS", "before (laps)", "after (laps)", "after over before (95 %)", "verdict")
BOUNCE_COLUMNS = (
    "return after a push",
    "before (pushes)",
    "after (pushes)",
    "after over before (95 %)",
    "verdict",
)
HISTORY_COLUMNS = ("date", "run", "serviced", "damping ratio", "kJ", "since: km", "kJ", "said")
# In a line of a list; every other answer as it is.
SAID = {LOST: "LOST?", DOUBTFUL: "IN DOUBT", "": NO_SIGN}


def speed_rows(comparison: DamperComparison) -> list[tuple[str, ...]]:
    """Range of shaft speed, damping ratio before and after with laps, their ratio, verdict."""
    return [
        (
            _range_words(row.low_mm_s, row.high_mm_s),
            f"{number(row.before, 2)} ({row.laps_before})",
            f"{number(row.after, 2)} ({row.laps_after})",
            interval(row.ratio, row.ci95),
            row.verdict,
        )
        for row in comparison.rows
    ]


def _range_words(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "all speeds"
    return f"{low:.0f} to {high:.0f} mm/s" if high < 1e3 else f"above {low:.0f} mm/s"


def history_rows(runs: Sequence[DamperRun]) -> list[tuple[str, ...]]:
    """Date, run, service day, damping ratio, heat, distance and heat since the service, what was suspected."""
    return [
        (
            run.date or UNKNOWN,
            run.name,
            run.serviced or UNKNOWN,
            _ratio_words(run),
            number(run.heat_kj),
            number(run.since_service_km),
            UNKNOWN if run.heat_kj is None else number(run.since_service_kj),
            SAID.get(run.doubt, run.doubt),
        )
        for run in runs
    ]


def _ratio_words(run: DamperRun) -> str:
    if run.ci95 is None:
        return number(run.damping_ratio, 2)
    return f"{number(run.damping_ratio, 2)} ({'-'.join(number(x, 2) for x in run.ci95)})"


def print_damper_comparison(comparison: DamperComparison, console: Console) -> None:
    """Print a comparison of one damper over two outings: the sentences, the caution, then by shaft speed."""
    for name, outing in (("Before", comparison.before), ("After", comparison.after)):
        console.print(Text(f"{name}: {_outing_words(outing)}", style="bold"))
    console.print()
    for sentence in comparison.sentences:
        item(console, sentence)
    item(console, f"CAUTION  {comparison.caution}", style="bold")
    section(console, f"Damping ratio of the {comparison.end} wheel hop, mean over laps")
    console.print(table(SPEED_COLUMNS, speed_rows(comparison), words=(0, 4)))
    indented(
        console,
        "A lap is the unit of evidence; the interval also holds what one sound damper differs by from outing to "
        "outing.",
    )


def bounce_rows(comparison: BounceComparison) -> list[tuple[str, ...]]:
    """What, before and after with pushes, their ratio, verdict."""
    return [
        (
            f"{row.what} [{row.unit}]" if row.unit else row.what,
            f"{number(row.before, 2)} ({row.pushes_before})",
            f"{number(row.after, 2)} ({row.pushes_after})",
            interval(row.ratio, row.ci95),
            UNKNOWN if row.unit else row.verdict,
        )
        for row in comparison.rows
    ]


def print_bounce_comparison(comparison: BounceComparison, console: Console) -> None:
    """Print a comparison of one end in two bounce tests: the sentences, the caution, the rows."""
    for name, source in (("Before", comparison.before), ("After", comparison.after)):
        console.print(Text(f"{name}: {source}", style="bold"))
    console.print()
    for sentence in comparison.sentences:
        item(console, sentence)
    item(console, f"CAUTION  {comparison.caution}", style="bold")
    section(console, f"The {comparison.end} pushed by hand")
    console.print(table(BOUNCE_COLUMNS, bounce_rows(comparison), words=(0, 4)))


def _outing_words(outing: DamperOuting) -> str:
    parts = [outing.source, outing.damper and f"damper {outing.damper}",
             outing.serviced and f"serviced {outing.serviced}", outing.doubt]  # fmt: skip
    return ", ".join(part for part in parts if part)


def print_damper_history(damper: str, runs: Sequence[DamperRun], console: Console) -> None:
    """Print what a damper has been through, oldest outing first."""
    ends = " and ".join(sorted({run.end for run in runs}))
    outings = count_word(len(runs), "outing")
    console.print(Text(f"Damper {damper}, {ends}: {outings}, oldest first", style="bold"))
    console.print(table(HISTORY_COLUMNS, history_rows(runs), words=(1,)))
    indented(
        console,
        "Damping ratio of the wheel hop, mean over laps (95 %). Since: from the last service on. kJ is the work of the "
        "oil, from the damper's curve in the bike file. Two outings compare as 'bothends damper A B' says, not at a "
        "glance: the road and the other end are in these numbers.",
    )
