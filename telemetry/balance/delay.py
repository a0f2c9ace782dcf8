"""Does the rear follow the front by wheelbase / speed? If not, the speed is wrong or the ends are swapped."""

import numpy as np

from telemetry.arrays import ENDS, FloatArray, IntArray
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


def riding_delay_s(motion: Motion, track: Track, rows: slice | IntArray = slice(None)) -> FloatArray:
    """How much later the rear axle meets what the front axle meets now: wheelbase / speed.

    Parameters
    ----------
    motion : Motion
    track : Track
    rows : slice or ndarray of int
        Which samples.

    Returns
    -------
    ndarray of shape (n_rows,)
        NaN where the motorcycle is too slow or its speed not known. [s]
    """
    speed = track.speed_m_s[rows]
    with np.errstate(invalid="ignore"):
        return np.where(speed > MIN_SPEED_M_S, motion.wheelbase_mm / 1000.0 / speed, np.nan)


def likeness(motion: Motion, track: Track) -> FloatArray:
    """Correlation of the front's wheel speed with the rear's, later by each of `MULTIPLES` of wheelbase / speed.

    Parameters
    ----------
    motion : Motion
        With both ends.
    track : Track

    Returns
    -------
    ndarray of shape (n_multiples,)
        NaN where too little is known to tell.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    delay = riding_delay_s(motion, track, slice(None, None, step)) * rate
    front, rear = (motion.ends[end].wheel_speed_mm_s[::step] for end in ENDS)
    reach = int(np.ceil(2.6 * np.nanmax(delay, initial=1.0)))
    rows = np.flatnonzero(np.isfinite(delay) & np.isfinite(front))
    rows = rows[(rows > reach) & (rows < len(front) - reach - 2)]
    if len(rows) > MOST_SAMPLES:  # whole stretches, spread over the run
        stretches = np.linspace(0, len(rows) - STRETCH_SAMPLES, MOST_SAMPLES // STRETCH_SAMPLES).astype(int)
        rows = rows[(stretches[:, None] + np.arange(STRETCH_SAMPLES)).ravel()]
    found = np.full(len(MULTIPLES), np.nan)
    if len(rows) < STRETCH_SAMPLES:
        return found
    for i, multiple in enumerate(MULTIPLES):
        at = rows + multiple * delay[rows]
        low = at.astype(np.int64)
        part = at - low
        later = (1 - part) * rear[low] + part * rear[low + 1]
        both = np.isfinite(later)
        if np.count_nonzero(both) >= STRETCH_SAMPLES:
            found[i] = np.corrcoef(front[rows[both]], later[both])[0, 1]
    return found


def delay_notes(motion: Motion, track: Track) -> tuple[QualityNote, ...]:
    """Named notes where the rear does not follow the front as wheelbase and speed say.

    Parameters
    ----------
    motion : Motion
    track : Track

    Returns
    -------
    tuple of QualityNote
        ``ends_swapped`` when the rear runs ahead of the front, ``speed_scale`` when it follows too late or too
        early; none when it follows as it should, or when nothing can be told.
    """
    if any(end not in motion.ends for end in ENDS) or not np.isfinite(track.speed_m_s).any():
        return ()
    found = likeness(motion, track)
    if not np.isfinite(found).any():
        return ()
    best = int(np.nanargmax(found))
    due = found[(DUE[0] <= MULTIPLES) & (DUE[1] >= MULTIPLES)]
    multiple = float(MULTIPLES[best])
    if found[best] < LEAST_LIKENESS or found[best] < np.nanmax(due) + CLEARER:
        return ()
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
    return (
        QualityNote(
            "warning",
            "speed_scale",
            f"The rear follows the front about {multiple:.1f} times as late as wheelbase / speed says: the speed seems "
            f"to read about {multiple:.1f} times the true one, or the wheelbase in the bike file is wrong. Check the "
            "unit of the speed column; distance and same-bump pairs are wrong until then.",
        ),
    )
