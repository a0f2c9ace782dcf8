"""What each end did, carried back to the road under it: both wheels roll over the same road, wheelbase / speed apart.

The chassis answers to what both ends push with; a wheel to that and to its tyre. So masses, springs and tyres of
the bike file, the two travels, and the damper forces give the height of the road under each wheel:

    mount'' = (F_f + F_r) / m -+ arm (b F_r - a F_f) / J          F: spring, damper and friction, at the wheel
    wheel   = mount + travel
    road    = wheel + (m_u wheel'' + F) / (k_t + c_t s)

Everything in it is linear in the damper forces. That front and rear must find the same road is therefore a linear
equation for both dampers, solved by least squares; nothing but the log says how firm they are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.delay import riding_delay_s
from telemetry.bike import GRAVITY_M_S2, Bike, leverage_curve, spring_of, sprung_load_n
from telemetry.laps import Track
from telemetry.motion import Motion

WORK_HZ = 250.0
WINDOW_S, CUT_S, HOP_S = 16.0, 2.5, 11.0
MOST_WINDOWS = 36
SPRING_ROWS = 257
PUSH_M_S2, QUIET_S = 1.5, 1.0


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
    """The model of a bike file, or what the file lacks for it.

    Parameters
    ----------
    bike : Bike

    Returns
    -------
    RoadModel or str
    """
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
        {end: _spring_table(bike, end) for end in ENDS},
        bike,
    )


def _spring_table(bike: Bike, end: End) -> tuple[FloatArray, FloatArray]:
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


def windows(motion: Motion, track: Track, selected: BoolArray | None = None) -> list[Window]:
    """Windows in which both ends are valid and the motorcycle rides, at most `MOST_WINDOWS` spread over the run.

    Parameters
    ----------
    motion : Motion
        With both ends.
    track : Track
    selected : ndarray of bool, shape (n_samples,), optional

    Returns
    -------
    list of Window
        What brake or drive disturbed, and the edges, are not in their ``use``.
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
    found, cut = [], round(CUT_S * rate)
    for start in starts:
        part = slice(start, start + length, step)
        rows = np.arange(start, start + length, step)
        use = ~_pushed(track, rows, rate)
        use[:cut] = use[-cut:] = False
        ends = motion.ends
        found.append(
            Window(
                rate,
                int(start),
                {end: ends[end].shaft_travel_mm[part] for end in ENDS},
                {end: ends[end].shaft_speed_mm_s[part] for end in ENDS},
                delay[part],
                use,
            )
        )
    return found


def _pushed(track: Track, rows: IntArray, rate: float) -> BoolArray:
    """Where brake, drive or lean came or went within `QUIET_S`: their forces are not in the model."""
    span = max(1, round(0.4 * rate))
    speed = track.speed_m_s[rows]
    gained = np.zeros(len(rows))
    gained[span:] = (speed[span:] - speed[:-span]) * rate / span
    change = np.zeros(len(rows), dtype=bool)
    change[:-span] = np.abs(gained[span:] - gained[:-span]) > PUSH_M_S2
    reach = round(QUIET_S * rate)
    return np.convolve(change, np.ones(2 * reach + 1), mode="same") > 0
