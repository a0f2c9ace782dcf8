"""Documents on more than one ride: a comparison, a season, the same laps with a changed set-up."""

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from statistics import fmean

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.prediction import Prediction, StepEffect, Tried, TryRow, TryWay, Wish
from telemetry.report.blocks import (
    Answer,
    Caution,
    Cell,
    Column,
    Document,
    Figure,
    Medium,
    Number,
    Row,
    RunName,
    Section,
    Sentence,
    Sentences,
    Table,
    caution,
    document,
    fold,
    notes,
    section,
    sentences,
    table,
    words_columns,
)
from telemetry.report.drawings import WIDTH, svg_element, svg_line, svg_picture, svg_text
from telemetry.report.figures import MARKS, Curve, Drawing, Halves, SeasonPicture, mirrored_picture
from telemetry.report.lap import stretch
from telemetry.report.printers import document_html
from telemetry.report.stand import changed_words, knob_words
from telemetry.season import GroupBy, RunRecord, SeasonGroup, SeasonPoint, season_groups, season_points
from telemetry.setup import Comparison, LapValues, MetricComparison
from telemetry.summary import (
    UNKNOWN,
    Metric,
    count_word,
    decimals_of,
    half_width,
    headed,
    interval,
    laps_list,
    number,
    plus_minus,
    sentence,
    signed,
)

CORNER = "place.corner_"
CLEAR = ("higher", "lower")
CHANGE_COLUMNS = words_columns("what", "before", "after", "kind")
CONDITION_COLUMNS = (Column("", words=True), Column("before"), Column("after"), Column("from", words=True))
COLUMNS = (
    Column("", words=True), Column("before ± SD"), Column("after ± SD"), Column("change ± 95 %"),
    Column("verdict", words=True), Column("why", words=True, medium=Medium.SCREEN),
)  # fmt: skip
# Ratios of the ends that are 1 where both move alike, and what a change may cost.
_ALIKE = "balance."
_WATCHED = (
    "front.travel.max_mm",
    "rear.travel.max_mm",
    "front.travel.median_mm",
    "rear.travel.median_mm",
    "lap.time_s",
)
_RUN = {"a": "Before", "b": "After"}


def comparison_document(comparison: Comparison) -> Document:
    """A comparison in the order in which it is read."""
    found = (
        _verdict(comparison),
        _changed(comparison),
        _conditions(comparison),
        section(
            "numbers",
            "After against before: mean over laps ± standard deviation between them",
            _numbers(comparison.metrics, laps_words(comparison)),
        ),
        _places(comparison),
        _untold(comparison),
        section("sections", "Sections of the lap", _numbers(comparison.sections)),
        section("excluded", "Left out", *map(Sentence, excluded_words(comparison))),
        section(
            "method", "How it was judged", *(Sentence(text) for text in (comparison.method, comparison.basis) if text)
        ),
    )  # fmt: skip
    return document(f"Before: {comparison.a_name}", f"After: {comparison.b_name}", *found)


def _verdict(comparison: Comparison) -> Section | None:
    return section(
        "verdict",
        "The verdict",
        caution(*comparison.first),
        _answer(comparison) if comparison.sentences else None,
        caution(*comparison.cautions, word="NOTE"),
    )


def _answer(comparison: Comparison) -> Answer:
    said = (*worked_words(comparison), *comparison.sentences)
    changed = "; ".join(f"{one.what} {one.before} → {one.after}" for one in comparison.changes)
    return Answer(said[0], f"Changed: {changed}." if changed else "", others=said[1:])


def worked_words(comparison: Comparison) -> tuple[str, ...]:
    """Whether the change did what it should (first), from what to what, and what else it kept or cost.

    Empty where it is not known what the change should move.
    """
    wanted = [row for row in comparison.metrics if row.expected and row.difference is not None]
    if not wanted:
        return ()
    moved = [row for row in wanted if row.verdict in CLEAR]
    right = [row for row in moved if (row.difference or 0.0) * row.expected > 0]
    wrong = [row for row in moved if row not in right]
    if wrong:
        answer = f"The change did the opposite of what it should: {_first_of(wrong)}."
    elif not right:
        answer = (
            f"Cannot tell whether the change worked. No clear difference: {_first_of(wanted)}. Ride more laps, and the "
            "first set-up again."
        )
    elif any(_leaves_aim(row) for row in right):
        answer = f"The change moved the ends as it should, but away from each other: {_first_of(right)}."
    elif len(right) == len(wanted):
        answer = f"The change did what it should: {_first_of(right)}."
    else:
        rest = [row for row in wanted if row not in right]
        answer = f"The change did a part of what it should: {_first_of(right)}. No clear difference: {_first_of(rest)}."
    return (answer, *_kept_and_cost(comparison))


