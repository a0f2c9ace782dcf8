"""The bounce test in the terminal, and its rows for the page."""

from collections.abc import Iterable

from rich.console import Console
from rich.text import Text

from telemetry.arrays import ENDS
from telemetry.balance.bounce import BounceTest
from telemetry.findings_balance import bounce_advice
from telemetry.notes import QualityNote
from telemetry.report.rows import Row
from telemetry.report.terminal import indented, item, print_notes, section, table
from telemetry.wording import count_word, interval, number

END_ROWS = (
    ("depth [mm]", "depth_mm", 1, 1.0),
    ("down, fastest [mm/s]", "down_mm_s", 0, 1.0),
    ("up, fastest [mm/s]", "up_mm_s", 0, 1.0),
    ("time up [s]", "time_up_s", 2, 1.0),
    ("overshoot [% of depth]", "overshoot_share", 0, 100.0),
    ("cycles to settle", "cycles", 1, 1.0),
    ("damping ratio, log decrement", "damping_ratio", 2, 1.0),
)
DIRECTION_COLUMNS = ("speed by depth", "rear over front", "rear later ms", "verdict")
MODE_COLUMNS = ("body mode", "Hz", "damping ratio", "share %")
MOST_PUSHES = 20


def end_rows(test: BounceTest) -> list[Row]:
    """What, front, rear: medians over the usable pushes, at the wheel."""
    return [
        (
            name,
            *(
                number(None if (value := getattr(test.ends[end], key)) is None else scale * value, decimals)
                for end in ENDS
            ),
        )
        for name, key, decimals, scale in END_ROWS
        if test.ends
    ]


def direction_rows(test: BounceTest) -> list[Row]:
    """Going down and coming up, a row each."""
    return [
        (
            name,
            interval(found.ratio.value, found.ratio.ci95),
            interval(found.rear_later_ms, found.rear_later_ci95_ms, 0),
            found.verdict,
        )
        for name, found in (("going down", test.down), ("coming up", test.up))
    ]


def mode_rows(test: BounceTest) -> list[Row]:
    """The free modes: both ends together, or against each other."""
    return [
        (
            "both ends together" if mode.rear_over_front >= 0 else "ends against each other",
            number(mode.frequency_hz, 2),
            number(mode.damping_ratio, 2),
            number(100 * mode.share),
        )
        for mode in test.modes
    ]


def push_words(test: BounceTest) -> str:
    """How many pushes, and what is wrong with those that were left out."""
    bad = [push for push in test.pushes if push.bad]
    words = f"{count_word(len(test.pushes), 'push', 'pushes')} found, {len(test.pushes) - len(bad)} usable."
    left = "; ".join(f"at {push.start_s:.1f} s: {push.bad}" for push in bad[:MOST_PUSHES])
    return f"{words} Left out {left}." if left else words


def print_bounce(test: BounceTest, notes: Iterable[QualityNote], console: Console) -> None:
    """Print a bounce test: the verdict first, then the numbers.

    Parameters
    ----------
    notes : iterable of QualityNote
        Of the log.
    console : Console
        Readable from 80 columns on, with and without colour.
    """
    console.print(Text(f"{test.bike}: {test.source}, bounce test", style="bold"))
    console.print()
    for words in test.sentences:
        item(console, words)
    if advice := bounce_advice(test):
        item(console, advice)
    item(console, push_words(test))
    item(console, f"CAUTION  {test.caution}", style="bold")
    if test.ends:
        section(console, "Both ends, at the wheel, median push")
        console.print(table(("", *ENDS), end_rows(test)))
        section(console, "Together?")
        console.print(table(DIRECTION_COLUMNS, direction_rows(test), words=(0, 3)))
    if test.modes:
        section(console, "Swinging free")
        console.print(table(MODE_COLUMNS, mode_rows(test)))
        indented(console, "Friction and the unlike firmness of compression and rebound are in these.")
    print_notes(notes, console)
