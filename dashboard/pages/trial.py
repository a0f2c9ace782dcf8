"""Try a change on the logged laps, keep it as the plan for the next outing, and see how earlier ones came out."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from dash import html

from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry import logbook as logbooks
from telemetry.arrays import ENDS
from telemetry.logbook import Logbook, RunEntry
from telemetry.report import Figure
from telemetry.stand import Changed, at_stand, parse_change
from telemetry.summary import decimals_of, number, signed

if TYPE_CHECKING:  # the prediction compiles: its functions are reached when the page is opened
    from telemetry.logbook import KeptPrediction, TrackRecord
    from telemetry.prediction import Prediction

PATH = "/try"
_STATES = ("kept", "taken back", "dropped")


@parts.writes(PATH, "Try a change", run="Try a change")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The form of one run, the prediction in the address, the plan, and the record of the motorcycle."""
    logbook: Logbook = shelf.desk.logbook
    entry = logbook.entry(view.run)
    kept = logbooks.prediction_of(logbook, view.draft) if view.draft else None
    return parts.page(
        PATH,
        View(run=view.run),
        f"Try a change on {entry.name or entry.run_id}",
        _form(logbook, entry),
        *(_result(logbook, kept, screen) if kept is not None else ()),
        _plans(logbook, entry),
        _record(logbooks.track_record(logbook, entry.bike)),
        shown=True,
    )


def _form(logbook: Logbook, entry: RunEntry) -> html.Form:
    from dashboard.desk.trying import (
        keys_to_turn,  # the prediction compiles; imported when the page is opened
    )

    options = keys_to_turn(logbook.bike(entry.run_id))
    if not options:
        return html.P(
            "The bike file of this run has no number that could be changed; add springs or preload to it."
        )
    return forms.form(
        f"/write/try/{entry.run_id}",
        parts.section(
            "Change",
            forms.fields(
                forms.select("What", "key", options, options[0][0]),
                forms.text("By how much", "by", "", number=True, example="+2"),
            ),
            html.P(forms.send("Ride these laps again with it"), className="links"),
            note="The same laps, road and riding, with the new set-up. One change at a time.",
        ),
        name="try",
    )


def _result(logbook: Logbook, kept: "KeptPrediction", screen: Screen) -> list[Any]:
    from telemetry.report import prediction_document

    view = View(run=kept.run_id)
    document = prediction_document(kept.prediction)
    printer = Printer(view, screen.theme)
    first, *rest = [printer.section(section) for section in document.sections]
    picture = parts.section("Both rides over a lap", *printer.printed([_both(kept)])) if kept.lap else None
    return [first, picture, _make_plan(kept), _recheck(logbook, kept), *rest]


def _both(kept: "KeptPrediction") -> Figure:
    """Wheel travel of both rides over one lap."""
    from telemetry.report import both_rides

    old, new = (
        {end: np.asarray(kept.lap[f"{end}_{when}_mm"]) for end in ENDS if f"{end}_{when}_mm" in kept.lap}
        for when in ("before", "after")
    )
    picture = both_rides(np.asarray(kept.lap["distance_m"]), old, new, "distance [m]")
    return Figure("both-rides", picture, "Before dashed, after solid.")


def _make_plan(kept: "KeptPrediction") -> html.Form:
    return forms.form(
        f"/write/plan/{kept.key}",
        forms.hidden("state", "plan"),
        forms.hidden("run", kept.run_id),
        parts.section(
            "Plan for the next outing",
            forms.text("Why", "why", kept.why, example="front has 4 mm left in corner 2"),
            html.P(forms.send("Make it the plan"), className="links"),
            note="The way back is kept with it: if it does not do what is expected, take it back and ride again.",
        ),
        name="make-plan",
    )


def _recheck(logbook: Logbook, kept: "KeptPrediction") -> html.Section | None:
    result = at_stand(logbook.bike(kept.run_id), [parse_change(text) for text in kept.changes])
    items = [
        html.Li(f"{check.what}: {check.why}. {f'It should read {check.should_read}.' if check.should_read else ''}")
        for check in result.stand.recheck
    ]  # fmt: skip
    if not items:
        return None
    return parts.section("To measure again", html.Ul(items, className="ticks"))


