"""Words that every sentence about a run is made with: counts, places, laps, the caution with every change."""

from collections.abc import Iterable, Mapping

from telemetry.arrays import ENDS, End
from telemetry.motion.summary import EndSummary

CHANGE_CAUTION = (
    "Change one thing at a time, within the maker's limits, and try it at reduced pace first; "
    "recheck sag after any change of preload, spring or length."
)


# With less of the time measured than this, what is said of an end is said of that time. A choice of ours.
MOSTLY = 0.95


def measured_time(end: EndSummary) -> str:
    """For how much of the time an end was measured, and when: ``49 % of the time, until 173 s``.

    Returns
    -------
    str
        "" where it was measured nearly all the time, or not judged.
    """
    if not end.judged or end.valid_share >= MOSTLY:
        return ""
    percent = f"{100 * end.valid_share:.0f}" if end.valid_share >= 0.01 else "less than 1"
    since = "" if end.measured_from_s is None else f", from {end.measured_from_s:.0f} s on"
    until = "" if end.measured_until_s is None else f", until {end.measured_until_s:.0f} s"
    return f"{percent} % of the time{since}{until}"


def limits_words(ends: Mapping[End, EndSummary]) -> tuple[str, ...]:
    """That an end was not judged, or for only a part of the time: a sentence each; nothing for two sound ends."""
    said = []
    for name, end in ends.items():
        if not end.judged:
            said.append(f"{name.capitalize()} not judged: {end.reason}")
        elif words := measured_time(end):
            said.append(f"{name.capitalize()} measured for {words}; of the rest nothing is known.")
    return tuple(said)


def never_words(ends: Mapping[End, EndSummary], what: str) -> str:
    """That neither end did something, as far as that is known: ``Neither end bottomed.``"""
    known = [(name, end) for name, end in ends.items() if end.judged]
    if not known:
        return "Not known: no end was judged."
    if len(known) == len(ENDS) and not any(measured_time(end) for _, end in known):
        return f"Neither end {what}."
    parts = []
    for name, end in ends.items():
        if not end.judged:
            parts.append(f"the {name} was not judged")
            continue
        seen = measured_time(end)
        parts.append(f"the {name} never {what}" + (f" as far as it was measured ({seen})" if seen else ""))
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def count_word(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun: ``1 lap``, ``3 laps``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def place_words(corner: int | None, phase: str | None, distance_m: float | None) -> str:
    """A place in words, as far as it is known: ``corner 5, drive (1240 m)``."""
    words = [f"corner {corner}"] if corner else []
    if phase:
        words.append(phase)
    text = ", ".join(words)
    if distance_m is not None:
        return f"{text} ({distance_m:.0f} m)" if text else f"{distance_m:.0f} m into the lap"
    return text or "place not known"


def laps_words(laps: Iterable[int]) -> str:
    """Lap numbers in words, each once: ``laps 1, 2 and 4``."""
    numbers = sorted(set(laps))
    if len(numbers) == 1:
        return f"lap {numbers[0]}"
    return f"laps {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
