"""Checks of sensor assignment, direction and zero against the riding.

Under braking a fork compresses and a rear extends; riding straight at a steady speed both sit at their sag. A
contradiction gives a note with a suggestion; nothing is changed, but an end that moves the wrong way is not judged.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.decimals import Column, Numbers, as_kept
from telemetry.errors import BothEndsError, CalibrationError
from telemetry.notes import QualityNote
from telemetry.numeric import median, quantile
from telemetry.signals.calibrate import fit_calibration
from telemetry.signals.channels import SensorSetup
from telemetry.signals.clock import block_range, runs

# A constant reading this far outside the stroke is not full extension with a slightly wrong zero. The second limit is
# for the bench points, used before the zero is known. [mm]
STILL_OUTSIDE_MM, OUTSIDE_BENCH_MM = 3.0, 5.0
# An open wire gives a constant reading for a long time, except for noise and hum; a ridden damper never does so outside
# its stroke. Own choices. [s, mm]
WIRE_OFF_S, BLOCK_S, HUM_MM = 1.0, 0.5, 1.5
# Readings of a sound sensor lie within the stroke, except for an error of the zero; a loose contact spoils less than
# half of them. [mm, share]
FITS_MM, MOSTLY = 5.0, 0.5
# A ride uses more of the stroke than the larger share: sag alone is 20-35 % of it, braking and bumps add to that
# (common practice, no source). Below it a cause is searched; below the smaller share it cannot be a ride.
LITTLE_SHARE, LEAST_SHARE = 0.10, 0.05
# Noise of a sensor that does not move. [mm]
FLAT_MM = 0.25
OTHER_MOVES_MM, RIDING_M_S, RIDING_S = 3.0, 8.0, 10.0

Signal: TypeAlias = FloatArray | Numbers
Read = Callable[[SensorSetup, Signal], FloatArray | None]

# Numbers that are enough for the range of a signal, and the steps by which one is thinned.
ENOUGH, PRIMES = 100_000, (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73)

RIDE_BLOCK_S = 0.1
# Limits of hard braking and steady riding, and the least speed for both. Own choices.
BRAKING_M_S2, STEADY_M_S2, SLOWEST_M_S, SMOOTH_BLOCKS = -4.0, 1.5, 12.0, 5
UPRIGHT_DEG = 15.0
FEWEST_BRAKING_S, FEWEST_OTHER_S, FEWEST_STEADY_S = 2.0, 4.0, 2.0
# Least change of travel under braking that shows a direction, as a share of the stroke. Own choice.
CLEAR_SHARE = 0.04
# Sag of a rider on board is 20-35 % of the stroke (common practice, no source): a third to twice that is plausible.
PLAUSIBLE_SAG = (0.07, 0.65)
# Tolerance for travel that fits a stroke. [mm]
INSIDE_MM = 1.0


@dataclass(frozen=True)
class Fault:
    """Reason why an end cannot be judged: short stable code, sentences with advice, column, and time."""

    code: str
    message: str
    channel: str = ""
    start_s: float | None = None
    end_s: float | None = None
    error: type[BothEndsError] = CalibrationError  # raised if no other end is left


def wire_off(travel_mm: FloatArray, between_mm: tuple[float, float], sample_rate_hz: float) -> BoolArray:
    """Mask of stretches with a constant reading outside the sensor's range [mm]: open wire or no supply."""
    low, high = between_mm
    off = np.zeros(len(travel_mm), dtype=bool)
    least, most = Column(travel_mm).limits or (low, high)
    if low <= least and most <= high:
        return off
    outside = (travel_mm < low) | (travel_mm > high)
    block = max(2, round(BLOCK_S * sample_rate_hz))
    for start, end in zip(*runs(outside), strict=True):
        if end - start < max(WIRE_OFF_S * sample_rate_hz, 2 * block):
            continue
        if np.median(block_range(travel_mm[start:end], block)) <= HUM_MM:
            off[start:end] = True
    return off


def is_ridden(
    other_mm: FloatArray | None, speed_m_s: FloatArray | Numbers | None, sample_rate_hz: float
) -> bool:
    """True if a sensor should move: the log's speed shows riding or, without speed, the other end moves."""
    if speed_m_s is not None:
        riding = sum(np.count_nonzero(speed > RIDING_M_S) for _, speed in as_kept(speed_m_s).blocks())
        return bool(riding > RIDING_S * sample_rate_hz)
    if other_mm is None:
        return False
    block = max(2, round(BLOCK_S * sample_rate_hz))
    moving = np.count_nonzero(block_range(other_mm, block) > OTHER_MOVES_MM)
    return bool(moving * block > RIDING_S * sample_rate_hz)


