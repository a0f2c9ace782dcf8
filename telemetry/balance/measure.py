"""Front against rear over a selection of samples: speed balance, same bump, pitch, weight transfer, damping."""

from dataclasses import replace

import numpy as np

from telemetry.arrays import ENDS, BoolArray
from telemetry.balance.balance import Balance, PhaseBalance, PitchSummary, SpeedRatio
from telemetry.balance.bumps import BumpPairs
from telemetry.balance.chassis import chassis_motion
from telemetry.balance.loads import Riding
from telemetry.balance.pairs import summarise_pairs
from telemetry.balance.resistance import damping_balance
from telemetry.balance.speeds import quantile_slope, speed_balance, speed_ratio
from telemetry.balance.transfer import weight_transfer
from telemetry.bike import Bike
from telemetry.laps import PHASES, Track
from telemetry.motion import Motion

# A phase with less time than this says nothing about balance. A choice of ours.
MIN_PHASE_S = 2.0
QUANTILE_HZ = 125.0


def balance(
    motion: Motion,
    track: Track,
    selected: BoolArray,
    pairs: BumpPairs | None,
    bike: Bike | None = None,
    sound: BoolArray | None = None,
    ridden: Riding | None = None,
) -> Balance:
    """Balance of both ends over the selected samples.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
        Moving time of the run, of a lap...
    pairs : BumpPairs or None
        From `find_pairs` over the whole run; those inside the selection are used.
    bike : Bike, optional
        Given for a whole run: adds groups and stacked response of the bumps, pitch and heave, weight transfer and
        damping balance, which a lap alone has too little of.
    sound : ndarray of bool, shape (n_samples,), optional
        Where the dampers are as they are otherwise: stretches of suspected lost damping are not, and the damping
        balance leaves them out.
    ridden : Riding, optional
        Acceleration and lean; by default from the speed and the positions of the track.

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
            reason=f"the {missing[0]} was not judged, so the ends cannot be compared",
        )
    front, rear = motion.ends["front"], motion.ends["rear"]
    use = selected & front.valid & rear.valid
    whole = bike is not None and bool(use.any())
    level = selected if sound is None else selected & sound
    damping = damping_balance(motion, track, bike, level, ridden) if bike is not None and whole else None
    same_bump = summarise_pairs(pairs, selected, track, whole=whole) if pairs is not None else None
    if same_bump is not None and damping is not None and damping.residual_delay_ms is not None:
        # read from the road under both wheels, which the ends' own unlike answers do not shift
        same_bump = replace(same_bump, delay_residual_ms=damping.residual_delay_ms)
    return Balance(
        speed_ratio=speed_ratio(front.wheel_speed_mm_s[use], rear.wheel_speed_mm_s[use]),
        same_bump=same_bump,
        pitch=_pitch(motion, use),
        per_phase=_per_phase(motion, track, use),
        reason="" if use.any() else "no time in which both ends are valid",
        speed=speed_balance(motion, use),
        chassis=chassis_motion(motion, use, bike) if whole else None,
        transfer=weight_transfer(motion, track, use, ridden) if whole else None,
        damping=damping,
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
    step = max(1, round(motion.sample_rate_hz / QUANTILE_HZ))
    rows: list[PhaseBalance] = []
    for index, phase in enumerate(PHASES):
        here = use & (track.phase == index)
        count = int(np.count_nonzero(here))
        if count < MIN_PHASE_S * motion.sample_rate_hz:
            continue
        ratio = speed_ratio(front.wheel_speed_mm_s[here], rear.wheel_speed_mm_s[here])
        f, r = (end.wheel_speed_mm_s[::step][here[::step]] for end in (front, rear))
        rows.append(
            PhaseBalance(
                phase=phase,
                time_share=count / total,
                compression_ratio=ratio.compression,
                rebound_ratio=ratio.rebound,
                front_mean_mm=float(front.wheel_travel_mm[here].mean()),
                rear_mean_mm=float(rear.wheel_travel_mm[here].mean()),
                pitch_mean_deg=float(motion.pitch_deg[here].mean()),
                compression_slope=quantile_slope(f[f > 0], r[r > 0]),
                rebound_slope=quantile_slope(-f[f < 0], -r[r < 0]),
            )
        )
    return tuple(rows)
