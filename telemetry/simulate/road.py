"""The road: random unevenness after ISO 8608, with bumps, kerb ridges and rough stretches at places.

A road belongs to a circuit: it is a function of the place alone, closed upon itself, the same on every lap.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray

# ISO 8608:2016: displacement PSD at 0.1 cycles/m, geometric mean of each class [m3]; each is 4 times the last
REFERENCE_CYCLES_PER_M = 0.1
CLASS_MEAN_M3 = {name: 16e-6 * 4**i for i, name in enumerate("ABCDEFGH")}
WAVINESS = 2.0


@dataclass(frozen=True)
class Bump:
    """One rise and fall of the road, (1 - cos) shaped, centred at a place. Negative height is a hollow."""

    at_m: float
    height_mm: float
    length_m: float


@dataclass(frozen=True)
class KerbRidges:
    """A row of ridges ridden over: a sine along the road, faded in and out over one spacing at each end.

    ``rear_only``: the front wheel passes beside them.
    """

    start_m: float
    end_m: float
    height_mm: float
    spacing_m: float
    rear_only: bool = False


@dataclass(frozen=True)
class RoughStretch:
    """A stretch whose random unevenness is ``factor`` times as high as elsewhere."""

    start_m: float
    end_m: float
    factor: float


Feature = Bump | KerbRidges | RoughStretch


@dataclass(frozen=True)
class Road:
    """How uneven a circuit is.

    Parameters
    ----------
    psd_m3 : float
        Displacement PSD at 0.1 cycles/m. [m3]
    waviness : float
        Its exponent w.
    features : tuple of Bump, KerbRidges or RoughStretch
        Places are metres of lap distance.
    least_cycles_per_m, most_cycles_per_m : float
        Band of the random part. Shorter waves are swallowed by the tyre's contact patch. [1/m]
    step_m : float
        About how far apart the points of the profile are. [m]
    """

    psd_m3: float = 24e-6
    waviness: float = WAVINESS
    features: tuple[Feature, ...] = ()
    least_cycles_per_m: float = 0.011
    most_cycles_per_m: float = 5.0
    step_m: float = 0.02


def psd_m3(cycles_per_m: FloatArray, psd_at_reference_m3: float, waviness: float = WAVINESS) -> FloatArray:
    """Displacement PSD of a road, one-sided: Gd(n0) (n / n0)^-w, n0 = 0.1 cycles/m.

    Parameters
    ----------
    cycles_per_m : ndarray
        Spatial frequency, above 0. [1/m]
    psd_at_reference_m3 : float
        Gd(n0). [m3]

    Returns
    -------
    ndarray
        [m3]

    References
    ----------
    .. [1] ISO 8608:2016, Mechanical vibration - Road surface profiles - Reporting of measured data.
    """
    return psd_at_reference_m3 * (np.asarray(cycles_per_m) / REFERENCE_CYCLES_PER_M) ** -waviness


def random_profile_m(road: Road, length_m: float, rng: np.random.Generator) -> tuple[float, FloatArray]:
    """Random part of a closed road: a sum of cosines with the amplitudes of the PSD and random phases.

    Parameters
    ----------
    length_m : float
        Of the closed road; spectral lines are 1 / length apart. [m]

    Returns
    -------
    float, ndarray of shape (n_points,)
        Distance between points and height. [m, m]

    References
    ----------
    .. [1] M. Shinozuka, C.-M. Jan, J. Sound Vib. 25(1), 111-128, 1972, doi:10.1016/0022-460X(72)90600-1.
    """
    n_points = int(np.ceil(length_m / road.step_m))
    cycles_per_m = np.arange(n_points // 2 + 1) / length_m
    inside = (cycles_per_m >= road.least_cycles_per_m) & (cycles_per_m <= road.most_cycles_per_m)
    phase = rng.uniform(0.0, 2.0 * np.pi, len(cycles_per_m))
    amplitude = np.zeros(len(cycles_per_m))
    amplitude[inside] = np.sqrt(2.0 * psd_m3(cycles_per_m[inside], road.psd_m3, road.waviness) / length_m)
    return length_m / n_points, np.fft.irfft(0.5 * n_points * amplitude * np.exp(1j * phase), n_points)


def _along(place_m: FloatArray, start_m: float, length_m: float) -> FloatArray:
    """Distance from a start, forward round the closed road."""
    return (place_m - start_m) % length_m


def _faded(along_m: FloatArray, extent_m: float, fade_m: float) -> FloatArray:
    """1 inside an extent, falling to 0 as a half cosine at its two ends."""
    rise = np.clip(np.minimum(along_m, extent_m - along_m) / fade_m, 0.0, 1.0)
    return 0.5 * (1.0 - np.cos(np.pi * rise))


@dataclass(frozen=True)
class RoadProfile:
    """A closed road as each wheel meets it: points evenly apart, the first at lap distance 0. [m]"""

    step_m: float
    front_m: FloatArray
    rear_m: FloatArray


def _rise_m(feature: Bump | KerbRidges, place_m: FloatArray, length_m: float) -> FloatArray:
    """What a bump or a row of ridges adds to the height."""
    if isinstance(feature, Bump):
        along = _along(place_m, feature.at_m - 0.5 * feature.length_m, length_m) / feature.length_m
        return 0.5e-3 * feature.height_mm * (1.0 - np.cos(2.0 * np.pi * np.minimum(along, 1.0)))
    along = _along(place_m, feature.start_m, length_m)
    share = _faded(along, feature.end_m - feature.start_m, feature.spacing_m)
    return 0.5e-3 * feature.height_mm * share * np.sin(2.0 * np.pi * along / feature.spacing_m)


def road_profile(road: Road, length_m: float, rng: np.random.Generator) -> RoadProfile:
    """A closed road with everything on it.

    Parameters
    ----------
    length_m : float
        Of the lap. [m]
    """
    step_m, height = random_profile_m(road, length_m, rng)
    place = step_m * np.arange(len(height), dtype=np.float64)
    for feature in road.features:
        if isinstance(feature, RoughStretch):
            along = _along(place, feature.start_m, length_m)
            share = _faded(along, feature.end_m - feature.start_m, 5.0)
            height = height * (1.0 + (feature.factor - 1.0) * share)
    front, rear = height.copy(), height.copy()
    for feature in road.features:
        if not isinstance(feature, RoughStretch):
            rise = _rise_m(feature, place, length_m)
            rear += rise
            if not (isinstance(feature, KerbRidges) and feature.rear_only):
                front += rise
    return RoadProfile(step_m, front, rear)


def flat_road(length_m: float = 100.0) -> RoadProfile:
    """A road without any unevenness.

    Parameters
    ----------
    length_m : float
        [m]
    """
    nil = np.zeros(8)
    return RoadProfile(length_m / len(nil), nil, nil)
