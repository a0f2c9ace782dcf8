"""The numbers of a review as tables and sentences: front and rear side by side, everything with its unit."""

from collections.abc import Callable, Sequence
from typing import Any

from dash import html

from dashboard.pages import parts
from dashboard.pages.settled import settled
from dashboard.places import grouped
from dashboard.scene import Scene
from dashboard.theme import Theme
from dashboard.urlstate import View, to_query
from dashboard.words import (
    event_place,
    number,
    percent,
    place,
    sentence,
    times,
    which_laps,
)
from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance, Ratio
from telemetry.findings_balance import TWO_BALANCES
from telemetry.motion.summary import EndSummary, PlaneSummary, SpeedSide, StopEvent
from telemetry.report.words import lap_time, with_interval
from telemetry.summary import LapSummary, Summary
from telemetry.wording import limits_words, measured_time, never_words

_BOTH = ("", "front", "rear")


def lead(scene: Scene) -> str:
    """The chosen lap in one sentence."""
    if scene.lap is None:
        complete = sum(lap.complete for lap in scene.summary.laps)
        return f"Shown below: the whole run, {complete} complete of {len(scene.summary.laps)} laps."
    lap = scene.lap
    part = "" if lap.complete else " (part lap)"
    ends = "; ".join(_end_words(end, lap.ends[end]) for end in ENDS)
    return f"Shown below: lap {lap.lap}{part}, {lap_time(lap.time_s)}. {sentence(ends)}."


def _end_words(end: End, found: EndSummary) -> str:
    if not found.judged:
        return f"{end} not judged"
    seen = measured_time(found)
    bottomed = f"bottomed {times(len(found.bottomed))}" if found.bottomed else "never bottomed"
    topped_out = f", topped out {times(len(found.topped_out))}" if found.topped_out else ""
    used = number(found.wheel.travel.used_pct)
    return (
        f"{end}{seen and f' (measured for {seen})'} used {used} % of its wheel travel, {bottomed}{topped_out}"
    )


def places(scene: Scene, theme: Theme) -> list[Any]:
    """Where travel ran out and where the rear was not settled, each with its place."""
    bottomed = [stop for stop in scene.stops if stop.kind == "bottomed"]
    topped_out = [stop for stop in scene.stops if stop.kind == "topped_out"]
    return [
        _stops(bottomed, "Where it bottomed")
        if bottomed
        else html.P(html.B(never_words(scene.ends, "bottomed"))),
        *settled(scene, theme),
        html.Details(
            [
                html.Summary(f"Topped out {times(len(topped_out))}"),
                _often(topped_out, scene.lap_length_m),
            ]
        )
        if topped_out
        else html.P(never_words(scene.ends, "topped out")),
        *(html.P(words, className="note") for words in limits_words(scene.ends)),
    ]


def _lap_number(lap: int | None) -> str:
    return "–" if lap is None else str(lap)


def _often(stops: Sequence[StopEvent], lap_length_m: float | None) -> Any:
    """Stops that are many and rarely matter one by one: how often at which place."""
    rows = [
        (found.end, found.where, which_laps(found.laps), str(len(found.laps)))
        for found in grouped(stops, place, lap_length_m)
    ]
    return parts.table(
        ("end", "where", "laps", "times"), rows, "Where it topped out", classes=("", "", "", "n")
    )


def _stops(stops: Sequence[StopEvent], caption: str) -> Any:
    rows = [
        (
            stop.end,
            event_place(stop),
            _lap_number(stop.lap),
            number(stop.travel_mm, 1),
            number(stop.speed_mm_s),
            number(1000 * stop.duration_s),
        )
        for stop in stops
    ]
    head = ("end", "where", "lap", "wheel travel [mm]", "arrived at [mm/s]", "stayed [ms]")
    return parts.table(head, rows, caption, classes=("", "", "n", "n", "n", "n"))


def numbers(scene: Scene) -> list[Any]:
    """Travel, speed and balance of the lap or run."""
    return [_travel(scene), _speed(scene), *_balance(scene.balance)]


def _row(
    words: str, scene: Scene, read: Callable[[PlaneSummary], float], digits: int = 0
) -> tuple[str, str, str]:
    """One number of both ends; an end that was not judged has a dash."""
    found = [number(read(scene.planes[end]), digits) if end in scene.planes else "–" for end in ENDS]
    return words, found[0], found[1]


def _travel(scene: Scene) -> Any:
    stroke = [number(scene.stroke_mm[end], 1) if end in scene.stroke_mm else "–" for end in ENDS]
    counts = [
        (len(scene.ends[end].bottomed), len(scene.ends[end].topped_out))
        if scene.ends[end].judged
        else ("–", "–")
        for end in ENDS
    ]
    rows = [
        ("stroke [mm]", *stroke),
        _row("most [mm]", scene, lambda p: p.travel.max_mm, 1),
        _row("left at the deepest point [mm]", scene, lambda p: p.travel.margin_mm, 1),
        _row("deepest, of the stroke [%]", scene, lambda p: p.travel.used_pct, 1),
        _row("95 % of the time below [mm]", scene, lambda p: p.travel.p95_mm, 1),
        _row("median, dynamic ride height [mm]", scene, lambda p: p.travel.median_mm, 1),
        _row("mean [mm]", scene, lambda p: p.travel.mean_mm, 1),
        _row("least [mm]", scene, lambda p: p.travel.min_mm, 1),
        ("bottomed", counts[0][0], counts[1][0]),
        ("topped out", counts[0][1], counts[1][1]),
    ]
    return parts.table(_BOTH, rows, f"Travel at the {scene.view.plane}", classes=("", "n front", "n rear"))


