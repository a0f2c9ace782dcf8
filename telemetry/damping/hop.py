"""The rear wheel between tyre and suspension: its equation of motion, its hop mode, and where to look for it.

With x the rear wheel travel (compression positive), m the unsprung mass, c and k the suspension at the wheel,
k_t the tyre and M the sprung mass felt at the rear axle, the quarter vehicle says of the travel speed v

    v'' + c/m (1 + mu) v' + (k_t/m + k/m (1 + mu)) v + mu k_t/m (c/m x + k/m int x) = what the road did

with mu = m/M. It is linear in signals that can be computed from the log, and only c changes when the damper
fails: tyre and masses stay. Frequencies are in units of `REFERENCE_HZ`, so that all terms are of one size.

References
----------
.. [1] J. K. Hedrick, T. Butsuen, Proc. IMechE 204 (1990), invariant properties of the quarter vehicle.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike import Bike, bike_modes, wheel_rate_n_per_mm
from telemetry.bike.springs import static_sag
from telemetry.damping.band import BAND_WEIGHT, FREQUENCY_HZ
from telemetry.errors import BikeFileError

REFERENCE_HZ = 15.0
# Hop of an undamped rear wheel on a race tyre, when the bike file does not say; common practice, no source.
WIDE_BAND_HZ = (11.0, 21.0)
# Tyre rates change with pressure, load and speed: the bike file's hop is known to about this share.
BAND_SHARE = 0.15
USUAL_MASS_RATIO = 0.5  # 20 kg of wheel under the 40 kg that heave and pitch leave at the rear axle
USUAL_SPRING_SHARE = 0.12


@dataclass(frozen=True)
class RearHop:
    """What is known of the rear wheel before the log is seen.

    Parameters
    ----------
    mass_ratio : float
        Unsprung mass over the sprung mass felt at the rear axle.
    spring_share : float
        Suspension rate at the wheel over tyre rate.
    band_hz : tuple of float
        Where the undamped hop may lie. [Hz]
    damping_ratio : float or None
        Of the hop with a sound damper at low speed, from the bike file.
    from_bike : bool
        Whether the bike file gave the band.
    """

    mass_ratio: float = USUAL_MASS_RATIO
    spring_share: float = USUAL_SPRING_SHARE
    band_hz: tuple[float, float] = WIDE_BAND_HZ
    damping_ratio: float | None = None
    from_bike: bool = False


def rear_hop(bike: Bike) -> RearHop:
    """What the bike file says of the rear wheel hop; a wide default where it is silent.

    Parameters
    ----------
    bike : Bike

    Returns
    -------
    RearHop
    """
    rear, chassis = bike.rear, bike.chassis
    if rear.unsprung_mass_kg is None or rear.tyre_rate_n_per_mm is None or chassis is None:
        return RearHop()
    arm_m = chassis.com_to_rear_axle_mm / 1e3
    felt_kg = 1.0 / (1.0 / chassis.sprung_mass_kg + arm_m**2 / chassis.pitch_inertia_kg_m2)
    wheel_rate = wheel_rate_n_per_mm(bike, "rear", static_sag(bike)["rear"].shaft_mm)
    known = RearHop(rear.unsprung_mass_kg / felt_kg, wheel_rate / rear.tyre_rate_n_per_mm)
    tyre_hz = float(np.sqrt(1e3 * rear.tyre_rate_n_per_mm / rear.unsprung_mass_kg)) / (2 * np.pi)
    hop_hz, _ = hop_mode(known, tyre_hz, 0.0)
    return RearHop(
        known.mass_ratio,
        known.spring_share,
        ((1 - BAND_SHARE) * hop_hz, (1 + BAND_SHARE) * hop_hz),
        _sound_ratio(bike),
        from_bike=True,
    )


def _sound_ratio(bike: Bike) -> float | None:
    try:
        found = bike_modes(bike)
    except BikeFileError:
        return None
    hops = [mode for mode in found if int(np.argmax(np.abs(mode.shape))) == 3]
    return hops[-1].damping_ratio if hops else None


def coefficients(hop: RearHop, tyre_hz: FloatArray, damping: FloatArray) -> FloatArray:
    """Coefficients of (v'', v', v, x, int x) in the equation above.

    Parameters
    ----------
    hop : RearHop
    tyre_hz : ndarray
        sqrt(k_t/m) / 2 pi. [Hz]
    damping : ndarray
        c/m over 2 pi `REFERENCE_HZ`, same shape. Unitless.

    Returns
    -------
    ndarray of shape (..., 5)
    """
    mu, share = hop.mass_ratio, hop.spring_share
    tyre = np.asarray((np.asarray(tyre_hz) / REFERENCE_HZ) ** 2)
    damping = np.asarray(damping)
    tyre, damping = np.broadcast_arrays(tyre, damping)
    return np.stack(
        [
            np.ones_like(tyre),
            damping * (1 + mu),
            tyre * (1 + share * (1 + mu)),
            mu * tyre * damping,
            mu * share * tyre**2,
        ],
        axis=-1,
    )


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
    s = 1j * FREQUENCY_HZ / REFERENCE_HZ
    gain = np.abs(coefficient @ (s ** np.array([2, 1, 0, -1, -2])[:, None])) ** 2
    return np.asarray(np.log(gain) @ BAND_WEIGHT / BAND_WEIGHT.sum())


def hop_mode(hop: RearHop, tyre_hz: float, damping: float) -> tuple[float, float]:
    """Frequency and damping ratio of the wheel hop of the quarter vehicle.

    Parameters
    ----------
    hop : RearHop
    tyre_hz, damping : float
        As in `coefficients`.

    Returns
    -------
    tuple of float
        Undamped natural frequency [Hz] and damping ratio.
    """
    roots = np.roots(coefficients(hop, np.array(tyre_hz), np.array(damping)))
    fastest = roots[np.argmax(np.abs(roots))]
    size = abs(fastest)
    return float(size * REFERENCE_HZ), float(-fastest.real / size)


def tyre_hz_of(hop: RearHop, hop_hz: float) -> float:
    """The tyre frequency that puts the undamped hop at ``hop_hz``. [Hz]"""
    return hop_hz / hop_mode(hop, 1.0, 0.0)[0]
