"""The laps with a changed set-up, for a person: every number before and after, with its interval."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from rich.console import Console

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.prediction import NAMES, Prediction, StepEffect, Tried, TryRow, TryWay, Wish
from telemetry.report import svg
from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Medium,
    Section,
    Sentences,
    notes,
    section,
    table,
)
from telemetry.report.drawings import WIDTH
from telemetry.report.figures import Curve, Drawing, Halves, mirrored_picture
from telemetry.report.lap import stretch
from telemetry.report.paper import document_html
from telemetry.report.stand import changed_words, knob_words
from telemetry.report.terminal import print_document
from telemetry.summary import UNKNOWN, decimals_of, headed, interval, laps_list, number, signed

DEEPEST_S = 1.5  # drawn on both sides of the deepest moment
STYLE = """
svg .front.bar { fill: var(--front); } svg .rear.bar { fill: var(--rear); } svg .small { font-size: 7px; }
"""
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


def prediction_html(tried: Tried) -> str:
    """A prediction as one self-contained page, with both rides drawn.

    Returns
    -------
    str
        HTML without scripts or anything from outside.
    """
    return document_html(prediction_document(tried.prediction, tried), heading="Try: ", style=STYLE)


def prediction_document(prediction: Prediction, tried: Tried | None = None) -> Document:
    """A prediction: what was changed, every number with its interval, places, what is not in it.

    With the rides of ``tried`` there are pictures.
    """
    changed = tuple(map(changed_words, prediction.changed))
    found = (
        section(
            "verdict",
            "What was changed",
            Sentences((*changed, f"{prediction.sentence} {_over(prediction)}"), verdicts=True),
            Caution((prediction.caution,)),
        ),
        section("rides", "Both rides", *_rides(tried), medium=Medium.PAPER)
        if prediction.changed and tried is not None
        else None,
        _before_and_after(prediction) if prediction.changed else None,
        _places(prediction) if prediction.changed else None,
        *(_wish(wish) for wish in prediction.wishes),
        _steps(prediction.steps, drawn=tried is not None),
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


def _steps(effects: Sequence[StepEffect], *, drawn: bool) -> Section | None:
    """One step of every adjuster against the main numbers, on paper drawn as well."""
    tables = [
        table(
            (Column(title, words=True), *map(Column, STEP_COLUMNS)),
            [step_cells(effect) for effect in effects if effect.key.startswith(end)],
        )
        for end, title in (("front", "Front wheel"), ("rear", "Rear wheel"))
    ]
    words = (
        "A bar is the change by one step, as a share of the largest of its column; right is more. Each adjuster at its "
        "own end."
    )
    picture = Figure("steps", Drawing(steps_picture(effects)), words) if effects and drawn else None
    return section("steps", "One step of every adjuster", *tables, picture)


def steps_picture(effects: Sequence[StepEffect]) -> str:
    """What one step of every adjuster does to the main numbers, as bars: a row each, a column for each number."""
    top, row_height, label_width = 30.0, 22.0, 190.0
    width = (WIDTH - label_width) / len(STEP_KEYS)
    changes = [[_step_change(effect, key) for key, _ in STEP_KEYS] for effect in effects]
    largest = [
        max((abs(one[k] or 0.0) for one in changes), default=0.0) or 1.0 for k in range(len(STEP_KEYS))
    ]
    foot = top + row_height * len(effects)
    body = []
    for k, words in enumerate(STEP_COLUMNS):
        middle = label_width + (k + 0.5) * width
        cut = words.rindex(" ")
        for line_y, part in ((8, words[:cut]), (17, words[cut + 1 :])):
            body.append(svg.text(middle, line_y, part, text_anchor="middle", class_="quiet"))
        body.append(svg.line(middle, top - 6, middle, foot, class_="axis"))
    for i, (effect, cells) in enumerate(zip(effects, changes, strict=True)):
        y = top + row_height * (i + 0.5)
        end = effect.key.split(".")[0]
        words = f"{knob_words(effect.key)} {effect.step:+.3g}"
        body.append(svg.text(0, y + 3, words, class_=f"{end} tick"))
        for k, (change, (_, decimals)) in enumerate(zip(cells, STEP_KEYS, strict=True)):
            if change is None:
                continue
            middle, length = label_width + (k + 0.5) * width, 0.42 * width * abs(change) / largest[k]
            left = middle if change > 0 else middle - length
            body.append(svg.element("rect", x=left, y=y - 7, width=length, height=8, class_=f"{end} bar"))
            body.append(
                svg.text(middle, y + 10, signed(change, decimals), text_anchor="middle", class_="quiet small")
            )
    return svg.picture(WIDTH, foot + 6, "What one step of every adjuster does", body)


def _step_change(effect: StepEffect, key: str) -> float | None:
    """The change of one of `STEP_KEYS` by a step, at the end of the adjuster."""
    end = effect.key.split(".")[0]
    return effect.changes.get(key if key.startswith("balance") else f"{end}.{key}")


def _rides(tried: Tried) -> Iterator[Figure]:
    """Both rides over one lap, what the change adds, and the deepest moment of each changed end."""
    before, after, track = tried.before, tried.after, tried.track
    complete = [lap for lap in track.laps if lap.complete]
    lap = min(complete, key=lambda one: one.time_s).lap if complete else None
    along = stretch(before.t_s, track.lap.astype(np.float64), track.distance_m, number=lap)
    where = "the whole ride" if lap is None else f"lap {lap}"
    old, new = (
        {end: motion.ends[end].wheel_travel_mm[along.rows] for end in motion.ends}
        for motion in (before, after)
    )
    lines = "Wheel travel, front above, rear below, compression outwards. Dashed: as logged; filled: with the change."
    yield Figure("both", both_rides(along.x, old, new, along.title), f"{lines} The quickest lap, {where}.")
    difference = {end: new[end] - old[end] for end in new}
    if all(np.isfinite(values).any() for values in difference.values()):
        title = "Change of wheel travel"
        picture = mirrored_picture(along.x, difference, along.title, "mm", title, repeated=False)
        yield Figure("difference", picture, f"Change of wheel travel over {where}: outwards is deeper.")
    for end in (one for one in ENDS if any(c.key.startswith(one) for c in tried.prediction.changed)):
        travel = np.where(tried.selected, before.ends[end].wheel_travel_mm, np.nan)
        deepest = int(np.nanargmax(travel))
        reach = round(DEEPEST_S * before.sample_rate_hz)
        rows = slice(max(0, deepest - reach), min(len(travel), deepest + reach))
        old, new = (
            {e: motion.ends[e].wheel_travel_mm[rows] for e in motion.ends} for motion in (before, after)
        )
        words = f"The deepest moment of the {end} on these laps, at {before.t_s[deepest]:.1f} s. {lines}"
        yield Figure(f"deepest-{end}", both_rides(before.t_s[rows], old, new, "time [s]"), words)


def both_rides(x: FloatArray, old: dict[End, FloatArray], new: dict[End, FloatArray], x_title: str) -> Halves:
    """Wheel travel of two rides, mirrored, one over the other.

    Parameters
    ----------
    x : ndarray of shape (n_samples,)
    old, new : mapping of end to ndarray of shape (n_samples,)
        [mm]
    """
    curves = [Curve(end, end, x, values, beside=True) for end, values in old.items()]
    curves += [Curve(end, end, x, values) for end, values in new.items()]
    least = min(0.0, *(float(np.nanmin(curve.y)) for curve in curves))
    return Halves(
        title="Wheel travel as logged and with the change, front above, rear below",
        x_title=x_title,
        x_range=(float(x[0]), float(x[-1])),
        top=1.05 * max(float(np.nanmax(curve.y)) for curve in curves),
        below=-least,
        unit="mm",
        decimals=1,
        ends=tuple(new),
        curves=tuple(curves),
    )


def step_cells(effect: StepEffect) -> tuple[str, ...]:
    """The changes of one step at its own end and of rear over front, as printed."""
    cells = (signed(_step_change(effect, key), decimals) for key, decimals in STEP_KEYS)
    return (f"{knob_words(effect.key.split('.', 1)[1])} {effect.step:+.3g}", *cells)


def _over(prediction: Prediction) -> str:
    if not prediction.laps:
        return f"No complete lap: the whole ride, {prediction.riding_s:.0f} s."
    word = "Lap" if len(prediction.laps) == 1 else "Laps"
    where = "" if prediction.corner is None else f"Corner {prediction.corner} only. "
    return f"{where}{word} {laps_list(prediction.laps)}, {prediction.riding_s:.0f} s of riding."


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
