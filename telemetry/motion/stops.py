"""Bottomed and topped out: where an end reached the limit of its travel."""

from collections.abc import Callable

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray, IntArray
from telemetry.decimals import Times
from telemetry.motion.motion import EndMotion
from telemetry.motion.summary import StopEvent
from telemetry.notes import QualityNote
from telemetry.signals import runs

# An end this close to its limit is against it: yield of metal and seals, and repeatability of a sensor after it
# was taken off (both about half a millimetre, common practice, no source).
CONTACT_MM = 0.5
# An impact falls between two samples: an end this far off its limit still counts if its speed collapsed there.
NEAR_MM = 2.0
# The speed collapses when the shaft is stopped this hard, three times what springs, rubber and dampers did to it on
# simulated outings that never touched (50 000 mm/s2), over about so long.
COLLAPSE_MM_S2 = 100_000.0
COLLAPSE_S = 0.003
# Contacts closer than this are one: the end bouncing on its stop, faster than a wheel hops (12 to 18 Hz).
MERGE_S = 0.05
# Between two samples a blow goes deeper by an eighth of its bend where it turns round evenly, by half of it where it
# is cut off; a quarter is what simulated contacts at 100 Hz need. From this rate up it is less than half a millimetre.
MISSED_SHARE, SEEN_FROM_HZ = 0.25, 500.0
# Arrival speed is the highest in this time before the contact.
ARRIVAL_S = 0.05

# Depth towards a limit at some samples, those beyond an end of the log as the last there. [mm]
DepthAt = Callable[[IntArray], FloatArray]


def runs_of(mask: BoolArray) -> IntArray:
    """Start and stop (one past the end) of every run of True, shape (n_runs, 2)."""
    return np.stack(runs(mask), axis=-1)


def joined(pieces: IntArray, gap: int) -> list[tuple[int, int]]:
    """Runs of samples, shape (n_runs, 2), with those less than ``gap`` samples apart made one."""
    together: list[tuple[int, int]] = []
    for start, stop in pieces.tolist():
        if together and start - together[-1][1] < gap:
            together[-1] = (together[-1][0], stop)
        else:
            together.append((start, stop))
    return together


def _reached_mm(depth_at: DepthAt, at: IntArray) -> FloatArray:
    """Depth that may have been reached about samples: between them a crest rises an eighth of its bend."""
    before, here, after = (depth_at(at + by) for by in (-1, 0, 1))
    return here + np.nan_to_num(np.maximum(2 * here - before - after, 0.0)) / 8


def _missed_mm(depth_at: DepthAt, at: int) -> float:
    """Largest depth of a contact beyond its deepest sample, at neither end of the log. [mm]"""
    before, here, after = depth_at(np.arange(at - 1, at + 2))
    bend = 2 * here - before - after
    return MISSED_SHARE * max(float(np.nan_to_num(bend)), 0.0)


def stop_notes(stops: tuple[StopEvent, ...], sample_rate_hz: float) -> tuple[QualityNote, ...]:
    """Note ``slow_for_contacts`` for each end that bottomed in a log too slow (below 500 Hz) to show its peaks."""
    notes = []
    for end in ENDS:
        mine = [stop for stop in stops if stop.end == end and stop.kind == "bottomed"]
        if not mine or sample_rate_hz >= SEEN_FROM_HZ * (1 - 1e-3):
            continue
        worst = max(mine, key=lambda stop: stop.missed_mm)
        message = (
            f"{end.capitalize()} bottomed {len(mine)} times at {sample_rate_hz:.0f} Hz: between two samples it may "
            f"have gone deeper than what was logged, by up to {worst.missed_mm:.1f} mm at the shaft (t = "
            f"{worst.time_s:.2f} s). Log travel at {SEEN_FROM_HZ:.0f} Hz or more to see the peak."
        )
        notes.append(
            QualityNote("info", "slow_for_contacts", message, start_s=worst.time_s, end_s=worst.time_s)
        )
    return tuple(notes)


