"""What is worth saying of packing, and of what shifts over the outing."""

from collections.abc import Iterable

from telemetry.findings import REPEATED_SHARE
from telemetry.motion.summary import PackingEvent
from telemetry.summary import Finding, Trend
from telemetry.wording import CHANGE_CAUTION, count_word, laps_words, place_words

# Ride heights and the most travel come first; a lap time alone is no matter of the suspension.
PACE = "lap.time_s"


def packing_findings(packing: Iterable[PackingEvent], complete_laps: int) -> list[Finding]:
    """A finding for every place where an end packed in enough laps; once is a note in the review's tables.

    Parameters
    ----------
    packing : iterable of PackingEvent
    complete_laps : int

    Returns
    -------
    list of Finding
    """
    places: dict[tuple[str, str], list[PackingEvent]] = {}
    for event in packing:
        where = place_words(event.corner, event.phase, None if event.corner else _near_m(event.distance_m))
        places.setdefault((event.end, where), []).append(event)
    return [
        Finding(
            title=f"The {end} packs down at {where}",
            evidence=f"{laps_words(event.lap or 0 for event in events)}: over {count_word(events[0].bumps, 'bump')} it "
            f"stays up to {max(event.sink_mm for event in events):.0f} mm deeper than it rides before and after; "
            f"down at {events[0].compression_mm_s:.0f} mm/s, back at {events[0].rebound_mm_s:.0f} mm/s (wheel).",
            suggestion=f"Less rebound damping at the {end}, a little at a time, lets it come back between the bumps; "
            "first make sure that it is the damper: friction and a bent rod hold it down as well.",
            caution=CHANGE_CAUTION,
        )
        for (end, where), events in places.items()
        if len({event.lap for event in events}) >= max(2.0, REPEATED_SHARE * complete_laps)
    ]


def _near_m(distance_m: float | None) -> float | None:
    """Distance to the next 50 m, so that the same bumps on two laps have one name."""
    return None if distance_m is None else 50.0 * round(distance_m / 50.0)


def shift_findings(trends: Iterable[Trend]) -> list[Finding]:
    """One finding for all that clearly shifted over the outing.

    Parameters
    ----------
    trends : iterable of Trend

    Returns
    -------
    list of Finding
    """
    clear = [trend for trend in trends if trend.clear]
    moved = [trend for trend in clear if trend.key != PACE]
    if not moved:
        return []
    evidence = "; ".join(_trend_words(trend) for trend in moved) + f", over {moved[0].laps} laps."
    pace = [
        f" Lap times went from {t.first:.1f} to {t.last:.1f} s meanwhile." for t in clear if t.key == PACE
    ]
    return [
        Finding(
            title="It shifted over the outing",
            evidence=evidence + "".join(pace),
            suggestion="Springs, gas and oil warm up, fuel burns off and tyres go off: set the machine for the laps "
            "that count, and compare cold and warm sag at the stand. If one end alone sinks, look for a leak.",
            caution=CHANGE_CAUTION,
        )
    ]


def _trend_words(trend: Trend) -> str:
    unit = f" {trend.unit}" if trend.unit else ""
    digits = {"mm": 1, "mm/s": 0, "deg": 1}.get(trend.unit, 2)
    interval = ""
    if trend.ci95_per_lap is not None:
        low, high = trend.ci95_per_lap
        interval = f" (95 % {low:+.{digits + 1}f} to {high:+.{digits + 1}f} a lap)"
    return f"{trend.label} {trend.first:.{digits}f} to {trend.last:.{digits}f}{unit}{interval}"
