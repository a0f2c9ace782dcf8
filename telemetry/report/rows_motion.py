"""Tables of travel use by place, strokes, frequencies and shift over the outing, as rows of text."""

from collections.abc import Sequence

from telemetry.arrays import ENDS
from telemetry.balance.balance import LightWheel
from telemetry.laps import by_place
from telemetry.metrics import BY_KEY
from telemetry.motion.summary import BandUse, PackingEvent, PlaceUse, StrokeSide
from telemetry.summary import Summary, Trend
from telemetry.wording import UNKNOWN, count_word, half_width, laps_list, number, place_words, plus_minus

Row = tuple[str, ...]
PLACE_COLUMNS = (
    "at the wheel, mm", "front median ± s.e.", "95 %", "left", "rear median ± s.e.", "95 %", "left",
)  # fmt: skip
STROKE_COLUMNS = ("stroke mm", "front compr.", "front reb.", "rear compr.", "rear reb.")
BAND_COLUMNS = ("band", "Hz", "RMS mm/s", "share %", "most at Hz")
TREND_COLUMNS = ("", "first lap", "last lap", "a lap, ± 95 %", "over the outing")
MOST_LIGHT_PLACES = 5
FELT_S = 0.1  # a wheel that hung for less was a hop
# Shown whether or not they shift; the others only when they do.
ALWAYS = ("front.travel.median_mm", "rear.travel.median_mm", "lap.time_s")


def place_rows(summary: Summary, *, corners: bool) -> list[Row]:
    """Phase (and corner), then median with its standard error over laps, 95 % and margin of front and rear."""
    found: dict[str, dict[str, PlaceUse]] = {}
    for end in ENDS:
        for place in summary.places.get(end, ()):
            if place.corner is None or corners:
                name = f"corner {place.corner}" if place.corner else place.phase or "whole lap"
                found.setdefault(name, {})[end] = place
    return [
        (name, *(cell for end in ENDS for cell in _place_cells(ends.get(end))))
        for name, ends in found.items()
    ]


def _place_cells(place: PlaceUse | None) -> Row:
    if place is None:
        return UNKNOWN, UNKNOWN, UNKNOWN
    return (
        plus_minus(place.ride_height_mm.mean, place.ride_height_mm.standard_error, 1),
        number(place.p95_mm.mean, 1),
        number(max(place.margin_mm, 0.0), 1),
    )


def stroke_rows(summary: Summary) -> list[Row]:
    """Depth, then how many strokes and the median of their peak wheel speeds, by end and direction."""
    ends = [summary.strokes.get(end) for end in ENDS]
    classes = max((found.classes for found in ends if found), key=len, default=())

    def cell(side: StrokeSide | None) -> str:
        return UNKNOWN if side is None else f"{side.count} / {number(side.p50_mm_s)}"

    rows = []
    for deeper, one in reversed(tuple(enumerate(reversed(classes)))):  # a noisy end starts at a deeper class
        depth = f"{one.from_mm:.0f} to {one.to_mm:.0f}" if deeper else f"over {one.from_mm:.0f}"
        cells = [
            cell(getattr(found.classes[-1 - deeper], way) if found and deeper < len(found.classes) else None)
            for found in ends
            for way in ("compression", "rebound")
        ]
        rows.append((depth, *cells))
    return rows


def packing_words(packing: Sequence[PackingEvent], lap_length_m: float | None) -> list[str]:
    """Where an end packed, a sentence a place."""
    found = []
    for end in ENDS:
        events = [event for event in packing if event.end == end]
        for place in by_place(events, lap_length_m):
            where = place_words(place.corner, place.phase, None if place.corner else place.distance_m)
            deepest_mm = max(events[i].sink_mm for i in place.events)
            found.append(
                f"{end.capitalize()} packed down at {where}: {count_word(len(place.events), 'time')}, lap "
                f"{laps_list(place.laps)}, up to {deepest_mm:.0f} mm deeper than it rides."
            )
    return found


def light_words(light: Sequence[LightWheel], lap_length_m: float | None) -> list[str]:
    """Where a wheel carried little, a sentence an end and what the rider did meanwhile."""
    found = []
    for end, under in sorted({(event.end, event.under) for event in light}):
        events = [event for event in light if (event.end, event.under) == (end, under)]
        places = sorted(by_place(events, lap_length_m), key=lambda place: -len(place.events))
        where = [
            f"{place_words(place.corner, None, None if place.corner else place.distance_m)} "
            f"({count_word(len(place.events), 'time')})"
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
            f"{end.capitalize()} light{f' under {under}' if under else ''} {count_word(len(events), 'time')}"
            + (f", {aloft} in {hanging} of them" if hanging else "")
            + f": {', '.join(where)}{more}{left}."
        )
    return found


def band_rows(summary: Summary) -> list[Row]:
    """End and band, its limits, RMS wheel speed, share of the power, peak."""

    def row(end: str, used: BandUse) -> Row:
        share = None if used.share is None else 100 * used.share
        return (
            f"{end} {used.band.name}" + ("" if used.band.basis == "bike file" else " (usual)"),
            f"{number(used.band.low_hz, 1)}-{number(used.band.high_hz, 1)}",
            number(used.rms_mm_s),
            number(share),
            number(used.peak_hz, 1),
        )

    return [row(end, used) for end, found in summary.frequencies.ends.items() for used in found.bands]


def together_words(summary: Summary) -> str:
    """How the ends go together in each band, in one sentence; "" with one end.

    The phase is told for the body only: at the hop the ends meet each bump one after the other, sooner or later by
    the speed.
    """
    parts = []
    for band in summary.frequencies.bands:
        if not band.told or band.phase_deg is None:
            parts.append(f"{band.name}: no relation beyond chance")
            continue
        words = f"{band.name}: coherence {number(band.coherence, 2)}"
        if band.name == "body":
            side = "behind" if band.phase_deg < 0 else "ahead of"
            words += f", rear {number(abs(band.phase_deg))} deg {side} the front"
        parts.append(words)
    return f"Both ends together, {'; '.join(parts)}." if parts else ""


def trend_rows(summary: Summary) -> list[Row]:
    """What, at the first and last lap, a lap with interval, verdict; the main ones and whatever shifts clearly."""
    return [
        (
            BY_KEY[trend.key].heading,
            number(trend.first, BY_KEY[trend.key].digits),
            number(trend.last, BY_KEY[trend.key].digits),
            plus_minus(trend.per_lap, half_width(trend.ci95_per_lap), BY_KEY[trend.key].digits + 1),
            shift_word(trend),
        )
        for trend in summary.trends
        if trend.key in BY_KEY and (trend.clear or trend.key in ALWAYS)
    ]


def shift_word(trend: Trend) -> str:
    """Whether a number shifts over the outing."""
    if not trend.clear:
        return "no clear shift"
    return "rises" if trend.per_lap > 0 else "falls"
