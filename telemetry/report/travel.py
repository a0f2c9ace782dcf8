"""Sections on travel and speed: both ends, where the travel ran out, use by place, strokes, light wheels."""

import re
from collections.abc import Iterable, Iterator, Sequence

from telemetry.arrays import ENDS, End
from telemetry.balance import LightWheel
from telemetry.laps import SharedPlace, by_place
from telemetry.motion import PackingEvent, PlaceUse, StopEvent, StrokeSide
from telemetry.report.blocks import (
    Column,
    LapName,
    Medium,
    Number,
    Row,
    Said,
    Section,
    Sentence,
    Spot,
    Table,
    fold,
    metric_column,
    notes,
    section,
    table,
    words_columns,
)
from telemetry.report.figures import Scope
from telemetry.summary import (
    CONTACT_MS,
    COUNT,
    END_METRICS,
    SPEED,
    STOP_WORDS,
    TRAVEL,
    UNKNOWN,
    Group,
    count_word,
    laps_list,
    laps_words,
    limits_words,
    measured_time,
    never_words,
    number,
    place_words,
    times,
)

MOST_LIGHT_PLACES = 5
FELT_S = 0.1  # a wheel that hung for less was a hop


def spot(place: SharedPlace) -> Spot:
    """A place in words, with the first lap on which it was met."""
    words = place_words(place.corner, place.phase, place.distance_m)
    return Spot(words, place.laps[0] if place.laps else None, place.distance_m)


def laps_cell(laps: Iterable[int | None]) -> str:
    """Lap numbers for a table, as `laps_list` writes them; a screen makes a link of each."""
    parts = re.split(r"(\d+)", laps_list(laps))
    return Said(LapName(int(part), part) if part.isdigit() else part for part in parts)


def ends_section(scope: Scope) -> Section | None:
    """Travel and speed of both ends, side by side; what is asked less often is folded."""
    where = f"at the {scope.plane}"
    return section(
        "ends",
        f"Both ends, {where}",
        _group(scope, "travel", extra=False),
        _group(scope, "speed", extra=False),
        fold(
            f"More of travel and speed, {where}",
            *(_group(scope, group, extra=True) for group in ("travel", "speed")),
            medium=Medium.SCREEN,
        ),
        *notes(*limits_words(scope.ends)),
    )


def _group(scope: Scope, group: Group, *, extra: bool) -> Table | None:
    chosen = [metric for metric in END_METRICS if metric.group == group and metric.extra == extra]
    rows = [
        (
            metric.heading,
            *(Number(scope.judged[end], metric) if end in scope.judged else UNKNOWN for end in ENDS),
        )
        for metric in chosen
    ]
    return table((Column(f"{group} at the {scope.plane}", words=True), *_heads(scope)), rows)


def _heads(scope: Scope) -> tuple[Column, ...]:
    """Both ends as headings, with what was not judged, or only for a part of the time."""

    def head(end: End) -> str:
        if end not in scope.judged:
            return f"{end}: not judged"
        partly = measured_time(scope.ends[end])
        return f"{end}, {partly.partition(' of')[0]} of the time" if partly else end

    return tuple(Column(head(end), end=end) for end in ENDS)


STOP_COLUMNS = (
    *words_columns("what", "where", "laps"),
    metric_column(COUNT),
    metric_column(TRAVEL),
    Column("arrival speed [mm/s]"),
    metric_column(CONTACT_MS),
)


def stops_section(scope: Scope) -> Section | None:
    """Where an end bottomed, where it topped out, and where a wheel carried little."""
    bottomed, topped_out = (
        [stop for stop in scope.stops if stop.kind == kind] for kind in ("bottomed", "topped_out")
    )
    light = light_words(scope.summary.light, scope.lap_length_m) if scope.lap is None else []
    return section(
        "stops",
        "Where the travel ran out",
        table(STOP_COLUMNS, stop_rows(bottomed, scope.lap_length_m), "Where it bottomed", most=12)
        or Sentence(never_words(scope.ends, "bottomed"), "strong"),
        fold(
            f"Topped out {times(len(topped_out))}",
            table(STOP_COLUMNS, stop_rows(topped_out, scope.lap_length_m), most=12),
            medium=Medium.TERMINAL,
        )
        or Sentence(never_words(scope.ends, "topped out")),
        *notes(*limits_words(scope.ends)),
        *map(Sentence, light),
    )


def stop_rows(stops: Sequence[StopEvent], lap_length_m: float | None) -> list[Row]:
    """Stops of one kind gathered by place, most often first."""
    found: list[tuple[int, float, Row]] = []
    for end in ENDS:
        own = [stop for stop in stops if stop.end == end]
        for place in by_place(own, lap_length_m):
            here = [own[i] for i in place.events]
            deepest = (max if here[0].kind == "bottomed" else min)(stop.travel_mm for stop in here)
            row = (
                f"{end} {STOP_WORDS[here[0].kind]}",
                spot(place),
                laps_cell(place.laps),
                Number(len(here), COUNT),
                Number(deepest, TRAVEL),
                Number(max(abs(stop.speed_mm_s) for stop in here), SPEED),
                Number(max(stop.duration_s for stop in here), CONTACT_MS),
            )
            found.append((-len(here), place.distance_m or 0.0, row))
    return [row for _, _, row in sorted(found, key=lambda one: one[:2])]


