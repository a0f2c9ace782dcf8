"""How much an event says: look at it, or stop riding."""

from collections.abc import Sequence
from dataclasses import replace
from math import prod

from telemetry.damping.oscillation import DetectionLimit, OscillationEvent
from telemetry.damping.places import stretches_of_road
from telemetry.laps import Lap

# A ridge that only one wheel met, or a tone, within 1.5 Hz of the hop cannot be told from a wheel that rings over a
# shorter stretch: the envelope of a ringing wheel (1 / (2 pi f ratio) = 0.1 to 0.3 s) has not come and gone yet.
TOLD_APART_S = 0.6
# From twice that on a stretch alone, or several of them together, say enough.
ENOUGH_S = 2.0 * TOLD_APART_S
# A ridge begins at the same point of the road on every lap. A start is known to about a tenth of a second (5 m at
# 50 m/s) and the place along the lap to about as much; three times that. A choice of ours.
FIXED_WITHIN_M = 15.0
# A ridge is there from the first lap on, and most laps show it; a damper fails later, or at other places too. Ridges
# take little of a lap: what rings for longer than this share of it is more than a few ridges. Own choice.
FEWEST_LAPS, MOST_OF_A_LAP = 3, 0.1
# An alarm asks for this confidence that not all of its stretches have another cause. A choice of ours.
SURE = 0.95
# Confidence of what other things can cause as well; see "Reliability" in DEVELOPERS.md.
MOST_OF_A_LOOK = 0.8


def with_levels(
    events: Sequence[OscillationEvent], limits: Sequence[DetectionLimit], laps: Sequence[Lap] = ()
) -> tuple[OscillationEvent, ...]:
    """Give every event its level, and an event of level look no more confidence than it can have.

    An alarm is what repeats (stretches of `ENOUGH_S` together, on two laps or at two places), or one stretch of
    `ENOUGH_S` for which the log's own detection limit holds, with the others at its place. Every other is a look.
    What begins at one point of the road on several laps counts once: a ridge that only one wheel meets does so. It
    does not count at all where it was there from the first lap on and on most laps: no log tells it from a ridge.

    Parameters
    ----------
    events : sequence of OscillationEvent
        Of one wheel.
    limits : sequence of DetectionLimit
        Of the log; empty where it is not known.
    laps : sequence of Lap
        Of the log.
    """
    events = tuple(events)
    of_ground = _of_the_ground(events, laps)
    others = [event for i, event in enumerate(events) if i not in of_ground]
    alarms = {i for i, event in enumerate(events) if i not in of_ground and _stands_alone(event, limits)}
    if _repeats(others):
        alarms = set(range(len(events))) - of_ground
    for place in stretches_of_road([event.distance_m for event in events]):
        if alarms & set(place):
            alarms |= set(place)
    return tuple(
        replace(event, level="alarm")
        if i in alarms
        else replace(event, level="look", confidence=min(event.confidence, MOST_OF_A_LOOK))
        for i, event in enumerate(events)
    )


def _length_s(event: OscillationEvent) -> float:
    # times are those of samples at 100 Hz: a length is what was meant to a hundredth
    return round(event.end_s - event.start_s, 2)


def _stands_alone(event: OscillationEvent, limits: Sequence[DetectionLimit]) -> bool:
    """Whether the log would have shown a loss like this one in 9 of 10 cases or more, and it is long and clear."""
    if _length_s(event) < ENOUGH_S or event.confidence < SURE:
        return False
    like_it = [limit for limit in limits if limit.damping_ratio >= event.damping_ratio]
    limit = min(like_it, key=lambda limit: limit.damping_ratio, default=None)
    return limit is not None and limit.shortest_s is not None and _length_s(event) >= limit.shortest_s


def _repeats(events: Sequence[OscillationEvent]) -> bool:
    """Whether stretches on two laps or at two places are together long and clear enough.

    Those shorter than `TOLD_APART_S` do not count, however many: kerbs have many places too. What begins at one point
    of the road on every lap counts once, all such places together: a circuit has many ridges.
    """
    long = [event for event in events if _length_s(event) >= TOLD_APART_S]
    ridges: list[OscillationEvent] = []
    counted: list[OscillationEvent] = []
    for place in _by_place(long):
        (ridges if _fixed_to_ground(place) else counted).extend(place)
    if ridges:
        counted.append(max(ridges, key=_length_s))
    apart = len(_by_place(counted)) > 1 or len({event.lap for event in counted}) > 1
    long_enough = sum(map(_length_s, counted)) >= ENOUGH_S
    return apart and long_enough and 1.0 - prod(1.0 - event.confidence for event in counted) >= SURE


def _of_the_ground(events: Sequence[OscillationEvent], laps: Sequence[Lap]) -> set[int]:
    """Indices of events at places where the road alone may ring the wheel: from the first lap on, on most laps."""
    complete = [lap for lap in laps if lap.complete]
    if len(complete) < FEWEST_LAPS:
        return set()
    found: set[int] = set()
    for place in stretches_of_road([event.distance_m for event in events]):
        here = [events[i] for i in place]
        met = {event.lap for event in here} & {lap.lap for lap in complete}
        if complete[0].lap in met and 2 * len(met) > len(complete):
            found |= set(place)
    whole_s = sum(lap.time_s for lap in complete)
    rung_s = sum(_length_s(events[i]) for i in found)
    return found if rung_s <= MOST_OF_A_LAP * whole_s else set()


def _by_place(events: Sequence[OscillationEvent]) -> list[list[OscillationEvent]]:
    return [[events[i] for i in place] for place in stretches_of_road([event.distance_m for event in events])]


def _fixed_to_ground(place: Sequence[OscillationEvent]) -> bool:
    """Whether what rings at one place begins at the same point of the road on several laps, as a ridge there would."""
    starts_m = [event.distance_m for event in place if event.distance_m is not None]
    laps = {event.lap for event in place}
    return len(laps) > 1 and bool(starts_m) and max(starts_m) - min(starts_m) <= FIXED_WITHIN_M
