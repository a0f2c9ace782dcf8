"""A leverage curve: what the wheel does when the damper shaft moves.

Travel is 0 at full extension and compression positive. The leverage ratio is d(wheel)/d(shaft), about
1.6-2.1 at a road-race rear and falling with stroke; at the front it is cos(rake), the same everywhere.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from telemetry.arrays import FloatArray
from telemetry.errors import OutsideCurveError

# A sensor's noise may read a little past the end of the table: within this it counts as the end.
EDGE_TOLERANCE_MM = 0.5


@dataclass(frozen=True)
class LeverageCurve:
    """Wheel travel as a smooth, strictly rising function of shaft travel.

    A shape-preserving cubic (PCHIP [1]_) through the measured points: it rises wherever the table rises and
    never overshoots between points. A table with equal ratio throughout gives exactly that ratio.

    Parameters
    ----------
    shaft_mm, wheel_mm : tuple of float
        The table; both start at 0 and rise strictly. [mm]
    ratio_at_points : tuple of float, optional
        The ratio at the points where it is known, as from pivot coordinates; the cubic then keeps to it.

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021.
    """

    shaft_mm: tuple[float, ...]
    wheel_mm: tuple[float, ...]
    ratio_at_points: tuple[float, ...] | None = None

    @cached_property
    def _wheel(self) -> PchipInterpolator | CubicHermiteSpline:
        if self.ratio_at_points is not None:
            return CubicHermiteSpline(self.shaft_mm, self.wheel_mm, self.ratio_at_points, extrapolate=False)
        return PchipInterpolator(self.shaft_mm, self.wheel_mm, extrapolate=False)

    @cached_property
    def _shaft(self) -> tuple[FloatArray, FloatArray]:
        shaft = np.linspace(0.0, self.shaft_mm[-1], 2001)
        return shaft, np.asarray(self._wheel(shaft), dtype=np.float64)

    def _inside(self, shaft_travel_mm: FloatArray) -> FloatArray:
        """Shaft travel with sensor noise at the two ends taken in; further out is refused."""
        end = self.shaft_mm[-1]
        outside = (shaft_travel_mm < -EDGE_TOLERANCE_MM) | (shaft_travel_mm > end + EDGE_TOLERANCE_MM)
        if np.any(outside):
            first = int(np.argmax(outside))
            raise OutsideCurveError(
                f"leverage curve: shaft travel {np.ravel(shaft_travel_mm)[first]:.2f} mm at sample {first} "
                f"is outside the measured 0 to {end:g} mm; extend leverage_table_mm or check sensor points."
            )
        return np.clip(shaft_travel_mm, 0.0, end)

    def wheel_travel_mm(self, shaft_travel_mm: FloatArray) -> FloatArray:
        """Wheel travel from shaft travel.

        Parameters
        ----------
        shaft_travel_mm : ndarray of shape (n_samples,)
            0 at full extension, compression positive; NaN where invalid. [mm]

        Returns
        -------
        ndarray of shape (n_samples,)
            Vertical at the axle, relative to the chassis; NaN where the input is. [mm]

        Raises
        ------
        OutsideCurveError
            If a valid sample lies beyond the table by more than sensor noise explains.
        """
        return np.asarray(self._wheel(self._inside(np.asarray(shaft_travel_mm, dtype=np.float64))))

    def ratio(self, shaft_travel_mm: FloatArray) -> FloatArray:
        """Leverage ratio d(wheel)/d(shaft) at a shaft travel.

        Parameters
        ----------
        shaft_travel_mm : ndarray of shape (n_samples,)
            0 at full extension, compression positive; NaN where invalid. [mm]

        Returns
        -------
        ndarray of shape (n_samples,)
            Unitless; NaN where the input is.

        Raises
        ------
        OutsideCurveError
            If a valid sample lies beyond the table by more than sensor noise explains.
        """
        return np.asarray(self._wheel(self._inside(np.asarray(shaft_travel_mm, dtype=np.float64)), 1))

    def ratio_slope_per_mm(self, shaft_mm: float) -> float:
        """How the ratio changes with shaft travel, d(ratio)/d(shaft); negative where it falls. [1/mm]

        The difference over half a millimetre: a measured table knows no more.
        """
        step = 0.25
        low, high = max(0.0, shaft_mm - step), min(self.shaft_mm[-1], shaft_mm + step)
        at_low, at_high = self.ratio(np.array([low])), self.ratio(np.array([high]))
        return (float(at_high[0]) - float(at_low[0])) / (high - low)

    def shaft_travel_mm(self, wheel_travel_mm: FloatArray) -> FloatArray:
        """Shaft travel from wheel travel: the inverse of `wheel_travel_mm`, to about 1e-4 mm.

        Parameters
        ----------
        wheel_travel_mm : ndarray of shape (n_samples,)
            Within the table. [mm]

        Returns
        -------
        ndarray of shape (n_samples,)
            0 at full extension. [mm]
        """
        shaft, wheel = self._shaft
        return np.interp(wheel_travel_mm, wheel, shaft)

    @property
    def wheel_stroke_mm(self) -> float:
        """Wheel travel at the end of the table. [mm]"""
        return self.wheel_mm[-1]
