"""Lost, fading, worn or doubtful damping in words."""

from collections.abc import Mapping
from dataclasses import replace

from telemetry.arrays import End
from telemetry.damping import CAUTION as DAMPING_CAUTION
from telemetry.damping import (
    DOUBT_CAUTION,
    FALLING,
    IN_DOUBT,
    INSPECT_CAUTION,
    NEARLY_ALL,
    Oscillation,
    OscillationEvent,
    dampers_in_doubt,
    dampers_not_judged,
    gather,
)
from telemetry.findings.rules import waiting
from telemetry.motion import EndSummary
from telemetry.summary import Finding, count_word, laps_words, measured_time, place_words, sentence, times

# What is said of the damper of an end in a list.
DAMPER_ANSWERS = (LOST, DOUBTFUL, NOT_JUDGED, NO_SUDDEN, NO_SIGN) = (
    "suspected loss", "in doubt", "not judged", "no sudden loss, slow loss not judged", "no sign of loss",
)  # fmt: skip
_SLOW_NOT_JUDGED = "Whether its damping falls over the laps was not judged."


_BY_THE_OTHER = (
    "The {end} is judged by the road that the {other} met: "
    "while the damping of the {other} changes over the laps, the {end} can seem to lose damping."
)


def slow_loss_judged(oscillation: Oscillation, end: End) -> bool:
    """Whether it could be judged if an end loses damping over the laps; no with too few laps of known damping."""
    course = oscillation.course.get(end)
    return course is not None and (course.trend is not None or course.state in FALLING | {"worn all along"})


def damper_answer(oscillation: Oscillation, end: End) -> str:
    """One of `DAMPER_ANSWERS`: what a list says of a damper, never that it is sound where that was not judged.

    What was judged of the rear for a part of the riding only says so after it.
    """
    if end in dampers_in_doubt(oscillation):
        suspected = oscillation.verdict == "yes" if end == "rear" else front_suspected(oscillation)
        return LOST if suspected else DOUBTFUL
    if end in dampers_not_judged(oscillation):
        return NOT_JUDGED
    share = oscillation.judged_share if end == "rear" else None
    part = "" if share is None or share >= NEARLY_ALL else f" in {100 * share:.0f} % of the riding"
    return (NO_SIGN if slow_loss_judged(oscillation, end) else NO_SUDDEN) + part


def oscillation_sentence(oscillation: Oscillation) -> str:
    """What the detector says of the rear damper, in one sentence and its caution."""
    if oscillation.verdict == "no":
        return (
            oscillation.reason
            if slow_loss_judged(oscillation, "rear")
            else f"{oscillation.reason} {_SLOW_NOT_JUDGED}"
        )
    if oscillation.verdict == "yes":
        return f"Suspected loss of rear damping. {oscillation.reason} {DAMPING_CAUTION}"
    if "rear" in dampers_in_doubt(oscillation):
        return f"Rear damping is in doubt. {oscillation.reason} {DOUBT_CAUTION}"
    return f"Cannot tell whether rear damping is lost: {oscillation.reason}"


def as_far_as_measured(oscillation: Oscillation, ends: Mapping[End, EndSummary]) -> Oscillation:
    """The detector's answer, with the time of which it can say nothing where an end was measured for a part only."""
    partly = [
        f"The {name} was measured for {words}: the rest of the time was not judged."
        for name, end in ends.items()
        if (words := measured_time(end))
    ]
    if not partly:
        return oscillation
    return replace(oscillation, reason=" ".join((oscillation.reason, *partly)))


def suspicions(oscillation: Oscillation) -> tuple[str, ...]:
    """The sentences that come before everything else: what is suspected of either damper, or in doubt.

    What is sure comes before what is not, then the rear first; empty where no damper is in doubt.
    """
    doubt = dampers_in_doubt(oscillation)
    rear = (oscillation_sentence(oscillation),) if "rear" in doubt else ()
    front = (_front_sentence(oscillation),) if "front" in doubt else ()
    changes = {end for end, one in oscillation.course.items() if one.state in FALLING | {"recovering"}}
    # What an end does over the laps is read from that end alone, other doubts from both.
    if changes == {"front"}:
        return front + tuple(f"{said} {_BY_THE_OTHER.format(end='rear', other='front')}" for said in rear)
    if changes == {"rear"}:
        return rear + tuple(f"{said} {_BY_THE_OTHER.format(end='front', other='rear')}" for said in front)
    if front_suspected(oscillation) and oscillation.verdict != "yes":
        return front + rear
    return rear + front


def _front_sentence(oscillation: Oscillation) -> str:
    course, events = oscillation.course.get("front"), oscillation.front_events
    reasons = [course.reason] if course is not None and course.state in IN_DOUBT else []
    if events:
        reasons.append(
            f"The front oscillated with almost no damping {times(len(events))}, in "
            f"{laps_words(event.lap or 0 for event in events)}: another fault than a lost rear damper (fork, front "
            "tyre, bearings)."
        )
    if front_suspected(oscillation):
        return f"Suspected loss of front damping. {' '.join(reasons)} {INSPECT_CAUTION}"
    return f"Front damping is in doubt. {' '.join(reasons)} {DOUBT_CAUTION}"


def front_suspected(oscillation: Oscillation) -> bool:
    """Whether the front's damping is suspected lost, by events of level alarm or by its course over the laps."""
    course = oscillation.course.get("front")
    over_laps = course is not None and course.state in FALLING | {"worn all along"}
    return over_laps or any(event.level == "alarm" for event in oscillation.front_events)


