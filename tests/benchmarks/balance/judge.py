"""What balance says of a ride against its truth, one number a question."""

from dataclasses import dataclass, replace

import numpy as np
from trials import Plan, Ride, make

from telemetry.arrays import FloatArray
from telemetry.balance.balance import Ratio
from telemetry.balance.bumps import BumpPairs, find_pairs, pairs_at
from telemetry.balance.delay import delay_notes
from telemetry.balance.ratios import ratio_of_sums
from telemetry.balance.resistance import damping_balance, verdict

FACTORS = (0.6, 0.75, 1 / 1.15, 1.0, 1.0, 1.0, 1.15, 1.3, 1.6)
SMOOTH_M3, ROUGH_M3 = 1e-6, 24e-6
PAIRING_M3 = (1e-6, 4e-6, 16e-6)
SAME_PLACE_S = 0.010


def _draw(seed: int) -> tuple[np.random.Generator, Plan]:
    rng = np.random.default_rng([seed, 99])
    level = float(np.exp(rng.uniform(np.log(SMOOTH_M3), np.log(ROUGH_M3))))
    down, up = rng.choice(FACTORS, 2)
    return rng, Plan(
        seed, float(rng.uniform(15.0, 75.0)), psd_m3=level, compression=float(down), rebound=float(up)
    )


@dataclass(frozen=True)
class Direction:
    """One direction of one bike: the factor put in, the ratio read, and whether the verdict is right."""

    factor: float
    value: float | None
    right: bool


@dataclass(frozen=True)
class Order:
    compression: Direction
    rebound: Direction
    delay_error_ms: float | None
    reason: str


def order(seed: int) -> Order:
    """Is the end with more damping named, by a bike file that is right and a speed channel that is a little off?"""
    rng, plan = _draw(seed)
    plan = replace(plan, speed_gain=float(rng.uniform(0.96, 1.04)))
    ride = make(plan)
    found = damping_balance(ride.motion, ride.track, ride.bike)

    def direction(ratio: Ratio, factor: float) -> Direction:
        due = "even" if factor == 1.0 else "rear more" if factor > 1.0 else "rear less"
        return Direction(factor, ratio.value, verdict(ratio) == due)

    delay_s = ride.bike.wheelbase_mm / 1e3 / plan.speed_m_s
    return Order(
        direction(found.compression, plan.compression),
        direction(found.rebound, plan.rebound),
        None if found.residual_delay_ms is None
        else found.residual_delay_ms - 1e3 * delay_s * (1 - 1 / plan.speed_gain),
        found.reason,
    )  # fmt: skip


@dataclass(frozen=True)
class Coverage:
    """Does the interval hold the ratio of such bumps, and that of the very same bumps?"""

    compression: tuple[bool, bool]
    rebound: tuple[bool, bool]


def coverage(seed: int) -> Coverage:
    """A ride through noisy sensors against noise-free ones: ten times as long, and the same again."""
    _, plan = _draw(seed)
    noisy = make(plan)
    pairs = find_pairs(noisy.motion, noisy.track)
    exact = make(replace(plan, exact_sensors=True))
    same = pairs_at(exact.motion, exact.track, pairs.bump)
    such = make(replace(plan, exact_sensors=True, road_seed=seed + 1, duration_s=10 * plan.duration_s))
    longer = find_pairs(such.motion, such.track)
    answers = []
    for name in ("compression_mm_s", "rebound_mm_s"):
        found = _ratio(pairs, name)
        low, high = found.ci95 or (np.nan, np.nan)
        answers.append(tuple(low <= (_ratio(true, name).value or np.nan) <= high for true in (longer, same)))
    return Coverage(*answers)


def _ratio(pairs: BumpPairs, name: str) -> Ratio:
    calm = ~pairs.disturbed
    front, rear = (pairs.response[end][name][calm] for end in ("front", "rear"))
    return ratio_of_sums(front, rear, pairs.place[calm])


@dataclass(frozen=True)
class Bumps:
    """Pairs found and those whose halves are of one place; bumps ridden over and those met by a right pair."""

    psd_m3: float
    pairs: int
    right: int
    bumps: int
    met: int


def bumps(seed: int) -> Bumps:
    """Are the halves of each pair of one place of the road, and is every bump among them?"""
    _, plan = _draw(seed)
    ride = make(replace(plan, psd_m3=PAIRING_M3[seed % len(PAIRING_M3)]))
    pairs = find_pairs(ride.motion, ride.track)
    front_s, rear_s = pairs.sample / plan.rate_hz, pairs.rear_sample / plan.rate_hz
    right = np.abs(rear_s - ride.rear_due_s(front_s)) <= SAME_PLACE_S
    return Bumps(ride.plan.psd_m3, len(pairs), int(right.sum()), len(ride.bumps), _met(ride, front_s[right]))


def _met(ride: Ride, front_s: FloatArray) -> int:
    """Bumps with a pair within them, or within 30 ms of their ends (the wheel is fastest after it was pushed)."""
    half = np.array([bump.length_m for bump in ride.bumps]) / 2 / ride.plan.speed_m_s + 0.03
    near = np.abs(front_s[:, None] - ride.front_at_s) < half
    return int(near.any(axis=0).sum())


def faults(seed: int) -> list[tuple[str, bool]]:
    """Swapped ends and a speed channel wrong by 1.6 must be named; a sound ride must not."""
    _, plan = _draw(seed)
    found = []
    for due, changed in (
        ("none", plan),
        ("ends_swapped", replace(plan, swapped=True)),
        ("speed_scale", replace(plan, speed_gain=1.6)),
        ("speed_scale", replace(plan, speed_gain=1 / 1.6)),
    ):
        ride = make(changed)
        codes = [note.code for note in delay_notes(ride.motion, ride.track)]
        found.append((due, codes == ([] if due == "none" else [due])))
    return found
