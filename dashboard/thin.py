"""Long traces made small for the screen: cut to the shown stretch, thinned with extremes kept, packed.

The browser gets typed arrays in base64, which plotly.js reads as they are; as lists of numbers they would be
about twice as large and a hundred times slower to write.
"""

import base64
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from telemetry.arrays import FloatArray
from telemetry.report import POINTS, thinned

# Of a long line the extremes of so many samples are kept, for zooms in which a point drawn stands for many more.
_PIECE = 128
_FEWEST_PIECES = 2


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


def packed(values: npt.ArrayLike, dtype: str) -> dict[str, str]:
    """A typed array as plotly.js reads it: ``dtype`` "f8" for x, "f4" for what is only looked at."""
    array = np.ascontiguousarray(values, dtype=np.dtype(dtype).newbyteorder("<"))
    return {"dtype": dtype, "bdata": base64.b64encode(array.tobytes()).decode()}


def packed_line(
    x: FloatArray, y: FloatArray, zoom: tuple[float, float] | None
) -> tuple[dict[str, str], dict[str, str]]:
    """One line for a zoom, x and y: cut, thinned and packed."""
    cut = window(x, zoom)
    few_x, few_y = thinned(x[cut], y[cut])
    return packed(few_x, "f8"), packed(few_y, "f4")


@dataclass(frozen=True)
class LongLine:
    """A line of which many zooms are asked for; ``y`` in single precision, as it is sent."""

    x: FloatArray
    y: npt.NDArray[np.float32]

    @cached_property
    def _extremes(self) -> tuple[npt.NDArray[np.intp], FloatArray, npt.NDArray[np.float32]]:
        """The least and the greatest sample of every `_PIECE`, in order: which, x and y."""
        from tsdownsample import MinMaxDownsampler

        count = max(2 * (len(self.y) // _PIECE), 2)
        rows = np.asarray(MinMaxDownsampler().downsample(self.y, n_out=count), dtype=np.intp)
        return rows, self.x[rows], self.y[rows]

    def packed(self, zoom: tuple[float, float] | None) -> tuple[dict[str, str], dict[str, str]]:
        """As `packed_line`; wide zooms are thinned out of the extremes, so they cost no more than narrow ones."""
        cut = window(self.x, zoom)
        if cut.stop - cut.start < _FEWEST_PIECES * _PIECE * POINTS:
            return packed_line(self.x, self.y, zoom)
        rows, x, y = self._extremes
        first, last = np.searchsorted(rows, (cut.start, cut.stop))
        few_x, few_y = thinned(x[first:last], y[first:last])
        return packed(few_x, "f8"), packed(few_y, "f4")
