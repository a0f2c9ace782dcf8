"""Sections on the dampers: their use by their curves, the detector's answer with its evidence, what was ruled out."""

from collections.abc import Sequence

from telemetry.arrays import ENDS
from telemetry.damping import (
    FALLING,
    IN_DOUBT,
    NEARLY_ALL,
    Oscillation,
    OscillationEvent,
    RejectedCandidate,
    clearest,
    dampers_in_doubt,
    gather,
    limit_sentence,
)
from telemetry.findings import DOUBTFUL, LOST, NO_SIGN, damper_answer, front_suspected, slow_loss_judged
from telemetry.laps import Place, by_place
from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Fold,
    LapName,
    Medium,
    Number,
    Row,
    Section,
    Sentence,
    Sentences,
    Spot,
    document,
    figure,
    fold,
    metric_column,
    notes,
    section,
    sentences,
    table,
    words_columns,
)
from telemetry.report.ends import laps_cell
from telemetry.report.figures import (
    Scope,
    course_picture,
    force_picture,
    outings_picture,
    ringing_picture,
    spectrum_picture,
)
from telemetry.setup import BounceComparison, DamperComparison, DamperOuting, DamperRun
from telemetry.summary import (
    COUNT,
    DAMPING,
    FREQUENCY,
    SECONDS,
    TIME_S,
    TRAVEL,
    UNKNOWN,
    Summary,
    count_word,
    headed,
    interval,
    number,
    place_words,
    sentence,
)

EVENT_COLUMNS = (
    metric_column(TIME_S), Column("lap"), Column("where", words=True), metric_column(SECONDS), Column("frequency [Hz]"),
    metric_column(DAMPING), Column("at the wheel [mm]"), Column("at the shaft [mm]", medium=Medium.PAPER),
    Column("confidence [%]", medium=Medium.PAPER), Column("level", words=True),
)  # fmt: skip
GATHERED_COLUMNS = (
    *words_columns("where", "laps"), metric_column(COUNT), Column("total [s]"), Column("frequency [Hz]"),
    Column("damping ratio (95 %)"),
)  # fmt: skip
REJECTED_COLUMNS = (
    *words_columns("where", "laps"),
    metric_column(COUNT),
    Column("why it is not called lost damping", words=True),
)
_EVIDENCE = 4  # places whose clearest event is shown with its evidence


FORCE = (
    "Force over speed. Shaded: time spent at each speed. Each adjuster is named at the speeds where it acts."
)


def dampers_section(scope: Scope) -> Section | None:
    """How the dampers were used, by the curves in the bike file."""
    columns = (
        Column("part of the curve", words=True),
        *(
            Column(f"{end} {what}", end=end)
            for what in ("time [%]", "work [%]", "mean force [N]")
            for end in ENDS
        ),
    )
    summary = scope.summary
    return section(
        "dampers",
        "Dampers at the shaft, from their curves in the bike file",
        *(figure(f"force-{end}", force_picture(summary, end), FORCE, Medium.SCREEN) for end in ENDS),
        table(columns, damper_rows(summary)),
        *notes(damper_words(summary) if summary.damper_work else ""),
    )


def damper_rows(summary: Summary) -> list[Row]:
    """Part of the curve, then time, work and mean force of front and rear; one row a part."""
    ends = [summary.damper_work.get(end) for end in ENDS]
    rows: dict[str, Row] = {}
    for i, part in enumerate(next((use.regions for use in ends if use), ())):
        here = [use.regions[i] if use else None for use in ends]
        rows[f"{part.direction}, {part.speeds}"] = (
            *(number(100 * one.time_share) if one else UNKNOWN for one in here),
            *(number(100 * one.work_share) if one else UNKNOWN for one in here),
            *(number(abs(one.mean_force_n)) if one else UNKNOWN for one in here),
        )
    return [(name, *cells) for name, cells in sorted(rows.items())]


def damper_words(summary: Summary) -> str:
    """What acts where on the curve, and the heat of the dampers: mean power and joules a lap."""
    heat = "; ".join(
        f"{end} {number(use.hydraulic_w)} W on average"
        + (f", {number(sum(use.lap_j) / len(use.lap_j) / 1000, 1)} kJ a lap" if use.lap_j else "")
        + f" (split at {number(use.split_mm_s)} mm/s)"
        for end, use in summary.damper_work.items()
    )
    return (
        "Low speed, below the split: the clicker (bleed) acts. High speed: the high-speed adjuster acts, or without "
        f"one the shim stack. Heat into the oil: {heat}."
    )