def _from_to(rows: Sequence[MetricComparison]) -> str:
    """Numbers from before to after, and the aim where there is one: both ends alike."""
    return "; ".join(
        f"{row.label} {number(row.a.mean, _digits(row))} → {number(row.b.mean, _digits(row), row.unit)}"
        + (" (aim 1)" if row.key.startswith(_ALIKE) else "")
        for row in rows
    )


def _first_of(rows: Sequence[MetricComparison]) -> str:
    """One number from before to after, one with an aim first, and how many more; each has its sentence or row below."""
    more = len(rows) - 1
    return _from_to(sorted(rows, key=lambda row: not row.key.startswith(_ALIKE))[:1]) + (
        f", and {more} more number{'s' if more > 1 else ''}" if more else ""
    )


def _leaves_aim(row: MetricComparison) -> bool:
    """Whether a ratio of the ends lies further from 1 after than before, either way."""
    if not row.key.startswith(_ALIKE) or not row.a.mean or not row.b.mean:
        return False
    return abs(math.log(row.b.mean)) > abs(math.log(row.a.mean))


def _digits(row: MetricComparison) -> int:
    return decimals_of(row.unit) if row.unit else 2


def _kept_and_cost(comparison: Comparison) -> tuple[str, ...]:
    """What of travel and lap time stayed within chance, and what of them moved."""
    watched = [row for row in comparison.metrics if row.key in _WATCHED and row.difference is not None]
    kept = [row.label for row in watched if row.verdict == "no clear difference"]
    moved = [row for row in watched if row.verdict in CLEAR and not row.expected]
    said = [f"No clear change of {', '.join(kept)}."] if kept else []
    return (*said, *([f"It also moved: {_from_to(moved)}."] if moved else []))


def _untold(comparison: Comparison) -> Section | None:
    """What cannot be told, what the change should move first, and how many laps more would tell it."""
    rows = [row for row in comparison.metrics if row.verdict not in CLEAR and row.difference is not None]
    rows.sort(key=lambda row: (not row.expected, row.further_laps or math.inf))
    by_laps = [row for row in rows if row.further_laps or row.expected]
    others = [row.label for row in rows if row not in by_laps]
    return section(
        "untold",
        "What cannot be told",
        table(
            (Column("", words=True), Column("change ± 95 %"), Column("more laps of each run", words=True)),
            [
                (
                    headed(row.label, row.unit),
                    plus_minus(row.difference, half_width(row.ci95), decimals_of(row.unit)),
                    number(row.further_laps) if row.further_laps else "laps alone do not tell",
                )
                for row in by_laps
            ],
        ),
        Sentence(
            f"More laps would not decide these; riding each set-up again would narrow the interval: "
            f"{'; '.join(others)}."
        )
        if others
        else None,
        note="So many more laps of each run would make the difference clear if it stays as it is."
        if by_laps
        else "",
        medium=Medium.SCREEN,
    )


def _changed(comparison: Comparison) -> Section | None:
    rows = [(change.what, change.before, change.after, change.kind) for change in comparison.changes]
    nothing = Sentence("Nothing, as far as the setup sheets and bike files say.")
    return section("changed", "What was changed", table(CHANGE_COLUMNS, rows) or nothing)


def _conditions(comparison: Comparison) -> Section | None:
    rows = [
        (headed(each.what, each.unit), number(each.before, 1), number(each.after, 1), each.source)
        for each in comparison.conditions
    ]
    return section("conditions", "Conditions", table(CONDITION_COLUMNS, rows))


