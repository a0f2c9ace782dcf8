"""The debrief on paper: one self-contained HTML page that prints on A4."""

from collections.abc import Iterator, Mapping
from html import escape

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.motion.summary import StopEvent
from telemetry.report import page, rows, rows_motion
from telemetry.report.mirrored import mirrored_response
from telemetry.report.pictures import (
    LapTrace,
    MapMark,
    mirrored_travel,
    speed_histograms,
    speed_reach_mm_s,
    track_map,
    travel_use,
)
from telemetry.report.words import (
    best_lap,
    cautions,
    chassis_words,
    excluded_words,
    lap_time,
    note_words,
    number,
    pitch_words,
)
from telemetry.setup import Comparison, SetupSheet, written
from telemetry.summary import Finding, LapSummary, Summary, Traces

_EVIDENCE = 3  # events whose evidence is printed in words
CLOSING = (
    "Keep within the makers' limits for length, preload and pressure. Try one change at a time, at reduced pace "
    "first. Gas-charged dampers are opened only by people equipped for it. Track and local rules apply."
)


def debrief_html(
    summary: Summary,
    traces: Traces,
    comparison: Comparison | None = None,
    *,
    sheet: SetupSheet | None = None,
) -> str:
    """The debrief of a run as one HTML page: no script, nothing loaded from anywhere, printable on A4.

    Parameters
    ----------
    summary : Summary
    traces : Traces
        Of the same run.
    comparison : Comparison, optional
        Printed as well when given.
    sheet : SetupSheet, optional
        Printed as well when given.

    Returns
    -------
    str
        HTML; every text in it is escaped.
    """
    lap = best_lap(summary)
    inside = _inside(traces, lap)
    run = summary.run
    distance = f", {number(run.distance_m / 1000, 1)} km" if run.distance_m else ""
    facts = (
        f"{run.source} · {number(run.duration_s / 60, 1)} min{distance} at {number(run.sample_rate_hz)} Hz · "
        f"laps from: {run.lap_source}"
    )
    return page.document(
        f"Debrief: {run.bike}, {run.source}",
        [
            f"<header><h1>Debrief: {escape(run.bike)}</h1>{page.paragraph(facts, 'meta')}</header>",
            page.items(summary.verdicts, "verdicts", ordered=True),
            *(page.caution(words) for words in cautions(summary)),
            _travel(summary, traces, lap, inside),
            _ends(summary),
            _balance(summary),
            _findings(summary.findings),
            _travel_use(summary),
            _speeds(summary),
            _dampers(summary),
            _stops(summary),
            _places(summary),
            _strokes(summary),
            _frequencies(summary),
            _damping(summary),
            _map(summary, traces, lap, inside),
            _laps(summary),
            _trends(summary),
            _comparison(comparison) if comparison else "",
            _sheet(sheet),
            _quality(summary),
            _how(summary),
            page.paragraph(CLOSING, "note"),
        ],
    )


def _inside(traces: Traces, lap: LapSummary | None) -> slice:
    """The samples of a lap, of the whole run without one."""
    if lap is None:
        return slice(None)
    first, last = np.searchsorted(traces["t_s"], [lap.start_s, lap.end_s])
    return slice(int(first), int(last)) if last > first else slice(None)


def _lap_name(lap: LapSummary | None) -> str:
    if lap is None:
        return "the whole run"
    return f"lap {lap.lap}, {lap_time(lap.time_s)}" + ("" if lap.complete else " (not a complete lap)")


def _stops_of(summary: Summary) -> Iterator[StopEvent]:
    for end in summary.ends.values():
        yield from (*end.bottomed, *end.topped_out)


def _travel(summary: Summary, traces: Traces, lap: LapSummary | None, inside: slice) -> str:
    distance_m = traces["distance_m"][inside]
    over_distance = lap is not None and bool(np.isfinite(distance_m).all()) and len(distance_m) > 1
    x = np.maximum.accumulate(distance_m) if over_distance else traces["t_s"][inside]
    if not summary.ends or len(x) < 2:
        return ""
    travel: Mapping[End, FloatArray] = {end: traces[f"{end}_wheel_mm"][inside] for end in summary.ends}
    trace = LapTrace(
        x, "m" if over_distance else "s", travel, {end: s.wheel_stroke_mm for end, s in summary.ends.items()}
    )
    here = lap.lap if lap else None
    drawn = mirrored_travel(
        trace,
        summary.corners,
        (stop for stop in _stops_of(summary) if here is None or stop.lap == here),
        (event for event in summary.oscillation.events if here is None or event.lap == here),
    )
    return page.section(
        f"Wheel travel over {_lap_name(lap)}",
        page.figure(
            drawn,
            "Front above, rear below, both measured outwards from full extension: ends that move together draw a "
            "symmetrical picture. Numbers in the middle are corners; a wedge is bottomed, a ring (front) or square "
            "(rear) is topped out, a wave is where the rear rang. Gaps are samples that were masked.",
        ),
    )