def diagnose(
    end: End, signal: Signal, setup: SensorSetup, read: Read, *, ridden: bool, doubted: bool = False
) -> Fault | None:
    """Probable fault of a sensor or its setup, None if the readings may be travel.

    ``read`` gives travel from a setup and a signal (no open-wire stretches), None if that is no calibration;
    ``doubted``: known not to be travel. A bike that is not ``ridden`` does not move.
    """
    travel = read(setup, signal)
    if travel is None or not np.isfinite(travel).any():
        return None
    if not doubted and _uses_the_stroke(thinned(travel), setup, ridden=ridden):
        return None
    signal = signal[:]
    for code, other, factor, words in _causes(end, signal, setup):
        instead = read(other, signal * factor)
        if instead is not None and _may_be_travel(instead, setup):
            return Fault(code, words, setup.channel)
    return _misread(end, signal, travel, setup, ridden=ridden)


def _uses_the_stroke(travel_mm: FloatArray, setup: SensorSetup, *, ridden: bool) -> bool:
    """True if readings lie mostly within the stroke, and use some of it or need not."""
    inside = travel_mm[(travel_mm >= -FITS_MM) & (travel_mm <= setup.stroke_mm + FITS_MM)]
    if len(inside) < MOSTLY * np.count_nonzero(np.isfinite(travel_mm)):
        return False
    low, high = _range(inside)
    bench_mm = np.ptp([mm for _, mm in setup.points])
    return bool(
        high - low >= LITTLE_SHARE * setup.scale_mm or not (ridden or bench_mm < LEAST_SHARE * setup.scale_mm)
    )


def thinned(values: Signal) -> FloatArray:
    """Every so many numbers, `ENOUGH` or more of a long log: enough for its range."""
    # a prime step falls in step with no slower channel
    every = max((step for step in PRIMES if step * ENOUGH <= len(values)), default=1)
    return values[::every]


def _misread(
    end: End, signal: FloatArray, travel: FloatArray, setup: SensorSetup, *, ridden: bool
) -> Fault | None:
    """Fault described from the readings alone, if no setup error explains them."""
    low, high = _range(travel)
    stroke, column, key = setup.stroke_mm, repr(setup.channel), f"[{end}.sensor] of {setup.source}"
    level = f"{float(np.nanmedian(signal)):.4g}"
    if high - low <= HUM_MM and (high < 0.0 or low > stroke):
        code = "wire_off"
        does = f"stands at {level} all through, which is no {end} travel: an open wire, or no supply. Check the wiring."
    elif high - low <= FLAT_MM and ridden:
        code = "flat"
        does = (
            f"reads {level} all through while the motorcycle moves: the sensor, its wire or its mount has failed, or "
            f"the column is not the {end}'s. Check the wiring, and channel in {key}."
        )
    elif low < -FITS_MM and _may_be_travel(-travel, setup):
        code = "sign"
        does = (
            f"gives {low:.0f} to {high:.0f} mm: compression reads negative, as from a sensor the wrong way round. Turn "
            f"it, or measure points in {key} again as it sits."
        )
    elif low >= -FITS_MM and high > stroke + FITS_MM:
        code = "scale"
        does = (
            f"gives up to {high:.0f} mm, more than the {stroke:g} mm stroke: the scale is at least "
            f"{high / stroke:.2g} times too large. Check points in {key}, and the stroke."
        )
    elif low >= -FITS_MM and high - low < LEAST_SHARE * stroke < np.inf and ridden:
        code = "scale"
        does = (
            f"moves by {high - low:.1f} mm of the {stroke:g} mm stroke in the whole log: the scale is too small, or "
            f"the sensor hardly moves with the {end}. Check points in {key}, and the mount."
        )
    else:
        return None
    return Fault(code, f"{column} {does}", setup.channel)


