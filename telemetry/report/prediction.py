"""The laps with a changed set-up, for a person: every number before and after, with its interval."""

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.text import Text

from telemetry.prediction import Prediction, StepEffect, TryRow, TryWay, Wish
from telemetry.prediction.values import COUNT, MM, MM_S, NAMES
from telemetry.report.stand import changed_words, knob_words
from telemetry.report.terminal import indented, item, section, table
from telemetry.wording import UNKNOWN, laps_list, number

COLUMNS = ("before", "after", "change", "90 % ±", "next ±", "lap sd")
GROUPS = {"front": "Front wheel", "rear": "Rear wheel", "balance": "Both ends"}
WAY_COLUMNS = ("change only this", "now", "to", "with the tool", "gives (90 %)")
STEP_COLUMNS = ("median", "95 %", "left", "comp. RMS", "reb. RMS", "R/F comp.", "R/F reb.")
STEP_KEYS = (
    ("travel.median_mm", 1),
    ("travel.p95_mm", 1),
    ("travel.left_mm", 1),
    ("speed.compression.rms_mm_s", 1),
    ("speed.rebound.rms_mm_s", 1),
    ("balance.speed_ratio.compression", 3),
    ("balance.speed_ratio.rebound", 3),
)
PLACE_COLUMNS = ("", "front median", "95 %", "deepest", "rear median", "95 %", "deepest")
DECIMALS = {MM: 1, MM_S: 1, COUNT: 0, "deg": 2, "": 3}
_PLACE_KEYS = tuple(
    f"{end}.travel.{name}" for end in ("front", "rear") for name in ("median_mm", "p95_mm", "max_mm")
)


def print_prediction(prediction: Prediction, console: Console) -> None:
    """Print a prediction: what was changed, every number with its interval, places, what is not in it.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    """
    console.print(Text(f"{prediction.bike}: {prediction.source}", style="bold"))
    console.print()
    for changed in prediction.changed:
        item(console, changed_words(changed))
    item(console, f"{prediction.sentence} {_over(prediction)}")
    item(console, f"CAUTION  {prediction.caution}", style="bold")
    if prediction.changed:
        _before_and_after(console, prediction)
    for wish in prediction.wishes:
        _wish(console, wish)
    if prediction.steps:
        _steps(console, prediction.steps)
    if prediction.notes:
        section(console, "Not in these numbers")
        for words in prediction.notes:
            item(console, words)


def _before_and_after(console: Console, prediction: Prediction) -> None:
    section(console, "Before and after")
    for group, title in GROUPS.items():
        rows = [row_cells(row) for row in prediction.rows if row.key.startswith(group)]
        if rows:
            console.print(table((title, *COLUMNS), rows))
    indented(
        console,
        "90 % ±: interval of the change on these laps. next ±: of the change that another outing of the same rider "
        "will show. lap sd: standard deviation from lap to lap before the change; ~ marks a change smaller than it.",
    )
    _places(console, prediction)


def _wish(console: Console, wish: Wish) -> None:
    """The ways to a wanted number, the best first."""
    decimals = DECIMALS[wish.unit]
    now, wanted = number(wish.now, decimals), number(wish.wanted, decimals)
    section(console, f"To reach {wish.name} {wanted} {wish.unit} (now {now}), the least side effect first")
    console.print(table(WAY_COLUMNS, (way_cells(way, decimals) for way in wish.ways), words=(0, 3, 4)))
    for way in wish.ways:
        if way.also:
            moved = ", ".join(
                f"{NAMES[key][0]} {change:+.{DECIMALS[NAMES[key][1]]}f}" for key, change in way.also
            )
            item(console, f"{knob_words(way.key)} also moves: {moved}.")


def way_cells(way: TryWay, decimals: int) -> tuple[str, ...]:
    """One adjuster as printed: from, to, with the tool, what it gives or why it cannot."""
    if way.set_to is None:
        return (knob_words(way.key), f"{way.now:.5g}", UNKNOWN, "", way.reason)
    gives = f"{number(way.gives, decimals)} ({number(way.low, decimals)} to {number(way.high, decimals)})"
    return (knob_words(way.key), f"{way.now:.5g}", f"{way.set_to:.5g}", way.steps, gives)


def _steps(console: Console, effects: Sequence[StepEffect]) -> None:
    """One step of every adjuster against the main numbers."""
    section(console, "One step of every adjuster")
    for end, title in (("front", "Front wheel"), ("rear", "Rear wheel")):
        rows = [step_cells(effect, end) for effect in effects if effect.key.startswith(end)]
        if rows:
            console.print(table((title, *STEP_COLUMNS), rows))


def step_cells(effect: StepEffect, end: str) -> tuple[str, ...]:
    """The changes of one step at its own end and of rear over front, as printed."""
    cells = []
    for key, decimals in STEP_KEYS:
        change = effect.changes.get(key if key.startswith("balance") else f"{end}.{key}")
        cells.append(UNKNOWN if change is None else f"{change:+.{decimals}f}")
    return (f"{knob_words(effect.key.split('.', 1)[1])} {effect.step:+.3g}", *cells)


def _over(prediction: Prediction) -> str:
    if not prediction.laps:
        return f"No complete lap: the whole ride, {prediction.riding_s:.0f} s."
    word = "Lap" if len(prediction.laps) == 1 else "Laps"
    return f"{word} {laps_list(prediction.laps)}, {prediction.riding_s:.0f} s of riding."


def row_cells(row: TryRow) -> tuple[str, ...]:
    """A number as printed: name with unit, before, after, change, half widths of both intervals, lap spread."""
    decimals = DECIMALS[row.unit]
    name = f"{row.name.removeprefix(row.key.split('.')[0]).lstrip(' ,')} {row.unit}".strip()
    before, spread = number(row.before, decimals), number(row.lap_spread, decimals)
    if row.change is None or row.high is None:
        return (name, before, UNKNOWN, row.direction or UNKNOWN, "", "", spread)
    following = None if row.next_high is None else row.next_high - row.change
    return (
        name,
        before,
        number(row.after, decimals),
        f"{'~ ' if row.within_laps else ''}{row.change:+.{decimals}f}",
        number(row.high - row.change, decimals),
        number(following, decimals),
        spread,
    )


def place_rows(prediction: Prediction, kind: str) -> Iterable[tuple[str, ...]]:
    """The changes of travel by lap, corner or phase, a row each."""
    found: dict[str, dict[str, float]] = {}
    for place in prediction.places:
        if place.kind == kind:
            found.setdefault(place.name, {})[place.key] = place.change
    for name, changes in found.items():
        cells = (f"{changes[key]:+.1f}" if key in changes else UNKNOWN for key in _PLACE_KEYS)
        yield (name if kind == "phase" else f"{kind} {name}", *cells)


def _places(console: Console, prediction: Prediction) -> None:
    rows = [row for kind in ("lap", "corner", "phase") for row in place_rows(prediction, kind)]
    if rows:
        section(console, "Change of wheel travel by place (mm)")
        console.print(table(PLACE_COLUMNS, rows))
