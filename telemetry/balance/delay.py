"""Delay of the rear behind the front, against wheelbase / speed: finds a wrong speed, or swapped ends."""

import numpy as np

from telemetry.arrays import ENDS, FloatArray, IntArray
from telemetry.decimals import as_kept
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.notes import QualityNote

MIN_SPEED_M_S = 10.0  # slower, the delay is long and the ends have settled in between; a choice of ours
WORK_HZ = 125.0
MOST_SAMPLES = 40_000
STRETCH_SAMPLES = 250
# Multiples of wheelbase / speed that are tried, and how far from 1 the best one may lie. Choices of ours.
MULTIPLES = np.round(np.arange(-2.5, 2.501, 0.05), 2)
LEAST_MULTIPLE, MOST_MULTIPLE = 0.78, 1.33
DUE = (0.9, 1.2)  # about 1: the rear's own answer is a little later than the front's
# Below, the ends are too unlike to tell: another road under each, or sensors that do not move.
LEAST_LIKENESS = 0.25
CLEARER = 0.05  # than at the multiple that is right
TELLS_APART = (
    0.02  # a delay that scales with 1 / speed from one that does not: likeness one has over the other
)
LAGS_S = np.round(np.arange(-0.06, 0.0601, 0.004), 3)


def riding_delay_s(motion: Motion, track: Track, rows: slice | IntArray = slice(None)) -> FloatArray:
    """Wheelbase / speed at the rows; NaN where the motorcycle is too slow or its speed unknown. [s]"""
    return delay_s(motion, track.speed_m_s[rows])


def delay_s(motion: Motion, speed_m_s: FloatArray) -> FloatArray:
    """Wheelbase / speed; NaN where it is too slow or unknown. [s]"""
    found = np.full(np.shape(speed_m_s), np.nan)
    np.divide(motion.wheelbase_mm / 1000.0, speed_m_s, out=found, where=speed_m_s > MIN_SPEED_M_S)
    return found


def likeness(motion: Motion, track: Track, multiples: FloatArray, lags_s: FloatArray) -> FloatArray:
    """Correlation of front wheel speed with the rear's later by multiples of wheelbase / speed plus a lag. [1, s]

    NaN where too little is valid.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    delay = riding_delay_s(motion, track, slice(None, None, step)) * rate
    front, rear = (motion.ends[end].wheel_speed_mm_s[::step] for end in ENDS)
    furthest = np.max(np.abs(multiples)) * np.nanmax(delay, initial=1.0) + np.max(np.abs(lags_s)) * rate
    reach = int(np.ceil(furthest)) + 1
    rows = np.flatnonzero(np.isfinite(delay) & np.isfinite(front))
    rows = rows[(rows > reach) & (rows < len(front) - reach - 2)]
    if len(rows) > MOST_SAMPLES:  # whole stretches, spread over the run
        stretches = np.linspace(0, len(rows) - STRETCH_SAMPLES, MOST_SAMPLES // STRETCH_SAMPLES).astype(int)
        rows = rows[(stretches[:, None] + np.arange(STRETCH_SAMPLES)).ravel()]
    found = np.full(len(multiples), np.nan)
    if len(rows) < STRETCH_SAMPLES:
        return found
    place, there, due = rows.astype(np.float64), front[rows], delay[rows]
    rear, rises = np.ascontiguousarray(rear), np.diff(rear)
    for i, (multiple, lag_s) in enumerate(zip(multiples, lags_s, strict=True)):
        at = multiple * due
        at += lag_s * rate
        at += place
        low = at.astype(np.int64)
        at -= low
        at *= rises.take(low)
        at += rear.take(low)
        known = slice(None) if np.isfinite(at.sum()) else np.flatnonzero(np.isfinite(at))
        ahead, later = there[known], at[known]
        if len(later) >= STRETCH_SAMPLES:
            found[i] = _correlation(ahead, later)
    return found


def _correlation(a: FloatArray, b: FloatArray) -> float:
    """Correlation of two records of mean about 0; NaN where one does not move."""
    total_a, total_b, n = float(a.sum()), float(b.sum()), len(a)
    power = (a @ a - total_a**2 / n) * (b @ b - total_b**2 / n)
    return float((a @ b - total_a * total_b / n) / np.sqrt(power)) if power > 0 else float("nan")


def delay_notes(motion: Motion, track: Track) -> tuple[QualityNote, ...]:
    """Named notes where the rear does not follow the front as wheelbase and speed say.

    Returns
    -------
    tuple of QualityNote
        ``ends_swapped`` when the rear runs ahead of the front, ``speed_scale`` when it follows by another multiple of
        wheelbase / speed, ``channel_late`` when it is another time later at every speed; none when it follows as it
        should, or when nothing can be told. Ridden at one speed only, the last two are one, called ``speed_scale``.
    """
    if any(end not in motion.ends for end in ENDS) or not as_kept(track.speed_m_s).any_known:
        return ()
    scaled = likeness(motion, track, MULTIPLES, np.zeros(len(MULTIPLES)))
    shifted = likeness(motion, track, np.ones(len(LAGS_S)), LAGS_S)
    if not np.isfinite(scaled).any() or not np.isfinite(shifted).any():
        return ()
    multiple, lag_s = float(MULTIPLES[np.nanargmax(scaled)]), float(LAGS_S[np.nanargmax(shifted)])
    by_scale, by_lag = float(np.nanmax(scaled)), float(np.nanmax(shifted))
    due = float(np.nanmax(scaled[(DUE[0] <= MULTIPLES) & (DUE[1] >= MULTIPLES)]))
    if max(by_scale, by_lag) < max(LEAST_LIKENESS, due + CLEARER):
        return ()
    if by_lag > by_scale + TELLS_APART:
        return (_late(lag_s),)
    if multiple < -0.5 * LEAST_MULTIPLE:
        return (
            QualityNote(
                "warning",
                "ends_swapped",
                "The rear moves before the front over the same road: the two travel sensors seem to be swapped. "
                "Check the channels of [front.sensor] and [rear.sensor] in the bike file; until then every number "
                "of front and rear is doubtful.",
            ),
        )
    if LEAST_MULTIPLE <= multiple <= MOST_MULTIPLE or multiple <= 0.0:
        return ()
    or_late = "" if by_scale > by_lag + TELLS_APART else ", or one of the travel channels is late"
    return (
        QualityNote(
            "warning",
            "speed_scale",
            f"The rear follows the front about {multiple:.1f} times as late as wheelbase / speed says: the speed seems "
            f"to read about {multiple:.1f} times the true one, or the wheelbase in the bike file is wrong{or_late}. "
            "Check the unit of the speed column; distance and same-bump pairs are wrong until then.",
        ),
    )


def _late(lag_s: float) -> QualityNote:
    late, other = ("rear", "front") if lag_s > 0 else ("front", "rear")
    return QualityNote(
        "warning",
        "channel_late",
        f"The {late} travel channel is about {1000 * abs(lag_s):.0f} ms later than the {other}'s, at every speed: a "
        "filter or the logger delays one of them. Set both alike; until then same-bump pairs, pitch and heave in quick "
        "motion are doubtful.",
    )
