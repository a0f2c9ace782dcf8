"""Front against rear over a selection of samples: speed balance, pitch, corner phases."""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray
from telemetry.balance.balance import Balance, PhaseBalance, PitchSummary, SpeedRatio
from telemetry.balance.pairs import BumpPairs, summarise_pairs
from telemetry.laps import PHASES, Track
from telemetry.motion import Motion

# A phase with less time than this says nothing about balance. A choice of ours.
MIN_PHASE_S = 2.0


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


def balance(motion: Motion, track: Track, selected: BoolArray, pairs: BumpPairs | None) -> Balance:
    """Balance of both ends over the selected samples.

    Parameters
    ----------
    motion : Motion
    track : Track
    selected : ndarray of bool, shape (n_samples,)
        Moving time of the run, of a lap...
    pairs : BumpPairs or None
        From `find_pairs` over the whole run; those inside the selection are used.

    Returns
    -------
    Balance
        With a reason and no numbers when one end is missing.
    """
    missing = [end for end in ENDS if end not in motion.ends]
    if missing:
        return Balance(
            SpeedRatio(None, None),
            None,
            PitchSummary(None, None, None, None),
            (),
            reason=f"no {missing[0]} travel in the log, so the ends cannot be compared",
        )
    front, rear = motion.ends["front"], motion.ends["rear"]
    use = selected & front.valid & rear.valid
    return Balance(
        speed_ratio=speed_ratio(front.wheel_speed_mm_s[use], rear.wheel_speed_mm_s[use]),
        same_bump=summarise_pairs(pairs, selected) if pairs is not None else None,
        pitch=_pitch(motion, use),
        per_phase=_per_phase(motion, track, use),
        reason="" if use.any() else "no time in which both ends are valid",
    )


def _pitch(motion: Motion, use: BoolArray) -> PitchSummary:
    if not use.any():
        return PitchSummary(None, None, None, None)
    pitch = motion.pitch_deg[use]
    front, rear = motion.ends["front"], motion.ends["rear"]
    rate = np.degrees((front.wheel_speed_mm_s[use] - rear.wheel_speed_mm_s[use]) / motion.wheelbase_mm)
    return PitchSummary(
        mean_deg=float(pitch.mean()),
        min_deg=float(pitch.min()),
        max_deg=float(pitch.max()),
        rms_rate_deg_s=float(np.sqrt(np.mean(rate**2))),
    )


def _per_phase(motion: Motion, track: Track, use: BoolArray) -> tuple[PhaseBalance, ...]:
    front, rear = motion.ends["front"], motion.ends["rear"]
    total = max(int(np.count_nonzero(use)), 1)
    rows: list[PhaseBalance] = []
    for index, phase in enumerate(PHASES):
        here = use & (track.phase == index)
        count = int(np.count_nonzero(here))
        if count < MIN_PHASE_S * motion.sample_rate_hz:
            continue
        ratio = speed_ratio(front.wheel_speed_mm_s[here], rear.wheel_speed_mm_s[here])
        rows.append(
            PhaseBalance(
                phase=phase,
                time_share=count / total,
                compression_ratio=ratio.compression,
                rebound_ratio=ratio.rebound,
                front_mean_mm=float(front.wheel_travel_mm[here].mean()),
                rear_mean_mm=float(rear.wheel_travel_mm[here].mean()),
                pitch_mean_deg=float(motion.pitch_deg[here].mean()),
            )
        )
    return tuple(rows)
