"""The tuner's page: both ends against each other over the whole run, on one bump, by frequency, in pitch."""

from collections.abc import Mapping
from typing import Any

from dash import Dash, Input, Output, dcc, html

from dashboard.figures.bump import mirrored_response
from dashboard.figures.course import damping_course
from dashboard.figures.spectrum import mirrored_spectra
from dashboard.pages import parts
from dashboard.pages.numbers import phase_table, ratio_cells
from dashboard.pages.parts import Screen, section
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import ENDS
from telemetry.balance.balance import Balance, DirectionBalance, Gain, SameBump
from telemetry.bike import GRAVITY_M_S2
from telemetry.damping.oscillation import IN_DOUBT, dampers_in_doubt
from telemetry.findings_balance import TWO_BALANCES, balance_sentence, damping_sentence
from telemetry.findings_damping import suspicions
from telemetry.report.rows import response_rows
from telemetry.report.rows_damping import drift_words
from telemetry.report.rows_motion import BAND_COLUMNS, band_rows, together_words
from telemetry.summary import Summary
from telemetry.wording import UNKNOWN, limits_words, number, percent, sentence

PATH = "/balance"
VIEW, BODY = "balance-view", "balance-body"
_N = ("", "n", "n", "n", "n", "n", "n")


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run; laps are beside each other in it.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    summary = shelf.summary(view.run)
    bar = html.Div(
        parts.run_choice(shelf.runs(), view.run),
        className="bar",
        role="group",
        **{"aria-label": "What is shown"},
    )
    return parts.page(
        PATH,
        view,
        "Balance",
        dcc.Store(id=VIEW, data={"search": to_query(view), "screen": screen.words}),
        bar,
        html.Div(body(summary, screen.theme), id=BODY),
    )


def body(summary: Summary, theme: Theme) -> list[Any]:
    """All below the choice of a run."""
    shown = figures(summary, theme)
    return [
        section(
            "Do both ends do the same",
            *_doubt(summary),
            *_answer(summary),
            note="Over the whole run. Neutral: both ends go down and come up together on the same bump.",
        ),
        *_bump(summary.balance, shown),
        *_speed(summary.balance),
        *_course(summary, shown),
        *_frequencies(summary, shown),
        *_chassis(summary.balance),
    ]


def figures(summary: Summary, theme: Theme) -> dict[str, Any]:
    """The pictures that this run has something for, by id."""
    bump, course = summary.balance.same_bump, summary.oscillation.course
    found = {}
    if bump is not None and bump.response is not None:
        found["bump"] = mirrored_response(bump.response, theme)
    if any(lap.damping_ratio is not None for one in course.values() for lap in one.laps):
        found["course"] = damping_course(course, theme)
    if summary.frequencies.ends:
        found["spectra"] = mirrored_spectra(summary.frequencies, theme)
    return found


def _doubt(summary: Summary) -> list[Any]:
    """A damper in doubt comes before every comparison with it."""
    said = suspicions(summary.oscillation)
    return [parts.cautions(said)] if said else []


def _answer(summary: Summary) -> list[Any]:
    balance = summary.balance
    limits = [html.P(words) for words in limits_words(summary.ends)]
    if balance.reason:
        return [html.P([html.B("Balance cannot be told. "), f"{sentence(balance.reason)}."]), *limits]
    rows = []
    if (bump := balance.same_bump) is not None:
        words = f"peak speed on the same bump, {bump.pairs} clear bumps"
        rows.append((words, *ratio_cells(bump.compression, bump.rebound)))
    speed = balance.speed_ratio
    rows.append(("wheel speed, RMS of all riding", number(speed.compression, 2), number(speed.rebound, 2)))
    caption = "Speed of the rear over the front, with 95 % intervals; above 1 the rear is the faster"
    compared = "" if dampers_in_doubt(summary.oscillation) else damping_sentence(balance)
    said = [words for words in (balance_sentence(balance), compared) if words]
    return [
        *limits,
        parts.sentences(said),
        parts.table(("rear over front", "compression", "rebound"), rows, caption, classes=_N),
        html.P(TWO_BALANCES, className="note"),
        *_damping(balance),
    ]