def _places(comparison: Comparison) -> Section | None:
    phases = [row for row in comparison.places if not row.key.startswith(CORNER)]
    corners = [row for row in comparison.places if row.key.startswith(CORNER)]
    clear = [row for row in corners if row.verdict in CLEAR]
    return section(
        "places",
        "By phase and corner",
        _numbers(phases, "By phase"),
        _numbers(clear, "By corner, what is clear"),
        Sentence(f"{len(corners) - len(clear)} of {len(corners)} numbers by corner are not clear.")
        if corners
        else None,
        fold("Every number by corner", _numbers(corners), medium=Medium.SCREEN),
    )


def _numbers(rows: Sequence[MetricComparison], caption: str = "") -> Table | None:
    return table(COLUMNS, map(comparison_row, rows), caption)


def comparison_row(row: MetricComparison) -> Row:
    """What, mean and spread before and after, change with interval, verdict, reason."""
    digits = decimals_of(row.unit)

    def spread(side: LapValues) -> str:
        return plus_minus(side.mean, side.sd, digits)

    return (
        headed(row.label, row.unit),
        spread(row.a),
        spread(row.b),
        plus_minus(row.difference, half_width(row.ci95), digits),
        row.verdict,
        row.reason,
    )


def laps_words(comparison: Comparison) -> str:
    """How many laps stand behind a mean, at the most."""
    before, after = (
        max((len(getattr(row, side).values) for row in comparison.metrics), default=0) for side in ("a", "b")
    )
    return f"{before} laps before, {after} after"


def excluded_words(comparison: Comparison) -> tuple[str, ...]:
    """The laps that were left out, a line each."""
    return tuple(
        f"{_RUN[row.run]}, lap {row.lap}{f' ({row.end} only)' if row.end else ''}: {row.reason}"
        for row in comparison.excluded
    )


READING = (
    "Mean over the laps at pace of a run, with its lowest and highest lap; a run without such a lap shows the number "
    "of the whole run. Change: from the run before, of the same bike on the same circuit."
)
COMPARE = "Runs differ by circuit, tyres, weather and rider as well. Compare says whether two differ, with intervals."


def season_picture(groups: Sequence[SeasonGroup], metric: Metric) -> SeasonPicture | None:
    """Picture of a number; None where no run has it."""
    known = [
        SeasonGroup(group.name, tuple(point for point in group.points if point.value is not None))
        for group in groups
    ]
    there = tuple(group for group in known if group.points)
    if not there:
        return None
    bikes = dict.fromkeys(point.bike for group in there for point in group.points)
    label = metric.label[0].upper() + metric.label[1:]
    return SeasonPicture(
        f"{label}, a run a mark", metric.heading, metric.unit, metric.digits, there, tuple(bikes)
    )


def season_document(records: Iterable[RunRecord], metric: Metric, by: GroupBy = "circuit") -> Document:
    """One of `telemetry.summary.LAP_METRICS` over a season, its runs put together by circuit, bike or date."""
    records = tuple(records)
    points = season_points(records, metric)
    groups = season_groups(points, by)
    title = f"Season: {metric.label}"
    if not points:
        nothing = section("season", "Season", Sentence("There is no run to show."))
        return document(title, "", nothing)
    picture = season_picture(groups, metric)
    errors = [record for record in records if record.error]
    left_out = f"{count_word(len(errors), 'log')} could not be used." if errors else ""
    return document(
        title,
        _facts(points),
        section(
            "season",
            sentence(metric.heading),
            Figure("season", picture, _how(picture)) if picture else Sentence("No run has this number."),
            table(_group_columns(by), [_group_row(group, metric) for group in groups]),
            *notes(READING, COMPARE, left_out),
        ),
        section("runs", "Every run", table(_columns(by), _rows(groups, metric, by))),
    )


def _facts(points: Sequence[SeasonPoint]) -> str:
    dates = sorted(point.date for point in points if point.date)
    when = f", {dates[0]} to {dates[-1]}" if dates else ""
    bikes, circuits = len({point.bike for point in points}), len({point.circuit for point in points})
    return f"{count_word(len(points), 'run')}, {count_word(bikes, 'bike')}, {count_word(circuits, 'circuit')}{when}"


