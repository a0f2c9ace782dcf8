"""What balance says of a ride against its truth, one number a question."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.balance.balance import Ratio
from telemetry.balance.bumps import find_pairs, pairs_at
from telemetry.balance.delay import delay_notes
from telemetry.balance.pairs import bump_ratio
from telemetry.balance.resistance import damping_balance, verdict
from telemetry.simulate import Bump
from telemetry.simulate.circuit import REFERENCE_CYCLES_PER_M
from tests.benchmarks.balance.trials import Plan, Ride, make

FACTORS = (0.6, 0.75, 1 / 1.15, 1.0, 1.0, 1.0, 1.15, 1.3, 1.6)
SMOOTH_M3, ROUGH_M3 = 1e-6, 24e-6
PAIRING_M3 = (1e-6, 4e-6, 16e-6)
# One bump a second among some hundred other places: a threshold of 3.4 lets one in 20 s past, and 5 stands above it by
# the 1.65 that 95 % need (normal distribution).
CLEAR, SEEN_HZ = 5.0, 60.0
ELSEWHERE_S = 0.35
LATE_S = 0.02
SAME_PLACE_S = 0.010
LONGER = 20


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
class Cover:
    """One direction of one bike: how far each truth lies from the ratio, in half widths of its interval (logarithms).

    ``such`` against the ratio of such bumps, ``same`` against that of the very same ones; ``half`` and ``noise_half``
    are the half widths.
    """

    such: float
    same: float
    half: float
    noise_half: float


@dataclass(frozen=True)
class Coverage:
    compression: Cover
    rebound: Cover


def coverage(seed: int, longer: int = LONGER) -> Coverage:
    """A ride through noisy sensors against noise-free ones: many times as long over such bumps, and the same again.

    Over the clear bumps, on which the answer rests.

    The long one leaves 1 / longer of the variance itself: with 20, an exact interval holds it in 94.4 %. The same one
    is compared over the pairs that both have.
    """
    _, plan = _draw(seed)
    noisy = make(plan)
    pairs = find_pairs(noisy.motion, noisy.track)
    clean = replace(plan, exact_sensors=True)
    exact = make(clean)
    same = pairs_at(exact.motion, exact.track, pairs.bump)
    such = make(replace(clean, road_seed=seed + 1, duration_s=longer * plan.duration_s))
    many = find_pairs(such.motion, such.track)
    shared = pairs.clear & np.isin(pairs.bump, same.bump)
    again = np.isin(same.bump, pairs.bump[shared])
    weight = same.weight.copy()
    weight[again] = pairs.weight[shared]  # the very same bumps count alike
    same = replace(same, weight=weight)
    return Coverage(*(
        _cover(bump_ratio(pairs, name, pairs.clear), bump_ratio(many, name, many.clear),
               bump_ratio(pairs, name, shared), bump_ratio(same, name, again))
        for name in ("compression_mm_s", "rebound_mm_s")
    ))  # fmt: skip


def _cover(found: Ratio, such: Ratio, shared: Ratio, again: Ratio) -> Cover:
    def half(ratio: Ratio, interval: tuple[float, float] | None) -> float:
        return float(np.log(interval[1] / ratio.value)) if interval and ratio.value else np.nan

    def apart(ratio: Ratio, truth: Ratio) -> float:
        return float(np.log(ratio.value / truth.value)) if ratio.value and truth.value else np.nan

    ci95, noise = half(found, found.ci95), half(shared, shared.noise_ci95)
    return Cover(apart(found, such) / ci95, apart(shared, again) / noise, ci95, noise)


@dataclass(frozen=True)
class Bumps:
    """Pairs found and those whose halves are of one place; bumps ridden over and those met by a right pair.

    ``by_chance`` are those that would be met were the bumps elsewhere; ``clear`` those that stand `CLEAR` standard
    deviations out of their road, and ``clear_met`` the met ones of them.
    """

    psd_m3: float
    pairs: int
    right: int
    bumps: int
    met: int
    by_chance: int
    clear: int
    clear_met: int


def bumps(seed: int) -> Bumps:
    """Are the halves of each pair of one place of the road, and is every bump among them?"""
    _, plan = _draw(seed)
    return bumps_of(make(replace(plan, psd_m3=PAIRING_M3[seed % len(PAIRING_M3)])))


def bumps_of(ride: Ride) -> Bumps:
    plan = ride.plan
    pairs = find_pairs(ride.motion, ride.track)
    front_s, rear_s = pairs.sample / plan.rate_hz, pairs.rear_sample / plan.rate_hz
    right = np.abs(rear_s - ride.rear_due_s(front_s)) <= SAME_PLACE_S
    met = _met(ride, front_s[right], ride.front_at_s)
    chance = _met(ride, front_s[right], ride.front_at_s + ELSEWHERE_S)
    clear = np.array([stands_out(bump, plan.speed_m_s, plan.psd_m3) >= CLEAR for bump in ride.bumps])
    counts = (
        len(pairs),
        right.sum(),
        len(ride.bumps),
        met.sum(),
        chance.sum(),
        clear.sum(),
        met[clear].sum(),
    )
    return Bumps(plan.psd_m3, *(int(count) for count in counts))


def _met(ride: Ride, front_s: FloatArray, at_s: FloatArray) -> BoolArray:
    """Bumps with a pair within them, or within 30 ms of their ends (the wheel is fastest after it was pushed)."""
    half = np.array([bump.length_m for bump in ride.bumps]) / 2 / ride.plan.speed_m_s + 0.03
    return np.asarray((np.abs(front_s[:, None] - at_s) < half).any(axis=0))


def stands_out(bump: Bump, speed_m_s: float, psd_m3: float) -> float:
    """How far a bump stands out of its road for the best of detectors that sees it up to `SEEN_HZ`.

    The road's vertical speed under an axle is white with the density (2 pi n0)^2 Gd v (ISO 8608), a bump in it one
    period of a sine s. A matched filter tells them apart by the root of 2 int |S(f)|^2 df (both sides) / density, in
    standard deviations of its answer to the road (G. L. Turin, IRE Trans. Inf. Theory 6(3), 1960; from memory).
    Without the limit it is h / (2 n0 sqrt(Gd l)).
    """
    lasts_s = bump.length_m / speed_m_s
    t = (np.arange(64) + 0.5) / 64
    pushed = 1e-3 * bump.height_mm * np.pi / lasts_s * np.sin(2 * np.pi * t)
    frequency = np.linspace(0.0, SEEN_HZ, 241)
    spectrum = lasts_s * (np.exp(-2j * np.pi * np.outer(frequency, t * lasts_s)) @ pushed) / len(t)
    energy = 2 * np.trapezoid(np.abs(spectrum) ** 2, frequency)
    return float(np.sqrt(2 * energy / ((2 * np.pi * REFERENCE_CYCLES_PER_M) ** 2 * psd_m3 * speed_m_s)))


def faults(seed: int) -> list[tuple[str, bool]]:
    """Swapped ends, a speed channel wrong by 1.6 and a late travel channel must be named; a sound ride must not.

    Lateness is told from a wrong speed by riding at speeds from a half to one and a half times the mean.
    """
    _, plan = _draw(seed)
    varied = replace(plan, speed_m_s=float(np.clip(plan.speed_m_s, 30.0, 50.0)), speeds_up=1.0)
    found = []
    for due, changed in (
        ("none", plan),
        ("ends_swapped", replace(plan, swapped=True)),
        ("speed_scale", replace(plan, speed_gain=1.6)),
        ("speed_scale", replace(plan, speed_gain=1 / 1.6)),
        ("none", varied),
        ("channel_late", replace(varied, rear_late_s=LATE_S)),
    ):
        ride = make(changed)
        codes = [note.code for note in delay_notes(ride.motion, ride.track)]
        found.append((due, codes == ([] if due == "none" else [due])))
    return found