def _damping(balance: Balance) -> list[Any]:
    """The damping ratio stands apart: above 1 the rear is the slower."""
    damping = balance.damping
    if damping is None:
        return []
    if damping.reason:
        return [html.P(f"Damping: {damping.reason}")]
    return [
        parts.table(
            ("rear over front", "compression", "rebound"),
            [("damping ratio of the wheel", *ratio_cells(damping.compression, damping.rebound))],
            "Damping for what each end carries, with 95 % intervals; above 1 the rear is the slower",
            classes=_N,
        )
    ]


def _bump(balance: Balance, shown: Mapping[str, Any]) -> list[Any]:
    bump = balance.same_bump
    if bump is None or bump.response is None:
        return []
    groups = [
        (
            f"peak {group.name}" if group.kind == "size" else group.name,
            group.pairs,
            *ratio_cells(group.compression, group.rebound),
        )
        for group in bump.groups
    ]
    delay = bump.delay_residual_ms
    return [
        section(
            "On the same bump",
            parts.graph(
                "bump", shown["bump"], "middle", "Average travel of both ends about a bump; numbers below."
            ),
            parts.table(
                ("", "front", "rear", "rear over front (95 %)"),
                response_rows(balance),
                "The average answer to a bump, at the wheel",
                classes=("", "n front", "n rear", "n"),
            ),
            html.Details(
                [
                    html.Summary("By size, phase, corner and lap"),
                    parts.table(
                        ("bumps", "pairs", "compression (95 %)", "rebound (95 %)"),
                        groups,
                        "Peak speed on the same bump, rear over front; above 1 the rear is the faster",
                        classes=_N,
                    ),
                ]
            )
            if groups
            else None,
            note=f"Average over {bump.pairs} bumps that stand clear of the road's grain, at {bump.places} places; "
            "the rear met them a wheelbase later"
            + ("" if delay is None else f" (within {number(abs(delay), 1, 'ms')})")
            + f". Dashed: the other end, repeated. {_other_bumps(bump)}",
        )
    ]


def _other_bumps(bump: SameBump) -> str:
    """What was done about bumps met under changing load, and which were not used."""
    said = [
        f"At {bump.disturbed_pairs} brake or drive came or went: the speed this gave each end is taken off."
        if bump.disturbed_pairs
        else "",
        f"Not used: {bump.grain_pairs} no larger than the road's grain"
        + (f", {bump.hanging_pairs} with an end fully extended just before" if bump.hanging_pairs else "")
        + ".",
    ]
    return " ".join(words for words in said if words)


def _speed(balance: Balance) -> list[Any]:
    if balance.reason:
        return []
    found = []
    if balance.speed is not None:
        split = balance.speed.split_mm_s
        rows = [("compression", *_direction(balance.speed.compression)),
                ("rebound", *_direction(balance.speed.rebound))]  # fmt: skip
        caption = "RMS and slope of all riding, speed of the rear over the front, by speed" + (
            "" if split is None else f"; low speed ends at {number(split)} mm/s"
        )
        head = ("", "RMS", "through the middle", "low speed", "high speed")
        found.append(parts.table(head, rows, caption, classes=_N))
    if balance.per_phase:
        found.append(phase_table(balance))
    return (
        [section("Speed, rear over front", *found, note="At the wheel; 1 is both ends alike.")]
        if found
        else []
    )


def _direction(side: DirectionBalance) -> tuple[str, ...]:
    return tuple(number(value, 2) for value in (side.rms, side.slope, side.low, side.high))


def _course(summary: Summary, shown: Mapping[str, Any]) -> list[Any]:
    course = summary.oscillation.course
    if not course:
        return []
    events = {"rear": summary.oscillation.events, "front": summary.oscillation.front_events}
    said = []
    for end in (end for end in ENDS if end in course):
        healthy, here = course[end].state not in IN_DOUBT, events[end]
        in_stretches = "suspected lost" if any(event.level == "alarm" for event in here) else "in doubt"
        state = f"{in_stretches} in stretches" if here and healthy else course[end].state
        # what is in doubt stands at the top of the page
        said.append(html.P([html.B(f"{sentence(end)}: {state}. "), course[end].reason if healthy else ""]))
    if drift := drift_words(summary.oscillation):
        said.append(html.P(drift, className="note"))
    picture = (
        parts.graph("course", shown["course"], "middle", "Damping ratio of both ends by lap; in words below.")
        if "course" in shown
        else None
    )
    return [
        section(
            "How well each wheel was damped",
            picture,
            *said,
            note="Damping ratio of the wheel hop, a lap a dot, with 95 % intervals. A damper that fades sinks towards "
            "the middle.",
        )
    ]


