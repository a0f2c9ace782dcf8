"""Speed balance: how fast both ends move over a ride, compression and rebound apart, rear over front."""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray
from telemetry.balance.balance import DirectionBalance, SpeedBalance, SpeedRatio
from telemetry.motion import Motion

# The body of a distribution: without the slowest, which are noise and friction, and the fastest, which are few.
BODY = np.linspace(0.10, 0.90, 33)
TAIL = np.linspace(0.10, 0.995, 60)
WORK_HZ = 125.0
FEWEST = 200  # samples of a direction; fewer have no body


def rms_ratio(front: FloatArray, rear: FloatArray) -> float | None:
    """RMS of the rear over RMS of the front; None when the front does not move or one is empty."""
    if not len(front) or not len(rear):
        return None
    bottom = float(np.sqrt(np.mean(front**2)))
    return float(np.sqrt(np.mean(rear**2))) / bottom if bottom > 0 else None


def speed_ratio(front_mm_s: FloatArray, rear_mm_s: FloatArray) -> SpeedRatio:
    """RMS wheel speed of the rear over the front, compression and rebound apart.

    Parameters
    ----------
    front_mm_s, rear_mm_s : ndarray of shape (n_samples,)
        Valid wheel speeds, compression positive. [mm/s]

    Returns
    -------
    SpeedRatio
        1 when both ends move equally fast; above 1 the rear is faster.
    """
    return SpeedRatio(
        compression=rms_ratio(front_mm_s[front_mm_s > 0], rear_mm_s[rear_mm_s > 0]),
        rebound=rms_ratio(front_mm_s[front_mm_s < 0], rear_mm_s[rear_mm_s < 0]),
    )


def deming_slope(x: FloatArray, y: FloatArray, *, variance_ratio: float = 1.0) -> float | None:
    """Slope of the line through points of which both coordinates are uncertain.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
    variance_ratio : float
        Error variance of y over that of x; 1 is orthogonal regression.

    Returns
    -------
    float or None
        None where the points have no slope. Swapping x and y inverts it (with the inverse ratio).

    References
    ----------
    .. [1] W. E. Deming, Statistical Adjustment of Data, Wiley, 1943 (from memory).
    .. [2] K. Linnet, Clin. Chem. 39(3), 424-432, 1993, doi:10.1093/clinchem/39.3.424 (from memory).
    """
    if len(x) < 3:
        return None
    covariance = np.cov(x, y)
    xx, xy, yy = float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1])
    if xy == 0:
        return None
    bend = yy - variance_ratio * xx
    return float((bend + np.sqrt(bend**2 + 4 * variance_ratio * xy**2)) / (2 * xy))


def quantile_slope(front: FloatArray, rear: FloatArray, levels: FloatArray = BODY) -> float | None:
    """Slope of the rear's quantiles over the front's: 1.3 when its whole distribution is 1.3 times as wide.

    Parameters
    ----------
    front, rear : ndarray
        Magnitudes of speed in one direction, of any two lengths. [mm/s]
    levels : ndarray
        Which quantiles, as shares.

    Returns
    -------
    float or None
        None with too few samples to have a body.
    """
    if min(len(front), len(rear)) < FEWEST:
        return None
    return deming_slope(np.quantile(front, levels), np.quantile(rear, levels))


def speed_balance(motion: Motion, use: BoolArray) -> SpeedBalance:
    """Speed balance over the selected samples.

    Parameters
    ----------
    motion : Motion
        With both ends.
    use : ndarray of bool, shape (n_samples,)
        Valid at both ends.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    thin = use[::step]
    front, rear = (motion.ends[end].wheel_speed_mm_s[::step][thin] for end in ENDS)
    split = _wheel_split(motion, step, thin)
    return SpeedBalance(
        _direction(front[front > 0], rear[rear > 0], split),
        _direction(-front[front < 0], -rear[rear < 0], split),
        split,
        {
            end: quantile_slope(-own[own < 0], own[own > 0])
            for end, own in zip(ENDS, (front, rear), strict=True)
        },
    )


def _wheel_split(motion: Motion, step: int, thin: BoolArray) -> float | None:
    """Where low speed ends, at the wheel, mean of both ends."""
    splits = []
    for end in motion.ends.values():
        shaft, wheel = end.shaft_speed_mm_s[::step][thin], end.wheel_speed_mm_s[::step][thin]
        square = float(np.sum(shaft**2))
        if square <= 0:
            return None
        splits.append(end.speed_split_mm_s * float(np.sqrt(np.sum(wheel**2) / square)))
    return float(np.mean(splits))


def _direction(front: FloatArray, rear: FloatArray, split: float | None) -> DirectionBalance:
    if split is None or min(len(front), len(rear)) < FEWEST:
        return DirectionBalance(rms_ratio(front, rear), None, None, None)
    a, b = np.quantile(front, TAIL), np.quantile(rear, TAIL)
    slow = 0.5 * (a + b) < split
    return DirectionBalance(
        rms_ratio(front, rear),
        quantile_slope(front, rear),
        deming_slope(a[slow], b[slow]),
        deming_slope(a[~slow], b[~slow]),
    )
