"""Whether two runs are of one circuit, ridden the same way round, from the length of the lap and its speed."""

from collections.abc import Sequence

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps import lap_length_m
from telemetry.laps.course import SAME_LENGTH
from telemetry.summary import LapSummary, Summary

# Speed round the lap agrees by this much (correlation) on one circuit. Measured on simulated circuits: two outings on
# one agree to 0.98 and more, different circuits laid over one another as well as they go to 0.87, one circuit with
# itself backwards to 0.87.
SAME_SPEED = 0.92
BACKWARDS = 0.7
# A lap whose speed hardly varies, as a share of the mean, has no pattern to go by. A choice, no source.
LEAST_SPREAD = 0.03
# Corners of two runs are one corner when their apexes are this close, as a share of the lap; and two runs have the same
# corners when this share of them is. Choices, no source.
SAME_CORNER, SAME_CORNERS = 0.03, 0.7
# The start lines of the two runs may lie this far apart before places stop to compare, as a share of the lap. A choice,
# no source.
SAME_START = 0.02


def speed_profile(laps: Sequence[LapSummary]) -> FloatArray | None:
    """Mean speed in equal parts of the lap, over complete laps; None where no lap has it.

    Returns
    -------
    ndarray of shape (n_parts,) or None
        As shares of the mean speed.
    """
    passings = [lap.passing_s for lap in laps if lap.complete and lap.passing_s]
    if not passings:
        return None
    pace = np.mean([np.diff(passing) / passing[-1] for passing in passings], axis=0)
    return np.asarray(1.0 / np.maximum(pace * len(pace), 1e-6))


def _best_shift(a: FloatArray, b: FloatArray) -> tuple[float, int]:
    """Largest correlation of two profiles over all places of the start line, and how far b is shifted there."""
    correlations = [float(np.corrcoef(a, np.roll(b, shift))[0, 1]) for shift in range(len(a))]
    best = int(np.argmax(correlations))
    return correlations[best], best - len(a) if best > len(a) // 2 else best


def circuits_apart(a: Summary, b: Summary) -> tuple[str, str]:
    """Why two runs do not compare by their circuit, and what must be said of it though they do.

    Returns
    -------
    refusal, caution : str
        "" where there is nothing to say.
    """
    length_a, length_b = lap_length_m(a.laps), lap_length_m(b.laps)
    if length_a and length_b and abs(length_a / length_b - 1.0) > SAME_LENGTH:
        return (
            f"Two circuits: a lap is {length_a:.0f} m before and {length_b:.0f} m after. Laps of different circuits do "
            "not compare, so no difference is named.",
            "",
        )
    one, other = speed_profile(a.laps), speed_profile(b.laps)
    if one is None or other is None or min(one.std(), other.std()) < LEAST_SPREAD:
        return (
            "",
            "Whether both runs are of one circuit was not checked: not both logs have speed along the lap.",
        )
    agreement, shift = _best_shift(one, other)
    if agreement < SAME_SPEED:
        if _best_shift(one, other[::-1])[0] > BACKWARDS and _same_corners(a, b, backwards=True):
            return (
                "The circuit was ridden the other way round in one of the runs. Laps do not compare, so no difference "
                "is named.",
                "",
            )
        return (
            "Two circuits, or two layouts of one: the speed goes round the lap in another way. Laps do not compare, so "
            "no difference is named.",
            "",
        )
    if _same_corners(a, b, mirrored=True):
        return (
            "Corners that turn left in one run turn right in the other: another circuit, or lean with another sign. No "
            "difference is named.",
            "",
        )
    if abs(shift) > SAME_START * len(one):
        return "", "The laps start at different places of the circuit: compare places of the lap with care."
    return "", ""


def _same_corners(a: Summary, b: Summary, *, backwards: bool = False, mirrored: bool = False) -> bool:
    """Whether the corners of b are those of a, met backwards or mirrored: left and right changed places."""
    one, other = _corners(a), _corners(b)
    if backwards:
        one = [(1.0 - place, -side) for place, side in one]
    elif mirrored:
        one = [(place, -side) for place, side in one]
    met = sum(
        any(side == theirs and abs((place - at + 0.5) % 1.0 - 0.5) <= SAME_CORNER for at, theirs in other)
        for place, side in one
    )
    return bool(one) and bool(other) and met >= SAME_CORNERS * max(len(one), len(other))


def _corners(run: Summary) -> list[tuple[float, int]]:
    """Apex as a share of the lap, and direction, of corners whose direction is known."""
    length = lap_length_m(run.laps)
    if not length:
        return []
    return [(corner.apex_m / length, corner.direction) for corner in run.corners if corner.direction]
