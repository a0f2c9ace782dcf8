"""Wheels that carry little: rear light or off the ground under braking, front light or off the ground under drive.

What a tyre carries follows from what its end pushes with: springs and damper at the travel that was measured, the
brake force along a raked fork, and the weight of the wheel. At full extension that is only an upper limit, for the
end then hangs in its stop; there the balance of moments says what is left: the weight's share less M a h / wheelbase.
Neither tells a wheel just off the ground from one that just touches it: both hang in the stop.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance.balance import LightWheel
from telemetry.balance.loads import Riding
from telemetry.balance.road import spring_table
from telemetry.bike import GRAVITY_M_S2, Bike, damper_force_n, leverage_curve, sprung_load_n
from telemetry.laps import Track, place_at
from telemetry.motion import Motion
from telemetry.signals.clock import runs

WORK_HZ = 100.0
# Choices of ours; no source.
LIGHT_SHARE = 0.3  # of what a tyre carries standing with its rider
ALOFT_SHARE = 0.05
DRAG_KG_M = 0.2  # 1/2 rho C_d A of a rider tucked in, about 0.33 m2; only what drag takes of the braking
EXTENDED_MM = 0.5  # of shaft travel
SMOOTH_S = 0.1
SHORTEST_S, JOINED_S = 0.1, 0.3
BRAKING_M_S2, DRIVING_M_S2 = -3.0, 1.0  # without masses: where a wheel that hangs in its stop is a light one


@dataclass(frozen=True)
class _Carried:
    """Shares of what each tyre carries standing: by its own end, and by the balance of moments."""

    by_end: Mapping[End, FloatArray]
    by_moments: Mapping[End, FloatArray]


def light_wheels(
    motion: Motion, track: Track, bike: Bike, ridden: Riding, moving: BoolArray
) -> tuple[LightWheel, ...]:
    """Every time a wheel carried little, or nothing, while riding.

    Parameters
    ----------
    bike : Bike
        Without masses or springs an end counts as light where it is fully extended under braking (rear) or drive
        (front), and how much it carries is not told.
    moving : ndarray of bool, shape (n_samples,)

    Returns
    -------
    tuple of LightWheel
        In order of time.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    n = len(motion.t_s) // step
    t_s = motion.t_s[: n * step].reshape(n, step).mean(axis=1)
    riding = moving[: n * step].reshape(n, step).all(axis=1)
    shaft = {end: _blocks(own.shaft_travel_mm, n, step) for end, own in motion.ends.items()}
    speed = {end: _blocks(own.shaft_speed_mm_s, n, step) for end, own in motion.ends.items()}
    acceleration = ridden.at(t_s, ridden.acceleration_m_s2)
    carried = _carried(bike, shaft, speed, ridden, t_s, rate)
    found: list[LightWheel] = []
    for end, travel in shaft.items():
        hangs = travel < EXTENDED_MM
        share = np.full(n, np.nan)
        if end in carried.by_end:
            share = np.where(
                hangs, np.clip(carried.by_moments[end], 0.0, carried.by_end[end]), carried.by_end[end]
            )
            light = share < LIGHT_SHARE
            hangs |= share < ALOFT_SHARE  # in its top-out spring
        else:
            light = hangs & (acceleration < BRAKING_M_S2 if end == "rear" else acceleration > DRIVING_M_S2)
        for start, stop in _joined(light & riding & np.isfinite(travel), rate):
            part = share[start:stop]
            least = float(np.nanmin(part)) if np.isfinite(part).any() else None
            place = place_at(track, int(start * step))
            found.append(
                LightWheel(
                    end=end,
                    start_s=float(t_s[start]),
                    end_s=float(t_s[stop - 1]) + 1 / rate,
                    lap=place.lap,
                    distance_m=place.distance_m,
                    corner=place.corner,
                    phase=place.phase,
                    hanging_s=float(np.count_nonzero((hangs & light)[start:stop]) / rate),
                    least_share=None if least is None else max(least, 0.0),
                    under=_under(acceleration[start:stop]),
                )
            )
    return tuple(sorted(found, key=lambda event: event.start_s))


def _under(acceleration_m_s2: FloatArray) -> str:
    """What the rider did meanwhile; "" where it is neither brake nor drive, or not known."""
    mean = float(np.mean(acceleration_m_s2))
    return "braking" if mean < BRAKING_M_S2 else "drive" if mean > DRIVING_M_S2 else ""


def _blocks(values: FloatArray, n: int, step: int) -> FloatArray:
    return np.asarray(values[: n * step].reshape(n, step).mean(axis=1))


def _carried(
    bike: Bike,
    shaft_mm: Mapping[End, FloatArray],
    speed_mm_s: Mapping[End, FloatArray],
    ridden: Riding,
    t_s: FloatArray,
    rate: float,
) -> _Carried:
    """Ends whose springs or masses the bike file does not give are left out."""
    acceleration, speed, lean = (
        np.nan_to_num(ridden.at(t_s, values))
        for values in (ridden.acceleration_m_s2, ridden.speed_m_s, ridden.lean_deg)
    )
    chassis = bike.chassis
    unsprung = {"front": bike.front.unsprung_mass_kg, "rear": bike.rear.unsprung_mass_kg}
    by_end: dict[End, FloatArray] = {}
    by_moments: dict[End, FloatArray] = {}
    width = max(1, round(SMOOTH_S * rate))
    for end in ENDS:
        section = bike.end(end)
        springs = section.spring_rate_n_per_mm is not None and section.preload_mm is not None
        own_kg = unsprung[end]
        if chassis is None or own_kg is None or not springs or end not in shaft_mm:
            continue
        heavier = 1.0 / np.cos(np.radians(lean))
        mass_kg = chassis.sprung_mass_kg + sum(mass or 0.0 for mass in unsprung.values())
        standing_n = sprung_load_n(bike, end) + GRAVITY_M_S2 * own_kg
        force = np.interp(shaft_mm[end], *spring_table(bike, end))
        if section.damper is not None:
            force = force + damper_force_n(speed_mm_s[end], section.damper)
        force = force / leverage_curve(bike, end).ratio(shaft_mm[end]) + own_kg * GRAVITY_M_S2 * heavier
        if end == "front":
            force -= np.tan(np.radians(bike.front.rake_deg)) * mass_kg * np.maximum(-acceleration, 0.0)
        by_end[end] = np.convolve(force, np.full(width, 1 / width), mode="same") / standing_n
        ground_n = mass_kg * acceleration + DRAG_KG_M * speed**2
        transfer_n = ground_n * chassis.com_height_mm / bike.wheelbase_mm
        by_moments[end] = heavier + (transfer_n if end == "rear" else -transfer_n) / standing_n
    return _Carried(by_end, by_moments)


def _joined(mask: BoolArray, rate: float) -> list[tuple[int, int]]:
    """Runs of a mask, joined over short breaks, long enough to be felt."""
    found: list[tuple[int, int]] = []
    for start, stop in zip(*runs(mask), strict=True):
        if found and start - found[-1][1] <= JOINED_S * rate:
            found[-1] = (found[-1][0], int(stop))
        else:
            found.append((int(start), int(stop)))
    return [(a, b) for a, b in found if b - a >= SHORTEST_S * rate]