def _causes(
    end: End, signal: FloatArray, setup: SensorSetup
) -> Iterator[tuple[str, SensorSetup, float, str]]:
    """Common setup errors, likeliest first: code, corrected setup, signal factor, message."""
    key = f"[{end}.sensor] of {setup.source}"
    low, high = _range(signal)
    reads = f"{setup.channel!r} reads {low:.4g} to {high:.4g}"
    signals, travels = zip(*setup.points, strict=True)
    bench = f"points in {key} go from {min(signals):.4g} to {max(signals):.4g}"
    if _near_bench_signals(low, high, travels):
        yield (
            "points_swapped",
            replace(setup, points=tuple((mm, reading) for reading, mm in setup.points)),
            1.0,
            f"{reads}, which fits the second numbers of points in {key}: signal and mm seem to be swapped. Write each "
            f"point as [signal, mm].",
        )
    for factor, log_unit, bench_unit in ((1e-3, "millivolts", "volts"), (1e3, "volts", "millivolts")):
        if not _near_bench_signals(factor * low, factor * high, signals):
            continue
        words = (
            f"{reads}, where the {bench}: a factor of 1000, {log_unit} in the log and {bench_unit} in points? Write "
            f"points in the unit of the log."
        )
        yield "signal_unit", setup, factor, words
        if setup.zero is not None:  # a zero taken from the log is in the log's unit
            yield "signal_unit", replace(setup, zero=factor * setup.zero), factor, words
    for factor, name in ((1000.0, "metres"), (10.0, "centimetres"), (25.4, "inches")):
        if factor * max(travels) > setup.scale_mm + FITS_MM or not _near_bench_signals(low, high, signals):
            continue
        yield (
            "travel_unit",
            replace(setup, points=tuple((reading, factor * mm) for reading, mm in setup.points)),
            1.0,
            f"The travels of points in {key} go to {max(travels):.4g}, where the stroke is {setup.scale_mm:g} mm: "
            f"{name} in place of millimetres? Write each point as [signal, mm].",
        )


def _near_bench_signals(low: float, high: float, signals: Sequence[float]) -> bool:
    """True if readings lie within the bench signals, plus or minus a third of their span."""
    around = np.ptp(signals) / 3
    return bool(min(signals) - around <= low <= high <= max(signals) + around)


def _may_be_travel(travel_mm: FloatArray, setup: SensorSetup) -> bool:
    """True if readings stay within the stroke and use enough of it."""
    if not np.isfinite(travel_mm).any():
        return False
    low, high = _range(travel_mm)
    fits = low >= -FITS_MM and high <= setup.stroke_mm + FITS_MM
    return fits and high - low >= LITTLE_SHARE * setup.scale_mm


def _range(values: FloatArray) -> tuple[float, float]:
    """0.5th and 99.5th percentile of the readings."""
    valid = values[np.isfinite(values)]
    return (quantile(valid, 0.005), quantile(valid, 0.995)) if valid.size else (np.nan, np.nan)


@dataclass(frozen=True)
class _Riding:
    """Masks of 0.1 s blocks: hard braking, other riding, and straight riding at steady speed."""

    braking: BoolArray
    other: BoolArray
    steady: BoolArray


def check_riding(
    travel_mm: Mapping[End, FloatArray],
    setups: Mapping[End, SensorSetup],
    channels: Mapping[str, Signal],
    sample_rate_hz: float,
) -> tuple[dict[End, Fault], tuple[QualityNote, ...]]:
    """Faults of ends that move the wrong way under brakes, notes of an implausible sag; none without speed."""
    riding = _riding(channels, sample_rate_hz)
    if riding is None or not travel_mm:
        return {}, ()
    share = {end: _blocks(values, sample_rate_hz) / setups[end].scale_mm for end, values in travel_mm.items()}
    against = _directions(
        {end: _under_brakes(values, riding) for end, values in share.items()}, setups, riding
    )
    # no sag from a sensor at the wrong end or with the wrong sign
    sags = (_sag(end, values, setups[end], riding) for end, values in share.items() if end not in against)
    return against, tuple(note for note in sags if note is not None)


def moves_as_the_other(
    end: End,
    travel_mm: FloatArray,
    setup: SensorSetup,
    channels: Mapping[str, Signal],
    sample_rate_hz: float,
) -> bool:
    """True if an end clearly moves under braking as the other end should; False also if the log cannot show it."""
    riding = _riding(channels, sample_rate_hz)
    if riding is None:
        return False
    moved = _under_brakes(_blocks(travel_mm, sample_rate_hz) / setup.scale_mm, riding)
    return moved < -CLEAR_SHARE if end == "front" else moved > CLEAR_SHARE


def swap_hint(signals: Mapping[End, Signal], setups: Mapping[End, SensorSetup]) -> str:
    """Message if the columns (as logged) fit when swapped, "" if they do not."""
    if len(signals) < 2 or any(setup.to_shaft for setup in setups.values()):
        return ""
    others: tuple[tuple[End, End], ...] = (("front", "rear"), ("rear", "front"))
    for end, other in others:
        setup = setups[end]
        few = thinned(signals[other])  # also without most spikes
        travel = fit_calibration(setup.points, setup.zero, shape=setup.shape).travel_mm(few)
        if not np.isfinite(travel).any():
            return ""
        low, high = np.nanpercentile(travel, [0.5, 99.5])
        if low < -INSIDE_MM or high > setup.stroke_mm + INSIDE_MM:
            return ""
    names = " and ".join(repr(setup.channel) for setup in setups.values())
    return (
        f"The columns fit the other way about: are {names} swapped? Check channel in [front.sensor] and "
        "[rear.sensor]."
    )


