"""Front against rear over a selection of samples: speeds, same bump, pitch and heave, transfer, damping."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.balance import (
    Balance,
    BandShare,
    ChassisMotion,
    DirectionBalance,
    GeometryMovement,
    PhaseBalance,
    PitchSummary,
    SpeedBalance,
    SpeedRatio,
)
from telemetry.balance.bumps import BumpPairs
from telemetry.balance.pairs import summarise_pairs
from telemetry.balance.resistance import damping_balance
from telemetry.balance.road import Riding
from telemetry.balance.transfer import weight_transfer
from telemetry.bike import Bike, leverage_curve, rake_trail_wheelbase
from telemetry.laps import PHASES, Track
from telemetry.motion import EndSums, Motion, Sums, find_sums
from telemetry.numeric import all_of_blocks, block_means, finite, quantiles
from telemetry.signals import whole_segments

# The body of a distribution: without the slowest, which are noise and friction, and the fastest, which are few.
BODY = np.linspace(0.10, 0.90, 33)
TAIL = np.linspace(0.10, 0.995, 60)
SPEEDS_WORK_HZ = 125.0
FEWEST = 200  # samples of a direction; fewer have no body


def rms_ratio(front: FloatArray, rear: FloatArray) -> float | None:
    """RMS of the rear over RMS of the front; None when the front does not move or one is empty."""
    if not len(front) or not len(rear):
        return None
    return _root_ratio(float(front @ front), len(front), float(rear @ rear), len(rear))


def _root_ratio(
    front_squares: float, front_samples: float, rear_squares: float, rear_samples: float
) -> float | None:
    """RMS ratio from sums of squares and numbers of samples."""
    if front_squares <= 0 or not rear_samples:
        return None
    return math.sqrt(rear_squares / rear_samples) / math.sqrt(front_squares / front_samples)


def speed_ratio(front_mm_s: FloatArray, rear_mm_s: FloatArray) -> SpeedRatio:
    """RMS wheel speed of the rear over the front, compression and rebound apart.

    Parameters
    ----------
    front_mm_s, rear_mm_s : ndarray of shape (n_samples,)
        Valid wheel speeds, compression positive. [mm/s]

    Returns
    -------
    SpeedRatio
        1 when both ends move equally fast; above 1 the rear is faster.
    """
    return SpeedRatio(
        compression=rms_ratio(front_mm_s[front_mm_s > 0], rear_mm_s[rear_mm_s > 0]),
        rebound=rms_ratio(front_mm_s[front_mm_s < 0], rear_mm_s[rear_mm_s < 0]),
    )


def deming_slope(x: FloatArray, y: FloatArray, *, variance_ratio: float = 1.0) -> float | None:
    """Slope of the line through points uncertain in x and y; None where the points have no slope.

    ``variance_ratio`` is the error variance of y over that of x. Swapping x and y, with the inverse ratio, inverts the
    slope (W. E. Deming, Statistical Adjustment of Data, Wiley 1943; K. Linnet, Clin. Chem. 39(3), 424-432, 1993,
    doi:10.1093/clinchem/39.3.424; both from memory).
    """
    if len(x) < 3:
        return None
    x, y = x - x.sum() / len(x), y - y.sum() / len(y)
    xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
    if xy == 0:
        return None
    bend = yy - variance_ratio * xx
    return (bend + math.sqrt(bend**2 + 4 * variance_ratio * xy**2)) / (2 * xy)


def quantile_slope(front: FloatArray, rear: FloatArray, levels: FloatArray = BODY) -> float | None:
    """Slope of the rear's quantiles over the front's: 1.3 when its whole distribution is 1.3 times as wide.

    Parameters
    ----------
    front, rear : ndarray, shape (n_front,), (n_rear,)
        Magnitudes of speed in one direction. [mm/s]
    levels : ndarray, shape (n_levels,)
        Which quantiles, as shares.

    Returns
    -------
    float or None
        None with too few samples to have a body.
    """
    return _slope(np.sort(front), np.sort(rear), levels)


def _slope(front: FloatArray, rear: FloatArray, levels: FloatArray = BODY) -> float | None:
    """As `quantile_slope`, of magnitudes in order."""
    if min(len(front), len(rear)) < FEWEST:
        return None
    return deming_slope(quantiles(front, levels), quantiles(rear, levels))


def _both_ways(speed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Magnitudes of compression and of rebound speed, each in order."""
    ordered = np.sort(speed)
    return ordered[ordered.searchsorted(0.0, "right") :], -ordered[: ordered.searchsorted(0.0)][::-1]


