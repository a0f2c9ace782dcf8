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

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from telemetry.arrays import End, FloatArray
from telemetry.bike import Bike, bike_modes, wheel_rate_n_per_mm
from telemetry.bike.springs import static_sag
from telemetry.damping.band import BAND_WEIGHT, FREQUENCY_HZ
from telemetry.errors import BikeFileError

ComplexArray = npt.NDArray[np.complex128]

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

    Parameters
    ----------
    mass_ratio : float
        Unsprung mass over the sprung mass felt at the axle.
    spring_share : float
        Suspension rate at the wheel over tyre rate.
    tyre_damping : float
        c_t/m over 2 pi `REFERENCE_HZ`.
    band_hz : tuple of float
        Where the undamped hop may lie. [Hz]
    damping_ratio : float or None
        Of the hop with a sound damper at low speed, from the bike file.
    from_bike : bool
        Whether the bike file gave the band.
    """

    mass_ratio: float = USUAL_MASS_RATIO
    spring_share: float = USUAL_SPRING_SHARE
    tyre_damping: float = USUAL_TYRE_DAMPING
    band_hz: tuple[float, float] = WIDE_BAND_HZ["rear"]
    damping_ratio: float | None = None
    from_bike: bool = False


def wheel_hop(bike: Bike, end: End) -> WheelHop:
    """What the bike file says of the wheel hop of one end; a wide default where it is silent.

    Parameters
    ----------
    end : {"front", "rear"}
    """
    wheel, chassis = bike.end(end), bike.chassis
    if wheel.unsprung_mass_kg is None or wheel.tyre_rate_n_per_mm is None:
        return WheelHop(band_hz=WIDE_BAND_HZ[end])
    if chassis is None or chassis.pitch_inertia_kg_m2 is None:
        return WheelHop(band_hz=WIDE_BAND_HZ[end])
    arm_mm = chassis.com_to_rear_axle_mm
    arm_m = (arm_mm if end == "rear" else bike.wheelbase_mm - arm_mm) / 1e3
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


def _sound_ratio(bike: Bike, end: End) -> float | None:
    try:
        found = bike_modes(bike)
    except BikeFileError:
        return None
    hops = [mode for mode in found if int(np.argmax(np.abs(mode.shape))) == (2 if end == "front" else 3)]
    return hops[-1].damping_ratio if hops else None


def coefficients(hop: WheelHop, tyre_hz: FloatArray, damping: FloatArray) -> FloatArray:
    """Coefficients of (v'', v', v, x, int x) in the equation above.

    Parameters
    ----------
    tyre_hz : ndarray
        sqrt(k_t/m) / 2 pi. [Hz]
    damping : ndarray
        (c + c_t)/m over 2 pi `REFERENCE_HZ`, same shape: the tyre's part first, the damper's on top of it.

    Returns
    -------
    ndarray of shape (..., 5)
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


def log_gain(coefficient: FloatArray) -> FloatArray:
    """Mean over the band of ln |A|^2, with A the left side of the equation as a filter.

    It is what a likelihood in the frequency domain [1]_ adds for a filter that is looked at in a band only;
    without it the least residual would always choose the most damped pole.

    Parameters
    ----------
    coefficient : ndarray of shape (..., 5)

    Returns
    -------
    ndarray of shape (...)

    References
    ----------
    .. [1] P. Whittle, Ark. Mat. 2 (1953) 423-434.
    """
    real, imaginary = (coefficient.reshape(-1, 5) @ part for part in _BAND_PARTS)
    np.multiply(real, real, out=real)
    np.multiply(imaginary, imaginary, out=imaginary)
    real += imaginary
    return np.asarray((np.log(real, out=real) @ _BAND_SHARE).reshape(coefficient.shape[:-1]))


def band_response(coefficient: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
    """A at each frequency, shape (..., n), of coefficients of shape (..., 5)."""
    real, imaginary = _response_parts(coefficient, _terms(frequency_hz))
    return np.asarray(real + 1j * imaginary)


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
    """Frequency and damping ratio of the wheel hop of quarter vehicles.

    Parameters
    ----------
    tyre_hz, damping : ndarray of shape (n,)
        As in `coefficients`.

    Returns
    -------
    tuple of ndarray of shape (n,)
        Undamped natural frequencies [Hz] and damping ratios.
    """
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
    """Damping ratio of the hop that rises with the damping throughout.

    Beyond `WELL_BELOW_CRITICAL` wheel and chassis begin to move as one: the mode's own ratio stays where it is, then
    leaps to 1, and no longer tells the damper. From there on it is continued in proportion to the damping.

    Parameters
    ----------
    tyre_hz, damping : ndarray of shape (n,)
        As in `coefficients`.

    Returns
    -------
    ndarray of shape (n,)
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
