"""How the damping of a wheel hop changes from lap to lap, from the spectra of the wheel's own travel.

Every lap meets the same road at the same places. The spectrum of a lap over the mean of all laps there is therefore
free of the road, and what is left of it is how the wheel's answer has changed: a damper that loses damping raises the
hop and takes away on either side. Neither the other end nor a clock has a part in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.arrays import FloatArray, IntArray
from telemetry.damping.band import band_window, rise
from telemetry.damping.equation import WheelEquation
from telemetry.damping.hop import WheelHop, band_gain, coefficients
from telemetry.damping.oscillation import LapDamping
from telemetry.damping.pole import LEAST_DAMPING, SOUND_DAMPING
from telemetry.laps import Lap

WINDOW_S = 0.5
STEP_S = WINDOW_S / 2  # Hann windows that overlap by half use all of the signal
LEAST_GAIN = 0.01  # of the band, for a frequency to be looked at
PLACES = 12  # of a lap; left out in turn for the interval
LEAST_WINDOWS = 8 * PLACES  # of a lap
# Forces of the other end come through the chassis, whose inertia lets pass less as the square of the frequency; above
# this they hardly show. Chosen on seeds below those of tests/benchmarks/detection.
CHASSIS_HZ = (8.0, 12.0)
# From lap to lap the tyre's frequency changes by so much: 4 % of its rate, by heat and pressure. A choice of ours.
TYRE_SD = 0.02
TYRE_HZ = np.geomspace(9.0, 28.0, 60)  # wider than any hop: foam in the oil stiffens an end
DAMPING = np.geomspace(5.0 * LEAST_DAMPING, SOUND_DAMPING, 50)
# The search for a change: half widths in ln of tyre frequency and damping, and how often it is narrowed to a quarter.
REACH, ROUNDS = np.array([0.4, 1.5]), 4
AROUND = np.linspace(-1.0, 1.0, 13)
NEAR = np.array([0.02, 0.08])  # half widths of the grid on which the last is done
# Student's t at 97.5 % for PLACES - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201


@dataclass(frozen=True)
class LapSpectra:
    """Mean spectra of a wheel's travel speed by lap and place, every window of the same power.

    Parameters
    ----------
    laps : tuple of int
        Lap numbers.
    frequency_hz : ndarray of shape (n_frequencies,)
        [Hz]
    power : ndarray of shape (n_laps, PLACES, n_frequencies)
        0 where there is no window.
    windows : ndarray of shape (n_laps, PLACES)
        Their number.
    """

    laps: tuple[int, ...]
    frequency_hz: FloatArray
    power: FloatArray
    windows: IntArray

    @property
    def long_enough(self) -> IntArray:
        """Indices of the laps with `LEAST_WINDOWS` or more."""
        return np.flatnonzero(self.windows.sum(axis=1) >= LEAST_WINDOWS)


def lap_spectra(equation: WheelEquation, laps: Sequence[Lap]) -> LapSpectra:
    """Spectra of all usable windows of each lap; a place is a twelfth of the lap's time."""
    length = round(WINDOW_S / equation.step_s)
    frequency_hz: FloatArray = np.asarray(np.fft.rfftfreq(length, equation.step_s), dtype=np.float64)
    inside = band_window(frequency_hz) > LEAST_GAIN
    taper = np.asarray(np.hanning(length + 1)[:length], dtype=np.float64)
    power: FloatArray = np.zeros((len(laps), PLACES, np.count_nonzero(inside)))
    windows = np.zeros((len(laps), PLACES), dtype=np.int64)
    for lap, (here, count) in zip(laps, zip(power, windows, strict=True), strict=True):
        span = equation.span(lap.start_s, lap.end_s)
        speed, usable = equation.own[2, span], equation.usable[span]
        if len(speed) < length:
            continue
        step = round(STEP_S / equation.step_s)
        cut = sliding_window_view(speed, length)[::step]
        good = np.flatnonzero(sliding_window_view(usable, length)[::step].all(axis=1))
        found = np.abs(np.fft.rfft(cut[good] * taper, axis=1)[:, inside]) ** 2
        place: IntArray = good * step * PLACES // len(speed)
        np.add.at(here, place, found / np.maximum(found.sum(axis=1, keepdims=True), 1e-12))
        np.add.at(count, place, 1)
    return LapSpectra(
        tuple(lap.lap for lap in laps),
        frequency_hz[inside],
        power / np.maximum(windows, 1)[..., None],
        windows,
    )


def damping_by_lap(spectra: LapSpectra, hop: WheelHop, ratio: float) -> tuple[LapDamping, ...]:
    """The damping ratio of a wheel hop on each lap, about that of the outing as a whole.

    The change of each lap is the likeliest after Whittle [1]_. Its interval is a jackknife [2]_ over the places of the
    lap, so that it knows of roads and rides that differ along it. Every lap meets the same places, so that what
    scatters from lap to lap is only what a place does otherwise on one lap than on the others: the same jackknife
    without what places have in common.

    Parameters
    ----------
    ratio : float
        Geometric mean over the laps, which spectra alone do not tell.

    Returns
    -------
    tuple of LapDamping
        None inside where too little of the lap is usable.

    References
    ----------
    .. [1] P. Whittle, Ark. Mat. 2 (1953) 423-434.
    .. [2] B. Efron, R. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall 1993, ch. 11.
    """
    used = spectra.long_enough
    if len(used) < 2:
        return tuple(LapDamping(lap, None, None) for lap in spectra.laps)
    windows, relative = spectra.windows[used], _relative(spectra, used)
    wheel = _wheel_on_white_road(spectra, used, hop)
    change = np.stack(
        [_changes(*lap, spectra.frequency_hz, hop, wheel) for lap in zip(relative, windows, strict=True)]
    )
    whole = change[:, 0] - change[:, 0].mean()
    without = change[:, 1:] - change[:, 1:].mean(axis=1, keepdims=True)
    spare = len(used) / (len(used) - 1)  # the laps' own mean is taken from them
    found = {}
    for i, lap in enumerate(used):
        value, spread = ratio * float(np.exp(whole[i])), float(np.exp(T_975 * _jackknife_sd(without[i])))
        scatter = _jackknife_sd(without[i] - without.mean(axis=0)) * float(np.sqrt(spare))
        found[int(lap)] = LapDamping(spectra.laps[lap], value, (value / spread, value * spread), scatter)
    return tuple(found.get(i, LapDamping(lap, None, None)) for i, lap in enumerate(spectra.laps))