def damping_section(scope: Scope) -> Section | None:
    """What was found of lost damping at the rear, and at the front where it rang."""
    oscillation = scope.summary.oscillation
    length_m = scope.lap_length_m
    events, front = scope.oscillations, scope.front_oscillations
    gathered = gathered_rows(events, length_m)
    one_by_one = table(EVENT_COLUMNS, map(event_row, events), most=12)
    clear = [event for event in clearest(events, length_m) if event.seen is not None][:_EVIDENCE]
    return section(
        "damping",
        "Rear damping",
        Sentence(f"{damping_headline(oscillation)}.", "strong"),
        *map(Sentence, course_sentences(oscillation)),
        table(GATHERED_COLUMNS, gathered, "Places where the rear was not settled", most=12),
        fold("Where the rear was not settled, one by one", one_by_one) if gathered else one_by_one,
        *(_evidence(event, index) for index, event in enumerate(clear)),
        fold(
            "Where the front was not settled, one by one",
            table(EVENT_COLUMNS, map(event_row, front), most=12),
        ),
        fold(
            f"Similar at first, but with another cause ({len(scope.rejected)})",
            table(REJECTED_COLUMNS, rejected_rows(scope.rejected, length_m)),
        ),
    )


def _evidence(event: OscillationEvent, index: int) -> Fold | None:
    """Evidence of an event, and the tests it passed."""
    seen = event.seen
    if seen is None:
        return None
    where = place_words(event.corner, event.phase, event.distance_m, event.start_s)
    return fold(
        f"Evidence: {where}{'' if event.lap is None else f', lap {event.lap}'}",
        Sentence(event.evidence),
        Figure(
            f"ring-trace-{index}",
            ringing_picture(seen),
            f"From {number(seen.start_s, 1)} s: travel of both wheels from 4 to 36 Hz. The front is shifted in time, "
            "so that both are on the same road.",
        ),
        Figure(
            f"ring-spectrum-{index}",
            spectrum_picture(seen),
            "Solid: the rear as measured. Dashed: on the same road with the usual damping of the outing.",
            Medium.SCREEN,
        ),
        fold(
            "How it was checked",
            sentences(f"{check.question} {check.answer}" for check in event.checks),
            medium=Medium.SCREEN,
        ),
    )


def course_section(scope: Scope) -> Section | None:
    """How well each wheel was damped from lap to lap, as a picture and in words."""
    oscillation = scope.summary.oscillation
    lines = []
    for end in (end for end in ("front", "rear") if end in oscillation.course):
        healthy = oscillation.course[end].state not in IN_DOUBT
        here = oscillation.events if end == "rear" else oscillation.front_events
        in_stretches = "suspected lost" if any(event.level == "alarm" for event in here) else "in doubt"
        state = f"{in_stretches} in stretches" if here and healthy else oscillation.course[end].state
        # what is in doubt stands at the top of the page
        lines.append(f"{sentence(end)}: {state}. {oscillation.course[end].reason if healthy else ''}".strip())
    return section(
        "course",
        "How well each wheel was damped",
        figure(
            "course",
            course_picture(oscillation.course),
            "Damping ratio of the wheel hop; a dot is a lap, with its 95 % interval.",
        ),
        *map(Sentence, lines),
        *notes(drift_words(oscillation)),
        medium=Medium.SCREEN,
    )


def damping_words(found: Oscillation) -> str:
    """What is said of both dampers in a line of a list; of the front only where it is suspected or in doubt."""
    doubt = dampers_in_doubt(found)
    if found.verdict == "yes":
        words = "SUSPECTED LOST"
    elif "rear" in doubt:
        words = "IN DOUBT"
    elif found.verdict == "cannot_tell":
        words = "cannot tell"
    else:
        words = damper_answer(found, "rear")
    return words + front_damping_words(found)


def front_damping_words(found: Oscillation) -> str:
    """The front's part of such a line; "" where it is neither suspected nor in doubt."""
    if "front" not in dampers_in_doubt(found):
        return ""
    return f"; front {'SUSPECTED LOST' if front_suspected(found) else 'IN DOUBT'}"