def _frequencies(summary: Summary, shown: Mapping[str, Any]) -> list[Any]:
    if "spectra" not in shown:
        return []
    together = together_words(summary)
    return [
        section(
            "By frequency",
            parts.graph(
                "spectra", shown["spectra"], "middle", "Wheel speed by frequency; bands in the table below."
            ),
            parts.table(BAND_COLUMNS, band_rows(summary), "Wheel speed in each band", classes=_N),
            html.P(together) if together else None,
            note="Wheel speed, mm/s per √Hz. Shaded: body on its springs, and wheel hop, from the bike file's own "
            "modes where it has the masses.",
        )
    ]


def _chassis(balance: Balance) -> list[Any]:
    found: list[Any] = []
    chassis, transfer = balance.chassis, balance.transfer
    if chassis is not None:
        bands = [
            (
                f"{number(b.low_hz, 1)} to {number(b.high_hz, 1)} Hz",
                number(b.rms_mm, 1),
                percent(b.heave_share),
                percent(b.pitch_share),
            )
            for b in chassis.bands
        ]
        geometry = [
            (
                g.name,
                f"{number(g.median, 2)} {g.unit}",
                f"{number(g.spread, 2)} {g.unit}",
                UNKNOWN if g.pitch_share is None else percent(g.pitch_share),
            )
            for g in chassis.geometry
        ]
        found.append(
            parts.table(("band", "RMS [mm]", "heave", "pitch"), bands, "Motion of the chassis", classes=_N)
        )
        if geometry:
            head = ("steering", "median", "moves by (5 to 95 %)", "of it pitch")
            found.append(parts.table(head, geometry, "What the steering has to put up with", classes=_N))
    if transfer is not None:
        steady = (
            ("fork dive, steady [mm per g]", transfer.steady_fork_dive, 0, transfer.stretches),
            ("pitch under braking, steady [deg per g]", transfer.steady_dive, 1, transfer.stretches),
            ("rear squat, steady [mm per g]", transfer.steady_rear_squat, 0, transfer.drives),
            ("pitch under drive, steady, nose up [deg per g]", transfer.steady_squat, 1, transfer.drives),
            ("pitch under braking, as ridden [deg per g]", transfer.dive, 1, transfer.stretches),
            ("rear squat, as ridden [mm per g]", transfer.rear_squat, 0, transfer.drives),
            ("pitch under drive, as ridden, nose up [deg per g]", transfer.squat, 1, transfer.drives),
        )
        rows: list[tuple[str, str, int]] = [
            (name, _per_g(gain, decimals), times)
            for name, gain, decimals, times in steady
            if gain is not None
        ]
        rows += [
            (
                "fastest return of the pitch at release [deg/s]",
                number(transfer.return_deg_s, 1),
                transfer.brakings,
            ),
            ("settled after [s]", number(transfer.settle_s, 2), transfer.brakings),
            (
                "rear travel left to extend under braking [mm]",
                number(transfer.rear_left_mm, 1),
                transfer.brakings,
            ),
        ]
        found.append(parts.table(("", "value (95 %)", "times"), rows, "Dive and squat", classes=_N))
    if not found:
        return []
    note = (
        "Pitch is positive nose down; heave is the mean of both wheels. Dive and squat are over upright stretches. "
        "Steady: at one speed with the acceleration held, to compare set-ups by. As ridden: with drag and quick "
        "changes of brake and throttle in it."
    )
    return [section("Pitch, heave and weight transfer", *found, note=note)]


def _per_g(gain: Gain, decimals: int) -> str:
    """A gain with its interval, of one g instead of one m/s2."""
    value, low, high = (number(GRAVITY_M_S2 * each, decimals) for each in (gain.value, *gain.ci95))
    return f"{value} ({low} to {high})"


def register(app: Dash, shelf: Shelf) -> None:
    """Another theme, in place; another run is another page."""

    @app.callback(Output(BODY, "children"), Input(VIEW, "data"), prevent_initial_call=True)
    def show(said: dict[str, str]) -> list[Any]:
        return body(shelf.summary(parse(said["search"]).run), Screen.read(said["screen"]).theme)
