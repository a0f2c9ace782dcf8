"""The road under both wheels of one window, and the equations that it is the same road."""

from collections.abc import Iterator
from functools import cached_property

import numpy as np
import numpy.typing as npt

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.road import CUT_S, RoadModel, Window
from telemetry.bike import leverage_curve

ComplexArray = npt.NDArray[np.complex128]

# Below, brake, drive and lean are in it; above, the tyre's contact and what the wheel weighs decide. On simulated
# rides the dampers come out right to 1-3 % in this band, and 10 % of error in a tyre rate moves them by 1 %.
BAND_HZ = (1.0, 5.0)
DELAY_BAND_HZ = (1.5, 9.0)
EDGE_SHARE = 0.4  # of a band edge, over which it fades on either side: sharper rings beyond what is cut off
BLOCKS = 3  # of a window, each an independent piece of evidence
FRICTION_MM_S = 8.0  # seal friction is in full force above this, at the shaft
KNEE_MM_S = 150.0  # at the wheel: where the second, digressive part of a damper bends
ROW_STEP = 5
PARTS = 5  # unknowns of a damper: two slopes each way, friction
WHEEL_HZ = (35.0, 50.0)  # what a wheel does ends here; above it is noise
LIFTED_SHARE = 0.1  # of its load standing still: a tyre with less is as good as off the road
LIFTED_S = 0.008  # and is told so this much too late and early


class Ground:
    """The road under both wheels over one window, as a linear function of the damper forces."""

    def __init__(self, model: RoadModel, window: Window, band_hz: tuple[float, float] = BAND_HZ) -> None:
        self.model, self.window = model, window
        self._found: dict[End, FloatArray] = {}
        self._lifted: dict[End, BoolArray] = {}
        n = len(window.delay_s)
        frequency = np.fft.rfftfreq(n, 1 / window.rate_hz)
        self._s = 2j * np.pi * frequency
        low, high = band_hz
        rise = np.sin(np.pi / 4 * np.clip((frequency / low - 1) / EDGE_SHARE + 1, 0.0, 2.0)) ** 2
        fall = np.sin(np.pi / 4 * np.clip((1 - frequency / high) / EDGE_SHARE + 1, 0.0, 2.0)) ** 2
        # road velocity: as strong at every frequency on most roads (ISO 8608, w = 2)
        self._gain = rise * fall * self._s
        self._wheel = 0.5 + 0.5 * np.cos(
            np.pi * np.clip((frequency - WHEEL_HZ[0]) / np.ptp(WHEEL_HZ), 0.0, 1.0)
        )
        self._rise = rise
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
            bases = damper_parts(speed, ratio)
            found[end] = (
                self._spectrum(curve.wheel_travel_mm(shaft) / 1e3),
                self._spectrum(self._spring_n(end)),
                [self._spectrum(base / ratio) for base in bases],
            )
        return found

    def _spring_n(self, end: End) -> FloatArray:
        """Force of a spring at the wheel. [N]"""
        shaft = self.window.shaft_mm[end]
        return np.interp(shaft, *self.model.spring_n[end]) / leverage_curve(self.model.bike, end).ratio(shaft)

    def _chassis(self, end: End, front: ComplexArray, rear: ComplexArray) -> ComplexArray:
        """Acceleration of the chassis above one wheel from the forces of both ends."""
        model = self.model
        turning = (model.arm_m["rear"] * rear - model.arm_m["front"] * front) / model.inertia_kg_m2
        arm = -model.arm_m["front"] if end == "front" else model.arm_m["rear"]
        return (front + rear) / model.mass_kg + arm * turning

    def _tyre(
        self, end: End, front: ComplexArray, rear: ComplexArray, travel: ComplexArray | float
    ) -> ComplexArray:
        """Force of one tyre: what moves its wheel, and what that end pushes with."""
        wheel = self._chassis(end, front, rear) + self._s**2 * travel
        return self.model.unsprung_kg[end] * wheel + (front if end == "front" else rear)

    def _road(
        self, end: End, front: ComplexArray, rear: ComplexArray, travel: ComplexArray | float
    ) -> FloatArray:
        """Road velocity under one wheel from spectra of the forces of both ends and of its own travel."""
        s = self._s.copy()
        s[0] = 1.0
        pressed = self._tyre(end, front, rear, travel) / (
            self.model.tyre_n_m[end] + self.model.tyre_n_s_m[end] * s
        )
        height = self._chassis(end, front, rear) / s**2 + travel + pressed
        n, lifted = len(self.window.delay_s), self._lifted.get(end)
        if (
            lifted is not None and lifted.any()
        ):  # straight on from where it left the road to where it met it again
            seen = np.fft.irfft(height * self._wheel, n)
            seen[lifted] = np.interp(np.flatnonzero(lifted), np.flatnonzero(~lifted), seen[~lifted])
            height = np.fft.rfft(seen)
        return np.fft.irfft(height * self._gain, n)

    def leave_out_lifted(self, unknowns: FloatArray) -> None:
        """Find where a tyre left the road, by dampers as found so far: what it does there says nothing of the road.

        Parameters
        ----------
        unknowns : ndarray of shape (2 PARTS,)
        """
        n, forces, dampers = len(self.window.delay_s), {}, {}
        for i, end in enumerate(ENDS):
            _, spring, parts = self._parts[end]
            own = unknowns[PARTS * i : PARTS * (i + 1)]
            dampers[end] = sum(float(x) * part for x, part in zip(own, parts, strict=True))
            forces[end] = spring + dampers[end]
        reach = round(LIFTED_S * self.window.rate_hz)
        for end in ENDS:
            # the spring's force whole: it has the load that brake, drive and lean shift, which spectra do not
            inertia = self._tyre(end, forces["front"], forces["rear"], self._parts[end][0]) - forces[end]
            load = self.model.tyre_load_n[end]
            carried = self._spring_n(end) + load - self.model.sprung_load_n[end]
            moving = np.fft.irfft((inertia + dampers[end]) * self._rise * self._wheel, n)
            off = carried + moving < LIFTED_SHARE * load
            self._lifted[end] = np.convolve(off, np.ones(2 * reach + 1), mode="same") > 0.5
        self._found.clear()

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