def _how(picture: SeasonPicture) -> str:
    named = ", ".join(f"{mark} {bike}" for mark, bike in zip(MARK_WORDS, picture.bikes, strict=False))
    marks = f" Marks: {named}." if 1 < len(picture.bikes) <= len(MARKS) else ""
    return (
        "A mark is the mean over the laps of a run, its line reaches from the lowest to the highest lap; within a "
        f"group runs stand in order of date. The level line is the mean of the group.{marks}"
    )


MARK_WORDS = ("circle", "diamond", "square", "triangle", "cross", "star")


def _group_columns(by: GroupBy) -> tuple[Column, ...]:
    return (*words_columns(by), *map(Column, ("runs", "mean of the runs", "lowest run", "highest run")))


def _group_row(group: SeasonGroup, metric: Metric) -> Row:
    values = [point.value for point in group.points if point.value is not None]
    mean = fmean(values) if values else None
    numbers = (mean, min(values, default=None), max(values, default=None))
    return (group.name, str(len(group.points)), *(_number(value, metric) for value in numbers))


def _named(by: GroupBy) -> list[str]:
    """Columns that identify a run, the one that groups the runs first."""
    return sorted(("run", "date", "bike", "circuit"), key=lambda label: label != by)


def _columns(by: GroupBy) -> tuple[Column, ...]:
    figures = ("laps", "mean", "lowest lap", "highest lap", "change")
    return (*words_columns(*_named(by)), *map(Column, figures))


def _rows(groups: Sequence[SeasonGroup], metric: Metric, by: GroupBy) -> list[Row]:
    before: dict[tuple[str, str], float] = {}
    changes: dict[SeasonPoint, float | None] = {}
    in_order = sorted((p for group in groups for p in group.points), key=lambda point: point.date or "9999")
    for point in in_order:
        last = before.get((point.bike, point.circuit))
        changes[point] = None if last is None or point.value is None else point.value - last
        if point.value is not None:
            before[point.bike, point.circuit] = point.value
    rows: list[Row] = []
    for group in groups:
        for point in group.points:
            words: dict[str, Cell] = {
                "run": RunName(point.run_id, point.name),
                "date": point.date or UNKNOWN,
                "bike": point.bike,
                "circuit": point.circuit,
            }
            change = changes[point]
            rows.append(
                (
                    *(words[label] for label in _named(by)),
                    str(point.laps) if point.laps else "whole run",
                    *(_number(value, metric) for value in (point.value, point.low, point.high)),
                    UNKNOWN if change is None else f"{change:+.{metric.digits}f}".replace("-", "−"),
                )
            )
    return rows


def _number(value: float | None, metric: Metric) -> Number:
    return Number(value, replace(metric, read=lambda number: number))


DEEPEST_S = 1.5  # drawn on both sides of the deepest moment
STYLE = """
svg .front.bar { fill: var(--front); } svg .rear.bar { fill: var(--rear); } svg .small { font-size: 7px; }
"""
TRY_COLUMNS = ("before", "after", "change", "90 % ±", "next ±", "lap sd")
GROUPS = {"front": "Front wheel", "rear": "Rear wheel", "balance": "Both ends"}
WAY_COLUMNS = (
    Column("change only this", words=True), Column("now"), Column("to"), Column("with the tool", words=True),
    Column("gives (90 %)", words=True),
)  # fmt: skip
# What a step of an adjuster is told by: heading, key, decimals.
STEPS = (
    ("median travel", "travel.median_mm", 1),
    ("95th perc. of travel", "travel.p95_mm", 1),
    ("travel left", "travel.left_mm", 1),
    ("compr. RMS", "speed.compression.rms_mm_s", 1),
    ("rebound RMS", "speed.rebound.rms_mm_s", 1),
    ("compr. rear/front", "balance.speed_ratio.compression", 3),
    ("rebound rear/front", "balance.speed_ratio.rebound", 3),
)
PLACE_CHANGE_COLUMNS = (
    Column("", words=True),
    *(Column(f"{end} {words}", end=end) for end in ENDS for words in ("median", "95th percentile", "maximum")),
)  # fmt: skip
_PLACE_KEYS = tuple(
    f"{end}.travel.{name}" for end in ("front", "rear") for name in ("median_mm", "p95_mm", "max_mm")
)


