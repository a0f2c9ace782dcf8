"""A wheel between tyre and suspension: its equation of motion, its hop mode, and where to look for it.

With x the wheel travel (compression positive) and v its speed, m the unsprung mass, c and k the suspension
at the wheel, c_t and k_t the tyre and M the sprung mass felt at its axle, the quarter vehicle says

    s^2 v + (c s + k)/m (1 + m/M) v + (c_t s + k_t)/m (1 + (c s + k)/(M s^2)) v = what the road did

with s the derivative: linear in v'', v', v, x and int x, which can be computed from the log. When the damper
fails only c changes; tyre and masses stay. Frequencies are in units of `REFERENCE_HZ`, so that all terms are
of one size.

References
----------
.. [1] J. K. Hedrick, T. Butsuen, Proc. IMechE 204 (1990), invariant properties of the quarter vehicle.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.bike import Bike, bike_modes, static_sag, wheel_rate_n_per_mm, wheelbase_mm
from telemetry.errors import BikeFileError

ComplexArray = npt.NDArray[np.complex128]

RATE_HZ = 100.0
LEAST_RATE_HZ = 200.0  # a faster log is thinned to no less before its spectrum is taken, which is costly
LOW_HZ = (4.0, 6.0)  # below it is the chassis
HIGH_HZ = (28.0, 36.0)  # above it is sensor noise; a 100 Hz log has nothing beyond
RING_S = 0.12  # how far the window's response matters
THINNED_TOGETHER = 8192
SHORT_GAP_S = 0.008  # a masked stretch so short is bridged without harm to 36 Hz


def rise(x: FloatArray) -> FloatArray:
    """From 0 to 1 as x does, with a level start and end."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


def band_window(frequency_hz: FloatArray) -> FloatArray:
    """Gain of the band: 1 from 6 to 28 Hz, smoothly 0 at 4 and 36 Hz."""
    low = rise((frequency_hz - LOW_HZ[0]) / (LOW_HZ[1] - LOW_HZ[0]))
    high = rise((HIGH_HZ[1] - frequency_hz) / (HIGH_HZ[1] - HIGH_HZ[0]))
    return low * high


# The band as a weight on frequency, for likelihoods: power gain on an even grid.
_GRID_STEP_HZ = 0.5
FREQUENCY_HZ = np.arange(LOW_HZ[0] + _GRID_STEP_HZ, HIGH_HZ[1], _GRID_STEP_HZ)
BAND_WEIGHT = band_window(FREQUENCY_HZ) ** 2
# Independent values per second of a signal of this band.
FREEDOM_PER_S = 2.0 * float(BAND_WEIGHT.sum()) * _GRID_STEP_HZ


def in_band(frequency_hz: FloatArray) -> slice:
    """Those of rising frequencies at which the band has a gain."""
    first = np.searchsorted(frequency_hz, LOW_HZ[0], side="right")
    return slice(int(first), int(np.searchsorted(frequency_hz, HIGH_HZ[1])))


def lines_between(n: int, step_s: float, low_hz: float, high_hz: float) -> tuple[slice, FloatArray]:
    """Lines of the spectrum of ``n`` samples above and below two frequencies in the band, and their own. [Hz]"""
    hz = np.asarray(np.fft.rfftfreq(n, step_s), dtype=np.float64)
    first = np.searchsorted(hz, max(low_hz, LOW_HZ[0]), side="right")
    inside = slice(int(first), int(np.searchsorted(hz, min(high_hz, HIGH_HZ[1]))))
    return inside, hz[inside].copy()


