"""Balance: both ends against each other. All ratios are rear over front, at the wheel."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from telemetry.arrays import End, FloatArray, IntArray
from telemetry.numeric import student_t


@dataclass(frozen=True)
class Ratio:
    """A ratio with its 95 % intervals; None where it cannot be told.

    Parameters
    ----------
    ci95 : tuple of float or None
        Of the ratio itself: other bumps of the kind, or other stretches of the ride, would lie in it. Says something
        of the motorcycle.
    noise_ci95 : tuple of float or None
        Of the sensors' noise alone: the very same bumps met again in the same way would. Says whether two runs over
        the same bumps differ; another line or speed over them is not in it.
    """

    value: float | None
    ci95: tuple[float, float] | None = None
    noise_ci95: tuple[float, float] | None = None


@dataclass(frozen=True)
class SpeedRatio:
    """RMS wheel speed, rear over front, by direction."""

    compression: float | None
    rebound: float | None


@dataclass(frozen=True)
class BumpGroup:
    """Same-bump ratios of some of the pairs.

    ``kind`` is size or grain (ordinary roughness), of all pairs with both ends on the ground; or of the clear ones
    phase, corner, braking (for one corner), lap or disturbed (brake or drive came or went).
    """

    kind: str
    name: str
    pairs: int
    compression: Ratio
    rebound: Ratio


@dataclass(frozen=True)
class BumpMeasure:
    """One measure of the stacked response of both ends, and its ratio; None where an end has none."""

    name: str
    front: float | None
    rear: float | None
    ratio: Ratio


@dataclass(frozen=True)
class BumpResponse:
    """Average wheel travel of both ends about a bump, each from the moment it met it, from the travel before. [mm]

    ``pairs`` is of how many clear bumps: those at which neither brake nor drive came or went, all where these are too
    few; 0 in what was stored before it was counted.
    """

    lag_ms: tuple[float, ...]
    front_mm: tuple[float, ...]
    rear_mm: tuple[float, ...]
    measures: tuple[BumpMeasure, ...]
    pairs: int = 0


@dataclass(frozen=True)
class SameBump:
    """Bumps that both ends met: peak wheel speeds of the rear over the front, wheelbase / speed apart.

    They rest on the clear bumps, well above the ordinary roughness of the road (`telemetry.balance.bumps`), less the
    speed at which load came or went. Ratios are of sums over bumps, so that a bump counts by how much it moved the
    ends; intervals are those of `Ratio`. Groups and response stand with a whole run only.

    Parameters
    ----------
    pairs, places : int
        Clear bumps, and at how many places of the lap.
    disturbed_pairs : int
        Those of them at which brake or drive came or went.
    grain_pairs, hanging_pairs : int
        Bumps not used: no larger than the road makes everywhere; an end was fully extended just before.
    every_compression_ratio, every_rebound_ratio : float or None
        Over every bump that both ends met on the ground, ordinary roughness too: friction and wheel hop are in it,
        alike in two runs over one road, so it compares laps, which have few clear bumps.
    """

    pairs: int
    compression_ratio: float | None
    compression_ratio_ci95: tuple[float, float] | None
    rebound_ratio: float | None
    rebound_ratio_ci95: tuple[float, float] | None
    delay_residual_ms: float | None
    depth_ratio: float | None = None
    depth_ratio_ci95: tuple[float, float] | None = None
    compression_ratio_noise_ci95: tuple[float, float] | None = None
    rebound_ratio_noise_ci95: tuple[float, float] | None = None
    disturbed_pairs: int = 0
    groups: tuple[BumpGroup, ...] = ()
    response: BumpResponse | None = None
    places: int = 0
    grain_pairs: int = 0
    hanging_pairs: int = 0
    every_compression_ratio: float | None = None
    every_rebound_ratio: float | None = None

    @property
    def compression(self) -> Ratio:
        """Compression ratio with its intervals."""
        return Ratio(self.compression_ratio, self.compression_ratio_ci95, self.compression_ratio_noise_ci95)

    @property
    def rebound(self) -> Ratio:
        """Rebound ratio with its intervals."""
        return Ratio(self.rebound_ratio, self.rebound_ratio_ci95, self.rebound_ratio_noise_ci95)


@dataclass(frozen=True)
class EndDamping:
    """Damping ratios of one end by direction, and the standard deviations of their logarithms."""

    compression: float
    rebound: float
    compression_log_sd: float
    rebound_log_sd: float


@dataclass(frozen=True)
class DampingBalance:
    """Damping ratio of the rear over that of the front, by direction; see `telemetry.balance.resistance`.

    Parameters
    ----------
    compression, rebound : Ratio
        1 when both ends settle alike for what they carry; above 1 the rear is damped more, so it is the slower.
    residual_delay_ms : float or None
        How much later than wheelbase / speed the rear met the road of the front. [ms]
    explained : float or None
        Share of the unlikeness of the two roads that the dampers explain.
    windows : int
        Stretches of 8 s it rests on.
    reason : str
        Why it cannot be told, "" when it can.
    """

    compression: Ratio
    rebound: Ratio
    ends: Mapping[End, EndDamping]
    residual_delay_ms: float | None
    explained: float | None
    windows: int
    reason: str = ""


@dataclass(frozen=True)
class PitchSummary:
    """Pitch from the wheel travels, positive nose down. [deg, deg/s]"""

    mean_deg: float | None
    min_deg: float | None
    max_deg: float | None
    rms_rate_deg_s: float | None


@dataclass(frozen=True)
class DirectionBalance:
    """Wheel speed in one direction, rear over front.

    ``slope`` is that of the rear's quantiles over the front's through the body of the distribution, ``low`` and
    ``high`` the same below and above where low speed ends; see `telemetry.balance.measure`.
    """

    rms: float | None
    slope: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class SpeedBalance:
    """Speed balance by direction; ``split_mm_s`` is where low speed ends at the wheel, mean of both ends. [mm/s]

    ``asymmetry`` is of each end by itself: the slope of its quantiles of compression speed over those of rebound.
    """

    compression: DirectionBalance
    rebound: DirectionBalance
    split_mm_s: float | None
    asymmetry: Mapping[End, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class BandShare:
    """Share of the motion of both wheels in one band that is heave and that is pitch; they sum to 1. [Hz]"""

    low_hz: float
    high_hz: float
    rms_mm: float
    heave_share: float
    pitch_share: float


@dataclass(frozen=True)
class GeometryMovement:
    """How much one quantity of the steering moves: 5 to 95 % of the time. ``pitch_share`` is of its variance."""

    name: str
    unit: str
    median: float
    spread: float
    pitch_share: float | None


@dataclass(frozen=True)
class ChassisMotion:
    """Pitch and heave of the chassis from the wheel travels, and the steering geometry that moves with them.

    ``heave`` is up positive (ISO 8855): minus the mean of both wheel travels. ``coherence`` and ``rear_lag_deg`` are
    those of the rear against the front in the body band; the lag is positive when the rear moves later.
    """

    heave_rms_mm: float
    bands: tuple[BandShare, ...]
    body_band_hz: tuple[float, float]
    coherence: float | None
    rear_lag_deg: float | None
    geometry: tuple[GeometryMovement, ...]


@dataclass(frozen=True)
class LightWheel:
    """A time in which a tyre carried little of its static load, from the loads and the travel.

    Parameters
    ----------
    end : {"front", "rear"}
    lap, distance_m, corner, phase
        Place of its begin, as far as it is known.
    hanging_s : float
        How long of it the end was fully extended, the wheel off the ground or as good as. [s]
    least_share : float or None
        Of what the tyre carries standing with the rider, at its least; None without masses and springs.
    under : str
        "braking", "drive" or "".
    """

    end: End
    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None
    hanging_s: float
    least_share: float | None
    under: str = ""


@dataclass(frozen=True)
class Gain:
    """Effect of 1 m/s2, with its 95 % interval over stretches."""

    value: float
    ci95: tuple[float, float]


@dataclass(frozen=True)
class ZoneAnswer:
    """What an end did at one corner: the mean over laps, with its 95 % interval.

    Parameters
    ----------
    kind : str
        "dive": fork travel along the leg per m/s2 of upright braking for the corner [mm]; "squat": rear wheel travel
        per m/s2 of upright drive out of it [mm]; "left": rear wheel travel left to extend while braking for it [mm].
    """

    kind: str
    corner: int
    laps: int
    value: float
    ci95: tuple[float, float]


@dataclass(frozen=True)
class WeightTransfer:
    """Dive and squat, all over upright stretches; None without the lean or with few stretches.

    As ridden is the plain slope over acceleration: what this ride's speeds and quick changes of brake and throttle
    make of it. Steady is at one speed, with the acceleration held: what springs and geometry make of it, and the one to
    compare set-ups by.

    Parameters
    ----------
    brakings, drives : int
        Brakings of at least 0.8 s below -4 m/s2; stretches of upright drive.
    dive_deg_per_m_s2 : float or None
        Pitch gained per m/s2 of upright braking as ridden, nose down positive.
    return_deg_s : float or None
        Fastest return of the pitch when the brake is let go (a magnitude).
    settle_s : float or None
        From the release until a tenth of the pitch gained is left, against where it settles. [s]
    rear_left_mm : float or None
        Rear wheel travel that was left to extend under braking, exceeded 95 % of the time.
    squat_deg_per_m_s2 : float or None
        Pitch lost per m/s2 of upright drive as ridden, nose up positive.
    rear_squat_mm_per_m_s2 : float or None
        Rear wheel travel gained per m/s2 of upright drive as ridden.
    steady_dive, steady_fork_dive : Gain or None
        Pitch [deg] and fork travel along the leg [mm] gained per m/s2 of steady upright braking.
    steady_squat, steady_rear_squat : Gain or None
        Pitch lost [deg] and rear wheel travel gained [mm] per m/s2 of steady upright drive.
    stretches : int
        Stretches of upright braking.
    zones : tuple of ZoneAnswer
        Corner by corner, where there are laps enough.
    """

    brakings: int
    drives: int
    dive_deg_per_m_s2: float | None
    dive_ci95: tuple[float, float] | None
    return_deg_s: float | None
    settle_s: float | None
    rear_left_mm: float | None
    squat_deg_per_m_s2: float | None
    rear_squat_mm_per_m_s2: float | None
    squat_ci95: tuple[float, float] | None = None
    rear_squat_ci95: tuple[float, float] | None = None
    steady_dive: Gain | None = None
    steady_fork_dive: Gain | None = None
    steady_squat: Gain | None = None
    steady_rear_squat: Gain | None = None
    lean_known: bool = True
    stretches: int = 0
    zones: tuple[ZoneAnswer, ...] = ()

    @property
    def dive(self) -> Gain | None:
        """Pitch under braking as ridden."""
        return _gain(self.dive_deg_per_m_s2, self.dive_ci95)

    @property
    def squat(self) -> Gain | None:
        """Pitch under drive as ridden, nose up positive."""
        return _gain(self.squat_deg_per_m_s2, self.squat_ci95)

    @property
    def rear_squat(self) -> Gain | None:
        """Rear wheel travel under drive as ridden."""
        return _gain(self.rear_squat_mm_per_m_s2, self.rear_squat_ci95)


def _gain(value: float | None, ci95: tuple[float, float] | None) -> Gain | None:
    return None if value is None or ci95 is None else Gain(value, ci95)


@dataclass(frozen=True)
class PhaseBalance:
    """Speed balance and pitch in one corner phase."""

    phase: str
    time_share: float
    compression_ratio: float | None
    rebound_ratio: float | None
    front_mean_mm: float | None
    rear_mean_mm: float | None
    pitch_mean_deg: float | None
    compression_slope: float | None = None
    rebound_slope: float | None = None


@dataclass(frozen=True)
class Balance:
    """Balance over a run or a lap; ``reason`` says why it cannot be told, "" when it can."""

    speed_ratio: SpeedRatio
    same_bump: SameBump | None
    pitch: PitchSummary
    per_phase: tuple[PhaseBalance, ...]
    reason: str = ""
    speed: SpeedBalance | None = None
    chassis: ChassisMotion | None = None
    transfer: WeightTransfer | None = None
    damping: DampingBalance | None = None


MIN_PLACES = 4
LARGEST_SHARE = 0.8  # of the front's sum in one place: more, and there is nothing to compare it with
NORMAL_975 = 1.959964


def half_width(sd: float, n: float) -> float:
    """Half of a 95 % interval from a standard error and the number of independent values (Student's t, n - 1)."""
    return student_t(0.975, max(n - 1, 1.0)) * sd


def ratio_of_sums(
    front: FloatArray,
    rear: FloatArray,
    place: IntArray,
    noise: tuple[float, float] | None = None,
    weight: FloatArray | None = None,
) -> Ratio:
    """Sum of the rear over sum of the front, with its 95 % intervals; None below `MIN_PLACES` different bumps.

    A ratio estimator with places as clusters: a bump met again is no new evidence (W. G. Cochran, Sampling Techniques,
    3rd ed., Wiley 1977, ch. 6 and 9A). A large bump counts by how far it moved the ends. ``ci95`` is a jackknife over
    places of the logarithm (J. G. MacKinnon, H. White, J. Econometrics 29(3), 305-325, 1985,
    doi:10.1016/0304-4076(85)90158-7; from memory) with the degrees of freedom of the effective number of places (L.
    Kish, Survey Sampling, Wiley 1965, sec. 11.7; from memory). ``noise_ci95`` is for the sensors' noise alone;
    ``noise`` its standard deviation at front and rear. ``front`` and ``rear`` are positive.
    """
    weight = np.ones(len(front)) if weight is None else weight
    front, rear = weight * front, weight * rear
    places = _places(front, place)
    if places is None:
        return Ratio(None)
    group, share = places
    n, ratio = len(share), float(rear.sum() / front.sum())
    residual = np.bincount(group, weights=rear - ratio * front) / (1 - share)
    sd = float(np.sqrt(np.sum(residual**2) * (n - 1) / n) / rear.sum())
    half = half_width(sd, float(1 / np.sum(share**2)))
    if noise is None:
        return Ratio(ratio, _about(ratio, half))
    noise_sd = float(np.sqrt(np.sum(weight**2)) * np.hypot(noise[0] / front.sum(), noise[1] / rear.sum()))
    return Ratio(ratio, _about(ratio, half), _about(ratio, NORMAL_975 * noise_sd))


def plain_ratio(front: FloatArray, rear: FloatArray, place: IntArray, weight: FloatArray) -> float | None:
    """The ratio of `ratio_of_sums` without its intervals."""
    front, rear = weight * front, weight * rear
    return None if _places(front, place) is None else float(rear.sum() / front.sum())


def _places(front: FloatArray, place: IntArray) -> tuple[IntArray, FloatArray] | None:
    """Place of each bump, counted from 0, and every place's share of the front's sum; None where these do not serve."""
    _, group = np.unique(place, return_inverse=True)
    if int(group.max(initial=-1)) + 1 < MIN_PLACES:
        return None
    share = np.bincount(group, weights=front) / front.sum()
    return None if share.max() > LARGEST_SHARE else (group, share)


def _about(ratio: float, half: float) -> tuple[float, float]:
    return ratio * float(np.exp(-half)), ratio * float(np.exp(half))