def _findings(findings: tuple[Finding, ...]) -> str:
    if not findings:
        return ""
    parts = [
        f'<div class="finding"><strong>{escape(finding.title)}</strong>'
        f"{page.paragraph(finding.evidence)}{page.paragraph(finding.suggestion)}</div>"
        for finding in findings
    ]
    return page.section("Worth trying, one at a time", *parts, long=True)


def _ends(summary: Summary) -> str:
    if not summary.ends:
        return ""
    return page.section(
        "Both ends, at the wheel",
        page.table(("", *ENDS), rows.end_rows(summary.ends)),
    )


def _travel_use(summary: Summary) -> str:
    if not summary.ends:
        return ""
    return page.section(
        "How the travel was used, at the wheel",
        page.figure(
            travel_use(summary.ends),
            "Share of the time at each travel, over the whole run. Lines: median, the travel below which the end "
            "was for 95 % of the time, and the most.",
        ),
    )


def _speeds(summary: Summary) -> str:
    if not summary.ends:
        return ""
    reach = speed_reach_mm_s(end.wheel.speed_histogram for end in summary.ends.values())
    bandwidths = ", ".join(
        f"{end} {number(s.wheel.speed.bandwidth_hz)} Hz" for end, s in summary.ends.items()
    )
    return page.section(
        "How fast the ends moved, at the wheel",
        page.figure(
            speed_histograms(summary.ends),
            f"Share of the time at each wheel speed, both ends on one axis. The outermost steps hold what is "
            f"faster than {reach:.0f} mm/s. Bandwidth of the speeds: {bandwidths}.",
        ),
    )


def _balance(summary: Summary) -> str:
    title = "Balance: rear over front; 1 is even"
    if summary.balance.reason:
        return page.section(title, page.paragraph(f"Cannot be told: {summary.balance.reason}"))
    return page.section(
        title,
        page.table(("wheel speed", "compression", "rebound"), rows.balance_rows(summary.balance)),
        _response(summary),
        page.paragraph(
            " ".join((pitch_words(summary.balance), *chassis_words(summary.balance))).strip(), "note"
        ),
    )


def _response(summary: Summary) -> str:
    """The average bump of both ends, drawn and in numbers."""
    bump = summary.balance.same_bump
    if bump is None or bump.response is None:
        return ""
    response = bump.response
    drawn = mirrored_response(
        np.array(response.lag_ms), np.array(response.front_mm), np.array(response.rear_mm), "ms",
        f"Average wheel travel of both ends over {bump.pairs} bumps",
    )  # fmt: skip
    return page.figure(
        f'<div class="half">{drawn}</div>',
        "Average of the same bumps, each end from the moment it met them, measured outwards from the travel before; "
        "ends that answer alike draw a symmetrical picture.",
    ) + page.table(rows.RESPONSE_COLUMNS, rows.response_rows(summary.balance))


def _dampers(summary: Summary) -> str:
    if not summary.damper_work:
        return ""
    return page.section(
        "Dampers, at the shaft, by the curves in the bike file",
        page.table(rows.DAMPER_COLUMNS, rows.damper_rows(summary)),
        page.paragraph(rows.damper_words(summary), "note"),
    )


def _stops(summary: Summary) -> str:
    found = rows.stop_rows(summary)
    title = "Where the travel ran out"
    if not found:
        words = "Neither end reached a limit of its travel." if summary.ends else "Not known."
        return page.section(title, page.paragraph(words))
    return page.section(title, page.table(rows.STOP_COLUMNS, found, words=(0, 1, 2)), long=len(found) > 15)


def _places(summary: Summary) -> str:
    found = rows_motion.place_rows(summary, corners=True)
    if not found:
        return ""
    return page.section(
        "Travel by phase and corner",
        page.table(rows_motion.PLACE_COLUMNS, found),
        page.paragraph(
            "Median and 95th percentile are means over laps, ± the standard error of that mean; left is what stayed "
            "of the stroke at the deepest point of all laps.",
            "note",
        ),
        long=len(found) > 12,
    )


def _strokes(summary: Summary) -> str:
    found = rows_motion.stroke_rows(summary)
    if not found:
        return ""
    return page.section(
        "Strokes, at the wheel",
        page.table(rows_motion.STROKE_COLUMNS, found),
        page.paragraph("How many / the median of their fastest, mm/s.", "note"),
        *(page.paragraph(words) for words in rows_motion.packing_words(summary.packing)),
    )


def _frequencies(summary: Summary) -> str:
    found = rows_motion.band_rows(summary)
    if not found:
        return ""
    return page.section(
        "Frequencies of the wheel speed",
        page.table(rows_motion.BAND_COLUMNS, found),
        page.paragraph(rows_motion.together_words(summary), "note"),
    )


def _trends(summary: Summary) -> str:
    found = rows_motion.trend_rows(summary)
    if not found:
        return ""
    return page.section("Over the outing", page.table(rows_motion.TREND_COLUMNS, found, words=(0, 4)))


