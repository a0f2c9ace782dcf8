"""The debrief on paper: one self-contained HTML page that prints on A4."""

from collections.abc import Mapping
from html import escape

import numpy as np

from telemetry.damping.oscillation import dampers_in_doubt
from telemetry.findings import nothing_asks
from telemetry.findings_balance import TWO_BALANCES
from telemetry.laps import lap_length_m
from telemetry.motion import judged_ends
from telemetry.report import page, rows, rows_motion
from telemetry.report.debrief_damping import damping_section
from telemetry.report.debrief_lap import lap_map, lap_travel
from telemetry.report.mirrored import mirrored_response
from telemetry.report.pictures import (
    speed_histograms,
    speed_reach_mm_s,
    travel_use,
)
from telemetry.report.words import cautions, chassis_words, excluded_words, note_words, pitch_words
from telemetry.setup import Comparison, SetupSheet, written
from telemetry.summary import Summary, Traces
from telemetry.wording import laps_from, limits_words, never_words, number

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
    run = summary.run
    distance = f", {number(run.distance_m / 1000, 1)} km" if run.distance_m else ""
    facts = (
        f"{run.source} · {number(run.duration_s / 60, 1)} min{distance} at {number(run.sample_rate_hz)} Hz · "
        f"{laps_from(run.lap_source)}"
    )
    return page.document(
        f"Debrief: {run.bike}, {run.source}",
        [
            f"<header><h1>Debrief: {escape(run.bike)}</h1>{page.paragraph(facts, 'meta')}</header>",
            page.items(summary.verdicts, "verdicts", ordered=True),
            *(page.caution(words) for words in cautions(summary)),
            lap_travel(summary, traces),
            _ends(summary),
            _balance(summary),
            _findings(summary),
            _travel_use(summary),
            _speeds(summary),
            _dampers(summary),
            _stops(summary),
            _places(summary),
            _strokes(summary),
            _frequencies(summary),
            damping_section(summary),
            lap_map(summary, traces),
            _laps(summary),
            _trends(summary),
            _comparison(comparison) if comparison else "",
            _sheet(sheet),
            _quality(summary),
            _how(summary),
            page.paragraph(CLOSING, "note"),
        ],
    )


def _findings(summary: Summary) -> str:
    if nothing := nothing_asks(summary):
        return page.section("What to change", *map(page.paragraph, nothing))
    parts = [
        f'<div class="finding"><strong>{escape(finding.title)}</strong>'
        f"{page.paragraph(finding.evidence)}{page.paragraph(finding.suggestion)}</div>"
        for finding in summary.findings
    ]
    # with a damper in doubt there is nothing to try
    doubt = dampers_in_doubt(summary.oscillation)
    return page.section(
        "What stands out" if doubt else "What stands out; try one thing at a time", *parts, long=True
    )


def _ends(summary: Summary) -> str:
    return page.section(
        "Both ends, at the wheel",
        page.table(rows.end_heads(summary.ends), rows.end_rows(summary.ends)),
        *(page.paragraph(words, "note") for words in limits_words(summary.ends)),
    )


def _travel_use(summary: Summary) -> str:
    return page.section(
        "How the travel was used, at the wheel",
        page.figure(
            travel_use(judged_ends(summary.ends)),
            "Share of the time at each travel, over the whole run. Lines: median, the travel below which the end "
            "was for 95 % of the time, and the most.",
        ),
    )


def _speeds(summary: Summary) -> str:
    ends = judged_ends(summary.ends)
    reach = speed_reach_mm_s(end.wheel.speed_histogram for end in ends.values())
    bandwidths = ", ".join(f"{end} {number(s.wheel.speed.bandwidth_hz)} Hz" for end, s in ends.items())
    return page.section(
        "How fast the ends moved, at the wheel",
        page.figure(
            speed_histograms(ends),
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
        page.table(rows.BALANCE_COLUMNS, rows.balance_rows(summary.balance)),
        page.paragraph(TWO_BALANCES, "note"),
        page.table(rows.DAMPING_COLUMNS, damped) if (damped := rows.damping_rows(summary.balance)) else "",
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
    light = [
        page.paragraph(words) for words in rows_motion.light_words(summary.light, lap_length_m(summary.laps))
    ]
    if not found:
        words = never_words(summary.ends, "reached a limit of its travel")
        return page.section(title, page.paragraph(words), *light)
    return page.section(
        title,
        page.table(rows.STOP_COLUMNS, found, words=(0, 1, 2)),
        *(page.paragraph(words, "note") for words in limits_words(summary.ends)),
        *light,
        long=len(found) > 15,
    )


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
        *(
            page.paragraph(words)
            for words in rows_motion.packing_words(summary.packing, lap_length_m(summary.laps))
        ),
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
        *(page.caution(words) for words in comparison.first),
        page.items(comparison.sentences),
        *(page.caution(words) for words in comparison.cautions),
        page.table(rows.CHANGE_COLUMNS, rows.change_rows(comparison), words=(0, 1, 2, 3))
        if comparison.changes
        else page.paragraph("Nothing was changed that a setup sheet or bike file says."),
        page.table(rows.CONDITION_COLUMNS, rows.condition_rows(comparison), words=(0, 3))
        if comparison.conditions
        else "",
        page.table(rows.COMPARISON_COLUMNS, rows.comparison_rows(comparison.metrics), words=(0, 4)),
        page.paragraph(
            "; ".join(("Left out", *excluded_words(comparison))) if comparison.excluded else "", "note"
        ),
        page.paragraph(f"{comparison.method} {comparison.basis}", "note"),
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
        for end, s in judged_ends(summary.ends).items()
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
