"""Same-bump pairs: the rear meets what the front met, wheelbase / speed later."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks
from scipy.stats import t as student_t

from telemetry.arrays import ENDS, BoolArray, FloatArray, IntArray
from telemetry.balance.balance import Ratio, SameBump
from telemetry.laps import Track, is_moving
from telemetry.motion import Motion

# Choices of ours; no source.
MIN_SPEED_M_S = 10.0  # slower, the delay is long and the ends have settled in between
BUMP_OVER_RMS = 2.0  # a bump stands this far above the RMS speed of both ends together
BUMPS_APART_S = 0.12
SEARCH_S = 0.02  # around the expected moment, for wheelbase, speed and tyre effects
REBOUND_WITHIN_S = 0.12
PLACE_M = 10.0  # pairs this close together on the lap are one bump met again
MIN_PLACES = 5


@dataclass(frozen=True)
class BumpPairs:
    """Bumps that both ends met, one row each.

    Parameters
    ----------
    sample : ndarray of int, shape (n_pairs,)
        When the front met it.
    place : ndarray of int, shape (n_pairs,)
        Same number for the same bump on different laps.
    compression_ratio, rebound_ratio : ndarray of shape (n_pairs,)
        Peak wheel speed of the rear over the front.
    delay_residual_s : ndarray of shape (n_pairs,)
        Rear peak after the moment that wheelbase and speed give. [s]
    """

    sample: IntArray
    place: IntArray
    compression_ratio: FloatArray
    rebound_ratio: FloatArray
    delay_residual_s: FloatArray


def find_pairs(motion: Motion, track: Track) -> BumpPairs | None:
    """Find the bumps of a run in both ends.

    Bumps are picked by the mean of both ends' speed, the rear moved back by its delay: picking by the front
    alone would favour bumps that happened to move the front more.

    Parameters
    ----------
    motion : Motion
    track : Track
        Its speed gives the delay.

    Returns
    -------
    BumpPairs or None
        None when an end or the speed is missing.
    """
    if any(end not in motion.ends for end in ENDS) or not np.isfinite(track.speed_m_s).any():
        return None
    rate = motion.sample_rate_hz
    delay_s = np.full(len(motion.t_s), np.nan)
    riding = is_moving(track) & (np.nan_to_num(track.speed_m_s) > MIN_SPEED_M_S)
    delay_s[riding] = motion.wheelbase_mm / 1000.0 / track.speed_m_s[riding]
    front = motion.ends["front"].wheel_speed_mm_s
    rear = motion.ends["rear"].wheel_speed_mm_s
    later = np.clip(np.nan_to_num(motion.t_s + delay_s, nan=0.0), 0.0, motion.t_s[-1])
    rear_moved = np.where(np.isfinite(delay_s), np.interp(later, motion.t_s, rear), np.nan)
    both = np.nan_to_num((front + rear_moved) / 2)
    level = float(np.sqrt(np.mean(both[riding] ** 2))) if riding.any() else 0.0
    peaks, _ = find_peaks(
        both, height=max(BUMP_OVER_RMS * level, 1.0), distance=max(round(BUMPS_APART_S * rate), 1)
    )
    near, after = max(round(SEARCH_S * rate), 1), round(REBOUND_WITHIN_S * rate)
    peaks = peaks[(peaks > near) & (peaks < len(both) - near - after)]
    around = peaks[:, None] + np.arange(-near, near + 1)
    following = peaks[:, None] + np.arange(after)
    front_down, rear_down = front[around].max(axis=1), rear_moved[around].max(axis=1)
    front_up, rear_up = -front[following].min(axis=1), -rear_moved[following].min(axis=1)
    with np.errstate(invalid="ignore"):
        good = (front_down > 0) & (rear_down > 0) & (front_up > 0) & (rear_up > 0)
    peaks = peaks[good]
    residual = (np.argmax(rear_moved[around[good]], axis=1) - np.argmax(front[around[good]], axis=1)) / rate
    return BumpPairs(
        sample=peaks.astype(np.int64),
        place=_place(track.distance_m[peaks], peaks),
        compression_ratio=rear_down[good] / front_down[good],
        rebound_ratio=rear_up[good] / front_up[good],
        delay_residual_s=residual,
    )


def _place(distance_m: FloatArray, sample: IntArray) -> IntArray:
    """One number per bump on the circuit; where distance is unknown every pair is its own."""
    known = np.isfinite(distance_m)
    return np.where(known, np.floor(np.nan_to_num(distance_m) / PLACE_M), -1.0 - sample).astype(np.int64)


def mean_ratio(ratios: FloatArray, place: IntArray) -> Ratio:
    """Geometric mean of ratios with its 95 % interval, bumps counted once however often they were met.

    Parameters
    ----------
    ratios : ndarray of shape (n_pairs,)
        Positive.
    place : ndarray of int, shape (n_pairs,)

    Returns
    -------
    Ratio
        None when fewer than `MIN_PLACES` different bumps were met.
    """
    _, group = np.unique(place, return_inverse=True)
    logs = np.bincount(group, weights=np.log(ratios)) / np.maximum(np.bincount(group), 1)
    n = len(logs)
    if n < MIN_PLACES:
        return Ratio(None)
    middle, half = float(logs.mean()), float(student_t.ppf(0.975, n - 1) * logs.std(ddof=1) / np.sqrt(n))
    return Ratio(float(np.exp(middle)), (float(np.exp(middle - half)), float(np.exp(middle + half))))


def summarise_pairs(pairs: BumpPairs, selected: BoolArray) -> SameBump:
    """Same-bump balance of the pairs whose bump the front met inside the selection."""
    use = selected[pairs.sample]
    place = pairs.place[use]
    residual = pairs.delay_residual_s[use]
    compression = mean_ratio(pairs.compression_ratio[use], place)
    rebound = mean_ratio(pairs.rebound_ratio[use], place)
    return SameBump(
        pairs=int(np.count_nonzero(use)),
        compression_ratio=compression.value,
        compression_ratio_ci95=compression.ci95,
        rebound_ratio=rebound.value,
        rebound_ratio_ci95=rebound.ci95,
        delay_residual_ms=float(1000.0 * np.median(residual)) if len(residual) else None,
    )
