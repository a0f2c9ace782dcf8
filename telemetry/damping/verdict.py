"""The detector's answer in words: careful ones. It suggests; it is never certain."""

from collections.abc import Iterable

from telemetry.damping.front_filter import FrontFilter
from telemetry.damping.oscillation import (
    FALLING,
    LOOKS_THE_SAME,
    DamperCourse,
    DetectionLimit,
    OscillationEvent,
    Verdict,
)
from telemetry.damping.places import gather

# What is left when a damper has lost its oil: the tyre's part and a trace.
USUAL_LOSS = 0.08
LONGEST_S = 3.0
# With less of the riding judged nothing is said of the whole; with less than nearly all of it the share is. Choices.
LEAST_JUDGED, NEARLY_ALL = 0.5, 0.95


def verdict(
    fitted: FrontFilter,
    missing: str,
    events: tuple[OscillationEvent, ...],
    unexplained: int,
    limits: tuple[DetectionLimit, ...],
    rear: DamperCourse,
    judged_share: float = 1.0,
) -> tuple[Verdict, str]:
    """Yes, no or cannot tell of the rear damper, and why.

    Yes is said only of what repeats, or lasts long enough, or goes on over the laps: the events of level alarm, a
    damper that falls over the laps, and one without damping from the start.

    Parameters
    ----------
    fitted : FrontFilter
        From the outing as a whole.
    missing : str
        What the log lacks to know the road, in words; "" where it lacks nothing.
    unexplained : int
        Stretches that rang and that cannot be judged without what is missing.
    limits : tuple of DetectionLimit
        What the log could show.
    rear : DamperCourse
        Over the laps.
    judged_share : float
        Of the moving time.
    """
    ratio = fitted.pole.damping_ratio
    alarms = tuple(event for event in events if event.level == "alarm")
    if rear.state == "worn all along":
        return "yes", (
            f"The rear wheel hop was damped at a ratio of {ratio:.2f} all through the outing, what a tyre alone "
            "leaves: this suggests a damper that had lost its damping from the start."
        )
    reasons = [rear.reason] if rear.state in FALLING else []
    reasons += [_event_sentence(alarms)] if alarms else []
    recovers = rear.reason if rear.state == "recovering" else ""
    if reasons:
        return "yes", " ".join(filter(None, (recovers, *reasons)))
    if events:
        return "cannot_tell", " ".join(filter(None, (recovers, _look_sentence(events))))
    if recovers:
        return "cannot_tell", f"{recovers} Compare with an outing on a fresh shock."
    if missing:
        return "cannot_tell", _missing_sentence(missing, unexplained)
    if rear.state == "doubtful":
        return "cannot_tell", f"{rear.reason} Compare with an outing on a fresh shock."
    usual = next((limit for limit in limits if limit.damping_ratio == USUAL_LOSS), None)
    if usual is not None and usual.shortest_s is None:
        return "cannot_tell", (
            f"Over this road, with {usual.noise_mm:.2f} mm of noise in the rear sensor, a loss down to a ratio of "
            f"{USUAL_LOSS} would have to last longer than {LONGEST_S:.0f} s to show."
        )
    if judged_share < LEAST_JUDGED:
        return "cannot_tell", (
            f"Only {100 * judged_share:.0f} % of the riding could be judged, and nothing in it suggests lost damping; "
            "the rest was not measured at both ends or not with ground speed."
        )
    shown = (
        ""
        if usual is None
        else (
            f"; a loss down to a ratio of {USUAL_LOSS} would have shown, {_cases(usual.share)}, from "
            f"{usual.shortest_s:.2g} s on"
        )
    )
    part = "" if judged_share >= NEARLY_ALL else f", {100 * judged_share:.0f} % of it all,"
    return "no", (
        f"Nothing suggests lost rear damping: over {fitted.seconds:.0f} s of riding{part} the rear wheel answered the "
        f"road the front had met with a damping ratio near {ratio:.2f}{shown}."
    )


def missing_words(*, front: bool, speed: bool) -> str:
    """What the log lacks to know the road that the rear met; "" where it has front travel and ground speed.

    Examples
    --------
    >>> missing_words(front=True, speed=False), missing_words(front=False, speed=False)
    ('ground speed', 'front travel and ground speed')
    """
    return " and ".join(
        words for words, there in (("front travel", front), ("ground speed", speed)) if not there
    )


def _missing_sentence(missing: str, unexplained: int) -> str:
    if unexplained:
        return (
            f"The rear wheel rang {_times(unexplained)}, but without {missing} a kerb or a wheel out of balance looks "
            "the same."
        )
    return (
        f"No long ringing of the rear wheel was seen, but without {missing} a shorter one cannot be told from the "
        "road."
    )


def limit_sentence(limits: Iterable[DetectionLimit]) -> str:
    """What loss the log could have shown, in one sentence; "" where nothing is known of it."""
    limits = tuple(limits)
    told = [limit for limit in limits if limit.shortest_s is not None]
    if not limits:
        return ""
    if not told:
        return "This log could not have shown a loss of 3 s or less: its noise, rate or road hides it."
    parts = [f"{limit.damping_ratio:.2f} from {limit.shortest_s:.2g} s on" for limit in told]
    if len({limit.shortest_s for limit in told}) == 1:
        parts = [f"{told[-1].damping_ratio:.2f} and below from {told[-1].shortest_s:.2g} s on"]
    share = min(limit.share for limit in told)
    return f"{_cases(share).capitalize()} this log would have shown a loss to a damping ratio of {', '.join(parts)}."


def _cases(share: float) -> str:
    # the simulated cases are too few and too much alike to tell 99 from 100
    return f"in {min(int(100 * share), 99)} of 100 cases"


def _event_sentence(events: tuple[OscillationEvent, ...]) -> str:
    return f"{_rang(events)} this suggests lost rear damping."


def _look_sentence(events: tuple[OscillationEvent, ...]) -> str:
    return f"{_rang(events)} too short or too seldom to call: {LOOKS_THE_SAME}."


def _rang(events: tuple[OscillationEvent, ...]) -> str:
    worst = gather(events, None)[0]  # the length of the lap matters on straights only
    corner, phase = worst.corner, worst.phase
    seconds = sum(event.end_s - event.start_s for event in events)
    low, high = min(e.frequency_hz for e in events), max(e.frequency_hz for e in events)
    hz = f"{low:.1f} Hz" if high - low < 0.1 else f"{low:.1f} to {high:.1f} Hz"
    long = f"for {seconds:.1f} s" if len(events) == 1 else f"{seconds:.1f} s in all"
    place = ""
    if corner is not None:
        place = f", most of it in corner {corner}" if len(events) > 1 else f", in corner {corner}"
        place += f" ({phase})" if phase else ""
    return f"The rear wheel rang at {hz} as if hardly damped {_times(len(events))}, {long}{place}:"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
