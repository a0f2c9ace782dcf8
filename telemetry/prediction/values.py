"""Numbers of a ride by the review's own functions, and the uncertainty of their predicted change."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy import stats

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance import BumpPairs, pairs_again, speed_ratio, summarise_pairs
from telemetry.bike import SpringEnd, half_vehicle, modes
from telemetry.laps import Track
from telemetry.motion import MERGE_S, EndMotion, Motion, find_stops, joined, runs_of, summarise_end
from telemetry.prediction._kernel import Body, Tables
from telemetry.summary import (
    BY_KEY,
    OF_END,
    OUTING_MM,
    OUTING_PITCH_DEG,
    OUTING_RATIO_SHARE,
    OUTING_SPEED_SHARE,
    EndAt,
)

NEAR_STOP_MM = 3.0  # of wheel travel left
SHARE, MM, MM_S, COUNT = "", "mm", "mm/s", "times"


# What is left is negative where a ride would need more than the stroke.
OF_AN_END = tuple(
    replace(OF_END[key], read=lambda at: at.travel.margin_mm) if key == "travel.left_mm" else OF_END[key]
    for key in (
        "travel.median_mm",
        "travel.p95_mm",
        "travel.max_mm",
        "travel.left_mm",
        "speed.compression.rms_mm_s",
        "speed.compression.p95_mm_s",
        "speed.rebound.rms_mm_s",
        "speed.rebound.p95_mm_s",
    )
)
NEAR_STOP, STOP_CONTACTS = "near_stop", "stop_contacts"
NAMES: dict[str, tuple[str, str]] = {
    **{f"{end}.{metric.key}": (f"{end} {metric.label}", metric.unit) for end in ENDS for metric in OF_AN_END},
    **{f"{end}.{NEAR_STOP}": (f"{end}, within {NEAR_STOP_MM:g} mm of the stop", COUNT) for end in ENDS},
    **{f"{end}.{STOP_CONTACTS}": (f"{end}, contacts with the stop", COUNT) for end in ENDS},
    "balance.speed_ratio.compression": (BY_KEY["balance.compression"].label, SHARE),
    "balance.speed_ratio.rebound": (BY_KEY["balance.rebound"].label, SHARE),
    "balance.same_bump.compression_ratio": ("same bump, compression", SHARE),
    "balance.same_bump.rebound_ratio": ("same bump, rebound", SHARE),
    "balance.pitch.mean_deg": (BY_KEY["pitch.mean_deg"].label, "deg"),
    **{f"{end}.hop_damping_ratio": (f"{end} hop damping, new over old", SHARE) for end in ENDS},
}
# In the order in which they are read: an end at a time, then both.
KEYS = tuple(
    [key for end in ENDS for key in NAMES if key.startswith(end)]
    + [key for key in NAMES if key.startswith("balance")]
)


def during(end: EndMotion, rows: IntArray) -> EndMotion:
    """An end at some of its samples."""
    return EndMotion(
        **{
            **end.__dict__,
            **{
                name: getattr(end, name)[rows]
                for name in ("shaft_travel_mm", "shaft_speed_mm_s", "wheel_travel_mm", "wheel_speed_mm_s", "valid")
            },
        }
    )  # fmt: skip


def end_values(end: EndMotion, selected: BoolArray) -> dict[str, float]:
    """Travel and speed of one end over the selected samples, by key; empty without a usable sample."""
    if not (selected & end.valid).any():
        return {}
    at = EndAt(summarise_end(end, selected, ()))
    return {f"{end.end}.{metric.key}": float(metric.read(at) or 0.0) for metric in OF_AN_END}


def contact_values(motion: Motion, end: EndMotion, selected: BoolArray) -> dict[str, float]:
    """Number of approaches of one end to its stop and of its contacts, counted as in the review."""
    near = selected & (end.wheel_travel_mm >= end.wheel_stroke_mm - NEAR_STOP_MM)
    stops = find_stops(end, motion.t_s, selected)
    return {
        f"{end.end}.{NEAR_STOP}": float(len(joined(runs_of(near), round(MERGE_S * motion.sample_rate_hz)))),
        f"{end.end}.{STOP_CONTACTS}": float(sum(stop.kind == "bottomed" for stop in stops)),
    }


def ride_values(
    motion: Motion, track: Track, selected: BoolArray, bumps: BumpPairs | None = None
) -> dict[str, float]:
    """All available numbers of a ride by key; ``bumps`` are those of the logged ride.

    The same bumps count for every ride: which stand clear changes with the set-up, the road does not.
    """
    values_by_key: dict[str, float] = {}
    for end in motion.ends.values():
        values = end_values(end, selected)
        values_by_key |= values
        if values:
            values_by_key |= contact_values(motion, end, selected)
    if all(end in motion.ends for end in ENDS):
        front, rear = motion.ends["front"], motion.ends["rear"]
        use = selected & front.valid & rear.valid
        ratio = speed_ratio(front.wheel_speed_mm_s[use], rear.wheel_speed_mm_s[use])
        balance = {
            "balance.speed_ratio.compression": ratio.compression,
            "balance.speed_ratio.rebound": ratio.rebound,
        }
        if use.any():
            balance["balance.pitch.mean_deg"] = float(motion.pitch_deg[use].mean())
        if bumps is not None:
            answer = summarise_pairs(pairs_again(motion, track, bumps), selected)
            balance["balance.same_bump.compression_ratio"] = answer.compression_ratio
            balance["balance.same_bump.rebound_ratio"] = answer.rebound_ratio
        values_by_key |= {key: value for key, value in balance.items() if value is not None}
    return {key: value for key, value in values_by_key.items() if np.isfinite(value)}


def hop_damping(motion: Motion, selected: BoolArray, body: Body, tables: Tables) -> dict[End, float]:
    """Damping ratio of both wheel hops at the speeds ridden; only their ratio is to be trusted.

    A damper counts as the linear one that takes the same power: E[D q'] / E[q'^2]. Empty where a wheel does not
    oscillate.
    """
    ends = []
    for k, end in enumerate(ENDS):
        if end not in motion.ends:
            return {}
        own = motion.ends[end]
        use = selected & own.valid
        speed, shaft = own.shaft_speed_mm_s[use] / 1e3, own.shaft_travel_mm[use] / 1e3
        if not len(speed) or not speed.any():
            return {}
        middle = float(np.median(shaft))
        near = np.array([middle - 5e-3, middle, middle + 5e-3])
        spring, ratio = (_table(table[k], tables, near) for table in (tables.spring_n, tables.ratio))
        rate = float((spring[2] / ratio[2] - spring[0] / ratio[0]) / 1e-2 / ratio[1])
        force = np.interp(
            speed,
            tables.speed_from_m_s + tables.speed_step_m_s * np.arange(tables.damper_n.shape[1]),
            tables.damper_n[k],
        )
        damping = float(np.mean(force * speed) / np.mean(speed**2)) / float(ratio[1]) ** 2
        ends.append(
            SpringEnd(float(body.unsprung_kg[k]), rate, float(body.tyre_n_m[k]), damping, float(body.tyre_n_s_m[k]))
        )  # fmt: skip
    found = modes(
        half_vehicle(
            body.mass_kg, body.inertia_kg_m2, float(body.arm_m[0]), float(body.arm_m[1]), ends[0], ends[1]
        )
    )
    hops: dict[End, float] = {}
    for k, end in enumerate(ENDS):
        own_modes = [mode for mode in found if int(np.argmax(np.abs(mode.shape))) == 2 + k]
        if not own_modes:
            return {}
        hops[end] = max(own_modes, key=lambda mode: mode.fn_hz).damping_ratio
    return hops


def _table(values: FloatArray, tables: Tables, shaft_m: FloatArray) -> FloatArray:
    grid = tables.shaft_from_m + tables.shaft_step_m * np.arange(len(values))
    return np.interp(shaft_m, grid, values)


COVERED = 0.90
NORMAL = float(stats.norm.ppf(0.5 + COVERED / 2))
# What the model itself is off by once the change moves an end by `FULL_MM` or more; for a smaller change in proportion
# to it, since without a change nothing is off. Travel mm, everything else as a share of the value. Measured on rides
# of simulators with physics that the model does not have.
FLOOR_MM, FLOOR_DEEPEST_MM, FLOOR_SHARE, FLOOR_SAME_BUMP = 0.15, 0.40, 0.008, 0.010
FULL_MM, FULL_SPEED_SHARE = 1.0, 0.03
DEEPEST = ("travel.max_mm", "travel.left_mm")


def floor_of(key: str, value: float, moved: float) -> float:
    """Standard deviation of the model's error in a number, in its unit; ``moved``, 0 to 1: how far the rides differ."""
    if key.endswith(DEEPEST):
        return FLOOR_DEEPEST_MM * moved
    if NAMES[key][1] == MM:
        return FLOOR_MM * moved
    if NAMES[key][1] == COUNT:
        return 0.5 * moved
    if key.endswith("mean_deg"):
        return 0.01 * moved
    share = FLOOR_SAME_BUMP if key.startswith("balance.same_bump") else FLOOR_SHARE
    return share * abs(value) * moved


