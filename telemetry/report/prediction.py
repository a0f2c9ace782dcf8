"""The laps with a changed set-up, for a person: every number before and after, with its interval."""

from collections.abc import Iterable

from rich.console import Console
from rich.text import Text

from telemetry.prediction import Prediction, TryRow
from telemetry.prediction.values import COUNT, MM, MM_S
from telemetry.report.stand import changed_words
from telemetry.report.terminal import indented, item, section, table
from telemetry.report.words import UNKNOWN, laps_list, number

COLUMNS = ("before", "after", "change", "90 % ±", "next ±", "lap sd")
GROUPS = {"front": "Front wheel", "rear": "Rear wheel", "balance": "Both ends"}
PLACE_COLUMNS = ("", "front median", "95 %", "deepest", "rear median", "95 %", "deepest")
DECIMALS = {MM: 1, MM_S: 1, COUNT: 0, "deg": 2, "": 3}
_PLACE_KEYS = tuple(
    f"{end}.travel.{name}" for end in ("front", "rear") for name in ("median_mm", "p95_mm", "max_mm")
)


def print_prediction(prediction: Prediction, console: Console) -> None:
    """Print a prediction: what was changed, every number with its interval, places, what is not in it.

    Parameters
    ----------
    prediction : Prediction
    console : Console
        Readable from 80 columns on, with and without colour.
    """
    console.print(Text(f"{prediction.bike}: {prediction.source}", style="bold"))
    console.print()
    for changed in prediction.changed:
        item(console, changed_words(changed))
    item(console, f"{prediction.sentence} {_over(prediction)}")
    item(console, f"CAUTION  {prediction.caution}", style="bold")
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
    if prediction.notes:
        section(console, "Not in these numbers")
        for words in prediction.notes:
            item(console, words)


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