def damping_headline(found: Oscillation) -> str:
    """The answer about the rear damper as a heading."""
    if found.verdict == "yes":
        return "Suspected loss of rear damping"
    if "rear" in dampers_in_doubt(found):
        return "Rear damping is in doubt"
    if found.verdict == "cannot_tell":
        return "Lost rear damping: cannot tell"
    share = found.judged_share
    part = "" if share is None or share >= NEARLY_ALL else f", as far as it was judged ({100 * share:.0f} %)"
    if not slow_loss_judged(found, "rear"):
        return f"No sign of a sudden loss of rear damping{part}; slow loss not judged"
    return f"No sign of lost rear damping{part}"


def event_row(event: OscillationEvent) -> Row:
    """Start, lap, place, length, frequency, damping ratio with interval, amplitudes, confidence, level."""
    words = place_words(event.corner, event.phase, event.distance_m)
    return (
        Number(event.start_s, TIME_S),
        UNKNOWN if event.lap is None else LapName(event.lap, str(event.lap)),
        Spot(words, event.lap, event.distance_m),
        Number(event.end_s - event.start_s, SECONDS),
        Number(event.frequency_hz, FREQUENCY),
        Number(event.damping_ratio, DAMPING, event.damping_ratio_ci95),
        Number(event.amplitude_mm, TRAVEL),
        Number(event.shaft_amplitude_mm, TRAVEL),
        sure_percent(event.confidence),
        event.level,
    )


def sure_percent(confidence: float) -> str:
    """Confidence in percent; a log is never certain.

    >>> sure_percent(0.9), sure_percent(0.9999)
    ('90', '> 99')
    """
    return number(100 * confidence) if confidence < 0.995 else "> 99"


def gathered_rows(events: tuple[OscillationEvent, ...], lap_length_m: float | None) -> list[Row]:
    """Events gathered by place, most seconds first; nothing where none of them came twice at one place."""
    places = gather(events, lap_length_m)
    if len(places) == len(events):
        return []
    return [
        (
            Spot(
                place_words(place.corner, place.phase, place.distance_m),
                place.laps[0] if place.laps else None,
                place.distance_m,
            ),
            laps_cell(place.laps),
            Number(len(place.events), COUNT),
            Number(place.seconds, SECONDS),
            Number(place.frequency_hz, FREQUENCY),
            Number(place.damping_ratio, DAMPING, place.damping_ratio_ci95),
        )
        for place in places
    ]


def rejected_rows(rejected: Sequence[RejectedCandidate], lap_length_m: float | None) -> list[Row]:
    """What looked like lost damping at first, by place, most often first, with the reason of its longest stretch."""
    spots = [Place(one.lap, one.distance_m, None, None) for one in rejected]
    rows: list[tuple[int, Row]] = []
    for place in by_place(spots, lap_length_m):
        # without a distance they share no place: one row each
        for group in [place.events] if place.located else [(i,) for i in place.events]:
            here = [rejected[i] for i in group]
            longest = max(here, key=lambda one: one.end_s - one.start_s)
            where = Spot(
                place_words(None, None, place.distance_m, longest.start_s), longest.lap, place.distance_m
            )
            row = (where, laps_cell(one.lap for one in here), Number(len(here), COUNT), longest.reason)
            rows.append((len(here), row))
    return [row for _, row in sorted(rows, key=lambda one: -one[0])]


def drift_words(found: Oscillation) -> str:
    """Says that an end that reads better from lap to lap beside one that fades has not improved; "" without one.

    Through the chassis a fading end moves the other's reading up, by up to a fifth of its fall in simulation.
    """
    course = found.course.values()
    fades = any(one.state in FALLING for one in course)
    rises = [
        end
        for end, one in found.course.items()
        if one.trend is not None and one.trend.ci95_pct_per_lap[0] > 0
    ]
    if not fades or not rises:
        return ""
    return f"The {rises[0]} did not improve: its ratio rises because the other end is fading."


def course_sentences(found: Oscillation) -> list[str]:
    """Damping of each end over the laps and the loss the log could show, without what the verdict already says."""
    over = "Over whole laps, including the suspected stretches: " if found.events else ""
    said = [
        over + course.reason[0].lower() + course.reason[1:] if over and end == "rear" else course.reason
        for end, course in found.course.items()
        if course.state not in IN_DOUBT
    ]
    limit = "" if found.verdict == "no" else limit_sentence(found.limits)  # otherwise the reason has it
    return [*dict.fromkeys(said), *(words for words in (drift_words(found), limit) if words)]


