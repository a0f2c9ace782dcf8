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
from telemetry.report import thinned

# So many samples are drawn of a line that is zoomed, a least and a greatest to each three pixels or so; a point is
# placed to this share of the picture's width and height, half a pixel or less. Together a fifth of the bytes.
ZOOMED_POINTS = 780
_WIDTH_STEPS, _HEIGHT_STEPS = 2**11, 2**9
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

    @cached_property
    def _step(self) -> float:
        """What is not seen of the height."""
        known = self.y[np.isfinite(self.y)]
        return _binary(float(np.ptp(known)) / _HEIGHT_STEPS) if len(known) else 1.0

    def packed(self, zoom: tuple[float, float] | None) -> tuple[dict[str, str], dict[str, str]]:
        """As `packed_line`; wide zooms are thinned out of the extremes, so they cost no more than narrow ones."""
        cut = window(self.x, zoom)
        x, y = self.x[cut], self.y[cut]
        if len(x) <= ZOOMED_POINTS:
            return packed(x, "f8"), packed(y, "f4")
        step = _binary(float(x[-1] - x[0]) / _WIDTH_STEPS)
        if len(x) >= _FEWEST_PIECES * _PIECE * ZOOMED_POINTS:
            rows, x, y = self._extremes
            first, last = np.searchsorted(rows, (cut.start, cut.stop))
            x, y = x[first:last], y[first:last]
        x, y = thinned(x, y, ZOOMED_POINTS)
        whole = np.abs(x[-1]) < 2**24 * step  # of these single precision keeps every digit
        return packed(np.rint(x / step) * step, "f4" if whole else "f8"), packed(
            np.rint(y / self._step) * self._step, "f4"
        )


def _binary(step: float) -> float:
    """The power of two at or below a step; its multiples have few digits, which pack small."""
    return float(2.0 ** np.floor(np.log2(step))) if step > 0 else 1.0
