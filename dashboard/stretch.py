"""Which samples of a run are on the screen, and where each of them lies on the horizontal axis."""

from dataclasses import dataclass

import numpy as np

from dashboard.urlstate import Against
from telemetry.arrays import FloatArray

DISTANCE_TITLE = "distance along the lap [m]"


@dataclass(frozen=True)
class Stretch:
    """A lap, or the whole run, along its axis.

    Parameters
    ----------
    rows : slice
        Its samples within the run.
    x : ndarray of shape (n_samples,)
        Never falling, no NaN. [m or s]
    t_s : ndarray of shape (n_samples,)
        On the run's clock. [s]
    against : {"distance", "time"}
        What ``x`` is; time starts at 0 with the lap.
    """

    rows: slice
    x: FloatArray
    t_s: FloatArray
    against: Against

    @property
    def title(self) -> str:
        """Name of the axis."""
        return DISTANCE_TITLE if self.against == "distance" else "time [s]"

    def at_time(self, t_s: float) -> float:
        """Place on the axis at a time on the run's clock; NaN when it lies outside."""
        if not len(self.t_s):
            return float("nan")
        return float(np.interp(t_s, self.t_s, self.x, left=np.nan, right=np.nan))

    def at_distance(self, distance_m: float) -> float:
        """Place on the axis at a distance from the start of the lap; NaN when the axis knows no distance."""
        return distance_m if self.against == "distance" else float("nan")


def stretch(
    t_s: FloatArray,
    lap: FloatArray | None = None,
    distance_m: FloatArray | None = None,
    *,
    number: int | None = None,
    against: Against = "distance",
) -> Stretch:
    """The samples of lap ``number``, or of the whole run.

    Distance is used when it is asked for, known at every sample of the lap, and never falls; otherwise time.

    Parameters
    ----------
    t_s, lap, distance_m : ndarray of shape (n_samples,)
        Columns of the traces; lap and distance may be missing.
    number : int or None
        Lap; None is the whole run, which is always against time.
    against : {"distance", "time"}

    Returns
    -------
    Stretch
        Without samples when the run has no such lap.
    """
    if number is None or lap is None:
        return Stretch(slice(0, len(t_s)), t_s, t_s, "time")
    inside = np.flatnonzero(lap == number)
    if not len(inside):
        return Stretch(slice(0, 0), t_s[:0], t_s[:0], "time")
    rows = slice(int(inside[0]), int(inside[-1]) + 1)
    own_t_s = t_s[rows]
    if against == "distance" and distance_m is not None:
        along = distance_m[rows]
        if np.isfinite(along).all() and (np.diff(along) >= 0).all():
            return Stretch(rows, along, own_t_s, "distance")
    return Stretch(rows, own_t_s - own_t_s[0], own_t_s, "time")


def spans(flag: FloatArray, x: FloatArray) -> list[tuple[float, float]]:
    """Where ``flag`` is not zero, as (from, to) along x.

    Parameters
    ----------
    flag, x : ndarray of shape (n_samples,)

    Returns
    -------
    list of (float, float)
    """
    marked = np.concatenate(([False], flag != 0, [False]))
    edges = np.flatnonzero(marked[1:] != marked[:-1])
    last = len(x) - 1
    return [(float(x[a]), float(x[min(b, last)])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
