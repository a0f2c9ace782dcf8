"""What each end did, carried back to the road under it: both wheels roll over the same road, wheelbase / speed apart.

The chassis answers to what both ends push with; a wheel to that and to its tyre. So masses, springs and tyres of
the bike file, the two travels, and the damper forces give the height of the road under each wheel:

    mount'' = (F_f + F_r) / m -+ arm (b F_r - a F_f) / J          F: spring, damper and friction, at the wheel
    wheel   = mount + travel
    road    = wheel + (m_u wheel'' + F) / (k_t + c_t s)

Everything in it is linear in the damper forces. That front and rear must find the same road is therefore a linear
equation for both dampers, solved by least squares; nothing but the log says how firm they are.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.delay import riding_delay_s
from telemetry.bike import Bike, leverage_curve, spring_of
from telemetry.laps import Track
from telemetry.motion import Motion

# Below, brake, drive and lean are in it; above, the tyre's contact and what the wheel weighs decide. On simulated
# rides the dampers come out right to 1-2 % in this band, and 10 % of error in a tyre rate moves them by 1 %.
ComplexArray = npt.NDArray[np.complex128]
BAND_HZ = (1.0, 8.0)
DELAY_BAND_HZ = (1.5, 9.0)
EDGE_SHARE = 0.4  # of a band edge, over which it fades on either side: sharper rings beyond what is cut off
WORK_HZ = 250.0
WINDOW_S, CUT_S, HOP_S = 16.0, 2.5, 11.0
MOST_WINDOWS = 36
BLOCKS = 3  # of a window, each an independent piece of evidence
FRICTION_MM_S = 8.0  # seal friction is in full force above this, at the shaft
KNEE_MM_S = 150.0  # at the wheel: where the second, digressive part of a damper bends
ROW_STEP = 5
SPRING_ROWS = 257
PUSH_M_S2, QUIET_S = 1.5, 1.0
PARTS = 5  # unknowns of a damper: two slopes each way, friction


@dataclass(frozen=True)
class RoadModel:
    """What of a bike file the road takes. SI units.

    ``arm_m`` is from the centre of mass to the axles.
    """

    mass_kg: float
    inertia_kg_m2: float
    arm_m: Mapping[End, float]
    unsprung_kg: Mapping[End, float]
    tyre_n_m: Mapping[End, float]
    tyre_n_s_m: Mapping[End, float]
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
        for name in ("unsprung_mass_kg", "tyre_rate_n_per_mm"):
            if getattr(section, name) is None:
                lacks.append(f"{end}.{name}")
    if bike.chassis is None or lacks:
        return f"the bike file lacks {' and '.join(lacks)}"
    to_rear = bike.chassis.com_to_rear_axle_mm / 1e3
    return RoadModel(
        bike.chassis.sprung_mass_kg,
        bike.chassis.pitch_inertia_kg_m2,
        {"front": bike.wheelbase_mm / 1e3 - to_rear, "rear": to_rear},
        {end: sections[end].unsprung_mass_kg or 0.0 for end in ENDS},
        {end: 1e3 * (sections[end].tyre_rate_n_per_mm or 0.0) for end in ENDS},
        {end: 1e3 * sections[end].tyre_damping_n_s_per_mm for end in ENDS},
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
                {end: _smooth(ends[end].shaft_speed_mm_s[part]) for end in ENDS},
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


def _smooth(values: FloatArray) -> FloatArray:
    """Mean over three samples (12 ms): noise of the sensor would else pass for friction undone."""
    return np.convolve(
        np.concatenate((values[:1], values, values[-1:])), np.array([0.25, 0.5, 0.25]), mode="valid"
    )


class Ground:
    """The road under both wheels over one window, as a linear function of the damper forces."""

    def __init__(self, model: RoadModel, window: Window, band_hz: tuple[float, float] = BAND_HZ) -> None:
        self.model, self.window = model, window
        self._found: dict[End, FloatArray] = {}
        n = len(window.delay_s)
        frequency = np.fft.rfftfreq(n, 1 / window.rate_hz)
        self._s = 2j * np.pi * frequency
        low, high = band_hz
        rise = np.clip((frequency / low - 1) / EDGE_SHARE + 1, 0.0, 2.0) / 2
        fall = np.clip((1 - frequency / high) / EDGE_SHARE + 1, 0.0, 2.0) / 2
        gain = np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2
        self._gain = (
            gain * self._s
        )  # road velocity: as strong at every frequency on most roads (ISO 8608, w = 2)
        rise = np.clip(np.arange(n) / (0.8 * CUT_S * window.rate_hz), 0.0, 1.0)
        self._taper = 0.5 * (1 - np.cos(np.pi * np.minimum(rise, rise[::-1])))

    def _spectrum(self, values: FloatArray) -> ComplexArray:
        line = values[0] + (values[-1] - values[0]) * np.linspace(0.0, 1.0, len(values))
        return np.asarray(np.fft.rfft((values - line) * self._taper), dtype=np.complex128)

    @cached_property
    def _parts(self) -> dict[End, tuple[ComplexArray, ComplexArray, list[ComplexArray]]]:
        """Per end spectra of wheel travel, spring force, and force of each part of its damper by one unit."""
        found = {}
        for end in ENDS:
            shaft, speed = self.window.shaft_mm[end], self.window.shaft_mm_s[end]
            curve = leverage_curve(self.model.bike, end)
            ratio = curve.ratio(shaft)
            force = np.interp(shaft, *self.model.spring_n[end]) / ratio
            bases = damper_parts(speed, ratio)
            found[end] = (
                self._spectrum(curve.wheel_travel_mm(shaft) / 1e3),
                self._spectrum(force),
                [self._spectrum(base / ratio) for base in bases],
            )
        return found

    def _road(
        self, end: End, front: ComplexArray, rear: ComplexArray, travel: ComplexArray | float
    ) -> FloatArray:
        """Road velocity under one wheel from spectra of the forces of both ends and of its own travel."""
        model, s = self.model, self._s.copy()
        s[0] = 1.0
        own = front if end == "front" else rear
        turning = (model.arm_m["rear"] * rear - model.arm_m["front"] * front) / model.inertia_kg_m2
        arm = -model.arm_m["front"] if end == "front" else model.arm_m["rear"]
        mount = (front + rear) / model.mass_kg + arm * turning
        tyre = (model.unsprung_kg[end] * (mount + s**2 * travel) + own) / (
            model.tyre_n_m[end] + model.tyre_n_s_m[end] * s
        )
        return np.fft.irfft((mount / s**2 + travel + tyre) * self._gain, len(self.window.delay_s))

    def under(self, end: End) -> FloatArray:
        """Road velocity under a wheel: without the dampers, then what each unknown of theirs adds; front's first.

        Shape (n_samples, 1 + 2 PARTS). [m/s]
        """
        if end not in self._found:
            (travel_f, spring_f, front), (travel_r, spring_r, rear) = (
                self._parts["front"],
                self._parts["rear"],
            )
            nil = np.zeros_like(travel_f)
            columns = [self._road(end, spring_f, spring_r, travel_f if end == "front" else travel_r)]
            columns += [self._road(end, base, nil, 0.0) for base in front]
            columns += [self._road(end, nil, base, 0.0) for base in rear]
            self._found[end] = np.column_stack(columns)
        return self._found[end]

    def rear_later(self, values: FloatArray, extra_s: float = 0.0) -> tuple[IntArray, FloatArray]:
        """A record of the rear at the moments at which it meets what the front meets at the rows in use.

        Returns those rows, and the values there (third-order interpolation).
        """
        rate = self.window.rate_hz
        rows = np.flatnonzero(self.window.use)[::ROW_STEP].astype(np.int64)
        at = rows + (self.window.delay_s[rows] + extra_s) * rate
        inside = (at > 1) & (at < len(self.window.delay_s) - 3)
        rows, at = rows[inside], at[inside]
        i = at.astype(np.int64)
        u = (at - i).reshape(-1, *[1] * (values.ndim - 1))
        before, here, after, beyond = (values[i + k] for k in (-1, 0, 1, 2))
        third = (
            -u * (u - 1) * (u - 2) / 6 * before
            + (u + 1) * (u - 1) * (u - 2) / 2 * here
            - (u + 1) * u * (u - 2) / 2 * after
            + (u + 1) * u * (u - 1) / 6 * beyond
        )
        return rows, third


def damper_parts(shaft_mm_s: FloatArray, ratio: FloatArray | float) -> list[FloatArray]:
    """The parts a damper's force is built from, along the shaft: two slopes each way and friction.

    Parameters
    ----------
    shaft_mm_s : ndarray of shape (n,)
        [mm/s]
    ratio : ndarray of shape (n,) or float
        Leverage ratio there.

    Returns
    -------
    list of ndarray of shape (n,)
        Force by 1 N s/mm of each of the first four, and by 1 N of friction. [N]
    """
    down, up = np.maximum(shaft_mm_s, 0.0), np.minimum(shaft_mm_s, 0.0)
    knee = KNEE_MM_S / ratio
    return [
        down, up, knee * np.tanh(down / knee), knee * np.tanh(up / knee), np.tanh(shaft_mm_s / FRICTION_MM_S),
    ]  # fmt: skip


def normal_equations(grounds: list[Ground], extra_s: float) -> Iterator[tuple[FloatArray, FloatArray, float]]:
    """Per block of each window: matrix, right side and sum of squares of "the rear finds the front's road"."""
    for ground in grounds:
        rows, later = ground.rear_later(ground.under("rear"), extra_s)
        unlike = later - ground.under("front")[rows]
        for block in np.array_split(unlike, BLOCKS):
            known, columns = block[:, 0], block[:, 1:]
            yield columns.T @ columns, -columns.T @ known, float(known @ known)