def _damping(summary: Summary) -> str:
    found = summary.oscillation
    verdict = f"{rows.VERDICT_WORDS[found.verdict]}: {found.reason}".rstrip(": ")
    events = rows.oscillation_rows(summary)
    clearest = sorted(found.events, key=lambda event: -event.confidence)[:_EVIDENCE]
    return page.section(
        "Rear damping",
        page.paragraph(verdict[0].upper() + verdict[1:]),
        *(page.paragraph(sentence) for sentence in rows.course_sentences(summary)),
        page.table(rows.OSCILLATION_COLUMNS, events, words=(0, 1, 2)) if events else "",
        *(page.paragraph(f"{event.start_s:.1f} s: {event.evidence}", "note") for event in clearest),
        long=len(events) > 8,
    )


def _map(summary: Summary, traces: Traces, lap: LapSummary | None, inside: slice) -> str:
    title = "Where on the lap"
    if "x_m" not in traces or "y_m" not in traces:
        return page.section(title, page.paragraph("The log has no position, so there is no map."))
    x, y, distance = traces["x_m"][inside], traces["y_m"][inside], traces["distance_m"][inside]
    known = np.isfinite(x) & np.isfinite(y)
    if np.count_nonzero(known) < 2:
        return page.section(title, page.paragraph("The log's position is not usable, so there is no map."))
    at = known & np.isfinite(distance)

    def place(distance_m: float) -> tuple[float, float]:
        where = np.interp(distance_m, np.maximum.accumulate(distance[at]), np.arange(np.count_nonzero(at)))
        return float(x[at][round(float(where))]), float(y[at][round(float(where))])

    corners = [(c.number, *place(c.apex_m)) for c in summary.corners] if at.any() else []
    marks = [MapMark(*_position(traces, stop.time_s), stop.end, stop.kind) for stop in _stops_of(summary)] + [
        MapMark(*_position(traces, event.start_s), "rear", "oscillation")
        for event in summary.oscillation.events
    ]
    marks = [mark for mark in marks if np.isfinite(mark.x_m) and np.isfinite(mark.y_m)]
    return page.section(
        title,
        page.figure(
            track_map(x, y, corners, marks),
            f"Line of {_lap_name(lap)}, north up; events of all laps. Violet is the front, ochre the rear. "
            "Wedge up: front bottomed; wedge down: rear bottomed; ring: front topped out; square: rear topped "
            "out; wave: rear rang.",
        ),
    )


def _position(traces: Traces, time_s: float) -> tuple[float, float]:
    index = min(int(np.searchsorted(traces["t_s"], time_s)), len(traces["t_s"]) - 1)
    return float(traces["x_m"][index]), float(traces["y_m"][index])


def _laps(summary: Summary) -> str:
    if not summary.laps:
        words = "No laps were found, so everything here is over the whole run."
        return page.section("Laps", page.paragraph(words))
    note = "" if all(lap.complete for lap in summary.laps) else "(time) in brackets: not a complete lap."
    return page.section(
        "Laps",
        page.table(rows.LAP_COLUMNS, rows.lap_rows(summary)),
        page.paragraph(note, "note"),
        long=len(summary.laps) > 25,
    )


def _comparison(comparison: Comparison) -> str:
    return page.section(
        f"Compared: B, {comparison.b_name}, against A, {comparison.a_name}",
        page.items(comparison.sentences),
        *(page.caution(words) for words in comparison.cautions),
        page.table(rows.CHANGE_COLUMNS, rows.change_rows(comparison), words=(0, 1, 2, 3))
        if comparison.changes
        else page.paragraph("Nothing was changed that is written down."),
        page.table(rows.COMPARISON_COLUMNS, rows.comparison_rows(comparison), words=(0, 4)),
        page.paragraph(
            "; ".join(("Left out", *excluded_words(comparison))) if comparison.excluded else "", "note"
        ),
        page.paragraph(comparison.method, "note"),
        long=True,
    )


def _sheet(sheet: SetupSheet | None) -> str:
    found = written(sheet) if sheet else ()
    if not found:
        return ""
    return page.section("Setup sheet", page.table(rows.SHEET_COLUMNS, found, words=(0, 1)))


def _quality(summary: Summary) -> str:
    notes = [note_words(note) for note in summary.quality]
    body = page.items(notes) if notes else page.paragraph("Nothing was found wrong with it.")
    return page.section("The log itself", body, long=len(notes) > 10)


def _how(summary: Summary) -> str:
    steps = [
        f"{_plain(step.name)}: {_settings(step.settings)}" if step.settings else _plain(step.name)
        for step in summary.history
    ]
    values = _settings(summary.bike_values)
    speed_notes = [
        f"{end} wheel speed: bandwidth {number(s.wheel.speed.bandwidth_hz)} Hz, noise "
        f"{number(s.wheel.speed.noise_mm_s, 1)} mm/s"
        for end, s in summary.ends.items()
    ]
    phases = ", ".join(summary.run.phase_sources)
    return page.section(
        "How it was computed",
        page.items(
            [
                *steps,
                *speed_notes,
                *([f"corner phases from: {phases}"] if phases else []),
                f"bike file: {values}",
            ]
        ),
        long=True,
    )


def _plain(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")


def _settings(values: Mapping[str, float] | Mapping[str, float | int | str | bool]) -> str:
    return ", ".join(
        f"{_plain(key)} {f'{value:.4g}' if isinstance(value, float) else value}"
        for key, value in values.items()
    )