def speed_balance(motion: Motion, use: BoolArray) -> SpeedBalance:
    """Speed balance over the selected samples, which must be valid at both ends."""
    step = max(1, round(motion.sample_rate_hz / SPEEDS_WORK_HZ))
    thin = use[::step]
    split = _wheel_split(motion, step, thin)
    front, rear = (_both_ways(motion.ends[end].wheel_speed_mm_s[::step][thin]) for end in ENDS)
    compression, rebound = (_direction(*both, split) for both in zip(front, rear, strict=True))
    asymmetry = {end: _slope(*reversed(own)) for end, own in zip(ENDS, (front, rear), strict=True)}
    return SpeedBalance(compression, rebound, split, asymmetry)


def _wheel_split(motion: Motion, step: int, thin: BoolArray) -> float | None:
    """Where low speed ends, at the wheel, mean of both ends."""
    splits = []
    for end in motion.ends.values():
        shaft, wheel = end.shaft_speed_mm_s[::step][thin], end.wheel_speed_mm_s[::step][thin]
        square = float(shaft @ shaft)
        if square <= 0:
            return None
        splits.append(end.speed_split_mm_s * math.sqrt(float(wheel @ wheel) / square))
    return sum(splits) / len(splits)


def _direction(front: FloatArray, rear: FloatArray, split: float | None) -> DirectionBalance:
    """Balance of one direction, from magnitudes in order."""
    if split is None or min(len(front), len(rear)) < FEWEST:
        return DirectionBalance(rms_ratio(front, rear), None, None, None)
    a, b = quantiles(front, TAIL), quantiles(rear, TAIL)
    slow = 0.5 * (a + b) < split
    return DirectionBalance(
        rms_ratio(front, rear),
        _slope(front, rear),
        deming_slope(a[slow], b[slow]),
        deming_slope(a[~slow], b[~slow]),
    )


# Slow weight transfer; bounce and pitch of the body; between; wheel hop. Choices of ours after the modes of
# motorcycles (`telemetry.bike.springs`).
BANDS_HZ = ((0.2, 1.0), (1.0, 4.0), (4.0, 10.0), (10.0, 22.0))
BODY_BAND_HZ = BANDS_HZ[1]
WORK_HZ = 100.0
SEGMENT_S, MOST_SEGMENTS = 5.12, 600
FEWEST_SEGMENTS = 4
MOST_STANDS = 40_000  # moments looked at, spread over the run
GRID = 15  # nodes of each travel: rake is interpolated to 0.001 deg
GEOMETRY = (("rake", "deg"), ("trail", "mm"), ("wheelbase", "mm"))  # as of `rake_trail_wheelbase`


