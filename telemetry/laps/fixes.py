"""Position fixes of a run, as they were logged, with those that cannot be left out."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.laps.gps import to_plane_m
from telemetry.laps.smooth import moving_mean
from telemetry.notes import QualityNote
from telemetry.signals import Run

# Bends smaller than this in the line between fixes are rounding, larger ones are a fix. [m]
KINK_M = 1e-6
# Two fixes may be this much further apart than the wheels say before one of them is wrong. Choices of ours: noise,
# and a wheel that locks under braking.
FURTHER_SHARE, FURTHER_M = 1.3, 8.0
# A displaced stretch that lasts longer is another place, not a jump.
LONGEST_JUMP_S = 30.0
# Receivers give up to this many fixes a second that are their own. Common practice, no source.
MOST_FIXES_HZ = 25.0
# A pause of the fixes worth a word while the motorcycle moves.
DROPOUT_S = 1.5


@dataclass(frozen=True)
class Fixes:
    """Positions as they were logged.

    Parameters
    ----------
    t_s : ndarray of shape (n_fixes,)
        [s]
    east_m, north_m : ndarray of shape (n_fixes,)
        From ``origin_deg`` on the tangent plane there. [m]
    origin_deg : tuple of float
        Latitude and longitude of the run's first fix. [deg]
    """

    t_s: FloatArray
    east_m: FloatArray
    north_m: FloatArray
    origin_deg: tuple[float, float]
    rate_hz: float

    def only(self, kept: BoolArray) -> "Fixes":
        """Some of them."""
        return Fixes(self.t_s[kept], self.east_m[kept], self.north_m[kept], self.origin_deg, self.rate_hz)

    def earlier(self, delay_s: float) -> "Fixes":
        """The same places, that much earlier."""
        return Fixes(self.t_s - delay_s, self.east_m, self.north_m, self.origin_deg, self.rate_hz)


def find_fixes(run: Run) -> Fixes | None:
    """The fixes of a run's position; None when it has none.

    A position logged more slowly than the run is interpolated between its fixes, by straight lines that cut every
    corner. Only the ends of those lines were measured.
    """
    latitude, longitude = run.channels.get("latitude_deg"), run.channels.get("longitude_deg")
    if latitude is None or longitude is None:
        return None
    rate = min(
        run.channel_rate_hz.get(name, run.sample_rate_hz) for name in ("latitude_deg", "longitude_deg")
    )
    rows = _logged_rows(latitude, longitude, run.sample_rate_hz / rate)
    rows = rows[np.isfinite(latitude[rows]) & np.isfinite(longitude[rows])]
    # A receiver has no more fixes than this; more rows only repeat or smooth them.
    step = max(1, int(np.ceil(rate / MOST_FIXES_HZ - 0.1)))
    rows, rate = rows[::step], rate / step
    if len(rows) < 2:
        return None
    origin = (float(latitude[rows[0]]), float(longitude[rows[0]]))
    east, north = to_plane_m(latitude[rows], longitude[rows], origin)
    return Fixes(run.t_s[rows], east, north, origin, rate)


def _logged_rows(latitude: FloatArray, longitude: FloatArray, period: float) -> IntArray:
    """Samples at which a fix was logged."""
    n = len(latitude)
    if period < 1.5:
        return np.arange(n)
    every = round(period)
    if abs(period - every) < 1e-3:
        look = min(n, 200 * every)
        ends = [_kinks(latitude[part], longitude[part]) for part in (slice(0, look), slice(n - look, n))]
        phases = {int(p) for p in np.unique(ends[0] % every)} | {
            int(p) for p in np.unique((n - look + ends[1]) % every)
        }
        if len(phases) == 1:
            return np.arange(phases.pop(), n, every)
    kinks = _kinks(latitude, longitude)
    # a logger that rounds or smooths its positions shows none or too many: any sample is as good then
    if 0.5 * n / period < len(kinks) < 1.5 * n / period:
        return kinks
    return np.arange(0, n, every)


def _kinks(latitude: FloatArray, longitude: FloatArray) -> IntArray:
    bend = np.abs(np.diff(latitude, n=2)) + np.abs(np.diff(longitude, n=2))
    bend = np.nan_to_num(bend) * 111e3
    peak = (bend > KINK_M) & (bend >= np.append(0.0, bend[:-1])) & (bend > np.append(bend[1:], 0.0))
    return np.flatnonzero(peak) + 1


def without_jumps(fixes: Fixes, travelled_m: FloatArray | None, notes: list[QualityNote]) -> Fixes:
    """Leave out fixes that the motorcycle cannot have reached.

    Parameters
    ----------
    travelled_m : ndarray of shape (n_fixes,), optional
        Distance by the wheels at the fixes; without it the usual distance from fix to fix stands in. [m]
    notes : list of QualityNote
        What was found is added.
    """
    step = np.hypot(np.diff(fixes.east_m), np.diff(fixes.north_m))
    if travelled_m is None:
        interval = np.diff(fixes.t_s)
        travelled_m = np.concatenate(([0.0], np.cumsum(1.2 * _usual_speed(step, interval) * interval)))
    reach = FURTHER_SHARE * np.diff(travelled_m) + FURTHER_M
    breaks = np.flatnonzero(step > reach) + 1
    if not len(breaks):
        return fixes
    starts, ends = np.concatenate(([0], breaks)), np.concatenate((breaks, [len(fixes.t_s)]))
    kept = np.zeros(len(fixes.t_s), dtype=bool)
    for piece in _longest_chain(fixes, travelled_m, starts, ends):
        kept[starts[piece] : ends[piece]] = True
    left_out = [
        (float(fixes.t_s[a]), float(fixes.t_s[b - 1]))
        for a, b in zip(starts, ends, strict=True)
        if not kept[a]
    ]
    if left_out:
        largest = float(np.max(step[breaks - 1]))
        where = ", ".join(f"{a:.1f} to {b:.1f} s" for a, b in left_out[:3])
        notes.append(
            QualityNote(
                "warning",
                "gps_jump",
                f"The position jumps by up to {largest:.0f} m, further than the motorcycle can have gone: "
                f"{int((~kept).sum())} fixes are left out ({where}{', ...' if len(left_out) > 3 else ''}).",
                start_s=left_out[0][0],
                end_s=left_out[-1][1],
            )
        )
    return fixes.only(kept)


def _usual_speed(step_m: FloatArray, interval_s: FloatArray) -> FloatArray:
    """Speed from fix to fix without its spikes: the middle of 9. [m/s]"""
    speed = step_m / np.maximum(interval_s, 1e-3)
    padded = np.pad(speed, 4, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1))


def _longest_chain(fixes: Fixes, travelled_m: FloatArray, starts: IntArray, ends: IntArray) -> list[int]:
    """The pieces between breaks, of those that can follow one another, that hold the most fixes.

    A piece too long to be a jump can follow anything.
    """
    count = ends - starts
    lasts = fixes.t_s[ends - 1] - fixes.t_s[starts] > LONGEST_JUMP_S
    best, came_from = count.astype(np.int64), np.full(len(starts), -1)
    for i in range(1, len(starts)):
        before = np.arange(max(0, i - 50), i)
        away = np.hypot(
            fixes.east_m[starts[i]] - fixes.east_m[ends[before] - 1],
            fixes.north_m[starts[i]] - fixes.north_m[ends[before] - 1],
        )
        gone = travelled_m[starts[i]] - travelled_m[ends[before] - 1]
        can = (away <= FURTHER_SHARE * gone + FURTHER_M) | (lasts[before] & lasts[i])
        if can.any():
            best_before = before[can][np.argmax(best[before[can]])]
            if best[best_before] > 0:
                best[i] += best[best_before]
                came_from[i] = best_before
    chain = [int(np.argmax(best))]
    while came_from[chain[-1]] >= 0:
        chain.append(int(came_from[chain[-1]]))
    return chain[::-1]


def dropouts(fixes: Fixes, moving_at: BoolArray, notes: list[QualityNote]) -> None:
    """Add a note for pauses of the fixes while the motorcycle moves.

    Parameters
    ----------
    moving_at : ndarray of bool, shape (n_fixes,)
        Whether it moves at each fix.
    """
    pause = np.diff(fixes.t_s)
    long = np.flatnonzero((pause > max(DROPOUT_S, 3.0 / fixes.rate_hz)) & moving_at[:-1] & moving_at[1:])
    if not len(long):
        return
    where = ", ".join(f"{fixes.t_s[i]:.1f} to {fixes.t_s[i + 1]:.1f} s" for i in long[:3].tolist())
    notes.append(
        QualityNote(
            "info",
            "gps_dropout",
            f"No position for {pause[long].sum():.1f} s while riding ({where}{', ...' if len(long) > 3 else ''}): "
            "the place there goes on by the speed.",
            start_s=float(fixes.t_s[long[0]]),
            end_s=float(fixes.t_s[long[-1] + 1]),
        )
    )


def path_speed(fixes: Fixes, t_s: FloatArray) -> FloatArray:
    """Ground speed from positions alone, at other instants.

    Parameters
    ----------
    t_s : ndarray of shape (n,)
        Evenly apart. [s]

    Returns
    -------
    ndarray of shape (n,)
        [m/s]
    """
    rate = 1.0 / (t_s[1] - t_s[0])
    width = max(round(0.5 * rate), 3)
    east, north = (moving_mean(np.interp(t_s, fixes.t_s, v), width) for v in (fixes.east_m, fixes.north_m))
    speed = np.hypot(np.gradient(east), np.gradient(north)) * rate
    # the average reaches beyond the first and the last fix, where nothing is known: hold what it was there
    edge = 0.5 * width / rate
    inside = np.clip(t_s, fixes.t_s[0] + edge, max(fixes.t_s[-1] - edge, fixes.t_s[0] + edge))
    return np.asarray(np.interp(inside, t_s, speed))