def _blocks(values: Signal, sample_rate_hz: float) -> FloatArray:
    """Mean of each block, from at most eight samples; NaN if any of them is."""
    edges = np.arange(0.0, len(values) + 1e-6, RIDE_BLOCK_S * sample_rate_hz).astype(np.int64)
    width = int(np.diff(edges).min(initial=len(values)))
    if width < 1:  # less than one sample per block
        return np.empty(0)
    picks = edges[:-1, None] + np.linspace(0, width - 1, min(width, 8)).astype(np.int64)
    return np.asarray(values[picks].mean(axis=1))


def _riding(channels: Mapping[str, Signal], sample_rate_hz: float) -> _Riding | None:
    if "speed_m_s" not in channels:
        return None
    speed = _blocks(channels["speed_m_s"], sample_rate_hz)
    if len(speed) < 3 * SMOOTH_BLOCKS:
        return None
    smooth = np.convolve(speed, np.ones(SMOOTH_BLOCKS) / SMOOTH_BLOCKS, mode="same")
    smooth[:SMOOTH_BLOCKS] = smooth[-SMOOTH_BLOCKS:] = np.nan
    acceleration = np.gradient(smooth, RIDE_BLOCK_S)
    fast = speed > SLOWEST_M_S
    steady = fast & (np.abs(acceleration) < STEADY_M_S2)
    if "lean_deg" in channels:
        steady &= ~(np.abs(_blocks(channels["lean_deg"], sample_rate_hz)) > UPRIGHT_DEG)
    other = fast & (acceleration > -STEADY_M_S2)
    return _Riding(fast & (acceleration < BRAKING_M_S2), other, steady)


def _under_brakes(share: FloatArray, riding: _Riding) -> float:
    """Median compression under braking minus other riding, as a share of the stroke; NaN with too few blocks."""
    valid = np.isfinite(share)
    braking, other = share[riding.braking & valid], share[riding.other & valid]
    if len(braking) < FEWEST_BRAKING_S / RIDE_BLOCK_S or len(other) < FEWEST_OTHER_S / RIDE_BLOCK_S:
        return float("nan")
    return median(braking) - median(other)


def _directions(
    under_brakes: Mapping[End, float], setups: Mapping[End, SensorSetup], riding: _Riding
) -> dict[End, Fault]:
    front_extends = under_brakes.get("front", np.nan) < -CLEAR_SHARE
    rear_compresses = under_brakes.get("rear", np.nan) > CLEAR_SHARE
    start_s, end_s = _longest(riding.braking)
    if front_extends and rear_compresses:
        words = (
            f"Under brakes {setups['front'].channel!r} extends and {setups['rear'].channel!r} compresses: are front "
            f"and rear swapped? Check channel in [front.sensor] and [rear.sensor]."
        )
        return {end: Fault("swapped_ends", words, setups[end].channel, start_s, end_s) for end in ENDS}
    faults: dict[End, Fault] = {}
    for end in ENDS:
        wrong, does = (front_extends, "extends") if end == "front" else (rear_compresses, "compresses")
        if wrong:
            column = setups[end].channel
            words = (
                f"{end.capitalize()} travel {does} under brakes: compression must read positive. Check whether the "
                f"sensor is the right way round, points in [{end}.sensor], and that {column!r} is the {end}."
            )
            faults[end] = Fault("sign", words, column, start_s, end_s)
    return faults


def _sag(end: End, share: FloatArray, setup: SensorSetup, riding: _Riding) -> QualityNote | None:
    steady = share[riding.steady & np.isfinite(share)]
    if len(steady) < FEWEST_STEADY_S / RIDE_BLOCK_S:
        return None
    sag = median(steady)
    if PLAUSIBLE_SAG[0] <= sag <= PLAUSIBLE_SAG[1] or setup.stroke_mm == np.inf:
        return None
    words = (
        f"{end.capitalize()} travel is {sag * setup.stroke_mm:.0f} mm ({100 * sag:.0f} % of the stroke) when riding "
        f"straight at a steady speed, where 20-35 % is usual (common practice): check zero and points in "
        f"[{end}.sensor], and measure the sag."
    )
    start_s, end_s = _longest(riding.steady)
    return QualityNote("warning", "implausible_sag", words, setup.channel, start_s, end_s)


def _longest(blocks: BoolArray) -> tuple[float | None, float | None]:
    """Start and end of the longest run of blocks, None if there is none. [s]"""
    starts, ends = runs(blocks)
    if not len(starts):
        return None, None
    longest = int(np.argmax(ends - starts))
    return float(starts[longest]) * RIDE_BLOCK_S, float(ends[longest]) * RIDE_BLOCK_S