def _speed(scene: Scene) -> Any:
    rows = []
    sides: tuple[tuple[str, Callable[[PlaneSummary], SpeedSide]], ...] = (
        ("compression", lambda p: p.speed.compression),
        ("rebound", lambda p: p.speed.rebound),
    )
    for words, side in sides:
        rows += [
            _row(f"{words}, RMS [mm/s]", scene, lambda p, s=side: s(p).rms_mm_s),
            _row(f"{words}, 95 % of it below [mm/s]", scene, lambda p, s=side: s(p).p95_mm_s),
            _row(f"{words}, 99 % of it below [mm/s]", scene, lambda p, s=side: s(p).p99_mm_s),
            _row(f"{words}, most [mm/s]", scene, lambda p, s=side: s(p).max_mm_s),
            _row(f"{words}, share of the time [%]", scene, lambda p, s=side: 100 * s(p).share, 1),
            _row(f"{words}, at low shaft speed [%]", scene, lambda p, s=side: 100 * s(p).low_speed_share, 1),
            _row(
                f"{words}, at high shaft speed [%]", scene, lambda p, s=side: 100 * s(p).high_speed_share, 1
            ),
        ]
    rows += [
        _row("noise of the speed [mm/s]", scene, lambda p: p.speed.noise_mm_s, 1),
        _row("seen up to [Hz]", scene, lambda p: p.speed.bandwidth_hz),
    ]
    return parts.table(_BOTH, rows, f"Speed at the {scene.view.plane}", classes=("", "n front", "n rear"))


def ratio_cells(compression: Ratio, rebound: Ratio) -> tuple[str, str]:
    """Both directions of a ratio with their intervals."""
    return with_interval(compression.value, compression.ci95), with_interval(rebound.value, rebound.ci95)


def phase_table(balance: Balance) -> Any:
    """Both ends against each other in each phase of the corner."""
    phases = [
        (
            row.phase,
            percent(row.time_share),
            number(row.compression_ratio, 2),
            number(row.rebound_ratio, 2),
            number(row.front_mean_mm, 1),
            number(row.rear_mean_mm, 1),
            number(row.pitch_mean_deg, 2),
        )
        for row in balance.per_phase
    ]
    head = (
        "phase",
        "time",
        "compression RMS, rear/front",
        "rebound RMS, rear/front",
        "front mean [mm]",
        "rear mean [mm]",
        "pitch [deg]",
    )
    caption = "By phase of the corner, at the wheel"
    return parts.table(head, phases, caption, classes=("", "n", "n", "n", "n front", "n rear", "n"))


def _balance(balance: Balance) -> list[Any]:
    if balance.reason:
        return [html.P([html.B("Balance cannot be told. "), balance.reason])]
    speed, bump, pitch = balance.speed_ratio, balance.same_bump, balance.pitch
    rows: list[tuple[str, Any, Any]] = []
    if bump is not None:
        rows.append((f"on the same bump, {bump.pairs} clear", *ratio_cells(bump.compression, bump.rebound)))
    rows.append(("RMS wheel speed", number(speed.compression, 2), number(speed.rebound, 2)))
    found = [
        parts.table(
            ("rear over front", "compression", "rebound"),
            rows,
            "Balance: 1 is both ends alike, above 1 the rear moves faster",
            classes=("", "n", "n"),
        ),
        html.P(TWO_BALANCES, className="note"),
        parts.table(
            ("pitch", "mean [deg]", "least [deg]", "most [deg]", "rate, RMS [deg/s]"),
            [
                (
                    "nose down positive",
                    number(pitch.mean_deg, 2),
                    number(pitch.min_deg, 2),
                    number(pitch.max_deg, 2),
                    number(pitch.rms_rate_deg_s, 1),
                )
            ],
            "Pitch, from the two wheel travels",
            classes=("", "n", "n", "n", "n"),
        ),
    ]
    if balance.per_phase:
        found.append(phase_table(balance))
    return found


def laps_table(summary: Summary, view: View) -> Any:
    """One row a lap; its number leads to it."""
    if not summary.laps:
        return html.P("No laps were found in this log, so it is shown as one stretch.")
    head = (
        "lap",
        "time",
        "front deepest [%]",
        "rear deepest [%]",
        "front bottomed",
        "rear bottomed",
        "compression RMS, rear/front",
        "rebound RMS, rear/front",
        "front masked",
        "rear masked",
    )
    rows = [_lap_row(lap, view) for lap in summary.laps]
    classes = ("", "n", "n front", "n rear", "n front", "n rear", "n", "n", "n front", "n rear")
    return parts.table(head, rows, "Every lap, at the wheel", classes=classes)


def _lap_row(lap: LapSummary, view: View) -> Sequence[Any]:
    def of(end: End, read: Callable[[EndSummary], str]) -> str:
        return read(lap.ends[end]) if lap.ends[end].judged else "–"

    ratio = lap.balance.speed_ratio
    link = html.A(
        f"{lap.lap}" + ("" if lap.complete else ", part"),
        href="/" + to_query(View(run=view.run, lap=lap.lap, plane=view.plane, against=view.against)),
        className="in",
    )
    return (
        link,
        lap_time(lap.time_s),
        *(of(end, lambda e: number(e.wheel.travel.used_pct)) for end in ENDS),
        *(of(end, lambda e: str(len(e.bottomed))) for end in ENDS),
        number(ratio.compression, 2),
        number(ratio.rebound, 2),
        *(percent(lap.masked_share[end], 1) if end in lap.masked_share else "–" for end in ENDS),
    )