def prediction_html(tried: Tried, units: Collection[str] = ()) -> str:
    """A prediction as one self-contained page without scripts, with both rides drawn."""
    return document_html(
        prediction_document(tried.prediction, tried), heading="Try: ", style=STYLE, units=units
    )


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
        _place_changes(prediction) if prediction.changed else None,
        *(_wish(wish) for wish in prediction.wishes),
        _steps(prediction.steps, drawn=tried is not None),
        section("notes", "Not in these numbers", sentences(prediction.notes)),
    )
    return document(f"{prediction.bike}: {prediction.source}", "", *found)


def _before_and_after(prediction: Prediction) -> Section | None:
    tables = [
        table(
            (Column(title, words=True), *map(Column, TRY_COLUMNS)),
            [row_cells(row) for row in prediction.rows if row.key.startswith(group)],
        )
        for group, title in GROUPS.items()
    ]
    words = (
        "90 % ±: interval of the change on these laps. next ±: of the change that another outing of the same rider "
        "will show. lap sd: standard deviation from lap to lap before the change; ~ marks a change smaller than it."
    )
    return section("numbers", "Before and after", *tables, *notes(words))


def _wish(wish: Wish) -> Section | None:
    """The ways to a wanted number, the best first."""
    from telemetry.prediction import NAMES  # compiles

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
        sentences(also),
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
            (Column(title, words=True), *(Column(words) for words, _, _ in STEPS)),
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
    width = (WIDTH - label_width) / len(STEPS)
    changes = [[_step_change(effect, key) for _, key, _ in STEPS] for effect in effects]
    largest = [max((abs(one[k] or 0.0) for one in changes), default=0.0) or 1.0 for k in range(len(STEPS))]
    foot = top + row_height * len(effects)
    body = []
    for k, (words, _, _) in enumerate(STEPS):
        middle = label_width + (k + 0.5) * width
        cut = words.rindex(" ")
        for line_y, part in ((8, words[:cut]), (17, words[cut + 1 :])):
            body.append(svg_text(middle, line_y, part, text_anchor="middle", class_="quiet"))
        body.append(svg_line(middle, top - 6, middle, foot, class_="axis"))
    for i, (effect, cells) in enumerate(zip(effects, changes, strict=True)):
        y = top + row_height * (i + 0.5)
        end = effect.key.split(".")[0]
        words = f"{knob_words(effect.key)} {effect.step:+.3g}"
        body.append(svg_text(0, y + 3, words, class_=f"{end} tick"))
        for k, (change, (_, _, decimals)) in enumerate(zip(cells, STEPS, strict=True)):
            if change is None:
                continue
            middle, length = label_width + (k + 0.5) * width, 0.42 * width * abs(change) / largest[k]
            left = middle if change > 0 else middle - length
            body.append(svg_element("rect", x=left, y=y - 7, width=length, height=8, class_=f"{end} bar"))
            body.append(
                svg_text(middle, y + 10, signed(change, decimals), text_anchor="middle", class_="quiet small")
            )
    return svg_picture(WIDTH, foot + 6, "What one step of every adjuster does", body)


def _step_change(effect: StepEffect, key: str) -> float | None:
    """The change of one of `STEPS` by a step, at the end of the adjuster."""
    end = effect.key.split(".")[0]
    return effect.changes.get(key if key.startswith("balance") else f"{end}.{key}")


def _rides(tried: Tried) -> Iterator[Figure]:
    """Both rides over one lap, what the change adds, and the deepest moment of each changed end."""
    before, after, track = tried.before, tried.after, tried.track
    complete = [lap for lap in track.laps if lap.complete]
    lap = min(complete, key=lambda one: one.time_s).lap if complete else None
    along = stretch(before.t_s[:], track.lap.astype(np.float64), track.distance_m[:], number=lap)
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
    cells = (signed(_step_change(effect, key), decimals) for _, key, decimals in STEPS)
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


def _place_changes(prediction: Prediction) -> Section | None:
    rows = [row for kind in ("lap", "corner", "phase") for row in place_rows(prediction, kind)]
    return section("places", "Change of wheel travel by place [mm]", table(PLACE_CHANGE_COLUMNS, rows))