def lost_all_through(oscillation: Oscillation) -> bool:
    """Whether rear damping is suspected lost from the start, not in stretches or over the laps."""
    return oscillation.verdict == "yes" and not oscillation.events and not rear_falls(oscillation)


def rear_falls(oscillation: Oscillation) -> bool:
    """Whether the rear's damping falls over the laps."""
    course = oscillation.course.get("rear")
    return course is not None and course.state in FALLING


def damping_findings(oscillation: Oscillation, lap_length_m: float | None = None) -> list[Finding]:
    """A rear damper suspected lost, fading, worn or doubtful ones, and a front that rang; lap length as `by_place`."""
    alarms = any(event.level == "alarm" for event in oscillation.events)
    yes = oscillation.verdict == "yes"
    findings = [_falling(end, oscillation) for end in _ends_in(FALLING, oscillation)]
    if yes and (alarms or not rear_falls(oscillation)):
        findings.insert(0, _lost_damping(oscillation, lap_length_m))
    if not yes and "rear" in dampers_in_doubt(oscillation) and not rear_falls(oscillation):
        findings.append(_in_doubt(oscillation, lap_length_m))
    findings += [
        _worn(oscillation, end) for end in _ends_in(IN_DOUBT - FALLING, oscillation) if end == "front"
    ]
    return [*findings, *_front_rang(oscillation)]


def _ends_in(states: frozenset[str], oscillation: Oscillation) -> list[End]:
    return [end for end, course in oscillation.course.items() if course.state in states]


def _lost_damping(oscillation: Oscillation, lap_length_m: float | None) -> Finding:
    alarms = tuple(event for event in oscillation.events if event.level == "alarm")
    return _finding(
        "damping lost at places" if alarms else "damping lost all through",
        "Rear damping suspected lost",
        _where(alarms, lap_length_m) or _ratios("rear", oscillation),
        DAMPING_CAUTION,
    )


def _in_doubt(oscillation: Oscillation, lap_length_m: float | None) -> Finding:
    """Other causes that the log cannot exclude, and how to check for them."""
    events = oscillation.events
    if events:
        evidence = f"{_where(events, lap_length_m)} That alone proves nothing."
    elif oscillation.unexplained:
        stretches = count_word(oscillation.unexplained, "stretch", "stretches")
        evidence = f"{stretches} in which the rear oscillated, with no cause found."
    else:
        evidence = _ratios("rear", oscillation)
    return _finding("damping in doubt", "Rear damping is in doubt", evidence, DOUBT_CAUTION)


def _where(events: tuple[OscillationEvent, ...], lap_length_m: float | None) -> str:
    """Places and laps of the events, and the clearest of them; "" where there is none."""
    strongest = max(events, key=lambda event: event.confidence, default=None)
    if strongest is None:
        return ""
    places = [
        place_words(place.corner, place.phase, None if place.corner else place.distance_m)
        + (f" in {laps_words(place.laps)}" if place.laps else "")
        for place in gather(events, lap_length_m)
    ]
    return "; ".join(places) + f". Clearest: {_clearest(strongest)}"


def _clearest(event: OscillationEvent) -> str:
    """Frequency, damping ratio with its interval, amplitude and evidence of an event."""
    low, high = event.damping_ratio_ci95
    return (
        f"{event.frequency_hz:.1f} Hz, damping ratio {event.damping_ratio:.2f} (95 % {low:.2f} to {high:.2f}), "
        f"{event.amplitude_mm:.1f} mm at the wheel. {event.evidence}"
    )


def _ratios(end: End, oscillation: Oscillation) -> str:
    """The damping ratio of an end lap by lap; "" without."""
    laps = oscillation.course[end].laps if end in oscillation.course else oscillation.fade
    ratios = [f"{lap.damping_ratio:.2f} in lap {lap.lap}" for lap in laps if lap.damping_ratio is not None]
    return f"Damping ratio of the {end} wheel hop: {', '.join(ratios)}." if ratios else ""


def _falling(end: End, oscillation: Oscillation) -> Finding:
    """A damper whose damping falls from lap to lap."""
    back = oscillation.course[end].state == "lost damping and recovered"
    return _finding(
        "damping falls",
        f"{end.capitalize()} damper suspected of fading" + (", and it recovered" if back else ""),
        _ratios(end, oscillation),
        DAMPING_CAUTION if end == "rear" else INSPECT_CAUTION,
    )


def _worn(oscillation: Oscillation, end: End) -> Finding:
    suspected = oscillation.course[end].state == "worn all along"
    return _finding(
        "damping low",
        f"{end.capitalize()} damper " + ("suspected worn" if suspected else "is in doubt"),
        _ratios(end, oscillation),
        INSPECT_CAUTION if suspected else DOUBT_CAUTION,
    )


def _front_rang(oscillation: Oscillation) -> list[Finding]:
    """Chatter of the front: another fault than a lost rear damper."""
    events = oscillation.front_events
    if not events:
        return []
    strongest = max(events, key=lambda event: event.confidence)
    alarm = any(event.level == "alarm" for event in events)
    return [
        _finding(
            "front rings",
            "The front oscillates with almost no damping",
            f"{sentence(times(len(events)))}, in {laps_words(event.lap or 0 for event in events)}; clearest: "
            f"{_clearest(strongest)}",
            INSPECT_CAUTION if alarm else DOUBT_CAUTION,
        )
    ]


def _finding(rule: str, title: str, evidence: str, caution: str) -> Finding:
    return Finding(title=title, evidence=evidence, suggestion=waiting(rule), caution=caution, rule=rule)