def half_widths(
    before: Mapping[str, float], changes: Sequence[Mapping[str, float]], moved: Mapping[str, float]
) -> dict[str, float]:
    """Half width of the 90 % interval of every change, same ride; ``moved`` (0 to 1) is by end and ``balance``."""
    found = {}
    for key, value in before.items():
        drawn = np.array([change[key] for change in changes if key in change])
        spread = float(drawn.std(ddof=1)) if len(drawn) > 2 else 0.0
        floor = floor_of(key, value, moved[key.split(".")[0]])
        found[key] = NORMAL * float(np.hypot(spread, floor))
    return found


def outing_sd(key: str, value: float) -> float:
    """Standard deviation of a number between outings of one set-up, beyond that of laps, as a comparison has it."""
    unit = NAMES[key][1]
    if unit == MM:
        return OUTING_MM
    if unit == "deg":
        return OUTING_PITCH_DEG
    return (OUTING_RATIO_SHARE if key.startswith("balance.") else OUTING_SPEED_SHARE) * abs(value)


def next_outing_half(
    key: str, half: float, laps: Sequence[float], before: float, after: float
) -> float | None:
    """Half width of the 90 % interval for another outing of the same rider and length; None with fewer than two laps.

    Student's t over the laps of both outings, plus ``half`` of the same ride and what outings differ by. Rare events
    are two Poisson counts, whose difference varies by their sum plus one, since none so far does not mean none.
    """
    n = len(laps)
    if n < 2:
        return None
    spread = float(stats.t.ppf(0.5 + COVERED / 2, n - 1) * np.std(laps, ddof=1))
    if NAMES[key][1] == COUNT:
        chance = NORMAL * float(np.sqrt(before + after + 1.0))
        return float(np.hypot(half, max(spread * np.sqrt(2.0 * n), chance)))
    between = NORMAL * np.sqrt(2.0) * outing_sd(key, before)
    return float(np.sqrt(half**2 + 2.0 / n * spread**2 + between**2))


def next_deepest_half(half: float, peaks: Sequence[Sequence[float]]) -> float | None:
    """Half width for the deepest moment of the next laps; None with no place met twice. [mm]

    It is the highest of the laps' peaks at the few deep places (``peaks``: for each place every lap's). Their scatter
    pooled over places is known better than the spread of a few lap maxima.
    """
    repeated = [np.asarray(place) for place in peaks if len(place) > 1]
    free = sum(len(place) - 1 for place in repeated)
    if not free:
        return None
    spread = np.sqrt(sum(float(np.sum((place - place.mean()) ** 2)) for place in repeated) / free)
    return float(np.hypot(half, float(stats.t.ppf(0.5 + COVERED / 2, free)) * np.sqrt(2.0) * spread))
