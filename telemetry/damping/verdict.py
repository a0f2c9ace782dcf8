"""The detector's answer in words: careful ones. It suggests; it is never certain."""

from collections import Counter
from collections.abc import Iterable

from telemetry.damping.hop import DOUBTFUL_BELOW, LOST_BELOW
from telemetry.damping.learn import Learned
from telemetry.damping.oscillation import DetectionLimit, OscillationEvent, RejectedCandidate, Verdict

# What is left when a damper has lost its oil: the tyre's part and a trace.
USUAL_LOSS = 0.08
LONGEST_S = 3.0


def verdict(
    learned: Learned,
    knows_road: bool,
    events: tuple[OscillationEvent, ...],
    suspected: tuple[RejectedCandidate, ...],
    limits: tuple[DetectionLimit, ...],
) -> tuple[Verdict, str]:
    """Yes, no or cannot tell, and why in one sentence.

    Parameters
    ----------
    learned : Learned
        From the outing as a whole.
    knows_road : bool
        Whether the front told what the road did.
    events : tuple of OscillationEvent
    suspected : tuple of RejectedCandidate
        Stretches that looked like it; without the front they cannot be judged.
    limits : tuple of DetectionLimit
        What the log could show.

    Returns
    -------
    tuple of str
    """
    ratio = learned.pole.damping_ratio
    if knows_road and ratio <= LOST_BELOW:
        return "yes", (
            f"The rear wheel hop was damped at a ratio of {ratio:.2f} all through the outing, what a tyre alone "
            "leaves: this suggests a damper that had lost its damping from the start."
        )
    if events:
        return "yes", _event_sentence(events)
    if not knows_road:
        if suspected:
            times = "once" if len(suspected) == 1 else f"{len(suspected)} times"
            return "cannot_tell", (
                f"The rear wheel rang {times}, but without front travel and ground speed a kerb or a wheel out of "
                "balance looks the same; log both ends and speed."
            )
        return "no", (
            "No long ringing of the rear wheel was seen; without front travel and ground speed shorter ones "
            "cannot be told from the road."
        )
    if ratio < DOUBTFUL_BELOW:
        return "cannot_tell", (
            f"The rear wheel hop was damped at a ratio of only {ratio:.2f} all through the outing: a worn damper and "
            "a very rough road both look like this; compare with an outing on a fresh shock."
        )
    usual = next((limit for limit in limits if limit.damping_ratio == USUAL_LOSS), None)
    if usual is not None and usual.shortest_s is None:
        return "cannot_tell", (
            f"Over this road, with {usual.noise_mm:.2f} mm of noise in the rear sensor, a loss down to a ratio of "
            f"{USUAL_LOSS} would have to last longer than {LONGEST_S:.0f} s to show."
        )
    shown = (
        ""
        if usual is None
        else (
            f"; a loss down to a ratio of {USUAL_LOSS} would have shown, in 9 of 10 cases, from "
            f"{usual.shortest_s:.2g} s on"
        )
    )
    return "no", (
        f"Nothing suggests lost damping: over {learned.seconds:.0f} s of riding the rear wheel answered the road the "
        f"front had met with a damping ratio near {ratio:.2f}{shown}."
    )


def limit_sentence(limits: Iterable[DetectionLimit]) -> str:
    """What loss the log could have shown, in one sentence; "" where nothing is known of it.

    Parameters
    ----------
    limits : iterable of DetectionLimit

    Returns
    -------
    str
    """
    limits = tuple(limits)
    told = [limit for limit in limits if limit.shortest_s is not None]
    if not limits:
        return ""
    if not told:
        return "This log could not have shown a loss of 3 s or less: its noise, rate or road hides it."
    parts = [f"{limit.damping_ratio:.2f} from {limit.shortest_s:.2g} s on" for limit in told]
    if len({limit.shortest_s for limit in told}) == 1:
        parts = [f"{told[-1].damping_ratio:.2f} and below from {told[-1].shortest_s:.2g} s on"]
    return f"In 9 of 10 cases this log would have shown a loss to a damping ratio of {', '.join(parts)}."


def _event_sentence(events: tuple[OscillationEvent, ...]) -> str:
    where = Counter((event.corner, event.phase) for event in events)
    (corner, phase), count = where.most_common(1)[0]
    seconds = sum(event.end_s - event.start_s for event in events)
    low, high = min(e.frequency_hz for e in events), max(e.frequency_hz for e in events)
    hz = f"{low:.1f} Hz" if high - low < 0.1 else f"{low:.1f} to {high:.1f} Hz"
    times = "once" if len(events) == 1 else f"{len(events)} times"
    place = ""
    if corner is not None:
        place = f", most often in corner {corner}" if len(events) > 1 else f", in corner {corner}"
        place += f" ({phase})" if phase else ""
    return (
        f"The rear wheel rang at {hz} as if hardly damped {times}, {seconds:.1f} s in all{place}: this suggests "
        "lost rear damping."
    )
