"""Where a label stands beside a line, the same on screen and on paper."""

from collections.abc import Sequence

import numpy as np

from telemetry.arrays import FloatArray


def beside(
    x_m: FloatArray, y_m: FloatArray, at: int, offset_m: float, others: Sequence[tuple[float, float]] = ()
) -> tuple[float, float]:
    """A point for a label beside the line, on the side where there is more room.

    Parameters
    ----------
    x_m, y_m : ndarray of shape (n_points,)
        The line.
    at : int
        Where on it.
    offset_m : float
        How far beside.
    others : sequence of (float, float)
        Labels that stand already.
    """
    low, high = max(at - 8, 0), min(at + 8, len(x_m) - 1)
    along = np.array([x_m[high] - x_m[low], y_m[high] - y_m[low]])
    across = offset_m * np.array([-along[1], along[0]]) / (float(np.hypot(*along)) or 1.0)
    taken = np.concatenate([np.stack([x_m, y_m], axis=-1), np.reshape(others, (-1, 2))])
    sides = [np.array([x_m[at], y_m[at]]) + side * across for side in (1.0, -1.0)]
    room = [float(np.min(np.hypot(*(taken - side).T))) for side in sides]
    # With about equal room the outside of the map is the better place.
    middle = np.array([np.mean(x_m), np.mean(y_m)])
    outside = int(np.argmax([np.hypot(*(side - middle)) for side in sides]))
    room[outside] += 0.2 * offset_m
    best = int(np.argmax(room))
    return float(sides[best][0]), float(sides[best][1])