def _relative(spectra: LapSpectra, used: IntArray) -> FloatArray:
    """Spectra of these laps over the mean of those that were measured at the same place."""
    power, there = spectra.power[used], spectra.windows[used] > 0
    mean = power.sum(axis=0) / np.maximum(there.sum(axis=0), 1)[:, None]
    return np.asarray(power / np.maximum(mean, 1e-12))


def _wheel_on_white_road(spectra: LapSpectra, used: IntArray, hop: WheelHop) -> tuple[float, float]:
    """Tyre frequency and damping of the likeliest wheel, no more damped than sound ones are. [Hz]

    A road of ISO 8608 is white in its vertical speed. What roads are otherwise shifts every lap alike.
    """
    weight = band_window(spectra.frequency_hz) ** 2
    windows = spectra.windows[used]
    mean = np.einsum("lpf,lp->f", spectra.power[used], windows) / windows.sum()
    tyre_hz, damping = (axis.ravel() for axis in np.meshgrid(TYRE_HZ, DAMPING, indexing="ij"))
    gain = np.log(band_gain(coefficients(hop, tyre_hz, damping), spectra.frequency_hz))
    best = np.argmin(_unlikely(gain, (mean / weight)[None], weight))
    return float(tyre_hz[best]), float(damping[best])


def _unlikely(log_gain: FloatArray, power: FloatArray, weight: FloatArray) -> FloatArray:
    """Twice the negative log-likelihood of each pole a value, after Whittle; shape (n_poles, n_spectra).

    ``log_gain`` (n_poles, n_frequencies) is ln |A|^2 of the wheel's equation, ``power`` (n_spectra, n_frequencies).
    """
    weight = weight / weight.sum()
    return np.log(np.exp(log_gain) @ (weight * power).T) - (log_gain @ weight)[:, None]


def _changes(
    relative: FloatArray,
    windows: IntArray,
    frequency_hz: FloatArray,
    hop: WheelHop,
    wheel: tuple[float, float],
) -> FloatArray:
    """Change of ln(damping) on a lap, over all places and then without each; shape (1 + PLACES,)."""
    by_place = relative * windows[:, None]
    spectra = by_place.sum(axis=0) - np.concatenate([np.zeros((1, by_place.shape[1])), by_place])
    weight = (
        band_window(frequency_hz) * rise((frequency_hz - CHASSIS_HZ[0]) / (CHASSIS_HZ[1] - CHASSIS_HZ[0]))
    ) ** 2
    inside = weight > LEAST_GAIN**2
    frequency_hz, spectra, weight = frequency_hz[inside], spectra[:, inside], weight[inside]
    # independent values behind a spectrum: twice bandwidth times time
    freedom = 2.0 * float(weight.sum()) * (frequency_hz[1] - frequency_hz[0]) * STEP_S * float(windows.sum())
    before = np.log(band_gain(coefficients(hop, *np.array(wheel)[:, None]), frequency_hz))

    def unlikely(tyre: FloatArray, damping: FloatArray, power: FloatArray) -> FloatArray:
        row = coefficients(hop, wheel[0] * np.exp(tyre), wheel[1] * np.exp(damping))
        gain = np.log(band_gain(row, frequency_hz)) - before
        return np.asarray(_unlikely(gain, power, weight) + tyre[:, None] ** 2 / (freedom * TYRE_SD**2))

    centre, half = np.zeros(2), REACH
    for _ in range(ROUNDS):
        tyre, damping = _around(centre, half, AROUND)
        best = np.argmin(unlikely(tyre, damping, spectra[:1])[:, 0])
        centre, half = np.array([tyre[best], damping[best]]), half / 4.0
    tyre, damping = _around(np.zeros(2), NEAR, AROUND[::3])
    value = unlikely(centre[0] + tyre, centre[1] + damping, spectra)
    # the lowest point of the paraboloid through the values near by
    terms = np.stack([np.ones_like(tyre), tyre, damping, tyre**2, tyre * damping, damping**2], axis=1)
    _, a, b, c, d, e = np.linalg.lstsq(terms, value)[0]
    lowest = (d * a - 2 * c * b) / np.maximum(4 * c * e - d**2, 1e-12)
    return np.asarray(centre[1] + np.clip(lowest, -2 * NEAR[1], 2 * NEAR[1]))


def _around(centre: FloatArray, half: FloatArray, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points of a grid about ``centre``."""
    first, second = np.meshgrid(centre[0] + half[0] * steps, centre[1] + half[1] * steps, indexing="ij")
    return first.ravel(), second.ravel()


def _jackknife_sd(away: FloatArray) -> float:
    return float(np.sqrt((PLACES - 1) / PLACES * (away**2).sum()))
