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
from dashboard.words import event_place
from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance, Ratio
from telemetry.findings_balance import TWO_BALANCES
from telemetry.metrics import END_METRICS, EndAt
from telemetry.motion import EndSummary, StopEvent, judged_ends
from telemetry.summary import LapSummary, Summary
from telemetry.wording import (
    UNKNOWN,
    interval,
    lap_time,
    laps_list,
    limits_words,
    measured_time,
    never_words,
    number,
    percent,
    place_words,
    sentence,
    times,
)

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
    return UNKNOWN if lap is None else str(lap)


def _often(stops: Sequence[StopEvent], lap_length_m: float | None) -> Any:
    """Stops that are many and rarely matter one by one: how often at which place."""
    rows = [
        (found.end, found.where, laps_list(found.laps), str(len(found.laps)))
        for found in grouped(stops, place_words, lap_length_m)
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
    return [_table(scene, "travel"), _table(scene, "speed"), *_balance(scene.balance)]


def _table(scene: Scene, group: str) -> Any:
    """Every number of both ends in a group of the registry; an end that was not judged has a dash."""
    judged = {end: EndAt(found, scene.view.plane) for end, found in judged_ends(scene.ends).items()}
    rows = [
        (metric.heading, *(metric.text(judged[end]) if end in judged else UNKNOWN for end in ENDS))
        for metric in END_METRICS
        if metric.group == group
    ]
    caption = f"{sentence(group)} at the {scene.view.plane}"
    return parts.table(_BOTH, rows, caption, classes=("", "n front", "n rear"))


def ratio_cells(compression: Ratio, rebound: Ratio) -> tuple[str, str]:
    """Both directions of a ratio with their intervals."""
    return interval(compression.value, compression.ci95), interval(rebound.value, rebound.ci95)


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
        return read(lap.ends[end]) if lap.ends[end].judged else UNKNOWN

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
        *(percent(lap.masked_share[end], 1) if end in lap.masked_share else UNKNOWN for end in ENDS),
    )
