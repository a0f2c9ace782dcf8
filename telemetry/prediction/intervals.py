"""Uncertainty of a predicted change: errors of the bike file and the model, and lap-to-lap scatter."""

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import stats

from telemetry.prediction.values import COUNT, MM, NAMES
from telemetry.summary import OUTING_MM, OUTING_PITCH_DEG, OUTING_RATIO_SHARE, OUTING_SPEED_SHARE

COVERED = 0.90
NORMAL = float(stats.norm.ppf(0.5 + COVERED / 2))
# What the model itself is off by once the change moves an end by `FULL_MM` or more; for a smaller change in proportion
# to it, since without a change nothing is off. Travel mm, everything else as a share of the value. Measured on rides
# of simulators with physics that the model does not have.
FLOOR_MM, FLOOR_DEEPEST_MM, FLOOR_SHARE, FLOOR_SAME_BUMP = 0.15, 0.40, 0.008, 0.010
FULL_MM, FULL_SPEED_SHARE = 1.0, 0.03
DEEPEST = ("travel.max_mm", "travel.left_mm")


def floor_of(key: str, value: float, moved: float) -> float:
    """Standard deviation of the model's error in a number, in its unit; ``moved``, 0 to 1: how far the rides differ."""
    if key.endswith(DEEPEST):
        return FLOOR_DEEPEST_MM * moved
    if NAMES[key][1] == MM:
        return FLOOR_MM * moved
    if NAMES[key][1] == COUNT:
        return 0.5 * moved
    if key.endswith("mean_deg"):
        return 0.01 * moved
    share = FLOOR_SAME_BUMP if key.startswith("balance.same_bump") else FLOOR_SHARE
    return share * abs(value) * moved


def half_widths(
    before: Mapping[str, float], changes: Sequence[Mapping[str, float]], moved: Mapping[str, float]
) -> dict[str, float]:
    """Half width of the 90 % interval of every change, same ride; ``moved`` (0 to 1) is by end and ``balance``."""
    found = {}
    for key, value in before.items():
        drawn = np.array([change[key] for change in changes if key in change])
        spread = float(drawn.std(ddof=1)) if len(drawn) > 2 else 0.0
        floor = floor_of(key, value, moved[key.split(".")[0]])
        found[key] = NORMAL * float(np.hypot(spread, floor))
    return found


def outing_sd(key: str, value: float) -> float:
    """Standard deviation of a number between outings of one set-up, beyond that of laps, as a comparison has it."""
    unit = NAMES[key][1]
    if unit == MM:
        return OUTING_MM
    if unit == "deg":
        return OUTING_PITCH_DEG
    return (OUTING_RATIO_SHARE if key.startswith("balance.") else OUTING_SPEED_SHARE) * abs(value)


def next_outing_half(
    key: str, half: float, laps: Sequence[float], before: float, after: float
) -> float | None:
    """Half width of the 90 % interval for another outing of the same rider and length; None with fewer than two laps.

    Student's t over the laps of both outings, plus ``half`` of the same ride and what outings differ by. Rare events
    are two Poisson counts, whose difference varies by their sum plus one, since none so far does not mean none.
    """
    n = len(laps)
    if n < 2:
        return None
    spread = float(stats.t.ppf(0.5 + COVERED / 2, n - 1) * np.std(laps, ddof=1))
    if NAMES[key][1] == COUNT:
        chance = NORMAL * float(np.sqrt(before + after + 1.0))
        return float(np.hypot(half, max(spread * np.sqrt(2.0 * n), chance)))
    between = NORMAL * np.sqrt(2.0) * outing_sd(key, before)
    return float(np.sqrt(half**2 + 2.0 / n * spread**2 + between**2))


def next_deepest_half(half: float, peaks: Sequence[Sequence[float]]) -> float | None:
    """Half width for the deepest moment of the next laps; None with no place met twice. [mm]

    It is the highest of the laps' peaks at the few deep places (``peaks``: for each place every lap's). Their scatter
    pooled over places is known better than the spread of a few lap maxima.
    """
    repeated = [np.asarray(place) for place in peaks if len(place) > 1]
    free = sum(len(place) - 1 for place in repeated)
    if not free:
        return None
    spread = np.sqrt(sum(float(np.sum((place - place.mean()) ** 2)) for place in repeated) / free)
    return float(np.hypot(half, float(stats.t.ppf(0.5 + COVERED / 2, free)) * np.sqrt(2.0) * spread))