def places_section(scope: Scope) -> Section | None:
    """Travel use by phase, and folded by corner."""
    caption = (
        "Median and 95th percentile are means over laps, ± the standard error of that mean; left is what stayed of the "
        "stroke at the deepest point of all laps."
    )
    return section(
        "places",
        "Travel by phase and corner, at the wheel",
        table(PLACE_COLUMNS, place_rows(scope, corners=False), "Travel by phase"),
        fold("Travel by corner", table(PLACE_COLUMNS, place_rows(scope, corners=True))),
        note=caption,
    )


PLACE_COLUMNS = (
    Column("[mm]", words=True),
    *(Column(f"{end} {words}", end=end) for end in ENDS for words in ("median", "95th pct.", "left")),
)


def place_rows(scope: Scope, *, corners: bool) -> list[Row]:
    """Phase or corner, then median with its standard error over laps, 95th percentile and margin of both ends."""
    found: dict[str, dict[End, PlaceUse]] = {}
    for end in ENDS:
        for place in scope.summary.places.get(end, ()):
            if (place.corner is not None) == corners:
                name = f"corner {place.corner}" if place.corner else place.phase or "whole lap"
                found.setdefault(name, {})[end] = place
    return [
        (name, *(cell for end in ENDS for cell in _place_cells(ends.get(end))))
        for name, ends in found.items()
    ]


def _place_cells(place: PlaceUse | None) -> Row:
    if place is None:
        return UNKNOWN, UNKNOWN, UNKNOWN
    ride_height = place.ride_height_mm
    return (
        Number(ride_height.mean, TRAVEL, error=ride_height.standard_error),
        Number(place.p95_mm.mean, TRAVEL),
        Number(max(place.margin_mm, 0.0), TRAVEL),
    )


def strokes_section(scope: Scope) -> Section | None:
    """Strokes by depth, and where an end packed down."""
    columns = (
        Column("stroke [mm]", words=True),
        *(Column(f"{end} {way}", end=end) for end in ENDS for way in ("compression", "rebound")),
    )
    return section(
        "strokes",
        "Strokes, at the wheel",
        table(columns, stroke_rows(scope)),
        *map(Sentence, packing_words(scope.summary.packing, scope.lap_length_m)),
        note="How many / the median of their peak speeds [mm/s].",
    )


def stroke_rows(scope: Scope) -> list[Row]:
    """Depth, then how many strokes and the median of their peak wheel speeds, by end and direction."""
    ends = [scope.summary.strokes.get(end) for end in ENDS]
    classes = max((found.classes for found in ends if found), key=len, default=())

    def cell(side: StrokeSide | None) -> str:
        return UNKNOWN if side is None else f"{side.count} / {number(side.p50_mm_s)}"

    rows: list[Row] = []
    for deeper, one in reversed(tuple(enumerate(reversed(classes)))):  # a noisy end starts at a deeper class
        depth = f"{one.from_mm:.0f} to {one.to_mm:.0f}" if deeper else f"over {one.from_mm:.0f}"
        cells = [
            cell(getattr(found.classes[-1 - deeper], way) if found and deeper < len(found.classes) else None)
            for found in ends
            for way in ("compression", "rebound")
        ]
        rows.append((depth, *cells))
    return rows


def packing_words(packing: Sequence[PackingEvent], lap_length_m: float | None) -> Iterator[str]:
    """Where an end packed, a sentence a place."""
    for end in ENDS:
        events = [event for event in packing if event.end == end]
        for place in by_place(events, lap_length_m):
            where = place_words(place.corner, place.phase, place.distance_m)
            deepest_mm = max(events[i].sink_mm for i in place.events)
            yield (
                f"{end.capitalize()} packed down at {where}: {times(len(place.events))}, "
                f"{laps_words(place.laps)}, up to {deepest_mm:.0f} mm deeper than it rides."
            )


def light_words(light: Sequence[LightWheel], lap_length_m: float | None) -> list[str]:
    """Where a wheel carried little, a sentence an end and what the rider did meanwhile."""
    found = []
    for end, under in sorted({(event.end, event.under) for event in light}):
        events = [event for event in light if (event.end, event.under) == (end, under)]
        places = sorted(by_place(events, lap_length_m), key=lambda place: -len(place.events))
        where = [
            f"{place_words(place.corner, None, place.distance_m)} ({times(len(place.events))})"
            for place in places[:MOST_LIGHT_PLACES]
        ]
        more = (
            f" and {count_word(len(places) - len(where), 'more place')}" if len(places) > len(where) else ""
        )
        hanging = sum(event.hanging_s >= FELT_S for event in events)
        aloft = "a wheelie or nearly" if (end, under) == ("front", "drive") else "off the ground or nearly"
        shares = [event.least_share for event in events if event.least_share is not None]
        left = f"; {100 * min(shares):.0f} % of its standing load left at the least" if shares else ""
        found.append(
            f"{end.capitalize()} light{f' under {under}' if under else ''} {times(len(events))}"
            + (f", {aloft} in {hanging} of them" if hanging else "")
            + f": {', '.join(where)}{more}{left}."
        )
    return found
