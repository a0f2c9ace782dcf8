"""Numbers, intervals, laps, places and counts as text; and the sentences that several rooms share."""

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.laps import LapKind
from telemetry.motion import EndSummary

CHANGE_CAUTION = (
    "Change one thing at a time, within the maker's limits, and try it at reduced pace first; "
    "recheck sag after any change of preload, spring or length."
)
UNKNOWN = "–"
STOP_WORDS = {"bottomed": "bottomed", "topped_out": "topped out"}
LAP_WORDS: dict[LapKind | None, str] = {
    "out": "out lap",
    "in": "in lap",
    "pits": "pit lane",
    "several": "several laps, a crossing was missed",
    "aborted": "aborted",
    "elsewhere": "other circuit",
    "left out": "left out",
}


def number(value: float | None, decimals: int = 0, unit: str = "") -> str:
    """A number with its unit; a dash where it is not known.

    Parameters
    ----------
    unit : str
        Of the number, which is not converted. Written after a space; left out with the number.

    Examples
    --------
    >>> number(-0.04, 1), number(-12.34, 1, "mm"), number(float("nan"), unit="mm"), number(32000)
    ('0.0', '−12.3 mm', '–', '32 000')
    """
    if value is None or not isfinite(value):
        return UNKNOWN
    rounded = round(value, decimals) + 0.0  # a minus that is rounded off is none
    text = f"{rounded:,.{decimals}f}" if abs(rounded) >= 1e4 else f"{rounded:.{decimals}f}"
    return f"{text} {unit}".rstrip().replace("-", "−", 1).replace(",", " ")


def percent(share: float | None, decimals: int = 0) -> str:
    """A share, 0 to 1, as percent. [%]"""
    return number(None if share is None else 100 * share, decimals, "%")


def signed(value: float | None, decimals: int = 0, unit: str = "") -> str:
    """A change with its sign and ``unit``: ``+1.2 mm``, ``−0.3 mm``, ``0.0 mm``."""
    text = number(value, decimals, unit)
    return f"+{text}" if value is not None and round(value, decimals) > 0 else text


def interval(
    value: float | None, ci: tuple[float | None, float | None] | None, decimals: int = 2, unit: str = ""
) -> str:
    """A number with its interval, as far as both are known. [``unit``]

    Examples
    --------
    >>> interval(0.9, (0.8, 1.0)), interval(0.9, None), interval(1.0, (-0.5, 2.5), 1, "mm")
    ('0.90 (0.80 to 1.00)', '0.90', '1.0 (−0.5 to 2.5) mm')
    """
    if ci is None or value is None or not isfinite(value):
        return number(value, decimals, unit)
    return (
        f"{number(value, decimals)} ({number(ci[0], decimals)} to {number(ci[1], decimals)}) {unit}".rstrip()
    )


def plus_minus(value: float | None, half_width: float | None, decimals: int = 2) -> str:
    """A number with the half width of a symmetric interval or a standard error, both in one unit, where known.

    Examples
    --------
    >>> plus_minus(0.9, 0.1), plus_minus(0.9, None)
    ('0.90 ± 0.10', '0.90')
    """
    text = number(value, decimals)
    return text if half_width is None or text == UNKNOWN else f"{text} ± {number(half_width, decimals)}"


def half_width(ci: tuple[float, float] | None) -> float | None:
    """Half the width of an interval. [unit of the interval]"""
    return None if ci is None else (ci[1] - ci[0]) / 2


def lap_time(seconds: float | None) -> str:
    """A time in minutes and seconds. [s]

    Examples
    --------
    >>> lap_time(92.456), lap_time(59.999), lap_time(None)
    ('1:32.46', '1:00.00', '–')
    """
    if seconds is None:
        return UNKNOWN
    hundredths = round(100 * seconds)
    return f"{hundredths // 6000}:{hundredths % 6000 / 100:05.2f}"


def lap_words(lap: int, complete: bool, kind: LapKind | None = None) -> str:
    """A lap by its number, and what it is where it is not a complete one.

    Examples
    --------
    >>> lap_words(3, True), lap_words(0, False, "out"), lap_words(4, False)
    ('3', '0, out lap', '4, part lap')
    """
    return f"{lap}" if complete else f"{lap}, {LAP_WORDS.get(kind, 'part lap')}"


def laps_list(laps: Iterable[int | None]) -> str:
    """Lap numbers for a table, each once.

    Examples
    --------
    >>> laps_list([3, 1, 2, 2, 5]), laps_list([None])
    ('1-3, 5', '–')
    """
    runs: list[list[int]] = []
    for lap in sorted({lap for lap in laps if lap is not None}):
        if runs and lap == runs[-1][1] + 1:
            runs[-1][1] = lap
        else:
            runs.append([lap, lap])
    return ", ".join(f"{a}-{b}" if b > a else f"{a}" for a, b in runs) or UNKNOWN


