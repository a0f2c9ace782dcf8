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
    """Standard deviation of the model's own error in one number.

    Parameters
    ----------
    value : float
        Before the change.
    moved : float
        How far the rides differ, 0 to 1.

    Returns
    -------
    float
        In the unit of the number.
    """
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
    """Half width of the 90 % interval of every change, same ride.

    Parameters
    ----------
    changes : sequence of mapping of str to float
        Of every draw of the bike file's errors.
    moved : mapping of str to float
        By end and ``balance``: how far the rides differ, 0 to 1.
    """
    found = {}
    for key, value in before.items():
        drawn = np.array([change[key] for change in changes if key in change])
        spread = float(drawn.std(ddof=1)) if len(drawn) > 2 else 0.0
        floor = floor_of(key, value, moved[key.split(".")[0]])
        found[key] = NORMAL * float(np.hypot(spread, floor))
    return found


def outing_sd(key: str, value: float) -> float:
    """Standard deviation of a number between outings with one set-up, over and above that of their laps.

    The same as a comparison of two outings reckons with: fuel, tyres, warm oil, pace.
    """
    unit = NAMES[key][1]
    if unit == MM:
        return OUTING_MM
    if unit == "deg":
        return OUTING_PITCH_DEG
    return (OUTING_RATIO_SHARE if key.startswith("balance.") else OUTING_SPEED_SHARE) * abs(value)


def next_outing_half(
    key: str, half: float, laps: Sequence[float], before: float, after: float
) -> float | None:
    """Half width of the 90 % interval of what another outing of the same rider, as long as this, will show.

    Laps are the unit of evidence: both outings have a mean over their own, and Student's t knows how few they are. To
    that comes what outings differ by. Rare events of two outings are two Poisson counts, whose difference varies by
    their sum; with one more, since none so far does not mean none.

    Parameters
    ----------
    half : float
        Of the same ride.
    laps : sequence of float
        The number, lap by lap.
    before, after : float
        The number of the whole laps.

    Returns
    -------
    float or None
        None with fewer than two laps.
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
    """Half width for the deepest moment of the next laps, including its scatter between laps.

    The deepest moment of an outing is the highest of its laps' peaks at the few places where it goes deep. How much
    those differ from lap to lap, pooled over the places, is known far better than the spread of three lap maxima.

    Parameters
    ----------
    peaks : sequence of sequence of float
        For each deep place the peak of every lap. [mm]

    Returns
    -------
    float or None
        None with no place met twice.
    """
    repeated = [np.asarray(place) for place in peaks if len(place) > 1]
    free = sum(len(place) - 1 for place in repeated)
    if not free:
        return None
    spread = np.sqrt(sum(float(np.sum((place - place.mean()) ** 2)) for place in repeated) / free)
    return float(np.hypot(half, float(stats.t.ppf(0.5 + COVERED / 2, free)) * np.sqrt(2.0) * spread))
