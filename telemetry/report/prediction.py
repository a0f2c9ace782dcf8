"""The laps with a changed set-up, for a person: every number before and after, with its interval."""

from collections.abc import Iterable, Sequence

from rich.console import Console

from telemetry.arrays import ENDS
from telemetry.prediction import NAMES, Prediction, StepEffect, TryRow, TryWay, Wish
from telemetry.report.blocks import Caution, Column, Document, Section, Sentences, notes, section, table
from telemetry.report.stand import changed_words, knob_words
from telemetry.report.terminal import print_document
from telemetry.summary import UNKNOWN, decimals_of, headed, interval, laps_list, number, signed

COLUMNS = ("before", "after", "change", "90 % ±", "next ±", "lap sd")
GROUPS = {"front": "Front wheel", "rear": "Rear wheel", "balance": "Both ends"}
WAY_COLUMNS = (
    Column("change only this", words=True), Column("now"), Column("to"), Column("with the tool", words=True),
    Column("gives (90 %)", words=True),
)  # fmt: skip
STEP_COLUMNS = (
    "median travel", "95th perc. of travel", "travel left", "compr. RMS", "rebound RMS", "compr. rear/front",
    "rebound rear/front",
)  # fmt: skip
STEP_KEYS = (
    ("travel.median_mm", 1),
    ("travel.p95_mm", 1),
    ("travel.left_mm", 1),
    ("speed.compression.rms_mm_s", 1),
    ("speed.rebound.rms_mm_s", 1),
    ("balance.speed_ratio.compression", 3),
    ("balance.speed_ratio.rebound", 3),
)
PLACE_COLUMNS = (
    Column("", words=True),
    *(
        Column(f"{end} {words}", end=end)
        for end in ENDS
        for words in ("median", "95th percentile", "maximum")
    ),
)
_PLACE_KEYS = tuple(
    f"{end}.travel.{name}" for end in ("front", "rear") for name in ("median_mm", "p95_mm", "max_mm")
)


def print_prediction(prediction: Prediction, console: Console) -> None:
    """Print a prediction."""
    print_document(prediction_document(prediction), console)


def prediction_document(prediction: Prediction) -> Document:
    """A prediction: what was changed, every number with its interval, places, what is not in it."""
    changed = tuple(map(changed_words, prediction.changed))
    found = (
        section(
            "verdict",
            "What was changed",
            Sentences((*changed, f"{prediction.sentence} {_over(prediction)}"), verdicts=True),
            Caution((prediction.caution,)),
        ),
        _before_and_after(prediction) if prediction.changed else None,
        _places(prediction) if prediction.changed else None,
        *(_wish(wish) for wish in prediction.wishes),
        _steps(prediction.steps),
        section("notes", "Not in these numbers", Sentences(prediction.notes)) if prediction.notes else None,
    )
    return Document(
        f"{prediction.bike}: {prediction.source}", "", tuple(one for one in found if one is not None)
    )


def _before_and_after(prediction: Prediction) -> Section | None:
    tables = [
        table(
            (Column(title, words=True), *map(Column, COLUMNS)),
            [row_cells(row) for row in prediction.rows if row.key.startswith(group)],
        )
        for group, title in GROUPS.items()
    ]
    words = (
        "90 % ±: interval of the change on these laps. next ±: of the change that another outing of the same rider "
        "will "
        "show. lap sd: standard deviation from lap to lap before the change; ~ marks a change smaller than it."
    )
    return section("numbers", "Before and after", *tables, *notes(words))


def _wish(wish: Wish) -> Section | None:
    """The ways to a wanted number, the best first."""
    digits = decimals_of(wish.unit)
    now, wanted = number(wish.now, digits), number(wish.wanted, digits, wish.unit)
    also = tuple(
        f"{knob_words(way.key)} also moves: "
        + ", ".join(
            f"{NAMES[key][0]} {signed(change, decimals_of(NAMES[key][1]))}" for key, change in way.also
        )
        + "."
        for way in wish.ways
        if way.also
    )
    return section(
        f"wish-{wish.name}",
        f"To reach {wish.name} {wanted} (now {now}), the least side effect first",
        table(WAY_COLUMNS, (way_cells(way, digits) for way in wish.ways)),
        Sentences(also) if also else None,
    )


def way_cells(way: TryWay, decimals: int) -> tuple[str, ...]:
    """One adjuster as printed: from, to, with the tool, what it gives or why it cannot."""
    if way.set_to is None:
        return (knob_words(way.key), f"{way.now:.5g}", UNKNOWN, "", way.reason)
    gives = interval(way.gives, (way.low, way.high), decimals)
    return (knob_words(way.key), f"{way.now:.5g}", f"{way.set_to:.5g}", way.steps, gives)


def _steps(effects: Sequence[StepEffect]) -> Section | None:
    """One step of every adjuster against the main numbers."""
    tables = [
        table(
            (Column(title, words=True), *map(Column, STEP_COLUMNS)),
            [step_cells(effect, end) for effect in effects if effect.key.startswith(end)],
        )
        for end, title in (("front", "Front wheel"), ("rear", "Rear wheel"))
    ]
    return section("steps", "One step of every adjuster", *tables)


def step_cells(effect: StepEffect, end: str) -> tuple[str, ...]:
    """The changes of one step at its own end and of rear over front, as printed."""
    cells = []
    for key, decimals in STEP_KEYS:
        change = effect.changes.get(key if key.startswith("balance") else f"{end}.{key}")
        cells.append(signed(change, decimals))
    return (f"{knob_words(effect.key.split('.', 1)[1])} {effect.step:+.3g}", *cells)


def _over(prediction: Prediction) -> str:
    if not prediction.laps:
        return f"No complete lap: the whole ride, {prediction.riding_s:.0f} s."
    word = "Lap" if len(prediction.laps) == 1 else "Laps"
    return f"{word} {laps_list(prediction.laps)}, {prediction.riding_s:.0f} s of riding."


def row_cells(row: TryRow) -> tuple[str, ...]:
    """A number as printed: name with unit, before, after, change, half widths of both intervals, lap spread."""
    decimals = decimals_of(row.unit)
    name = headed(row.name.removeprefix(row.key.split(".")[0]).lstrip(" ,"), row.unit)
    before, spread = number(row.before, decimals), number(row.lap_spread, decimals)
    if row.change is None or row.high is None:
        return (name, before, UNKNOWN, row.direction or UNKNOWN, "", "", spread)
    following = None if row.next_high is None else row.next_high - row.change
    return (
        name,
        before,
        number(row.after, decimals),
        f"{'~ ' if row.within_laps else ''}{signed(row.change, decimals)}",
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
        cells = (signed(changes.get(key), 1) for key in _PLACE_KEYS)
        yield (name if kind == "phase" else f"{kind} {name}", *cells)


def _places(prediction: Prediction) -> Section | None:
    rows = [row for kind in ("lap", "corner", "phase") for row in place_rows(prediction, kind)]
    return section("places", "Change of wheel travel by place [mm]", table(PLACE_COLUMNS, rows))