def _plans(logbook: Logbook, entry: RunEntry) -> html.Section | None:
    mine = [kept for kept in logbooks.predictions(logbook) if kept.bike == entry.bike]
    ahead = logbooks.plan_for_the_day(mine)
    done = tuple(kept for kept in mine if kept.state not in ("tried", "plan"))
    if not (ahead or done):
        return None
    return parts.section(
        "Plan for the day",
        html.Ol(_plan_items(entry, ahead)) if ahead else html.P("Nothing is planned."),
        html.Ul(_plan_items(entry, done), className="plain") if done else None,
        note="What to try, in order, one change a ride; below it what was done, newest first.",
    )


def _plan_items(entry: RunEntry, plans: Sequence["KeptPrediction"]) -> list[html.Li]:
    items = []
    for kept in plans:
        back = ", ".join(_back(change) for change in kept.prediction.changed)
        items.append(
            html.Li(
                [
                    html.P([html.B(f"{', '.join(kept.changes)}: {kept.state}. "), kept.why]),
                    html.P(f"Expected: {_expected(kept.prediction)}"),
                    html.P(f"The way back: {back}; then ride it once more as it was, to be sure (A-B-A)."),
                    html.P(f"What came of it: {kept.came_of_it}") if kept.came_of_it else None,
                    forms.form(
                        f"/write/plan/{kept.key}",
                        forms.hidden("run", entry.run_id),
                        forms.fields(
                            forms.text("Its turn", "turn", str(kept.turn or ""), number=True, example="1"),
                            forms.text("What came of it", "came_of_it", kept.came_of_it),
                            forms.select(
                                "It was",
                                "state",
                                [("plan", "still the plan"), *((s, s) for s in _STATES)],
                                kept.state,
                            ),
                            forms.send("Keep", strong=False),
                        ),
                        name=f"plan-{kept.key}",
                    ),
                    parts.link("The prediction", PATH, View(run=kept.run_id, draft=kept.key), look="in"),
                ]
            )
        )
    return items


def _expected(prediction: "Prediction") -> str:
    """The three numbers that move most beyond their interval, with the interval for the next outing."""
    told = [
        (abs(row.change) / (row.next_high - row.change), row)
        for row in prediction.rows
        if row.change is not None and row.next_high is not None and row.next_high > row.change
    ]
    clear = sorted((one for one in told if one[0] > 1), key=lambda one: -one[0])[:3]
    if not clear:
        return "nothing that another outing would surely show."
    return "; ".join(
        f"{row.name} {signed(row.change, decimals_of(row.unit))} {row.unit} "
        f"({signed(row.next_low, decimals_of(row.unit))} to {signed(row.next_high, decimals_of(row.unit))})"
        for _, row in clear
    )


def _back(change: Changed) -> str:
    before = f"{change.before:g}" if isinstance(change.before, float) else change.before
    return f"{change.key} back to {before}"


def _record(record: "TrackRecord") -> html.Section:
    if not record.came_out:
        words = "Nothing yet: it begins when a later run has a predicted change on its setup sheet."
        return parts.section("How predictions came out", html.P(words))
    right, told = record.sign_right
    held, of = record.held
    said = [
        f"{right} of {told} numbers whose way the outings tell went the way that was said.",
        f"{held} of {of} intervals for the next outing held what was measured (90 % asked).",
    ]
    rows = [
        [
            ", ".join(came.kept.changes) if place == 0 else "",
            came.after.name or came.after.run_id,
            one.name,
            signed(one.predicted, 2),
            f"{number(one.low, 2)} to {number(one.high, 2)}",
            signed(one.measured, 2),
            f"{number(one.spread[0], 2)} to {number(one.spread[1], 2)}" if one.spread else "",
            "cannot tell" if one.sign_right is None else "right" if one.sign_right else "WRONG",
            "held" if one.held else "MISSED",
        ]
        for came in record.came_out
        for place, one in enumerate(
            sorted(came.outcomes, key=lambda one: (one.sign_right is not False, one.held))
        )
    ]
    head = ("Change", "Ridden in", "Number", "Predicted", "90 %", "Measured", "95 %", "Way", "Interval")
    classes = ("", "", "words", "n", "n", "n", "n", "", "")
    return parts.section(
        "How predictions came out",
        html.Ul([html.Li(words) for words in said], className="notes"),
        parts.table(
            head, rows, f"Predictions for {record.bike}, most wrong first", classes=classes, unseen=True
        ),
        note=f"{len(record.came_out)} predictions for {record.bike}.",
    )


PAGE = Page(PATH, "Try a change", layout)
