"""Dive and squat: what braking and drive do to the pitch, how fast it comes back, what the rear has left."""

from collections.abc import Iterator

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.balance.balance import WeightTransfer
from telemetry.balance.ratios import half_width
from telemetry.laps import Track
from telemetry.motion import Motion

# Choices of ours; no source.
BRAKING_M_S2, DRIVING_M_S2 = -4.0, 2.0
SHORTEST_S = 0.8
BEFORE_S, AFTER_S = 0.6, 1.5
SMOOTH_S = 0.2
WORK_HZ = 50.0
FEWEST = 3


def weight_transfer(motion: Motion, track: Track, selected: BoolArray) -> WeightTransfer | None:
    """Dive and squat over the selected samples.

    Parameters
    ----------
    motion : Motion
        With both ends.
    track : Track
        Its speed gives the acceleration.
    selected : ndarray of bool, shape (n_samples,)

    Returns
    -------
    WeightTransfer or None
        None when the speed is not known.
    """
    if not np.isfinite(track.speed_m_s).any():
        return None
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    speed, pitch, rear = (
        _block_mean(values, step)
        for values in (track.speed_m_s, motion.pitch_deg, motion.ends["rear"].wheel_travel_mm)
    )
    use = np.asarray(selected[: len(speed) * step].reshape(-1, step).all(axis=1))
    width = max(3, round(SMOOTH_S * rate))
    pitch, rear, speed = (_running_mean(values, width) for values in (pitch, rear, speed))
    acceleration = np.gradient(speed) * rate
    dives = list(_episodes(acceleration < BRAKING_M_S2, use, acceleration, pitch, rate))
    squats = list(_episodes(acceleration > DRIVING_M_S2, use, acceleration, pitch, rate))
    rear_squats = list(_episodes(acceleration > DRIVING_M_S2, use, acceleration, rear, rate))
    releases = [_release(pitch, end, change, rate) for _, end, change, _ in dives]
    dive = np.array([-gain for _, _, _, gain in dives])
    braking = use & (acceleration < BRAKING_M_S2) & np.isfinite(rear)
    half = half_width(float(dive.std(ddof=1) / np.sqrt(len(dive))), len(dive)) if len(dive) >= FEWEST else 0.0
    return WeightTransfer(
        brakings=len(dives),
        drives=len(squats),
        dive_deg_per_m_s2=_median(dive),
        dive_ci95=(float(dive.mean() - half), float(dive.mean() + half)) if len(dive) >= FEWEST else None,
        return_deg_s=_median(np.array([fastest for fastest, _ in releases])),
        settle_s=_median(np.array([settled for _, settled in releases])),
        rear_left_mm=float(np.quantile(rear[braking], 0.05)) if braking.any() else None,
        squat_deg_per_m_s2=_median(np.array([-gain for _, _, _, gain in squats])),
        rear_squat_mm_per_m_s2=_median(np.array([gain for _, _, _, gain in rear_squats])),
    )


def _block_mean(values: FloatArray, step: int) -> FloatArray:
    return np.asarray(values[: len(values) // step * step].reshape(-1, step).mean(axis=1))


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred; NaN wherever it touches one, and at both ends."""
    width += 1 - width % 2
    found = np.full(len(values), np.nan)
    if len(values) >= width:
        found[width // 2 : len(values) - width // 2] = np.convolve(values, np.full(width, 1 / width), "valid")
    return found


def _episodes(
    during: BoolArray, use: BoolArray, acceleration: FloatArray, values: FloatArray, rate: float
) -> Iterator[tuple[int, int, float, float]]:
    """Start, end, change of the values from before to the second half, and that change per acceleration."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], during & use, [False])).astype(np.int8)))
    before = round(BEFORE_S * rate)
    if before < 2:  # nothing is seen of what was before
        return
    for start, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - start < SHORTEST_S * rate or start < before:
            continue
        held = slice((start + end) // 2, end)
        ahead = slice(start - before, start - before // 2)
        change = float(np.mean(values[held]) - np.mean(values[ahead]))
        push = float(np.mean(acceleration[held]) - np.mean(acceleration[ahead]))
        if np.isfinite(change) and abs(push) > 1.0:
            yield start, end, change, change / push


def _release(pitch: FloatArray, end: int, change: float, rate: float) -> tuple[float, float]:
    """Fastest return after an episode [deg/s], and how long until a tenth of the change is left [s]."""
    after = pitch[end : end + round(AFTER_S * rate)]
    if len(after) < 3 or not np.isfinite(after).all():
        return float("nan"), float("nan")
    towards = -np.sign(change)
    fastest = float(np.max(towards * np.diff(after)) * rate)
    left = after - after[-max(1, len(after) // 4) :].mean()
    gone = np.flatnonzero(np.abs(left) <= 0.1 * abs(change))
    return fastest, float(gone[0] / rate) if len(gone) else float("nan")


def _median(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) >= FEWEST else None