def heave_and_pitch_mm(front_mm: FloatArray, rear_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heave (up positive) and half the difference of the ends (nose down positive), at the axles. [mm]

    Their squares sum to the mean square of both ends, so that they share the motion between them.
    """
    return -0.5 * (front_mm + rear_mm), 0.5 * (front_mm - rear_mm)


def chassis_motion(motion: Motion, use: BoolArray, bike: Bike | None) -> ChassisMotion | None:
    """Pitch and heave over the selected samples; None without a stretch of `SEGMENT_S`, no geometry without a bike."""
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    known = all_of_blocks(use, step)
    front, rear = (
        np.where(known, block_means(motion.ends[end].wheel_travel_mm, step), np.nan) for end in ENDS
    )
    spectra = _spectra(front, rear, rate)
    if spectra is None:
        return None
    frequency, ff, rr, fr, n_segments = spectra
    bands = []
    for low, high in BANDS_HZ:
        inside = (frequency >= low) & (frequency < min(high, 0.45 * rate))
        # |(f + r) / 2|^2 and |(f - r) / 2|^2
        heave = float(np.sum(ff[inside] + rr[inside] + 2 * fr[inside].real)) / 4
        pitch = float(np.sum(ff[inside] + rr[inside] - 2 * fr[inside].real)) / 4
        total = heave + pitch
        if total > 0:
            bands.append(BandShare(low, high, float(np.sqrt(total)), heave / total, pitch / total))
    body = (frequency >= BODY_BAND_HZ[0]) & (frequency < BODY_BAND_HZ[1])
    coherence = lag = None
    power = float(np.sum(np.sqrt(ff[body] * rr[body])))
    if n_segments >= FEWEST_SEGMENTS and power > 0:
        cross = fr[body]
        coherence = float(np.sum(np.abs(cross) ** 2 / np.maximum(ff[body] * rr[body], 1e-30) * ff[body])
                          / np.sum(ff[body]))  # fmt: skip
        lag = float(-np.degrees(np.angle(np.sum(cross))))
    return ChassisMotion(
        heave_rms_mm=_sd(heave_and_pitch_mm(front, rear)[0]),
        bands=tuple(bands),
        body_band_hz=BODY_BAND_HZ,
        coherence=coherence,
        rear_lag_deg=lag,
        geometry=() if bike is None else geometry_movement(bike, front, rear),
    )


def _sd(values: FloatArray) -> float:
    """Standard deviation of what is known."""
    return float(np.std(values[np.isfinite(values)]))


def _spectra(
    front: FloatArray, rear: FloatArray, rate: float
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.complex128], int] | None:
    """Frequency, mean squares of both ends by line, front's conjugate times rear, and how many segments."""
    length = round(SEGMENT_S * rate)
    a, b = (whole_segments(values, length, length // 2, MOST_SEGMENTS) for values in (front, rear))
    if not len(a) or length < 3:  # of two samples the taper leaves nothing
        return None
    taper = np.hanning(length + 1)[:-1]
    for segments in (a, b):
        segments -= segments.mean(axis=1, keepdims=True)
        segments *= taper
    f, r = (np.fft.rfft(segments, axis=1) for segments in (a, b))
    scale = 2.0 / (length * np.sum(taper**2))
    return (
        np.fft.rfftfreq(length, 1 / rate).astype(np.float64),
        scale * np.mean(np.abs(f) ** 2, axis=0),
        scale * np.mean(np.abs(r) ** 2, axis=0),
        scale * np.mean(np.conj(f) * r, axis=0),
        len(a),
    )


def geometry_movement(bike: Bike, front_mm: FloatArray, rear_mm: FloatArray) -> tuple[GeometryMovement, ...]:
    """Movement of rake, trail and wheelbase, and the share of its variance that heave alone would not make.

    Trail only where the bike file gives tyre radius and fork offset. Wheel travel is NaN where invalid. [mm]
    """
    known = np.flatnonzero(np.isfinite(front_mm) & np.isfinite(rear_mm))
    known = known[:: max(1, len(known) // MOST_STANDS)]
    front, rear = front_mm[known], rear_mm[known]
    if len(front) < 2:
        return ()
    curves = {end: leverage_curve(bike, end) for end in ENDS}
    nodes = {end: np.linspace(0.0, curve.shaft_mm[-1], GRID) for end, curve in curves.items()}
    grid = (one.ravel() for one in np.meshgrid(nodes["front"], nodes["rear"], indexing="ij"))
    tables = [one.reshape(GRID, GRID) for one in rake_trail_wheelbase(bike, *grid)]
    common = 0.5 * (front + rear)
    common = common - common.mean()
    places = [
        tuple(curves[end].shaft_travel_mm(np.clip(wheel, 0.0, curves[end].wheel_mm[-1]))
              for end, wheel in zip(ENDS, pair, strict=True))
        for pair in ((front, rear), (front.mean() + common, rear.mean() + common))
    ]  # fmt: skip
    found = []
    for (name, unit), table in zip(GEOMETRY, tables, strict=True):
        if not np.isfinite(table[0, 0]):  # the bike file lacks what it needs
            continue
        moved, heaved = (_bilinear(nodes["front"], nodes["rear"], table, *place) for place in places)
        low, high = np.quantile(moved, [0.05, 0.95])
        variance = float(np.var(moved))
        share = None if variance <= 0 else float(np.clip(1.0 - np.var(heaved) / variance, 0.0, 1.0))
        found.append(GeometryMovement(name, unit, float(np.median(moved)), float(high - low), share))
    return tuple(found)


def _bilinear(
    x_nodes: FloatArray, y_nodes: FloatArray, table: FloatArray, x: FloatArray, y: FloatArray
) -> FloatArray:
    u, v = x / (x_nodes[1] - x_nodes[0]), y / (y_nodes[1] - y_nodes[0])
    i = np.clip(u.astype(np.int64), 0, len(x_nodes) - 2)
    j = np.clip(v.astype(np.int64), 0, len(y_nodes) - 2)
    u, v = u - i, v - j
    return np.asarray(
        (1 - u) * ((1 - v) * table[i, j] + v * table[i, j + 1])
        + u * ((1 - v) * table[i + 1, j] + v * table[i + 1, j + 1])
    )


# A phase with less time than this says nothing about balance. A choice of ours.
MIN_PHASE_S = 2.0
QUANTILE_HZ = 125.0


def balance(
    motion: Motion,
    track: Track,
    selected: BoolArray,
    pairs: BumpPairs | None,
    bike: Bike | None = None,
    sound: BoolArray | None = None,
    ridden: Riding | None = None,
    sums: Sums | None = None,
) -> Balance:
    """Balance of both ends over the selected samples.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
        Moving time of the run, of a lap...
    pairs : BumpPairs or None
        From `find_pairs` over the whole run; those inside the selection are used.
    bike : Bike, optional
        Given for a whole run: adds groups and stacked response of the bumps, pitch and heave, weight transfer and
        damping balance, which a lap alone has too little of.
    sound : ndarray of bool, shape (n_samples,), optional
        Where the dampers are as they are otherwise: stretches of suspected lost damping are not, and the damping
        balance leaves them out.
    ridden : Riding, optional
        Acceleration and lean; by default from the speed and the positions of the track.
    sums : Sums, optional
        Of the motion, apart by the selection and the phase of the track; found here by default.

    Returns
    -------
    Balance
        With a reason and no numbers when one end is missing.
    """
    missing = [end for end in ENDS if end not in motion.ends]
    if missing:
        return Balance(
            SpeedRatio(None, None),
            None,
            PitchSummary(None, None, None, None),
            (),
            reason=f"the {missing[0]} was not judged, so the ends cannot be compared",
        )
    use = selected & motion.ends["front"].valid & motion.ends["rear"].valid
    sums = find_sums(motion, (selected, track.phase)) if sums is None else sums
    totals = _totals(sums, use[sums.start], track.phase[sums.start])
    any_use = totals.samples[0] > 0
    whole = bike is not None and any_use
    level = selected if sound is None else selected & sound
    damping = damping_balance(motion, track, bike, level, ridden) if bike is not None and whole else None
    same_bump = summarise_pairs(pairs, selected, track, whole=whole) if pairs is not None else None
    if same_bump is not None and damping is not None and damping.residual_delay_ms is not None:
        # read from the road under both wheels, which the ends' own unlike answers do not shift
        same_bump = replace(same_bump, delay_residual_ms=damping.residual_delay_ms)
    return Balance(
        speed_ratio=totals.speed_ratio(0),
        same_bump=same_bump,
        pitch=_pitch(sums, use[sums.start], motion.wheelbase_mm),
        per_phase=_per_phase(motion, track, use, totals),
        reason="" if any_use else "no time in which both ends are valid",
        speed=speed_balance(motion, use),
        chassis=chassis_motion(motion, use, bike) if whole else None,
        transfer=weight_transfer(motion, track, use, ridden) if whole else None,
        damping=damping,
    )


@dataclass(frozen=True)
class _Totals:
    """Sums over all of a selection, then over each of its phases; arrays of shape (1 + n_phases,)."""

    samples: FloatArray
    pitch_deg: FloatArray
    ends: Mapping[End, EndSums]

    def speed_ratio(self, i: int) -> SpeedRatio:
        """RMS wheel speed of the rear over the front, as `speed_ratio`."""
        front, rear = (self.ends[end] for end in ENDS)
        return SpeedRatio(
            _root_ratio(
                front.compression_squares[i],
                front.compression[i],
                rear.compression_squares[i],
                rear.compression[i],
            ),
            _root_ratio(front.rebound_squares[i], front.rebound[i], rear.rebound_squares[i], rear.rebound[i]),
        )


def _totals(sums: Sums, use: BoolArray, phase: IntArray) -> _Totals:
    """Sums of the stretches in use."""
    groups = np.array([use, *(use & (phase == index) for index in range(len(PHASES)))], dtype=np.float64)
    ends = [getattr(sums.ends[end], one.name) for end in ENDS for one in fields(EndSums)]
    columns = np.where(use, np.array([sums.samples, sums.pitch_deg, *ends]), 0.0)
    samples, pitch_deg, *of_ends = columns @ groups.T
    half = len(of_ends) // 2
    return _Totals(samples, pitch_deg, {"front": EndSums(*of_ends[:half]), "rear": EndSums(*of_ends[half:])})


def _pitch(sums: Sums, use: BoolArray, wheelbase_mm: float) -> PitchSummary:
    pitch_deg, samples = sums.pitch_deg[use], float(sums.samples[use].sum())
    if not np.isfinite(pitch_deg).any():
        return PitchSummary(None, None, None, None)
    rate_mm_s = np.sqrt(sums.difference_squares[use].sum() / samples)
    return PitchSummary(
        mean_deg=finite(pitch_deg.sum() / samples),
        min_deg=finite(sums.least_pitch_deg[use].min()),
        max_deg=finite(sums.most_pitch_deg[use].max()),
        rms_rate_deg_s=finite(np.degrees(rate_mm_s / wheelbase_mm)),
    )


def _per_phase(motion: Motion, track: Track, use: BoolArray, totals: _Totals) -> tuple[PhaseBalance, ...]:
    step = max(1, round(motion.sample_rate_hz / QUANTILE_HZ))
    thin, phase = use[::step], track.phase[::step]
    speeds = [motion.ends[end].wheel_speed_mm_s[::step] for end in ENDS]
    rows: list[PhaseBalance] = []
    for i, name in enumerate(PHASES, start=1):
        count = float(totals.samples[i])
        if count < max(MIN_PHASE_S * motion.sample_rate_hz, 1):
            continue
        here = thin & (phase == i - 1)
        front, rear = (_both_ways(speed[here]) for speed in speeds)
        compression, rebound = (_slope(*both) for both in zip(front, rear, strict=True))
        ratio = totals.speed_ratio(i)
        rows.append(
            PhaseBalance(
                phase=name,
                time_share=count / float(totals.samples[0]),
                compression_ratio=ratio.compression,
                rebound_ratio=ratio.rebound,
                front_mean_mm=float(totals.ends["front"].travel_mm[i]) / count,
                rear_mean_mm=float(totals.ends["rear"].travel_mm[i]) / count,
                pitch_mean_deg=float(totals.pitch_deg[i]) / count,
                compression_slope=compression,
                rebound_slope=rebound,
            )
        )
    return tuple(rows)