def fast_length(n: int) -> int:
    """The next even length with a large power of two in it, which keeps the FFT fast."""
    block = 1 << max(n.bit_length() - 5, 1)
    return -(-n // block) * block


def bridged(values: FloatArray) -> FloatArray:
    """``values`` with straight lines over what is not finite."""
    bad, filled = _over_gaps(values)
    if not len(bad):
        return values
    whole = values.copy()
    whole[bad] = filled
    return whole


def _over_gaps(values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Indices of what is not finite, and straight lines over it; the ends are held."""
    bad = np.flatnonzero(~np.isfinite(values))
    first = np.diff(bad, prepend=-2) > 1
    last = np.append(first[1:], True)[: len(bad)]
    beside = np.sort(np.concatenate([bad[first] - 1, bad[last] + 1]))
    beside = beside[(beside >= 0) & (beside < len(values))]
    return bad, np.interp(bad, beside, values[beside]) if len(beside) else values[bad]


def thin(values: FloatArray, every: int) -> FloatArray:
    """One in ``every`` of the values after three moving means over as many; three steps to begin with are not given.

    Aliasing into the band (from 164 Hz on) is a hundredth or less (E. B. Hogenauer, IEEE Trans. ASSP 29(2), 155-162,
    1981, doi:10.1109/TASSP.1981.1163535).
    """
    mean = np.full(every, 1.0 / every)
    taps = np.zeros(3 * every + 1)
    taps[: 3 * every - 2] = np.convolve(np.convolve(mean, mean), mean)
    steps = values.reshape(-1, every)
    thinned: FloatArray = taps[0] * steps[3:, 0]
    for back in (1, 2, 3):  # and the samples of the three steps before
        thinned += steps[3 - back : len(steps) - back] @ taps[(back - 1) * every + 1 : back * every + 1][::-1]
    return thinned


def thin_response(frequency_per_sample: FloatArray, every: int) -> ComplexArray:
    """What `thin` makes of each frequency, which is above 0. [1/sample]"""
    if every == 1:
        return np.ones(len(frequency_per_sample), dtype=complex)
    back = np.exp(-2j * np.pi * frequency_per_sample)
    return np.asarray(((1.0 - back**every) / (every * (1.0 - back))) ** 3)


def _closed(travel_mm: FloatArray, padded: int, every: int) -> FloatArray:
    """The travel as a circle of ``padded`` samples, thinned to one in ``every``; gaps are bridged. [mm]"""
    n = len(travel_mm)
    bad, filled = _over_gaps(travel_mm)
    start_mm = filled[0] if len(bad) and bad[0] == 0 else travel_mm[0]
    end_mm = filled[-1] if len(bad) and bad[-1] == n - 1 else travel_mm[-1]
    # the end runs back to the start over a second, so that the circle closes without a jump
    closing = np.linspace(end_mm, start_mm, padded - n)

    def piece(first: int, last: int) -> FloatArray:
        if first < 0:
            return np.concatenate([piece(first + padded, padded), piece(0, last)])
        values = np.concatenate([travel_mm[first:last], closing[max(first - n, 0) : max(last - n, 0)]])
        gaps = slice(*np.searchsorted(bad, [first, last]))
        values[bad[gaps] - first] = filled[gaps]
        return values

    if every == 1:
        return piece(0, padded)
    thinned = np.empty(padded // every)
    # some at a time: at 1 kHz the whole circle takes as much memory as all that is made of it
    for first in range(0, len(thinned), THINNED_TOGETHER):
        last = min(first + THINNED_TOGETHER, len(thinned))
        thinned[first:last] = thin(piece((first - 3) * every, last * every), every)
    return thinned


def band_grid(n: int, sample_rate_hz: float) -> tuple[float, int]:
    """Sampling interval [s] and number of samples that `band_signals` makes of ``n``."""
    out, padded, _ = _circle(n, sample_rate_hz)
    step_s = padded / sample_rate_hz / out
    return step_s, int((n - 1) / sample_rate_hz / step_s + 1e-9) + 1


def _circle(n: int, sample_rate_hz: float) -> tuple[int, int, int]:
    """Samples of the circle that ``n`` are closed to, after and before; and one in how many is left before."""
    out = fast_length(int((n / sample_rate_hz + 1.0) * RATE_HZ) + 2)
    thinned = max(int(sample_rate_hz / LEAST_RATE_HZ), 1)
    return out, round(out * sample_rate_hz / RATE_HZ / thinned) * thinned, thinned


def band_signals(
    travel_mm: FloatArray, sample_rate_hz: float, orders: Sequence[int], *, reference_hz: float
) -> tuple[float, FloatArray]:
    """Sampling interval [s], and derivatives and integrals of the travel speed in the band, (len(orders), n) [mm/s].

    Order 0 is the speed, 1 its derivative, -1 its integral; a derivative is divided by 2 pi ``reference_hz``, so that
    all are of one size. NaN in ``travel_mm`` is bridged, to be masked by `usable`.
    """
    out, padded, thinned = _circle(len(travel_mm), sample_rate_hz)
    spectrum = np.fft.rfft(_closed(travel_mm, padded, thinned))
    # a log of less than twice the band's end has nothing above half its rate
    frequency = np.arange(min(out // 2 + 1, len(spectrum))) * sample_rate_hz / padded
    inside = in_band(frequency)
    frequency, whole = frequency[inside], np.zeros(out // 2 + 1, dtype=complex)
    speed = spectrum[inside] / thin_response(frequency / sample_rate_hz, thinned)
    speed *= band_window(frequency) * 2j * np.pi * frequency * (out * thinned / padded)
    del spectrum
    step_s, kept = band_grid(len(travel_mm), sample_rate_hz)
    signals, growth = np.empty((len(orders), out)), frequency / reference_hz
    for row, order in zip(signals, orders, strict=True):
        np.multiply(speed, 1j**order * np.power(growth, float(order)), out=whole[inside])
        np.fft.irfft(whole, out, out=row)
    return step_s, signals[:, :kept]


def band_covariance(orders: Sequence[int], *, reference_hz: float) -> FloatArray:
    """Covariance of `band_signals` of white travel noise of one-sided density 1 mm2/Hz. [mm2/s2]"""
    powers = (1j * FREQUENCY_HZ / reference_hz) ** np.asarray(orders, dtype=np.int64)[:, None]
    gain = powers * 2j * np.pi * FREQUENCY_HZ
    return np.asarray(np.real((gain * BAND_WEIGHT * _GRID_STEP_HZ) @ gain.conj().T))


@dataclass(frozen=True)
class Between:
    """Moments between samples of an even grid, by cubic Hermite interpolation; at 100 Hz it is 0.3 % off at 16 Hz.

    ``first`` (n,) is the sample before each moment; ``weights`` are on the two values, then on their derivatives times
    the interval (C. de Boor, A Practical Guide to Splines, Springer 1978, ch. 4).
    """

    first: IntArray
    weights: tuple[FloatArray, FloatArray, FloatArray, FloatArray]

    def each(
        self, orders: FloatArray, rows: Sequence[int], per_step: float, out: FloatArray | None = None
    ) -> FloatArray:
        """Some rows of signals at the moments, written into ``out`` where it is given; shape (len(rows), n).

        Parameters
        ----------
        orders : ndarray of shape (k, n_grid)
            On the grid; each row but the first is the integral of the one before.
        rows : sequence of int
            Neighbours, rising.
        per_step : float
            Of a row, times the interval, the slope of the next.
        """
        here, there, rise_here, rise_there = self.weights
        last = self.first + 1
        slopes = (orders[rows[0] - 1].take(self.first), orders[rows[0] - 1].take(last))
        found = np.empty((len(rows), len(self.first))) if out is None else out
        for into, row in zip(found, rows, strict=True):
            values = (orders[row].take(self.first), orders[row].take(last))
            np.multiply(rise_here, slopes[0], out=into)
            into += rise_there * slopes[1]
            into *= per_step
            into += here * values[0]
            into += there * values[1]
            slopes = values
        return found


def between(at: FloatArray, n: int) -> Between:
    """Moments ``at``, counted in samples of a grid of ``n``; what lies outside is held to its ends."""
    at = np.clip(at, 0.0, n - 1.0)
    first = np.minimum(at.astype(np.int64), n - 2)
    u = at - first
    there = u * u * (3.0 - 2.0 * u)
    return Between(first, (1.0 - there, there, u * (1.0 - u) ** 2, u * u * (u - 1.0)))


def usable(valid: BoolArray, sample_rate_hz: float, at_s: FloatArray) -> BoolArray:
    """Where band signals rest on measured samples, at times from the first sample. [Hz, s]

    False within `RING_S` of the ends of the log and of gaps longer than `SHORT_GAP_S`.
    """
    n = len(valid)
    gaps = np.flatnonzero(np.diff(valid, prepend=True, append=True)).reshape(-1, 2)
    gaps = gaps[(gaps[:, 1] - gaps[:, 0]) > SHORT_GAP_S * sample_rate_hz]
    ends = np.array([[-1, 0], [n - 1, n]])
    gaps_s = np.concatenate([gaps, ends]) / sample_rate_hz
    marks = np.zeros(len(at_s) + 1)
    first = np.searchsorted(at_s, gaps_s[:, 0] - RING_S)
    last = np.searchsorted(at_s, gaps_s[:, 1] + RING_S, side="right")
    np.add.at(marks, first, 1.0)
    np.add.at(marks, last, -1.0)
    return np.asarray(np.cumsum(marks)[:-1] == 0)


REFERENCE_HZ = 15.0
# Damping ratios of the hop. A tyre alone leaves 0.03-0.12; a sound damper works at 0.2 on a rough stretch.
LOST_BELOW, HEALTHY_ABOVE = 0.125, 0.20
# Between lost and this ratio over the whole outing, a worn damper and a rough road look the same.
DOUBTFUL_BELOW = 0.18
# Up to it the ratio of the mode follows the damping; a choice of ours.
WELL_BELOW_CRITICAL = 0.35
# Hop of an undamped wheel on a race tyre, when the bike file does not say; common practice, no source.
WIDE_BAND_HZ: dict[End, tuple[float, float]] = {"front": (12.0, 23.0), "rear": (11.0, 21.0)}
# Tyre rates change with pressure, load and speed: the bike file's hop is known to about this share.
BAND_SHARE = 0.15
USUAL_MASS_RATIO = 0.5  # 20 kg of wheel under the 40 kg that heave and pitch leave at the rear axle
USUAL_SPRING_SHARE = 0.12
USUAL_TYRE_DAMPING = 0.106  # 0.2 N s/mm on 20 kg


@dataclass(frozen=True)
class WheelHop:
    """What is known of a wheel before the log is seen.

    ``mass_ratio`` is unsprung mass over the sprung mass felt at the axle, ``spring_share`` suspension rate at the wheel
    over tyre rate, ``tyre_damping`` c_t/m over 2 pi `REFERENCE_HZ`, ``band_hz`` where the undamped hop may lie [Hz],
    ``damping_ratio`` the hop's with a sound damper at low speed, None if unknown; ``from_bike`` whether the bike file
    gave the band.
    """

    mass_ratio: float = USUAL_MASS_RATIO
    spring_share: float = USUAL_SPRING_SHARE
    tyre_damping: float = USUAL_TYRE_DAMPING
    band_hz: tuple[float, float] = WIDE_BAND_HZ["rear"]
    damping_ratio: float | None = None
    from_bike: bool = False


def wheel_hop(bike: Bike, end: End) -> WheelHop:
    """Wheel hop of one end by the bike file; a wide default where it is silent."""
    wheel, chassis = bike.end(end), bike.chassis
    if wheel.unsprung_mass_kg is None or wheel.tyre_rate_n_per_mm is None:
        return WheelHop(band_hz=WIDE_BAND_HZ[end])
    if chassis is None or chassis.pitch_inertia_kg_m2 is None:
        return WheelHop(band_hz=WIDE_BAND_HZ[end])
    arm_mm = chassis.com_to_rear_axle_mm
    arm_m = (arm_mm if end == "rear" else wheelbase_mm(bike) - arm_mm) / 1e3
    felt_kg = 1.0 / (1.0 / chassis.sprung_mass_kg + arm_m**2 / chassis.pitch_inertia_kg_m2)
    try:
        wheel_rate = wheel_rate_n_per_mm(bike, end, static_sag(bike)[end].shaft_mm)
    except BikeFileError:  # no spring in the file, or one that does not carry the motorcycle
        return WheelHop(band_hz=WIDE_BAND_HZ[end])
    tyre_n_m = 1e3 * wheel.tyre_rate_n_per_mm
    tyre_hz = float(np.sqrt(tyre_n_m / wheel.unsprung_mass_kg)) / (2 * np.pi)
    known = WheelHop(
        mass_ratio=wheel.unsprung_mass_kg / felt_kg,
        spring_share=1e3 * wheel_rate / tyre_n_m,
        tyre_damping=1e3
        * wheel.tyre_damping_n_s_per_mm
        / wheel.unsprung_mass_kg
        / (2 * np.pi * REFERENCE_HZ),
        damping_ratio=_sound_ratio(bike, end),
        from_bike=True,
    )
    hop_hz, _ = hop_mode(known, tyre_hz, 0.0)
    return replace(known, band_hz=((1 - BAND_SHARE) * hop_hz, (1 + BAND_SHARE) * hop_hz))


# A sound damper is springy in series with its valves, and friction that sticks is a spring of its own: both put the hop
# of a working wheel above that of an undamped one. With a damper as stiff as the tyre and hardly moving it is sqrt(2).
STIFFENED = float(np.sqrt(2.0))


def as_it_works(hop: WheelHop) -> WheelHop:
    """The same with the band of a wheel whose damper works, which reaches higher."""
    low, high = hop.band_hz
    return replace(hop, band_hz=(low, min(STIFFENED * high, HIGH_HZ[0])))


def _sound_ratio(bike: Bike, end: End) -> float | None:
    try:
        found = bike_modes(bike)
    except BikeFileError:
        return None
    hops = [mode for mode in found if int(np.argmax(np.abs(mode.shape))) == (2 if end == "front" else 3)]
    return hops[-1].damping_ratio if hops else None


def coefficients(hop: WheelHop, tyre_hz: FloatArray, damping: FloatArray) -> FloatArray:
    """Coefficients (..., 5) of (v'', v', v, x, int x) in the equation above.

    ``tyre_hz`` is sqrt(k_t/m) / 2 pi [Hz]; ``damping`` (c + c_t)/m over 2 pi `REFERENCE_HZ`: the tyre's part first, the
    damper's on top.
    """
    mu = hop.mass_ratio
    tyre, damping = (np.asarray(tyre_hz) / REFERENCE_HZ) ** 2, np.asarray(damping)
    spring = hop.spring_share * tyre
    rubber = np.minimum(damping, hop.tyre_damping)
    damper = damping - rubber
    row = np.empty((*np.broadcast_shapes(tyre.shape, damping.shape), 5))
    row[..., 0] = 1.0
    row[..., 1] = damper * (1 + mu) + rubber
    row[..., 2] = tyre + spring * (1 + mu) + mu * damper * rubber
    row[..., 3] = mu * (tyre * damper + spring * rubber)
    row[..., 4] = mu * tyre * spring
    return row


GAINS_TOGETHER = 512


def log_gain(coefficient: FloatArray) -> FloatArray:
    """Mean over the band of ln |A|^2, with A the left side of the equation as a filter; (..., 5) to (...).

    The term of the likelihood in the frequency domain (P. Whittle, Ark. Mat. 2 (1953) 423-434) for a filter seen in a
    band; without it the least residual would always choose the most damped pole.
    """
    rows = coefficient.reshape(-1, 5)
    found = np.empty(len(rows))
    # some at a time: what fits the cache costs a quarter
    for first in range(0, len(rows), GAINS_TOGETHER):
        here = slice(first, first + GAINS_TOGETHER)
        real, imaginary = (rows[here] @ part for part in _BAND_PARTS)
        np.multiply(real, real, out=real)
        np.multiply(imaginary, imaginary, out=imaginary)
        real += imaginary
        np.matmul(np.log(real, out=real), _BAND_SHARE, out=found[here])
    return found.reshape(coefficient.shape[:-1])


def band_response(coefficient: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
    """A at each frequency, shape (..., n), of coefficients of shape (..., 5)."""
    w = frequency_hz / REFERENCE_HZ
    first, second, third, fourth, fifth = (coefficient[..., i, None] for i in range(5))
    found = np.empty((*coefficient.shape[:-1], len(w)), dtype=np.complex128)
    np.subtract(third - first * w**2, fifth / w**2, out=found.real)
    np.subtract(second * w, fourth / w, out=found.imag)
    return found


def band_gain(coefficient: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """|A|^2 at each frequency, shape (..., n), of coefficients of shape (..., 5)."""
    real, imaginary = _response_parts(coefficient, _terms(frequency_hz))
    return np.asarray(real**2 + imaginary**2)


def _terms(frequency_hz: FloatArray) -> FloatArray:
    """What each coefficient adds to the real part of A and, behind it, to the imaginary; shape (5, 2 n)."""
    w, none = frequency_hz / REFERENCE_HZ, np.zeros_like(frequency_hz)
    real = np.stack([-(w**2), none, np.ones_like(w), none, -1.0 / w**2])
    imaginary = np.stack([none, w, none, -1.0 / w, none])
    return np.concatenate([real, imaginary], axis=1)


def _response_parts(coefficient: FloatArray, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    both = (coefficient.reshape(-1, 5) @ terms).reshape(*coefficient.shape[:-1], terms.shape[1])
    middle = terms.shape[1] // 2
    return both[..., :middle], both[..., middle:]


_BAND_PARTS = tuple(np.ascontiguousarray(part) for part in np.split(_terms(FREQUENCY_HZ), 2, axis=1))
_BAND_SHARE = BAND_WEIGHT / BAND_WEIGHT.sum()


def hop_modes(hop: WheelHop, tyre_hz: FloatArray, damping: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Undamped natural frequencies [Hz] and damping ratios of the hop of quarter vehicles, as in `coefficients`."""
    row = coefficients(hop, tyre_hz, damping)
    # eigenvalues of the companion matrices are the roots of the equations, whose first coefficient is 1
    companion = np.zeros((len(row), 4, 4))
    companion[:, 0] = -row[:, 1:]
    companion[:, [1, 2, 3], [0, 1, 2]] = 1.0
    roots = np.linalg.eigvals(companion)
    size = np.abs(roots)
    fastest = size.argmax(axis=1)[:, None]
    size, real = (np.take_along_axis(part, fastest, axis=1)[:, 0] for part in (size, roots.real))
    return size * REFERENCE_HZ, -real / size


def hop_mode(hop: WheelHop, tyre_hz: float, damping: float) -> tuple[float, float]:
    """The same for one: frequency [Hz] and damping ratio."""
    hz, ratio = hop_modes(hop, np.array([tyre_hz]), np.array([damping]))
    return float(hz[0]), float(ratio[0])


def hop_ratio(hop: WheelHop, tyre_hz: FloatArray, damping: FloatArray) -> FloatArray:
    """Damping ratio of the hop, continued so that it always rises with the damping.

    Beyond `WELL_BELOW_CRITICAL` wheel and chassis move as one and the mode's ratio no longer tells the damper: there it
    is in proportion to the damping.
    """
    # c = 2 ratio sqrt(k m), the textbook's ratio of one mass
    most = 2.0 * WELL_BELOW_CRITICAL * tyre_hz * _hop_over_tyre(hop) / REFERENCE_HZ
    inside = np.minimum(damping, most)
    return hop_modes(hop, tyre_hz, inside)[1] * damping / inside


def tyre_hz_of(hop: WheelHop, hop_hz: float) -> float:
    """The tyre frequency that puts the undamped hop at ``hop_hz``. [Hz]"""
    return hop_hz / _hop_over_tyre(hop)


@cache
def _hop_over_tyre(hop: WheelHop) -> float:
    return hop_mode(hop, 1.0, 0.0)[0]
