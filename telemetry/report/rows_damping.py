"""Tables and sentences of lost damping: events one by one, gathered by place, and what was looked at but not called."""

from collections.abc import Iterable, Sequence

from telemetry.damping.oscillation import (
    FALLING,
    IN_DOUBT,
    Oscillation,
    OscillationEvent,
    RejectedCandidate,
    dampers_in_doubt,
)
from telemetry.damping.places import gather
from telemetry.damping.verdict import NEARLY_ALL, limit_sentence
from telemetry.findings_damping import damper_answer, front_suspected, slow_loss_judged
from telemetry.laps import Place, by_place
from telemetry.wording import UNKNOWN, count_word, interval, laps_list, laps_words, number, place_words

Row = tuple[str, ...]
EVENT_COLUMNS = (
    "from s", "lap", "where", "for s", "Hz", "damping ratio", "wheel mm", "shaft mm", "sure %", "level",
)  # fmt: skip
NARROW_EVENT_COLUMNS = (*EVENT_COLUMNS[:7], "level")
GATHERED_COLUMNS = ("where", "laps", "times", "s in all", "Hz", "damping ratio (95 %)")
REJECTED_COLUMNS = ("where", "laps", "times", "why it is not called lost damping")


def damping_words(found: Oscillation) -> str:
    """What is said of both dampers in a line of a list; of the front only where it is suspected or in doubt."""
    doubt = dampers_in_doubt(found)
    if found.verdict == "yes":
        words = "SUSPECTED LOST"
    elif "rear" in doubt:
        words = "IN DOUBT"
    elif found.verdict == "cannot_tell":
        words = "cannot tell"
    else:
        words = damper_answer(found, "rear")
    return words + front_damping_words(found)


def front_damping_words(found: Oscillation) -> str:
    """The front's part of such a line; "" where it is neither suspected nor in doubt."""
    if "front" not in dampers_in_doubt(found):
        return ""
    return f"; front {'SUSPECTED LOST' if front_suspected(found) else 'IN DOUBT'}"


def damping_headline(found: Oscillation) -> str:
    """The answer about the rear damper as a heading."""
    if found.verdict == "yes":
        return "Suspected loss of rear damping"
    if "rear" in dampers_in_doubt(found):
        return "Rear damping is in doubt"
    if found.verdict == "cannot_tell":
        return "Lost rear damping: cannot tell"
    share = found.judged_share
    part = "" if share is None or share >= NEARLY_ALL else f", as far as it was judged ({100 * share:.0f} %)"
    if not slow_loss_judged(found, "rear"):
        return f"No sign of a sudden loss of rear damping{part}; slow loss not judged"
    return f"No sign of lost rear damping{part}"


def event_rows(events: Iterable[OscillationEvent], *, narrow: bool = False) -> list[Row]:
    """Start, lap, place, length, frequency, damping ratio with interval, amplitudes, confidence, level; a row an event.

    ``narrow`` leaves out the distance where the corner is known, the shaft and the confidence: for 80 columns.
    """
    rows: list[Row] = [
        (
            number(event.start_s, 1),
            UNKNOWN if event.lap is None else str(event.lap),
            place_words(event.corner, event.phase, None if narrow and event.corner else event.distance_m),
            number(event.end_s - event.start_s, 1),
            number(event.frequency_hz, 1),
            f"{number(event.damping_ratio, 2)} ({'-'.join(number(x, 2) for x in event.damping_ratio_ci95)})",
            number(event.amplitude_mm, 1),
            number(event.shaft_amplitude_mm, 1),
            sure_percent(event.confidence),
            event.level,
        )
        for event in events
    ]
    return [(*row[:7], row[-1]) for row in rows] if narrow else rows


def sure_percent(confidence: float) -> str:
    """Confidence in percent; a log is never certain.

    Examples
    --------
    >>> sure_percent(0.9), sure_percent(0.9999)
    ('90', '> 99')
    """
    return number(100 * confidence) if confidence < 0.995 else "> 99"


def gathered_rows(events: tuple[OscillationEvent, ...], lap_length_m: float | None) -> list[Row]:
    """Events gathered by place, most seconds first; nothing where none of them came twice at one place."""
    places = gather(events, lap_length_m)
    if len(places) == len(events):
        return []
    return [
        (
            place_words(place.corner, place.phase, None if place.corner else place.distance_m),
            laps_list(place.laps),
            str(len(place.events)),
            number(place.seconds, 1),
            number(place.frequency_hz, 1),
            interval(place.damping_ratio, place.damping_ratio_ci95),
        )
        for place in places
    ]


def rejected_rows(rejected: Sequence[RejectedCandidate], lap_length_m: float | None) -> list[Row]:
    """What looked like lost damping at first, by place, most often first, with the reason of its longest stretch."""
    spots = [Place(one.lap, one.distance_m, None, None) for one in rejected]
    rows = []
    for place in by_place(spots, lap_length_m):
        # without a distance they share no place: one row each
        for group in [place.events] if place.located else [(i,) for i in place.events]:
            here = [rejected[i] for i in group]
            longest = max(here, key=lambda one: one.end_s - one.start_s)
            where = (
                place_words(None, None, place.distance_m) if place.located else f"at {longest.start_s:.1f} s"
            )
            rows.append((where, laps_list(one.lap for one in here), str(len(here)), longest.reason))
    return sorted(rows, key=lambda row: -int(row[2]))


def front_words(events: Sequence[OscillationEvent]) -> str:
    """That the front rang, which is another fault; "" where it did not."""
    if not events:
        return ""
    return (
        f"The front rang {count_word(len(events), 'time')}, in {laps_words(event.lap or 0 for event in events)}: "
        "another fault than a lost rear damper (fork, front tyre, bearings)."
    )


def drift_words(found: Oscillation) -> str:
    """That an end that reads better from lap to lap beside one that fades has not improved; "" where none does.

    Through the chassis a fading end moves the other's reading up, by up to a fifth of its fall in simulation.
    """
    course = found.course.values()
    fades = any(one.state in FALLING for one in course)
    rises = [
        end
        for end, one in found.course.items()
        if one.trend is not None and one.trend.ci95_pct_per_lap[0] > 0
    ]
    if not fades or not rises:
        return ""
    return f"That the {rises[0]} reads higher from lap to lap is drift beside a fading end, no improvement."


def course_sentences(found: Oscillation) -> list[str]:
    """What the damping of each end did over the laps, and what loss the log could have shown.

    Each once, and without what the verdict says of a damper in doubt.
    """
    over = "Over whole laps, the suspected stretches in them: " if found.events else ""
    said = [
        over + course.reason[0].lower() + course.reason[1:] if over and end == "rear" else course.reason
        for end, course in found.course.items()
        if course.state not in IN_DOUBT
    ]
    limit = "" if found.verdict == "no" else limit_sentence(found.limits)  # otherwise the reason has it
    return [*dict.fromkeys(said), *(words for words in (drift_words(found), limit) if words)]
