"""Bottoming, packing and a ride height that shifts: what repeats over the laps of an outing."""

from collections.abc import Iterable, Sequence

from telemetry.arrays import ENDS, End
from telemetry.findings.rules import DAMAGE_CAUTION, Candidate
from telemetry.laps import Placed, SharedPlace, by_place, lap_length_m, laps_at_pace
from telemetry.motion import EndSummary, PackingEvent, StopEvent
from telemetry.summary import LapSummary, Trend, count_word, laps_words, place_words, signed, times

# Met at one place in at least this share of the laps at pace (and on two), it is a finding; else a fact of the tables.
REPEATED_SHARE = 0.5
LEAK_CAUTION = (
    "Do not ride on with an end that loses oil or gas: have it inspected by a qualified technician."
)
PACE = "lap.time_s"


def repeated(events: Sequence[Placed], laps: Sequence[LapSummary]) -> list[SharedPlace]:
    """Places along the lap at which events of one kind happened on enough of the laps at pace."""
    at_pace = {lap.lap for lap in laps_at_pace(laps)}
    enough = max(2.0, REPEATED_SHARE * len(at_pace))
    places = by_place(events, lap_length_m(laps))
    return [place for place in places if place.located and len(at_pace & set(place.laps)) >= enough]


def bottoming_candidates(end: End, summary: EndSummary, laps: Sequence[LapSummary]) -> list[Candidate]:
    """One candidate for an end that bottoms on enough laps, with every place where it does."""
    places = repeated(summary.bottomed, laps)
    if not places:
        return []
    wheres = [place_words(place.corner, None, None if place.corner else place.distance_m) for place in places]
    where = wheres[0] if len(wheres) == 1 else f"{', '.join(wheres[:-1])} and {wheres[-1]}"
    by_place_words = [
        (f"{one}: " if len(places) > 1 else "")
        + _bottomed(place, [summary.bottomed[i] for i in place.events])
        for one, place in zip(wheres, places, strict=True)
    ]
    hard = any(summary.bottomed[i].hard for place in places for i in place.events)
    return [
        Candidate(
            rule="bottoms",
            end=end,
            title=f"{end.capitalize()} bottoms at {where}",
            evidence=f"{'; '.join(by_place_words)}.",
            short=f"the {end} bottoms at {where}",
            caution=DAMAGE_CAUTION if hard else "",
        )
    ]


def _bottomed(place: SharedPlace, stops: Sequence[StopEvent]) -> str:
    """Phases, laps, how often and how fast an end bottomed at one place."""
    hard = sum(stop.hard for stop in stops)
    hard_words = count_word(hard, "hard impact") if hard else "no hard impact"
    phases = " and ".join(sorted({stop.phase for stop in stops if stop.phase})) or "phase not known"
    return (
        f"{phases}, {times(len(stops))} in {laps_words(place.laps)}; wheel speed at the stop up to "
        f"{max(stop.speed_mm_s for stop in stops):.0f} mm/s, {hard_words}"
    )


def packing_candidates(packing: Iterable[PackingEvent], laps: Sequence[LapSummary]) -> list[Candidate]:
    """Every place where an end packs on enough laps."""
    packing = tuple(packing)
    candidates = []
    for end in ENDS:
        events = [event for event in packing if event.end == end]
        for place in repeated(events, laps):
            here = [events[i] for i in place.events]
            where = place_words(place.corner, place.phase, None if place.corner else place.distance_m)
            candidates.append(
                Candidate(
                    rule="packs",
                    end=end,
                    title=f"The {end} packs down at {where}",
                    evidence=f"{laps_words(place.laps)}: over {count_word(here[0].bumps, 'bump')} it stays up to "
                    f"{max(event.sink_mm for event in here):.0f} mm deeper than before and after them; down at "
                    f"{here[0].compression_mm_s:.0f} mm/s, back at {here[0].rebound_mm_s:.0f} mm/s (wheel).",
                    short=f"the {end} packs down at {where}",
                )
            )
    return candidates


def shift_candidates(trends: Iterable[Trend]) -> list[Candidate]:
    """Ends whose ride height clearly shifts over the outing; other shifts are facts of the table."""
    clear = {trend.key: trend for trend in trends if trend.clear}
    pace = clear.get(PACE)
    meanwhile = (
        "" if pace is None else f" Lap times went from {pace.first:.1f} to {pace.last:.1f} s meanwhile."
    )
    candidates = []
    for end in ENDS:
        if (trend := clear.get(f"{end}.travel.median_mm")) is None:
            continue
        lower = trend.last > trend.first
        title = f"The {end} rides {'lower' if lower else 'higher'} from lap to lap"
        candidates.append(
            Candidate(
                rule="ride height shifts",
                end=end,
                title=title,
                evidence=f"{_trend_words(trend)}, over {trend.laps} laps.{meanwhile}",
                short=f"t{title[1:]}",
                caution=LEAK_CAUTION if lower else "",
            )
        )
    return candidates


def _trend_words(trend: Trend) -> str:
    interval = ""
    if trend.ci95_per_lap is not None:
        low, high = trend.ci95_per_lap
        interval = f" (95 % {signed(low, 2)} to {signed(high, 2)} a lap)"
    return f"{trend.label} {trend.first:.1f} to {trend.last:.1f} {trend.unit}{interval}"