def laps_words(laps: Iterable[int | None]) -> str:
    """Lap numbers in a sentence, each once: ``laps 1, 2 and 4``; "" for none."""
    numbers = sorted({lap for lap in laps if lap is not None})
    if len(numbers) < 2:
        return f"lap {numbers[0]}" if numbers else ""
    return f"laps {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def place_words(
    corner: int | None, phase: str | None, distance_m: float | None = None, time_s: float | None = None
) -> str:
    """A place in words: corner and phase; without a corner the distance; without either the time of the run.

    Examples
    --------
    >>> place_words(5, "drive", 1240.0), place_words(None, "straight", 1240.0), place_words(None, None, 1240.0)
    ('corner 5, drive', 'straight (1240 m)', '1240 m into the lap')
    >>> place_words(None, None, None, 12.3), place_words(None, "braking")
    ('at 12.3 s', 'braking')
    """
    words = ", ".join([*([f"corner {corner}"] if corner else []), *([phase] if phase else [])])
    if corner:
        return words
    if distance_m is not None and isfinite(distance_m):
        return f"{words} ({number(distance_m)} m)" if words else f"{number(distance_m)} m into the lap"
    return words or ("place not known" if time_s is None else f"at {number(time_s, 1)} s")


def times(count: int) -> str:
    """How often: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def count_word(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun: ``1 lap``, ``3 laps``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def sentence(text: str) -> str:
    """The text with a capital letter at its start."""
    return text[:1].upper() + text[1:]


def in_sentence(text: str) -> str:
    """The text with a small letter at its start, to stand within a sentence."""
    return f"{text[:1].lower()}{text[1:]}"


def laps_from(source: str) -> str:
    """Where the laps are from: ``laps from: beacon``, ``no laps found``."""
    return "no laps found" if source == "none" else f"laps from: {source}"


# With less of the time measured than this, what is said of an end is said of that time. A choice of ours.
MOSTLY = 0.95


def measured_time(end: EndSummary) -> str:
    """For how much of the time an end was measured, and when: ``49 % of the time, until 173 s``.

    "" where it was measured nearly all the time, or not judged.
    """
    if not end.judged or end.valid_share >= MOSTLY:
        return ""
    percent = f"{100 * end.valid_share:.0f}" if end.valid_share >= 0.01 else "less than 1"
    since = "" if end.measured_from_s is None else f", from {end.measured_from_s:.0f} s on"
    until = "" if end.measured_until_s is None else f", until {end.measured_until_s:.0f} s"
    return f"{percent} % of the time{since}{until}"


def shaft_words(travel_mm: FloatArray, stroke_mm: float, bottomed_on: Sequence[int]) -> str:
    """Travel of a shock alone, where the leverage is open, and on which laps its stroke ran out; 0 is no lap.

    Examples
    --------
    >>> shaft_words(np.array([10.0, 20.0, 59.8]), 60.0, [2, 2])
    'At the shock itself: median 20 mm, deepest 59.8 mm of a stroke of 60 mm; its stroke ran out twice, lap 2.'
    """
    median, deepest = number(float(np.median(travel_mm))), number(float(np.max(travel_mm)), 1)
    said = f"At the shock itself: median {median} mm, deepest {deepest} mm"
    if not isfinite(stroke_mm):
        return f"{said}; whether its stroke ran out is not known: the bike file leaves it open."
    said += f" of a stroke of {stroke_mm:g} mm"
    if not bottomed_on:
        return f"{said}; its stroke never ran out."
    where = laps_words(filter(None, bottomed_on))
    return f"{said}; its stroke ran out {times(len(bottomed_on))}{f', {where}' if where else ''}."


def limits_words(ends: Mapping[End, EndSummary]) -> tuple[str, ...]:
    """That an end was not judged, or for only a part of the time: a sentence each; nothing for two sound ends."""
    said = []
    for name, end in ends.items():
        if not end.judged:
            said.append(f"{name.capitalize()} not judged: {end.reason}")
        elif words := measured_time(end):
            said.append(f"{name.capitalize()} measured for {words}; the rest of the time is not known.")
    return tuple(said)


def never_words(ends: Mapping[End, EndSummary], what: str) -> str:
    """That neither end did something, as far as that is known: ``Neither end bottomed.``"""
    known = [(name, end) for name, end in ends.items() if end.judged]
    if not known:
        return "Not known: no end was judged."
    if len(known) == len(ENDS) and not any(measured_time(end) or end.stroke_open for _, end in known):
        return f"Neither end {what}."
    parts = []
    for name, end in ends.items():
        if not end.judged:
            parts.append(f"the {name} was not judged")
            continue
        if end.stroke_open and what == "bottomed":
            parts.append(f"whether the {name} bottomed is not known: the bike file leaves its stroke open")
            continue
        seen = measured_time(end)
        parts.append(f"the {name} never {what}" + (f" as far as it was measured ({seen})" if seen else ""))
    return f"{sentence('; '.join(parts))}."
