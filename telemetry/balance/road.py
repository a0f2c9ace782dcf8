"""What each end did, carried back to the road under it: both wheels roll over the same road, wheelbase / speed apart.

The chassis answers to what both ends push with; a wheel to that and to its tyre. So masses, springs and tyres of
the bike file, the two travels, and the damper forces give the height of the road under each wheel:

    mount'' = (F_f + F_r) / m -+ arm (b F_r - a F_f) / J          F: spring, damper and friction, at the wheel
    wheel   = mount + travel
    road    = wheel + (m_u wheel'' + F) / (k_t + c_t s)

with the rider's loads (`telemetry.balance.loads`) added: the weight grows with the lean, brake and drive turn the
chassis and push along fork and swingarm.

Everything in it is linear in the damper forces and in loads of unknown size. That front and rear must find the same
road is therefore a linear equation for both dampers, solved by least squares; nothing but the log says how firm they
are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance.delay import riding_delay_s
from telemetry.balance.loads import Load, Riding, loads
from telemetry.bike import GRAVITY_M_S2, Bike, attitude, leverage_curve, spring_of, sprung_load_n, squat
from telemetry.bike.springs import chassis_of
from telemetry.laps import Track
from telemetry.motion import Motion

WORK_HZ = 250.0
WINDOW_S, CUT_S, HOP_S = 16.0, 2.5, 11.0
MOST_WINDOWS = 36
SPRING_ROWS = 257
# At the shaft: bike files rarely tell all that pushes in the first millimetre and in the last eighth of a stroke
# (rubbers, oil locks, metal). Choices of ours.
TOPPED_MM, LAST_SHARE = 1.0, 0.125
RING_S = 0.1  # on either side of what is left out, which rings in the band that is kept


@dataclass(frozen=True)
class RoadModel:
    """What of a bike file the road takes. SI units.

    ``arm_m`` is from the centre of mass to the axles; ``sprung_load_n`` and ``tyre_load_n`` are what the ends and the
    tyres carry standing still.
    """

    mass_kg: float
    inertia_kg_m2: float
    arm_m: Mapping[End, float]
    unsprung_kg: Mapping[End, float]
    tyre_n_m: Mapping[End, float]
    tyre_n_s_m: Mapping[End, float]
    sprung_load_n: Mapping[End, float]
    tyre_load_n: Mapping[End, float]
    spring_n: Mapping[End, tuple[FloatArray, FloatArray]]  # shaft travel [mm], force along it
    bike: Bike


def road_model(bike: Bike) -> RoadModel | str:
    """The model of a bike file, or what the file lacks for it."""
    lacks = [] if bike.chassis is not None else ["[chassis]"]
    sections = {"front": bike.front, "rear": bike.rear}
    for end, section in sections.items():
        for name in ("unsprung_mass_kg", "tyre_rate_n_per_mm", "spring_rate_n_per_mm", "preload_mm"):
            if getattr(section, name) is None:
                lacks.append(f"{end}.{name}")
    inertia_kg_m2 = None if bike.chassis is None else bike.chassis.pitch_inertia_kg_m2
    if bike.chassis is not None and inertia_kg_m2 is None:
        lacks.append("chassis.pitch_inertia_kg_m2")
    if bike.chassis is None or inertia_kg_m2 is None or lacks:
        return f"the bike file lacks {' and '.join(lacks)}"
    to_rear = bike.chassis.com_to_rear_axle_mm / 1e3
    return RoadModel(
        bike.chassis.sprung_mass_kg,
        inertia_kg_m2,
        {"front": bike.wheelbase_mm / 1e3 - to_rear, "rear": to_rear},
        {end: sections[end].unsprung_mass_kg or 0.0 for end in ENDS},
        {end: 1e3 * (sections[end].tyre_rate_n_per_mm or 0.0) for end in ENDS},
        {end: 1e3 * sections[end].tyre_damping_n_s_per_mm for end in ENDS},
        {end: sprung_load_n(bike, end) for end in ENDS},
        {
            end: sprung_load_n(bike, end) + GRAVITY_M_S2 * (sections[end].unsprung_mass_kg or 0.0)
            for end in ENDS
        },
        {end: spring_table(bike, end) for end in ENDS},
        bike,
    )


def spring_table(bike: Bike, end: End) -> tuple[FloatArray, FloatArray]:
    """Shaft travel over the stroke, and what all springs of an end push with along the shaft. [mm, N]"""
    spring, shaft = (
        spring_of(bike, end),
        np.linspace(0.0, leverage_curve(bike, end).shaft_mm[-1], SPRING_ROWS),
    )
    return shaft, np.array([spring.force_n(float(x)) for x in shaft])


@dataclass(frozen=True)
class Window:
    """A few seconds of both ends on an even clock, with the delay of the rear. Arrays of shape (n_samples,)."""

    rate_hz: float
    start: int  # sample of the run
    shaft_mm: Mapping[End, FloatArray]
    shaft_mm_s: Mapping[End, FloatArray]
    delay_s: FloatArray
    use: BoolArray
    known: Load
    free: tuple[Load, ...]


def windows(
    motion: Motion, track: Track, model: RoadModel, riding: Riding, selected: BoolArray | None = None
) -> list[Window]:
    """Windows in which both ends are valid and the motorcycle rides, at most `MOST_WINDOWS` spread over the run.

    Parameters
    ----------
    motion : Motion
        With both ends.
    selected : ndarray of bool, shape (n_samples,), optional

    Returns
    -------
    list of Window
        The edges, and where an end is at a stop, are not in their ``use``.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    delay = riding_delay_s(motion, track)
    good = np.isfinite(delay) & motion.ends["front"].valid & motion.ends["rear"].valid
    if selected is not None:
        good &= selected
    length, hop = round(WINDOW_S * rate) * step, round(HOP_S * rate) * step
    edges = np.flatnonzero(np.diff(np.concatenate(([False], good, [False])).astype(np.int8)))
    starts = [
        start
        for first, end in zip(edges[0::2], edges[1::2], strict=True)
        for start in range(first, end - length + 1, hop)
    ]
    if len(starts) > MOST_WINDOWS:
        starts = [starts[i] for i in np.linspace(0, len(starts) - 1, MOST_WINDOWS).astype(int)]
    found, cut, ends = [], round(CUT_S * rate), motion.ends
    anti_squat = _anti_squat(model.bike, motion)
    for start in starts:
        part = slice(start, start + length, step)
        rows = np.arange(start, start + length, step)
        known, free = loads(riding, rows / motion.sample_rate_hz, model.bike, anti_squat)
        shaft_mm = {end: ends[end].shaft_travel_mm[part] for end in ENDS}
        use = ~_at_a_stop(shaft_mm, {end: ends[end].stroke_mm for end in ENDS}, rate)
        use[:cut] = use[-cut:] = False
        found.append(
            Window(
                rate,
                int(start),
                shaft_mm,
                {end: ends[end].shaft_speed_mm_s[part] for end in ENDS},
                delay[part],
                use,
                known,
                free,
            )
        )
    return found


def _anti_squat(bike: Bike, motion: Motion) -> float:
    """Share of the load transfer under drive that chain and swingarm carry where the motorcycle mostly is."""
    shaft = {end: float(np.nanmedian(motion.ends[end].shaft_travel_mm)) for end in ENDS}
    found = squat(bike, attitude(bike, shaft["front"], shaft["rear"]), chassis_of(bike).com_height_mm)
    return 0.0 if found is None else found.anti_squat_pct / 100.0


def _at_a_stop(shaft_mm: Mapping[End, FloatArray], stroke_mm: Mapping[End, float], rate: float) -> BoolArray:
    """Within `RING_S` of where an end is topped out or in the last of its stroke: what pushes there is not known."""
    stopped = np.zeros(len(shaft_mm["front"]), dtype=bool)
    for end, shaft in shaft_mm.items():
        stopped |= (shaft < TOPPED_MM) | (shaft > (1.0 - LAST_SHARE) * stroke_mm[end])
    return dilated(stopped, round(RING_S * rate))


def dilated(mask: BoolArray, reach: int) -> BoolArray:
    """True within so many samples of where a mask is."""
    return np.convolve(mask, np.ones(2 * reach + 1), mode="same") > 0.5
