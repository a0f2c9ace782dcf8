"""Is it the right sensor, the right way round, with the right zero? Asked of how travel goes with the riding.

Under brakes a fork compresses and a rear extends; riding straight at a steady speed both sit at their sag. What
contradicts that is said with a suggestion; nothing is changed, but an end that moves the wrong way is not judged.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.notes import QualityNote
from telemetry.signals.calibrate import fit_calibration
from telemetry.signals.diagnose import Fault
from telemetry.signals.gaps import runs
from telemetry.signals.run import SensorSetup

RIDE_BLOCK_S = 0.1
# Hard braking, and riding steadily; below this speed neither says much. Choices of ours.
BRAKING_M_S2, STEADY_M_S2, SLOWEST_M_S, SMOOTH_BLOCKS = -4.0, 1.5, 12.0, 5
UPRIGHT_DEG = 15.0
FEWEST_BRAKING_S, FEWEST_OTHER_S, FEWEST_STEADY_S = 2.0, 4.0, 2.0
# How much an end moves between the two before its direction counts, as a share of the stroke. A choice of ours.
CLEAR_SHARE = 0.04
# Sag of a rider on board is 20-35 % of the stroke (common practice, no source): a third to twice that is plausible.
PLAUSIBLE_SAG = (0.07, 0.65)
# Travel that fits a stroke stays within it but for this.
INSIDE_MM = 1.0


@dataclass(frozen=True)
class _Riding:
    """Blocks of 0.1 s in which the motorcycle brakes hard, does not, or rides straight at a steady speed."""

    braking: BoolArray
    other: BoolArray
    steady: BoolArray


def check_riding(
    travel_mm: Mapping[End, FloatArray],
    setups: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray],
    sample_rate_hz: float,
) -> tuple[dict[End, Fault], tuple[QualityNote, ...]]:
    """What of travel contradicts the riding.

    Parameters
    ----------
    travel_mm : mapping of end to ndarray of shape (n_samples,)
        NaN where invalid. [mm]
    channels : mapping of str to ndarray of shape (n_samples,)
        As in `Run.channels`; nothing can be said without ``speed_m_s``.
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    against : dict of end to Fault
        Ends that move the wrong way under brakes; codes ``swapped_ends``, ``sign``.
    doubts : tuple of QualityNote
        Code ``implausible_sag``.
    """
    riding = _riding(channels, sample_rate_hz)
    if riding is None or not travel_mm:
        return {}, ()
    share = {
        end: _blocks(values, sample_rate_hz) / setups[end].stroke_mm for end, values in travel_mm.items()
    }
    against = _directions(
        {end: _under_brakes(values, riding) for end, values in share.items()}, setups, riding
    )
    # a sensor at the wrong end or the wrong way round has no sag to speak of
    sags = (_sag(end, values, setups[end], riding) for end, values in share.items() if end not in against)
    return against, tuple(note for note in sags if note is not None)


def moves_as_the_other(
    end: End,
    travel_mm: FloatArray,
    setup: SensorSetup,
    channels: Mapping[str, FloatArray],
    sample_rate_hz: float,
) -> bool:
    """Whether an end clearly moves under brakes as the other end of a motorcycle does.

    Parameters
    ----------
    end : {"front", "rear"}
    travel_mm : ndarray of shape (n_samples,)
        NaN where invalid. [mm]
    channels : mapping of str to ndarray of shape (n_samples,)
        As of `check_riding`.
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    bool
        False also where the log does not tell.
    """
    riding = _riding(channels, sample_rate_hz)
    if riding is None:
        return False
    moved = _under_brakes(_blocks(travel_mm, sample_rate_hz) / setup.stroke_mm, riding)
    return moved < -CLEAR_SHARE if end == "front" else moved > CLEAR_SHARE


def swap_hint(signals: Mapping[End, FloatArray], setups: Mapping[End, SensorSetup]) -> str:
    """That the columns would fit the other way about; empty if they would not.

    Parameters
    ----------
    signals : mapping of end to ndarray of shape (n_rows,)
        As logged.
    """
    if len(signals) < 2 or any(setup.to_shaft for setup in setups.values()):
        return ""
    others: tuple[tuple[End, End], ...] = (("front", "rear"), ("rear", "front"))
    for end, other in others:
        setup = setups[end]
        # a sample in so many, and the spikes among them left out, are enough to see the range
        thinned = signals[other][:: max(1, len(signals[other]) // 100_000)]
        travel = fit_calibration(setup.points, setup.zero, shape=setup.shape).travel_mm(thinned)
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


def _blocks(values: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Mean of each block; NaN if any sample is. A long log is looked at in a few samples of each block."""
    edges = np.arange(0.0, len(values) + 1e-6, RIDE_BLOCK_S * sample_rate_hz).astype(np.int64)
    width = int(np.diff(edges).min(initial=len(values)))
    if width < 1:  # logged more slowly than blocks pass
        return np.empty(0)
    picks = edges[:-1, None] + np.linspace(0, width - 1, min(width, 8)).astype(np.int64)
    return np.asarray(values[picks].mean(axis=1))


def _riding(channels: Mapping[str, FloatArray], sample_rate_hz: float) -> _Riding | None:
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
    """How much more an end is compressed under brakes, as a share of its stroke; NaN if too little was seen."""
    known = np.isfinite(share)
    braking, other = share[riding.braking & known], share[riding.other & known]
    if len(braking) < FEWEST_BRAKING_S / RIDE_BLOCK_S or len(other) < FEWEST_OTHER_S / RIDE_BLOCK_S:
        return float("nan")
    return float(np.median(braking) - np.median(other))


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
    wrong: dict[End, str] = {"front": "extends"} if front_extends else {}
    wrong |= {"rear": "compresses"} if rear_compresses else {}
    return {
        end: Fault("sign", _sign_words(end, does, setups), setups[end].channel, start_s, end_s)
        for end, does in wrong.items()
    }


def _sign_words(end: End, does: str, setups: Mapping[End, SensorSetup]) -> str:
    return (
        f"{end.capitalize()} travel {does} under brakes: compression must read positive. Check whether the sensor is "
        f"the right way round, points in [{end}.sensor], and that {setups[end].channel!r} is the {end}."
    )


def _sag(end: End, share: FloatArray, setup: SensorSetup, riding: _Riding) -> QualityNote | None:
    steady = share[riding.steady & np.isfinite(share)]
    if len(steady) < FEWEST_STEADY_S / RIDE_BLOCK_S:
        return None
    sag = float(np.median(steady))
    if PLAUSIBLE_SAG[0] <= sag <= PLAUSIBLE_SAG[1]:
        return None
    words = (
        f"{end.capitalize()} travel is {sag * setup.stroke_mm:.0f} mm ({100 * sag:.0f} % of the stroke) when riding "
        f"straight at a steady speed, where 20-35 % is usual (common practice): check zero and points in "
        f"[{end}.sensor], and measure the sag."
    )
    return _note("implausible_sag", words, setup, riding.steady)


def _note(code: str, words: str, setup: SensorSetup, blocks: BoolArray) -> QualityNote:
    start_s, end_s = _longest(blocks)
    return QualityNote("warning", code, words, channel=setup.channel, start_s=start_s, end_s=end_s)


def _longest(blocks: BoolArray) -> tuple[float | None, float | None]:
    """From when to when the longest stretch of blocks lasts; None for none. [s]"""
    starts, ends = runs(blocks)
    if not len(starts):
        return None, None
    longest = int(np.argmax(ends - starts))
    return float(starts[longest]) * RIDE_BLOCK_S, float(ends[longest]) * RIDE_BLOCK_S
