"""Two runs against each other, with the spread over their laps and between outings.

A lap is the unit of evidence: samples inside a lap are not independent, so each number enters once a lap.

What a known change of the set-up should move is looked at first (physics, no source). More damping in one direction
makes that end slower in that direction: by itself, against the other end, and against its own other direction, which
temperature, fuel and pace leave alone; and its damping ratio rises. A stiffer spring or more preload makes that end
ride higher, and so changes the pitch.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from pydantic import TypeAdapter

from telemetry.arrays import ENDS, End
from telemetry.damping import dampers_in_doubt
from telemetry.findings import front_suspected
from telemetry.laps import laps_at_pace
from telemetry.setup.circuits import (
    at_common_bandwidth,
    circuits_apart,
    other_bandwidth,
    place_parts,
    same_numbering,
    section_parts,
)
from telemetry.setup.evidence import Variance
from telemetry.setup.rows import (
    ComparisonVerdict,
    ExcludedLap,
    Expected,
    Judged,
    LapValues,
    MetricComparison,
    Row,
    compare_laps,
    compare_parts,
    lap_values,
    usable_laps,
    values_over,
)
from telemetry.setup.sheet import (
    Change,
    Condition,
    SetupSheet,
    bike_file_changes,
    changes,
    conditions,
    written_on_one,
)
from telemetry.signals import DRIFT_MM, drift_between_mm
from telemetry.summary import (
    COMPARED,
    LapSummary,
    Metric,
    Summary,
    Traces,
    decimals_of,
    interval,
    limits_words,
    notebook_html,
    values_by_lap,
)

# Key of a sheet or bike file: which rows of an end, and 1 when more of it is firmer, -1 when it is softer: clicks are
# counted from fully closed.
_ACTS: Mapping[str, tuple[str, int]] = {
    "compression_clicks": ("compression", -1),
    "rebound_clicks": ("rebound", -1),
    "spring_rate_n_per_mm": ("height", 1),
    "preload_mm": ("height", 1),
}
# More rows than this at once are no question of their own any more.
MOST_ROWS = 7


@dataclass(frozen=True)
class KnownChange:
    """Rows that should move, and the ends that were changed."""

    rows: tuple[Expected, ...]
    ends: tuple[End, ...]

    def apart(self, key: str) -> bool:
        """Whether a row rests on no end that was changed."""
        if not self.ends:
            return True
        other = [end for end in ENDS if end not in self.ends]
        return key == "lap.time_s" or any(key.startswith(f"{end}.") for end in other)


def _moves(end: End, what: str, firmer: int) -> tuple[Expected, ...]:
    """Rows that more (1) or less (-1) of something at one end moves."""
    # rear over front, and pitch nose down: the front acts the other way round
    balance = firmer if end == "front" else -firmer
    if what == "height":
        return Expected(f"{end}.travel.median_mm", -firmer), Expected("pitch.mean_deg", -balance)
    own = -firmer if what == "compression" else firmer  # compression over rebound
    return (
        Expected(f"balance.{what}_slope", balance),
        Expected(f"{end}.asymmetry", own),
        Expected(f"{end}.speed.{what}_mm_s", -firmer),
        Expected(f"{end}.damping.{what}", firmer),  # where both runs tell it
    )


def known_change(
    sheet_a: SetupSheet | None,
    sheet_b: SetupSheet | None,
    bike_a: Mapping[str, float],
    bike_b: Mapping[str, float],
) -> KnownChange:
    """Difference of two setup sheets or else bike files, without rows that two changes move in opposite directions."""
    found: dict[str, int] = {}
    opposed: set[str] = set()
    ends: list[End] = []
    for end in ENDS:
        for key, (what, sign) in _ACTS.items():
            sides = (_value(sheet_a, bike_a, end, key), _value(sheet_b, bike_b, end, key))
            before, after = _both(*sides)
            if before is None or after is None or before == after:
                continue
            ends += [end] if end not in ends else []
            for row in _moves(end, what, sign if after > before else -sign):
                if found.setdefault(row.key, row.sign) != row.sign:
                    opposed.add(row.key)
    rows = tuple(Expected(key, sign) for key, sign in found.items() if key not in opposed)
    return KnownChange(rows if len(rows) <= MOST_ROWS else (), tuple(ends))


def _value(
    sheet: SetupSheet | None, bike: Mapping[str, float], end: End, key: str
) -> tuple[float | None, float | None]:
    """What the sheet and what the bike file say."""
    written = None if sheet is None else getattr(getattr(sheet, end), key)
    return written, bike.get(f"{end}.{key}")


def _both(
    a: tuple[float | None, float | None], b: tuple[float | None, float | None]
) -> tuple[float | None, float | None]:
    """The sheets' values where both have one, else the bike files'."""
    return (a[0], b[0]) if a[0] is not None and b[0] is not None else (a[1], b[1])


# A few degrees of oil change the damping of one outing against another by this share (standard deviation). Common
# practice, no source.
OUTING_SHARE = 0.03


def damping_rows(a: Summary, b: Summary) -> tuple[Row, ...]:
    """Damping ratio rows of each end in compression and rebound, where both runs tell it.

    Their variance is that of the two estimates and of what outings differ by.
    """
    one, other = (run.balance.damping for run in (a, b))
    if one is None or other is None:
        return ()
    rows = []
    for end in ENDS:
        if end not in one.ends or end not in other.ends:
            continue
        for direction in ("compression", "rebound"):
            values = [float(getattr(side.ends[end], direction)) for side in (one, other)]
            sds = [float(getattr(side.ends[end], f"{direction}_log_sd")) for side in (one, other)]
            variance = sum(
                value**2 * (sd**2 + OUTING_SHARE**2) for value, sd in zip(values, sds, strict=True)
            )
            metric = Metric(
                f"{end}.damping.{direction}", f"{end} damping ratio, {direction}", "", (), lambda lap: None
            )
            before, after = (LapValues((), (), value, None) for value in values)
            rows.append(Row(metric, before, after, given=Variance(variance, float("inf"))))
    return tuple(rows)


SCHEMA = "bothends.comparison/2"
METHOD = (
    "One value per complete lap; difference of means with a 95 % interval by Student's t. The interval allows for laps "
    "that resemble their neighbours (a correlation judged from all rows together) and for what outings differ by "
    "without a change. The verdict is adjusted for the number of rows (Holm); rows that the known change should move "
    "are looked at first. An interval that only just leaves out zero is therefore not yet a clear difference."
)

# Of how the motorcycle is built; a set-up change leaves them as they are.
BUILD = ("wheelbase_mm", "front.stroke_mm", "front.rake_deg", "rear.shock_stroke_mm")


@dataclass(frozen=True)
class Comparison:
    """Run b against run a: what was changed, and each difference with its interval.

    ``first`` are the cautions that stand before the sentences; ``cautions`` come after them. ``basis`` says what the
    intervals rest on. ``places`` are ride heights, pitch, rake and trail by phase and corner, ``sections`` times.
    """

    a_name: str
    b_name: str
    sentences: tuple[str, ...]
    changes: tuple[Change, ...]
    metrics: tuple[MetricComparison, ...]
    excluded: tuple[ExcludedLap, ...]
    cautions: tuple[str, ...]
    first: tuple[str, ...] = ()
    conditions: tuple[Condition, ...] = ()
    places: tuple[MetricComparison, ...] = ()
    sections: tuple[MetricComparison, ...] = ()
    basis: str = ""
    method: str = METHOD
    schema: str = SCHEMA

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        return notebook_html("comparison", self)


def compare(
    a: Summary,
    b: Summary,
    sheet_a: SetupSheet | None = None,
    sheet_b: SetupSheet | None = None,
    *,
    repeats: Sequence[Sequence[Summary]] = (),
    traces: tuple[Callable[[], Traces], Callable[[], Traces]] | None = None,
) -> Comparison:
    """Run b (after) against run a (before), number by number over their complete laps.

    Without their setup sheets what was changed is not known. ``repeats`` are the outings of each set-up that was
    ridden more than once (`telemetry.setup.circuits`): they show what outings differ by without a change. With what
    gives the ``traces`` of a and of b, runs of different bandwidths are compared at the narrower one, else their
    speeds are left out.
    """
    other_speeds = other_bandwidth(a, b)
    speed_words = "Speeds are left out: the logs have different sample rates, so their bandwidths differ."
    if other_speeds and traces is not None:
        a, b, hz = at_common_bandwidth(a, b, *traces)
        other_speeds = False
        speed_words = (
            f"The logs have different sample rates: speeds of both are compared up to {hz:.0f} Hz (-3 dB), and the "
            "same bump is left out."
        )
    elif not other_speeds:
        speed_words = ""
    laps_a, excluded_a = usable_laps(a, "a")
    laps_b, excluded_b = usable_laps(b, "b")
    known = known_change(sheet_a, sheet_b, a.bike_values, b.bike_values)
    others = tuple(tuple(laps_at_pace(run.laps) for run in group) for group in repeats)
    rows = [
        _row(metric, laps_a, laps_b, others) for metric in COMPARED if not (metric.speed and other_speeds)
    ]
    rows = [*(row for row in rows if row.a.values or row.b.values), *damping_rows(a, b)]
    judged = compare_laps(rows, known.rows, known.apart)
    refusal, circuit_caution = circuits_apart(a, b)
    refused: ComparisonVerdict | None = (
        "different bikes" if _two_bikes(a, b) else "other circuit" if refusal else None
    )
    compared = judged.rows
    if refused:
        compared = tuple(replace(row, verdict=refused, reason="") for row in compared)
    changed = _all_changes(a, b, sheet_a, sheet_b)
    cautions = _cautions(a, b, changed, sheet_a, sheet_b, speed_words)
    return Comparison(
        a_name=_name(a, sheet_a),
        b_name=_name(b, sheet_b),
        sentences=() if refused else _sentences(compared),
        changes=changed,
        metrics=compared,
        excluded=(*excluded_a, *excluded_b),
        cautions=(*cautions, *([circuit_caution] if circuit_caution and not refused else [])),
        first=(*_first_cautions(a, b), *([refusal] if refusal and refused != "different bikes" else [])),
        conditions=conditions(a, b, sheet_a, sheet_b),
        places=compare_parts(
            place_parts(a, laps_a, laps_b, same_numbering(a, b)), judged, refused=refused is not None
        ),
        sections=compare_parts(section_parts(a, laps_a, laps_b), judged, refused=refused is not None),
        basis="" if refused else _basis(judged, known),
    )


def _row(
    metric: Metric,
    laps_a: Sequence[LapSummary],
    laps_b: Sequence[LapSummary],
    repeats: Sequence[Sequence[Sequence[LapSummary]]],
) -> Row:
    groups = tuple(tuple(lap_values(*values_by_lap(laps, metric)) for laps in group) for group in repeats)
    return Row(metric, values_over(laps_a, metric), values_over(laps_b, metric), groups)


def _all_changes(
    a: Summary, b: Summary, sheet_a: SetupSheet | None, sheet_b: SetupSheet | None
) -> tuple[Change, ...]:
    said = changes(sheet_a, sheet_b) if sheet_a and sheet_b else ()
    known = {(change.what, change.before, change.after) for change in said}
    of_file = bike_file_changes(a.bike_values, b.bike_values)
    return (*said, *(c for c in of_file if (c.what, c.before, c.after) not in known))


def _basis(judged: Judged, known: KnownChange) -> str:
    """What the intervals rest on, for a person."""
    if judged.correlation is None:
        return ""
    parts = [f"Correlation of neighbouring laps about {judged.correlation.mean:.1f}."]
    if judged.outing_freedom:
        n = judged.outing_freedom
        parts.append(
            f"Spread between outings from {n} repeat{'s' if n > 1 else ''} of a set-up in the logbook."
        )
    else:
        parts.append(
            "No set-up was repeated, so the spread between outings is what is usual for fuel, temperature and tyres."
        )
        if judged.spread.factor >= 1.2:
            wider = judged.spread.factor**0.5
            parts.append(f"The rows differ by more than that: all intervals are {wider:.1f} times as wide.")
    labels = [row.label for row in judged.rows if row.expected]
    if known.rows and labels:
        parts.append(f"The change should move: {'; '.join(labels)}.")
    return " ".join(parts)


def _name(summary: Summary, sheet: SetupSheet | None) -> str:
    """What to call a run: by its sheet as far as that says, and by its log."""
    said = [sheet.name, sheet.outing and f"outing {sheet.outing}"] if sheet else []
    called = ", ".join(part for part in said if part)
    return f"{called} ({summary.run.source})" if called else summary.run.source


def _clear_words(row: MetricComparison) -> str:
    """One clear difference as a sentence."""
    assert row.difference is not None and row.ci95 is not None
    places = decimals_of(row.unit)
    half_width = (row.ci95[1] - row.ci95[0]) / 2
    amount = f"{abs(row.difference):.{places}f} ± {half_width:.{places}f} {row.unit}".strip()
    moved = 1 if row.difference > 0 else -1
    of_change = {
        0: "",
        moved: ", as the change should make it",
        -moved: ", against what the change should do",
    }
    return f"{row.label[0].upper()}{row.label[1:]}: {row.verdict} by {amount}{of_change[row.expected]}."


def _unclear_words(unclear: Sequence[MetricComparison], n_rows: int) -> tuple[str, str]:
    """How many numbers show no clear difference, and the one that comes nearest to one."""
    few = f"No clear difference in {len(unclear)} of {n_rows} numbers."
    nearest = min(unclear, key=lambda row: 1.0 if row.p is None else row.p)
    amount = interval(nearest.difference, nearest.ci95, decimals_of(nearest.unit), nearest.unit)
    words = f"Nearest to a clear difference: {nearest.label}, {amount}."
    if nearest.further_laps:
        laps = "1 more lap" if nearest.further_laps == 1 else f"{nearest.further_laps} more laps"
        words += f" If it stays as it is, {laps} of each run would make it clear."
    elif nearest.p is not None and nearest.a.laps:
        words += " More laps alone would not make it clear; each set-up ridden again would narrow it."
    return few, words


def _sentences(rows: Sequence[MetricComparison]) -> tuple[str, ...]:
    """What an engineer would say: clear differences first, then what is not clear, then what is not known."""
    found = [row for row in rows if row.verdict in ("higher", "lower")]
    found.sort(key=lambda row: not row.expected)  # what the change should move stands first
    clear = [_clear_words(row) for row in found]
    unclear = [row for row in rows if row.verdict == "no clear difference"]
    untold = [row.label for row in rows if row.verdict == "not enough laps to tell"]
    if not rows:
        return ("There is nothing to compare: neither run has a complete lap with usable travel.",)
    if untold and len(untold) == len(rows):
        return (f"Not enough laps to tell: {rows[0].reason}.",)
    return (
        *clear,
        *(_unclear_words(unclear, len(rows)) if unclear else ()),
        *((f"Not enough laps to tell: {'; '.join(untold)}.",) if untold else ()),
    )


def _two_bikes(a: Summary, b: Summary) -> bool:
    """Whether the runs are of different motorcycles: by name, and not only another name for the same build."""
    if a.run.bike == b.run.bike:
        return False
    values = [[run.bike_values.get(key) for key in BUILD] for run in (a, b)]
    return values[0] != values[1] or None in values[0]


def _first_cautions(a: Summary, b: Summary) -> tuple[str, ...]:
    """What must be said before any difference."""
    found = []
    for name, run in (("before", a), ("after", b)):
        if run.oscillation.verdict == "yes" or front_suspected(run.oscillation):
            found.append(
                f"Lost damping is suspected in the run {name}. Have the damper inspected by a qualified technician "
                "before riding on or changing the set-up."
            )
        elif doubt := dampers_in_doubt(run.oscillation):
            found.append(
                f"In the run {name} the damping of the {' and the '.join(doubt)} is in doubt: have it inspected by a "
                "qualified technician before changing the set-up."
            )
        elif run.oscillation.verdict == "cannot_tell":
            found.append(f"Whether the rear damper was sound in the run {name} cannot be told.")
    if _two_bikes(a, b):
        found.append(
            f"Two bikes: {a.run.bike} and {b.run.bike}. Numbers of different bikes do not compare, so no difference "
            "is named."
        )
    return tuple(found)


def _cautions(
    a: Summary,
    b: Summary,
    changed: Sequence[Change],
    sheet_a: SetupSheet | None,
    sheet_b: SetupSheet | None,
    speed_words: str,
) -> tuple[str, ...]:
    cautions = [] if _two_bikes(a, b) else _cautions_of_changes(changed, sheet_a, sheet_b)
    cautions += [
        f"{name}: {words}" for name, run in (("Before", a), ("After", b)) for words in limits_words(run.ends)
    ]
    cautions += _moved_zeros(a, b)
    cautions += [speed_words] if speed_words else []
    cautions.append(
        "Laps of one outing share tyres, fuel and weather. To show that the change is the cause, go back to the first "
        "set-up and see whether the first result returns."
    )
    return tuple(cautions)


def _cautions_of_changes(
    changed: Sequence[Change], sheet_a: SetupSheet | None, sheet_b: SetupSheet | None
) -> list[str]:
    """What the list of changes leaves open."""
    cautions = []
    no_sheet = sheet_a is None or sheet_b is None
    if sheet_a is not None and sheet_b is not None and (one := written_on_one(sheet_a, sheet_b)):
        cautions.append(f"Only one of the sheets says: {', '.join(one)}. Whether these differ is not known.")
    if no_sheet:
        else_ = "else " if changed else ""
        cautions.append(
            f"There is not a setup sheet for both runs, so what {else_}was changed is not known. With two "
            "sheets, the numbers that the change should move are tested first, and smaller differences are shown."
        )
    turned = [change for change in changed if change.kind != "condition"]
    if len(turned) > 1:
        cautions.append(
            f"{len(turned)} things differ, so no result belongs to one of them. Change one at a time."
        )
    elif not changed and not no_sheet:
        cautions.append("The setup sheets are the same: what differs is the rider, the day or chance.")
    if any(change.kind == "condition" for change in changed):
        cautions.append("The conditions differ, and act on every number here.")
    return cautions


def _moved_zeros(a: Summary, b: Summary) -> list[str]:
    """Ends whose full extension reads differently in the two runs: their travel does not compare as it is."""
    moved = []
    for end in ENDS:
        drift = drift_between_mm(a.history, b.history, end)
        if drift is not None and abs(drift) > DRIFT_MM:
            moved.append(
                f"{end.capitalize()}: full extension reads {abs(drift):.1f} mm {'higher' if drift > 0 else 'lower'} "
                "after than before, by where it tops out; travel differs by as much without any change. Check the "
                "sensor's mount and zero."
            )
    return moved


def comparison_to_json(comparison: Comparison) -> str:
    """The comparison as indented JSON text, schema ``bothends.comparison/2``."""
    return TypeAdapter(Comparison).dump_json(comparison, indent=1).decode()