def _collapses(depth_at: DepthAt, n_samples: int, at: IntArray, limit_mm: float, rate_hz: float) -> BoolArray:
    """Whether the motion, gone on straight from before or after, met the limit, and was stopped there at once."""
    n = max(1, round(COLLAPSE_S * rate_hz))
    inside = (at >= n + 2) & (at < n_samples - n - 2)
    about = np.where(inside, at, 0)[:, None] + np.arange(-1, 2)
    before, here, after = (depth_at(about + by) for by in (-n, 0, n))
    stopped = (2 * here - before - after) * (rate_hz / n) ** 2
    onward = here + np.maximum(here - before, here - after) / n
    return np.asarray(inside & ((stopped >= COLLAPSE_MM_S2) & (onward >= limit_mm)).any(axis=1))


def _extremes(depth_at: DepthAt, pieces: IntArray) -> tuple[IntArray, FloatArray]:
    """Sample at which each piece, shape (n_pieces, 2), may have reached deepest, and how deep."""
    starts, stops = pieces.T
    lengths = stops - starts
    first = np.cumsum(lengths) - lengths
    at = np.arange(lengths.sum()) + np.repeat(starts - first, lengths)
    reached = _reached_mm(depth_at, at)
    most = np.fmax.reduceat(reached, first)
    found = np.flatnonzero(reached == np.repeat(most, lengths))
    return at[found[found.searchsorted(first)]], most


def find_stops(end: EndMotion, t_s: Times, moving: BoolArray) -> tuple[StopEvent, ...]:
    """Every contact of one end with the limits of its travel while riding, in order of time.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        Uniform clock. [s]
    moving : ndarray of bool, shape (n_samples,)
        Contacts while standing (on a paddock stand, say) are not events.

    Returns
    -------
    tuple of StopEvent
        Place is not filled in: lap, distance, corner and phase are None.

    Notes
    -----
    An end is against a limit when it comes within `CONTACT_MM` of it, or within `NEAR_MM` and its speed
    collapses: hard contact. Deep travel that turns round on its spring is neither.
    """
    rate = 1.0 / (t_s[1] - t_s[0])
    shaft_mm = end.shaft_travel_mm
    events: list[StopEvent] = []
    for bottomed in (True, False):
        sign, limit_mm = (1.0, end.stroke_mm) if bottomed else (-1.0, 0.0)
        if np.isnan(limit_mm):  # whether it bottomed is not known
            continue
        near_mm = sign * (limit_mm - NEAR_MM)
        near = shaft_mm >= near_mm if bottomed else shaft_mm <= near_mm
        pieces = joined(runs_of(near & moving), round(MERGE_S * rate))
        if not pieces:
            continue

        def depth_at(samples: IntArray, sign: float = sign) -> FloatArray:
            return np.asarray(sign * shaft_mm.take(samples, mode="clip"))

        extremes, reached = _extremes(depth_at, np.array(pieces))
        collapsed = _collapses(depth_at, len(shaft_mm), extremes, limit_mm, rate)
        for i in np.flatnonzero(collapsed | (reached >= limit_mm - CONTACT_MM)).tolist():
            (start, stop), extreme, hard = pieces[i], int(extremes[i]), bool(collapsed[i])
            touching = np.flatnonzero(depth_at(np.arange(start, stop)) >= limit_mm - CONTACT_MM)
            lasts = int(touching[-1] - touching[0]) + 1 if len(touching) else 1
            arrival = sign * end.wheel_speed_mm_s[max(extreme - round(ARRIVAL_S * rate), 0) : extreme + 1]
            events.append(
                StopEvent(
                    end=end.end,
                    kind="bottomed" if bottomed else "topped_out",
                    time_s=float(t_s[extreme]),
                    duration_s=lasts / rate,
                    lap=None,
                    distance_m=None,
                    corner=None,
                    phase=None,
                    travel_mm=float(end.wheel_travel_mm[extreme]),
                    shaft_travel_mm=float(end.shaft_travel_mm[extreme]),
                    speed_mm_s=float(np.max(arrival[np.isfinite(arrival)], initial=0.0)),
                    hard=hard,
                    missed_mm=_missed_mm(depth_at, extreme) if 0 < extreme < len(shaft_mm) - 1 else 0.0,
                )
            )
    return tuple(sorted(events, key=lambda event: event.time_s))
