"""Lost, fading or worn damping in words."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace

from telemetry.arrays import End
from telemetry.damping.oscillation import CAUTION as DAMPING_CAUTION
from telemetry.damping.oscillation import INSPECT_CAUTION, Oscillation
from telemetry.motion.summary import EndSummary
from telemetry.summary import Finding
from telemetry.wording import count_word, laps_words, measured_time, place_words


def oscillation_sentence(oscillation: Oscillation) -> str:
    """What the detector says, in one sentence."""
    if oscillation.verdict == "no":
        return oscillation.reason
    if oscillation.verdict == "cannot_tell":
        return f"Lost rear damping cannot be told: {oscillation.reason}"
    return f"Suspected loss of rear damping: {oscillation.reason} {DAMPING_CAUTION}"


def as_far_as_measured(oscillation: Oscillation, ends: Mapping[End, EndSummary]) -> Oscillation:
    """The detector's answer, with the time of which it can say nothing where an end was measured for a part only.

    Parameters
    ----------
    oscillation : Oscillation
    ends : mapping of end to EndSummary
        Over the same run.

    Returns
    -------
    Oscillation
    """
    partly = [
        f"The {name} was measured for {words}: of the rest nothing can be said."
        for name, end in ends.items()
        if (words := measured_time(end))
    ]
    if not partly:
        return oscillation
    return replace(oscillation, reason=" ".join((oscillation.reason, *partly)))


def lost_all_through(oscillation: Oscillation) -> bool:
    """Whether rear damping is suspected lost from the start, not in stretches.

    Parameters
    ----------
    oscillation : Oscillation

    Returns
    -------
    bool
    """
    return oscillation.verdict == "yes" and not oscillation.events


def damping_findings(oscillation: Oscillation) -> list[Finding]:
    """A rear damper suspected lost, fading or worn ones, and a front that rang.

    Parameters
    ----------
    oscillation : Oscillation

    Returns
    -------
    list of Finding
    """
    lost = [_lost_damping(oscillation)] if oscillation.verdict == "yes" else []
    return [*lost, *_fading(oscillation), *_front_rang(oscillation)]


def _lost_damping(oscillation: Oscillation) -> Finding:
    return Finding(
        title="Rear damping suspected lost",
        evidence=_where_lost(oscillation) or oscillation.reason,
        suggestion=("Compare with a lap from the start of the outing. " if oscillation.events else "")
        + "Check the shock for leaks, heat and play, and rule out tyre, wheel bearing and sensor mount. Set-up waits "
        "until then: with a damper in doubt the other numbers do not say what to change.",
        caution=DAMPING_CAUTION,
    )


def _where_lost(oscillation: Oscillation) -> str:
    """Places and laps of the events, and the clearest of them; "" where it was lost all through."""
    places: dict[str, list[int]] = defaultdict(list)
    for event in oscillation.events:
        places[place_words(event.corner, event.phase, None)].append(event.lap or 0)
    strongest = max(oscillation.events, key=lambda event: event.confidence, default=None)
    if strongest is None:
        return ""
    low, high = strongest.damping_ratio_ci95
    return (
        "; ".join(f"{place} in {laps_words(laps)}" for place, laps in places.items())
        + f". Clearest: {strongest.frequency_hz:.1f} Hz, damping ratio {strongest.damping_ratio:.2f} "
        f"(95 % {low:.2f} to {high:.2f}), {strongest.amplitude_mm:.1f} mm at the wheel. {strongest.evidence}"
    )


def _fading(oscillation: Oscillation) -> list[Finding]:
    """A damper whose damping falls from lap to lap, or was low from the start."""
    words = {
        "losing damping as it warms": "{} damper suspected of fading",
        "worn all along": "{} damper suspected worn",
    }
    return [
        Finding(
            title=words[course.state].format(end.capitalize()),
            evidence=course.reason,
            suggestion="Let it cool and compare the first lap of the next outing; check tyre pressures, and compare "
            "with an outing on a fresh damper.",
            caution=INSPECT_CAUTION,
        )
        for end, course in oscillation.course.items()
        if course.state in words and not (end == "rear" and lost_all_through(oscillation))
    ]


def _front_rang(oscillation: Oscillation) -> list[Finding]:
    """Chatter of the front: another fault than a lost rear damper."""
    events = oscillation.front_events
    if not events:
        return []
    strongest = max(events, key=lambda event: event.confidence)
    return [
        Finding(
            title="The front rang as if hardly damped",
            evidence=f"{count_word(len(events), 'time')}, in {laps_words(event.lap or 0 for event in events)}; "
            f"clearest at {strongest.frequency_hz:.1f} Hz, {strongest.amplitude_mm:.1f} mm at the wheel. "
            f"{strongest.evidence}",
            suggestion="Another fault than a lost rear damper: look at fork damping and friction, front tyre and "
            "balance, wheel and steering-head bearings.",
            caution=INSPECT_CAUTION,
        )
    ]
