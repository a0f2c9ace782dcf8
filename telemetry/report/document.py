"""The review as a document: every section is built once, then printed in the terminal, on paper and on the screen."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from telemetry.arrays import ENDS, End
from telemetry.damping import dampers_in_doubt
from telemetry.findings import nothing_asks, suspicions, trust_sentence
from telemetry.laps import Corner
from telemetry.motion import judged_ends
from telemetry.notes import QualityNote
from telemetry.report.blocks import (
    Advice,
    Answer,
    Column,
    Document,
    Figure,
    LapName,
    Medium,
    Number,
    Places,
    Row,
    Section,
    Sentence,
    Sentences,
    Spot,
    advice_steps,
    caution,
    document,
    figure,
    fold,
    in_short,
    linked,
    notes,
    section,
    sentences,
    table,
    without_intervals,
    words_columns,
)
from telemetry.report.damping import (
    course_section,
    dampers_section,
    damping_section,
    damping_words,
    front_damping_words,
)
from telemetry.report.ends import (
    answer_section,
    balance_section,
    bump_section,
    chassis_section,
    ends_section,
    frequencies_section,
    places_section,
    stops_section,
    stretch_balance_section,
    strokes_section,
)
from telemetry.report.figures import Scope, deeper_picture, faster_picture, speed_picture, use_picture
from telemetry.report.lap import Drawn, quickest_lap, stretch, track_picture, travel_picture
from telemetry.setup import SetupSheet, written
from telemetry.summary import (
    BY_KEY,
    DAMPING,
    OF_END,
    RATIO,
    UNKNOWN,
    EndAt,
    LapSummary,
    Metric,
    RunInfo,
    Summary,
    Traces,
    Trend,
    count_word,
    half_width,
    in_sentence,
    lap_time,
    lap_words,
    laps_from,
    measured_time,
    number,
    percent,
    plus_minus,
    sentence,
)

if TYPE_CHECKING:
    from telemetry.season import RunRecord

SEVERITY_WORDS = {"info": "Note", "warning": "WARNING", "refused": "CANNOT TELL"}
# Trends shown whether or not they shift; the others only when they do.
ALWAYS = ("front.travel.median_mm", "rear.travel.median_mm", "lap.time_s")
CLOSING = (
    "Keep within the makers' limits for length, preload and pressure. Try one change at a time, at reduced pace "
    "first. Gas-charged dampers are opened only by people equipped for it. Track and local rules apply."
)


def review_document(
    scope: Scope, traces: Traces | None = None, *, sheet: SetupSheet | None = None
) -> Document:
    """A review in the order in which it is read.

    Sections of what only a whole run tells are of the run also where the scope is a lap. With ``traces`` of the run
    there are the pictures of a lap and of its map; a setup ``sheet`` is told when given.
    """
    summary = scope.summary
    sections = (
        verdict_section(summary),
        findings_section(summary),
        lap_travel(summary, traces) if traces is not None else None,
        ends_section(scope),
        use_section(scope),
        speeds_section(scope),
        answer_section(scope),
        balance_section(scope),
        bump_section(scope),
        dampers_section(scope),
        stops_section(scope),
        grid_section(summary),
        places_section(scope),
        strokes_section(scope),
        frequencies_section(scope),
        damping_section(scope),
        course_section(scope),
        chassis_section(scope),
        lap_map(summary, traces) if traces is not None else None,
        laps_section(summary),
        trends_section(summary),
        sheet_section(sheet),
        quality_section(summary.quality),
        how_section(summary),
    )
    title = f"{summary.run.bike}: {summary.run.source}"
    return linked(document(title, facts_of(summary.run), *sections), summary)


def facts_of(run: RunInfo) -> str:
    """How long, how far, how fast logged, and where the laps are from."""
    distance = f", {number(run.distance_m / 1000, 1, 'km')}" if run.distance_m else ""
    facts = f"{number(run.duration_s / 60, 1, 'min')}{distance} at {number(run.sample_rate_hz, 0, 'Hz')}"
    return f"{facts}; {laps_from(run.lap_source)}"


def verdict_section(summary: Summary) -> Section | None:
    """The first finding, or that there is none, then what else an engineer would read aloud, and the cautions."""
    return section(
        "verdict",
        "The answer",
        answer(summary),
        caution(*cautions(summary)),
        note="Of the whole run, most important first.",
    )


def answer(summary: Summary) -> Answer:
    """The findings in their order, then the sentences on both ends; the state of the log is a mark."""
    trust = trust_sentence(summary.run, summary.laps, summary.quality)
    # in a review that was stored before, the same sentences may begin or go on in other words
    rest = tuple(
        without_intervals(words)
        for words in summary.verdicts
        if words.partition(": ")[2] != trust.partition(": ")[2]
    )
    mark, sound = _log_mark(summary.quality)
    refused = any(note.severity == "refused" for note in summary.quality)
    rest = (trust, *rest) if refused else (*rest, trust)  # refused: the answer is not all there
    if not summary.findings:
        first, *more = nothing_asks(summary)
        return Answer(first, others=(*more, *rest), trust=trust, mark=mark, sound=sound)
    first_found, *others = summary.findings
    grave = suspicions(summary.oscillation)[:1]  # what is suspected of a damper, with the order to stop
    rest = tuple(words for words in rest if _opening(words) not in map(_opening, grave))
    also = also_words(found.title for found in others)
    return Answer(
        headline=first_found.title,
        why=grave[0] if grave else sentence(without_intervals(first_found.evidence)),
        grave=bool(grave),
        todo=in_short(first_found.suggestion),
        others=tuple(words for words in (also, *rest) if words),
        trust=trust,
        mark=mark,
        sound=sound,
    )


def _opening(sentence: str) -> str:
    return re.split("[.:]", sentence, maxsplit=1)[0]


def also_words(titles: Iterable[str]) -> str:
    """The findings after the first, in one sentence; "" for none.

    >>> also_words(["The rear packs down at corner 3", "The front rides lower from lap to lap"])
    'Also: the rear packs down at corner 3; the front rides lower from lap to lap.'
    """
    listed = "; ".join(map(in_sentence, titles))
    return f"Also: {listed}." if listed else ""


def _log_mark(quality: Iterable[QualityNote]) -> tuple[str, bool]:
    severities = [note.severity for note in quality]
    if refused := severities.count("refused"):
        return f"Log: {count_word(refused, 'question')} not answered", False
    if warned := severities.count("warning"):
        return f"Log: {count_word(warned, 'warning')}", False
    return "Log OK", True


def cautions(summary: Summary) -> list[str]:
    """The cautions of the findings, each once, without those that the verdicts or a longer caution say."""
    texts = list(dict.fromkeys(finding.caution for finding in summary.findings if finding.caution))
    said = (*summary.verdicts, *texts)
    return [words for words in texts if sum(words in text for text in said) == 1]


def findings_section(summary: Summary) -> Section | None:
    """What asks for a change or a check; with a damper in doubt there is nothing to try."""
    if nothing := nothing_asks(summary):
        return section("findings", "What to change", *map(Sentence, nothing), medium=Medium.PAPER)
    doubt = dampers_in_doubt(summary.oscillation)
    return section(
        "findings",
        "Findings" if doubt else "Findings: try one change at a time",
        *(
            Advice(found.title, sentence(found.evidence), advice_steps(found.suggestion))
            for found in summary.findings
        ),
        note="" if doubt else "The maker's limits and what the rider feels come before this advice.",
    )


def stretch_document(scope: Scope, corner: Corner | None = None, *, zoomed: bool = False) -> Document:
    """The numbers of both ends and their balance, of the scope as it is: a run, a lap or a stretch of it.

    With a ``corner`` the bumps of all laps in it are told as well. A stretch (``zoomed``) has too few bumps for a
    balance of its own.
    """
    balance = stretch_balance_section(scope, corner) if zoomed else balance_section(scope)
    return linked(document("", "", ends_section(scope), balance), scope.summary)


GRID_SIGNS = "▲ front bottomed, ▼ rear bottomed, ▬ not settled; a number says how many times."


def grid_section(summary: Summary) -> Section | None:
    """Corner by lap: where an end bottomed or was not settled; only corners and laps in which something happened."""
    signs_at: dict[tuple[int, int], Counter[str]] = {}
    for end in ENDS:
        for stop in summary.ends[end].bottomed:
            if stop.corner and stop.lap is not None:
                signs_at.setdefault((stop.corner, stop.lap), Counter())["▲" if end == "front" else "▼"] += 1
    for event in (*summary.oscillation.events, *summary.oscillation.front_events):
        if event.corner and event.lap is not None:
            signs_at.setdefault((event.corner, event.lap), Counter())["▬"] += 1
    corners = [corner for corner in summary.corners if any(corner.number == number for number, _ in signs_at)]
    laps = sorted({lap for _, lap in signs_at})
    if not corners:
        return None
    places = Places(summary)

    def cell(corner: Corner, lap: int) -> Spot | str:
        signs = signs_at.get((corner.number, lap))
        if signs is None:
            return ""
        words = " ".join(sign if count == 1 else f"{sign}{count}" for sign, count in sorted(signs.items()))
        return Spot(words, lap, corner.apex_m, places.corner_span_m(corner))

    rows = [(f"corner {corner.number}", *(cell(corner, lap) for lap in laps)) for corner in corners]
    columns = (Column("where", words=True), *(Column(f"lap {lap}") for lap in laps))
    return section("grid", "Corner by lap", table(columns, rows), note=GRID_SIGNS, medium=Medium.SCREEN)


def use_section(scope: Scope) -> Section | None:
    """Share of the time at each travel, and deeper than each, as pictures."""
    words = (
        "Share of the time at each travel. Lines: median, 95th percentile and maximum. Dashed: end of the stroke, and "
        "the other end repeated."
    )
    return section(
        "use",
        f"How the travel was used, at the {scope.plane}",
        Figure("use", use_picture(scope), words),
        figure("deeper", deeper_picture(scope), "Share of the time deeper than each travel.", Medium.SCREEN),
        medium=Medium.PAPER,
    )


def speeds_section(scope: Scope) -> Section | None:
    """Share of the time at each speed, as a picture."""
    picture = speed_picture(scope)
    band = ", ".join(f"{end} {OF_END['speed.bandwidth_hz'].text(at)} Hz" for end, at in scope.judged.items())
    words = (
        f"Share of the time at each speed, up to {number(picture.x_range[1])} mm/s. Dashed: the other end repeated"
        + ("; dotted: split between low and high shaft speed" if picture.uprights else "")
        + f". Bandwidth of the speeds: {band}."
    )
    shares = Figure("speed", picture, words)
    words = "Share of the time above each speed, on a logarithmic axis that shows the fast strokes."
    return section(
        "speeds",
        f"How fast the ends moved, at the {scope.plane}",
        shares,
        figure("faster", faster_picture(scope), words, Medium.SCREEN),
        medium=Medium.PAPER,
    )


_LAP_ENDS = ("travel.used_pct", "travel.bottomed")
LAP_COLUMNS = (
    Column("lap", words=True), Column("time"), *(Column(f"{end} used [%]", end=end) for end in ENDS),
    *(Column(f"{end} bottomed", end=end, medium=Medium.PAPER) for end in ENDS), Column("compr. ratio"),
    Column("rebound ratio"), Column("hop damping ratio"), Column("masked [%]"),
)  # fmt: skip


def lap_travel(summary: Summary, traces: Traces, lap: LapSummary | None = None) -> Section | None:
    """The travel of both ends over a lap: by default the quickest, else the longest part lap, else the whole run."""
    lap = lap or quickest_lap(summary) or max(summary.laps, key=lambda lap: lap.time_s, default=None)
    scene = _on_paper(summary, traces, lap)
    if len(scene.stretch.x) < 2:
        return None
    words = (
        "Front above, rear below, both measured outwards from full extension: ends that move together draw a "
        "symmetrical picture. Numbers in the middle: corners. Wedge: bottomed. Ring (front) or square (rear): topped "
        "out. Wave: rear not settled. Gaps: masked samples."
    )
    title = f"Wheel travel over {_lap_name(lap)}"
    return section("travel", title, Figure("lap", travel_picture(scene), words), medium=Medium.PAPER)


def lap_map(summary: Summary, traces: Traces) -> Section | None:
    """The map of the lap and what happened where, on all laps."""
    title, picture = "Where on the lap", track_picture(_on_paper(summary, traces, None))
    if picture.straight:
        no_map = Sentence("The log has no position that can be used, so there is no map.")
        return section("map", title, no_map, medium=Medium.PAPER)
    words = (
        f"Line of {_lap_name(quickest_lap(summary))}, north up; events of all laps. Violet is the front, ochre the "
        "rear. Wedge up: front bottomed; wedge down: rear bottomed; ring: front topped out; square: rear topped out; "
        "dashed: rear not settled."
    )
    return section("map", title, Figure("map", picture, words), medium=Medium.PAPER)


def _on_paper(summary: Summary, traces: Traces, lap: LapSummary | None) -> Drawn:
    column = traces.columns.get
    here = stretch(
        traces["t_s"],
        column("lap"),
        column("distance_m"),
        number=lap.lap if lap else None,
        against="distance",
    )
    return Drawn(summary, lap, "wheel", here, column)


def _lap_name(lap: LapSummary | None) -> str:
    if lap is None:
        return "the whole run"
    return f"lap {lap_words(lap.lap, lap.complete, lap.kind)}, {lap_time(lap.time_s)}"


def laps_section(summary: Summary) -> Section | None:
    """A row a lap."""
    if not summary.laps:
        return section(
            "laps", "Laps", Sentence("No laps were found, so everything here is over the whole run.")
        )
    return section(
        "laps",
        "Laps",
        table(
            LAP_COLUMNS,
            lap_rows(summary),
            "Every lap, at the wheel; ratios are of the RMS speed, rear over front",
        ),
        *(Sentence(words, "note") for words in (named_corners(summary.corners),) if words),
    )


def lap_rows(summary: Summary) -> list[Row]:
    """Lap, time, travel used, bottomed, speed ratios, damping ratio, masked."""
    damping = {row.lap: row.damping_ratio for row in summary.oscillation.fade}
    return [
        (
            LapName(lap.lap, lap_words(lap.lap, lap.complete, lap.kind)),
            lap_time(lap.time_s) if lap.complete else f"({lap_time(lap.time_s)})",
            *(_of_end(lap, end, OF_END[key]) for key in _LAP_ENDS for end in ENDS),
            Number(lap.balance.speed_ratio.compression, RATIO),
            Number(lap.balance.speed_ratio.rebound, RATIO),
            Number(damping.get(lap.lap), DAMPING),
            number(100 * max(lap.masked_share.values(), default=0.0), 1),
        )
        for lap in summary.laps
    ]


def _of_end(lap: LapSummary, end: End, metric: Metric) -> Number | str:
    return Number(EndAt(lap.ends[end]), metric) if lap.ends[end].judged else UNKNOWN


TREND_COLUMNS = (
    Column("", words=True), Column("first lap"), Column("last lap"), Column("a lap, ± 95 %"),
    Column("over the outing", words=True),
)  # fmt: skip


def trends_section(summary: Summary) -> Section | None:
    """How the numbers of a lap shift over the outing."""
    shown = (one for one in summary.trends if one.key in BY_KEY and (one.clear or one.key in ALWAYS))
    rows = [*map(_trend, shown)]
    note = "Rises or falls: only where the change is statistically clear and large enough to matter."
    return section("trends", "Over the outing", table(TREND_COLUMNS, rows), note=note) if rows else None


def _trend(trend: Trend) -> Row:
    metric = BY_KEY[trend.key]
    shift = "no clear shift" if not trend.clear else "rises" if trend.per_lap > 0 else "falls"
    return (
        metric.heading,
        number(trend.first, metric.digits),
        number(trend.last, metric.digits),
        plus_minus(trend.per_lap, half_width(trend.ci95_per_lap), metric.digits + 1),
        shift,
    )


def sheet_section(sheet: SetupSheet | None) -> Section | None:
    """What the setup sheet says."""
    rows = written(sheet) if sheet else ()
    return section("sheet", "Setup sheet", table(words_columns("setup sheet", ""), rows)) if rows else None


def quality_section(found: Iterable[QualityNote]) -> Section | None:
    """What is wrong with the log."""
    lines = tuple(note_words(note) for note in found)
    return section(
        "quality",
        "The log itself",
        Sentences(lines) if lines else Sentence("No problem was found in the log."),
        note="Invalid samples are left out of every number, never filled in.",
    )


def note_words(note: QualityNote) -> str:
    """A quality note in one line: how serious, which channel, where, what."""
    where = note.channel and f" [{note.channel}]"
    if note.start_s is not None:
        end = "" if note.end_s is None or note.end_s == note.start_s else f" to {number(note.end_s, 2)}"
        where += f" at {number(note.start_s, 2)}{end} s"
    return f"{SEVERITY_WORDS[note.severity]}{where}: {note.message}"


def how_section(summary: Summary) -> Section | None:
    """How the numbers were computed: what was done to the data, and which bike-file values they rest on."""
    steps = (
        f"{_plain(step.name)}: {', '.join(map(' '.join, _values(step.settings)))}".removesuffix(": ")
        for step in summary.history
    )
    speeds = [
        f"{end} wheel speed: bandwidth {OF_END['speed.bandwidth_hz'].text(EndAt(one))} Hz, noise "
        f"{OF_END['speed.noise_mm_s'].text(EndAt(one))} mm/s; valid {percent(one.valid_share, 1)} of the time"
        for end, one in judged_ends(summary.ends).items()
    ]
    phases = ", ".join(summary.run.phase_sources)
    lines = (*steps, *speeds, *((f"corner phases from: {phases}",) if phases else ()))
    return section(
        "how",
        "How it was computed",
        fold("What was done to the data", sentences(lines)),
        fold(
            "Bike-file values that the numbers rest on",
            table((Column("bike file", words=True), Column("value")), _values(summary.bike_values)),
        ),
        medium=Medium.PAPER,
    )


def _plain(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")


def _values(values: Mapping[str, float | int | str | bool]) -> list[tuple[str, str]]:
    """Names and values as they are written."""
    return [
        (_plain(key), f"{value:.4g}" if isinstance(value, float) else str(value))
        for key, value in values.items()
    ]


def named_corners(corners: Iterable[Corner]) -> str:
    """What people call the corners, or "" where nobody named one.

    Examples
    --------
    >>> named_corners([Corner(1, 80, 100, 120, -1, "Old Gate"), Corner(2, 300, 340, 380, 1)])
    'Corner 1 is Old Gate.'
    """
    named = [f"{corner.number} is {corner.name}" for corner in corners if corner.name]
    return f"Corner {', '.join(named)}." if named else ""


RUN_COLUMNS = (
    Column("log", words=True), Column("laps"), Column("quickest"), Column("used [%]"), Column("bottomed"),
    Column("balance"), Column("rear damping", words=True),
)  # fmt: skip
RUN_WORDS = (
    "Used, of the stroke at the deepest point, and bottomed: front / rear. Balance: speed of the rear over the front "
    "on the same bump, compression / rebound."
)


def runs_section(runs: "Iterable[RunRecord]") -> Section:
    """Many runs, one row each."""
    runs = tuple(runs)
    limits = [f"{run.name}: {words}" for run in runs for words in run.limits]
    rows = table(RUN_COLUMNS, [_run_row(run) for run in runs])
    blocks = tuple(block for block in (rows, *notes(RUN_WORDS, *limits)) if block is not None)
    return Section("runs", "Runs", blocks)


def _run_row(run: "RunRecord") -> Row:
    """A whole run in one line: complete laps, the quickest, travel used, bottomed front and rear, balance, damping."""
    values = run.rows[0].values

    def both(key: str) -> str:
        return " / ".join(number(values[f"{end}.{key}"], OF_END[key].digits) for end in ENDS)

    ratios = (values["balance.bump_compression"], values["balance.bump_rebound"])
    return (
        run.name,
        str(run.laps),
        lap_time(run.quickest_lap_s),
        both("travel.used_pct"),
        both("travel.bottomed"),
        " / ".join(number(value, RATIO.digits) for value in ratios),
        run.damping,
    )


def damping_cell(summary: Summary) -> str:
    """The verdict on the dampers, and on how much of the time it rests where that is not nearly all of it."""
    words, rear = damping_words(summary.oscillation), summary.ends["rear"]
    if not rear.judged:
        return "rear not judged" + front_damping_words(summary.oscillation)
    partly = summary.oscillation.verdict != "yes" and measured_time(rear) and "% of" not in words
    return f"{words} in {percent(rear.valid_share)} of the time" if partly else words
