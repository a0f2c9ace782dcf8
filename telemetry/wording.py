"""Words that every sentence about a run is made with: counts, places, laps, the caution with every change."""

from collections.abc import Iterable

CHANGE_CAUTION = (
    "Change one thing at a time, within the maker's limits, and try it at reduced pace first; "
    "recheck sag after any change of preload, spring or length."
)


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
