"""Pitch and heave of the chassis from both wheel travels, and how far they move the steering geometry."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from telemetry.arrays import ENDS, BoolArray, FloatArray
from telemetry.balance.balance import BandShare, ChassisMotion, GeometryMovement
from telemetry.bike import Attitude, Bike, attitude, leverage_curve
from telemetry.motion import Motion
from telemetry.signals.spectra import whole_segments

# Slow weight transfer; bounce and pitch of the body; between; wheel hop. Choices of ours after the modes of
# motorcycles (`telemetry.bike.modes`).
BANDS_HZ = ((0.2, 1.0), (1.0, 4.0), (4.0, 10.0), (10.0, 22.0))
BODY_BAND_HZ = BANDS_HZ[1]
WORK_HZ = 100.0
SEGMENT_S, MOST_SEGMENTS = 5.12, 600
FEWEST_SEGMENTS = 4
MOST_STANDS = 40_000  # moments looked at, spread over the run
GRID = 15  # nodes of each travel: rake is interpolated to 0.001 deg
GEOMETRY: tuple[tuple[str, str, Callable[[Attitude], float | None]], ...] = (
    ("rake", "deg", lambda at: at.rake_deg),
    ("trail", "mm", lambda at: at.trail_mm),
    ("wheelbase", "mm", lambda at: at.wheelbase_mm),
)


def heave_and_pitch_mm(front_mm: FloatArray, rear_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heave (up positive) and half the difference of the ends (nose down positive), both at the axles.

    Their squares sum to the mean square of both ends, so that they share the motion between them.

    Parameters
    ----------
    front_mm, rear_mm : ndarray of shape (n_samples,)
        Wheel travel, compression positive. [mm]

    Returns
    -------
    ndarray, ndarray of shape (n_samples,)
        [mm]
    """
    return -0.5 * (front_mm + rear_mm), 0.5 * (front_mm - rear_mm)


def chassis_motion(motion: Motion, use: BoolArray, bike: Bike | None) -> ChassisMotion | None:
    """Pitch and heave over the selected samples.

    Parameters
    ----------
    motion : Motion
        With both ends.
    use : ndarray of bool, shape (n_samples,)
    bike : Bike, optional
        Without it the steering geometry is left out.

    Returns
    -------
    ChassisMotion or None
        None when there is no stretch of `SEGMENT_S` to look at.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    front, rear = (
        np.where(use, motion.ends[end].wheel_travel_mm, np.nan)[: len(use) // step * step]
        .reshape(-1, step)
        .mean(axis=1)
        for end in ENDS
    )
    spectra = _spectra(front + 0 * rear, rear + 0 * front, rate)
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
    heave_mm, _ = heave_and_pitch_mm(front, rear)
    return ChassisMotion(
        heave_rms_mm=float(np.nanstd(heave_mm)),
        bands=tuple(bands),
        body_band_hz=BODY_BAND_HZ,
        coherence=coherence,
        rear_lag_deg=lag,
        geometry=() if bike is None else geometry_movement(bike, front, rear),
    )


def _spectra(
    front: FloatArray, rear: FloatArray, rate: float
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.complex128], int] | None:
    """Frequency, mean squares of both ends by line, front's conjugate times rear, and how many segments."""
    length = round(SEGMENT_S * rate)
    a, b = (whole_segments(values, length, length // 2) for values in (front, rear))
    if not len(a) or length < 3:  # of two samples the taper leaves nothing
        return None
    if len(a) > MOST_SEGMENTS:
        kept = np.linspace(0, len(a) - 1, MOST_SEGMENTS).astype(int)
        a, b = a[kept], b[kept]
    taper = np.hanning(length + 1)[:-1]
    f, r = (np.fft.rfft((x - x.mean(axis=1, keepdims=True)) * taper, axis=1) for x in (a, b))
    scale = 2.0 / (length * np.sum(taper**2))
    return (
        np.fft.rfftfreq(length, 1 / rate).astype(np.float64),
        scale * np.mean(np.abs(f) ** 2, axis=0),
        scale * np.mean(np.abs(r) ** 2, axis=0),
        scale * np.mean(np.conj(f) * r, axis=0),
        len(a),
    )


def geometry_movement(bike: Bike, front_mm: FloatArray, rear_mm: FloatArray) -> tuple[GeometryMovement, ...]:
    """How far rake, trail and wheelbase move, and how much of it pitch does rather than heave.

    Parameters
    ----------
    front_mm, rear_mm : ndarray of shape (n_samples,)
        Wheel travel; NaN where invalid. [mm]

    Returns
    -------
    tuple of GeometryMovement
        Trail only where the bike file gives tyre radius and fork offset.
        The share of pitch is what of the variance is gone when both ends only move up and down together.
    """
    known = np.isfinite(front_mm) & np.isfinite(rear_mm)
    thin = slice(None, None, max(1, int(np.count_nonzero(known)) // MOST_STANDS))
    front, rear = front_mm[known][thin], rear_mm[known][thin]
    if len(front) < 2:
        return ()
    curves = {end: leverage_curve(bike, end) for end in ENDS}
    nodes = {end: np.linspace(0.0, curve.shaft_mm[-1], GRID) for end, curve in curves.items()}
    stands = [[attitude(bike, float(f), float(r)) for r in nodes["rear"]] for f in nodes["front"]]
    common = 0.5 * (front + rear)
    common = common - common.mean()
    places = [
        tuple(curves[end].shaft_travel_mm(np.clip(wheel, 0.0, curves[end].wheel_mm[-1]))
              for end, wheel in zip(ENDS, pair, strict=True))
        for pair in ((front, rear), (front.mean() + common, rear.mean() + common))
    ]  # fmt: skip
    found = []
    for name, unit, read in GEOMETRY:
        if read(stands[0][0]) is None:  # the bike file lacks what it needs
            continue
        table = np.array([[read(at) for at in row] for row in stands], dtype=np.float64)
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
