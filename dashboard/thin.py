"""Long traces made small for the screen: cut to the shown stretch, thinned with extremes kept, packed.

The browser gets typed arrays in base64, which plotly.js reads as they are; as lists of numbers they would be
about twice as large and a hundred times slower to write.
"""

import base64

import numpy as np
import numpy.typing as npt

from telemetry.arrays import FloatArray

# Twice the pixels a trace has on a wide screen; more is not seen and only costs drawing time.
POINTS = 2000


def window(x: FloatArray, zoom: tuple[float, float] | None) -> slice:
    """The samples to draw for a zoom, with one more on each side so that the line reaches the edge.

    Parameters
    ----------
    x : ndarray of shape (n_samples,)
        Never falling, no NaN.
    zoom : (float, float) or None
        None is all of it.
    """
    if zoom is None:
        return slice(0, len(x))
    first = int(np.searchsorted(x, zoom[0], side="left")) - 1
    last = int(np.searchsorted(x, zoom[1], side="right")) + 1
    return slice(max(first, 0), min(max(last, 0), len(x)))


def thin(x: FloatArray, y: FloatArray, points: int = POINTS) -> tuple[FloatArray, FloatArray]:
    """At most ``points`` of the samples, with the extremes of every piece kept; none is invented or moved.

    Gaps (NaN) as long as a piece stay gaps. Method: least and greatest of each piece, then largest triangles.

    Parameters
    ----------
    x, y : ndarray of shape (n_samples,)
        x never falls and has no NaN.

    Returns
    -------
    x, y : ndarray
        Stored samples only.

    References
    ----------
    .. [1] J. Van Der Donckt et al., MinMaxLTTB, IEEE VIS 2023, doi:10.1109/VIS54172.2023.00013 (from memory).
    """
    if len(x) <= points:
        return x, y
    from tsdownsample import MinMaxLTTBDownsampler

    keep = MinMaxLTTBDownsampler().downsample(
        np.ascontiguousarray(x), np.ascontiguousarray(y), n_out=points - points % 2
    )
    return x[keep], y[keep]


def packed(values: npt.ArrayLike, dtype: str) -> dict[str, str]:
    """A typed array as plotly.js reads it: ``dtype`` "f8" for x, "f4" for what is only looked at."""
    array = np.ascontiguousarray(values, dtype=np.dtype(dtype).newbyteorder("<"))
    return {"dtype": dtype, "bdata": base64.b64encode(array.tobytes()).decode()}


def packed_line(
    x: FloatArray, y: FloatArray, zoom: tuple[float, float] | None
) -> tuple[dict[str, str], dict[str, str]]:
    """One line for a zoom, x and y: cut, thinned and packed."""
    cut = window(x, zoom)
    few_x, few_y = thin(x[cut], y[cut])
    return packed(few_x, "f8"), packed(few_y, "f4")