def _compared(what: str, of: str) -> tuple[Column, ...]:
    return (
        Column(what, words=True), Column(f"before ({of})"), Column(f"after ({of})"), Column("after over before (95 %)"),
        Column("verdict", words=True),
    )  # fmt: skip


HISTORY_COLUMNS = (
    Column("date"), Column("run", words=True), Column("serviced"), Column("damping ratio (95 %)"), Column("heat [kJ]"),
    Column("since: [km]"), Column("since: [kJ]"), Column("answer", words=True),
)  # fmt: skip
# In a line of a list; every other answer as it is.
SAID = {LOST: "LOST?", DOUBTFUL: "IN DOUBT", "": NO_SIGN}
OF_ONE_DAMPER = (
    "Each lap counts as one value; the interval includes the usual difference of a good damper from outing to "
    "outing."
)


def damper_document(comparison: DamperComparison) -> Document:
    """A comparison of one damper over two outings: the sentences, the caution, then by shaft speed."""
    title = f"Damping ratio of the {comparison.end} wheel hop, mean over laps"
    rows = table(_compared("shaft speed, RMS", "laps"), speed_rows(comparison))
    return document(
        f"Before: {_outing_words(comparison.before)}",
        f"After: {_outing_words(comparison.after)}",
        _verdict(comparison),
        section("speeds", title, rows, note=OF_ONE_DAMPER),
    )


def bounce_damper_document(comparison: BounceComparison) -> Document:
    """A comparison of one end in two bounce tests: the sentences, the caution, the rows."""
    rows = table(_compared("return after a push", "pushes"), bounce_rows(comparison))
    return document(
        f"Before: {comparison.before}",
        f"After: {comparison.after}",
        _verdict(comparison),
        section("pushes", f"The {comparison.end} pushed by hand", rows),
    )


def _verdict(comparison: DamperComparison | BounceComparison) -> Section | None:
    return section(
        "verdict",
        f"Is the damping back? The {comparison.end}",
        Sentences(comparison.sentences, verdicts=True),
        Caution((comparison.caution,)),
    )


def history_document(damper: str, runs: Sequence[DamperRun]) -> Document:
    """Outings and services of a damper, oldest first."""
    ends = " and ".join(sorted({run.end for run in runs}))
    name = f"damper-{damper.encode().hex()}"  # fit for the page of a screen, whatever people write
    words = "Damping ratio; a dot is an outing, with its 95 % interval. Dashed: serviced."
    return document(
        f"Damper {damper}, {ends}: {count_word(len(runs), 'outing')}, oldest first",
        "",
        section(
            "history",
            f"Outings of damper {damper}",
            figure(name, outings_picture(runs), words),
            table(HISTORY_COLUMNS, history_rows(runs)),
            *notes(HISTORY_WORDS),
        ),
    )


HISTORY_WORDS = (
    "Damping ratio of the wheel hop, mean over laps. Since: from the last service on. kJ is the work of the oil, "
    "from the damper's curve in the bike file. Compare two outings with 'bothends damper A B', not by this table: the "
    "road and the other end influence these numbers."
)


def speed_rows(comparison: DamperComparison) -> list[Row]:
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


def history_rows(runs: Sequence[DamperRun]) -> list[Row]:
    """Date, run, service day, damping ratio, heat, distance and heat since the service, what was suspected."""
    return [
        (
            run.date or UNKNOWN,
            run.name,
            run.serviced or UNKNOWN,
            interval(run.damping_ratio, run.ci95, DAMPING.digits),
            number(run.heat_kj),
            number(run.since_service_km),
            UNKNOWN if run.heat_kj is None else number(run.since_service_kj),
            SAID.get(run.doubt, run.doubt),
        )
        for run in runs
    ]


def bounce_rows(comparison: BounceComparison) -> list[Row]:
    """What, before and after with pushes, their ratio, verdict."""
    return [
        (
            headed(row.what, row.unit),
            f"{number(row.before, 2)} ({row.pushes_before})",
            f"{number(row.after, 2)} ({row.pushes_after})",
            interval(row.ratio, row.ci95),
            UNKNOWN if row.unit else row.verdict,
        )
        for row in comparison.rows
    ]


def _outing_words(outing: DamperOuting) -> str:
    parts = [outing.source, outing.damper and f"damper {outing.damper}",
             outing.serviced and f"serviced {outing.serviced}", outing.doubt]  # fmt: skip
    return ", ".join(part for part in parts if part)
