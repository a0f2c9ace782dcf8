"""A leverage curve: what the wheel does when the damper shaft moves.

Travel is 0 at full extension and compression positive. The leverage ratio is d(wheel)/d(shaft), about
1.6-2.1 at a road-race rear and falling with stroke; at the front it is cos(rake), the same everywhere.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from telemetry.arrays import BoolArray, FloatArray

# So far past its ends a curve may be trusted to go on straight: rubber and metal give by 2 to 3 mm in a hard contact,
# a sensor's zero and a table's last point are a millimetre off (common practice, no source).
BEYOND_MM = 5.0


@dataclass(frozen=True)
class LeverageCurve:
    """Wheel travel as a smooth, strictly rising function of shaft travel.

    A shape-preserving cubic (PCHIP [1]_) through the measured points: it rises wherever the table rises and
    never overshoots between points. A table with equal ratio throughout gives exactly that ratio. Past either end
    the curve goes on straight with the ratio it has there; how far that is to be trusted is for the caller to say
    (`BEYOND_MM`).

    Parameters
    ----------
    shaft_mm, wheel_mm : tuple of float
        The table; both rise strictly. [mm]
    ratio_at_points : tuple of float, optional
        The ratio at the points where it is known, as from pivot coordinates; the cubic then keeps to it.
    measured_mm : tuple of float, optional
        From where to where along the shaft the curve was measured, where that is less than it covers. [mm]

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021.
    """

    shaft_mm: tuple[float, ...]
    wheel_mm: tuple[float, ...]
    ratio_at_points: tuple[float, ...] | None = None
    measured_mm: tuple[float, float] | None = None

    @cached_property
    def _wheel(self) -> PchipInterpolator | CubicHermiteSpline:
        if self.ratio_at_points is not None:
            return CubicHermiteSpline(self.shaft_mm, self.wheel_mm, self.ratio_at_points, extrapolate=False)
        return PchipInterpolator(self.shaft_mm, self.wheel_mm, extrapolate=False)

    @cached_property
    def _shaft(self) -> tuple[FloatArray, FloatArray]:
        shaft = np.linspace(self.shaft_mm[0], self.shaft_mm[-1], 2001)
        return shaft, np.asarray(self._wheel(shaft), dtype=np.float64)

    def _inside(self, shaft_travel_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Shaft travel held within the curve, and how far beyond it was."""
        shaft = np.asarray(shaft_travel_mm, dtype=np.float64)
        inside = np.clip(shaft, self.shaft_mm[0], self.shaft_mm[-1])
        return inside, shaft - inside

    def trusted(self, shaft_travel_mm: FloatArray) -> BoolArray:
        """Where the curve is known: within what was measured, and `BEYOND_MM` past it.

        Parameters
        ----------
        shaft_travel_mm : ndarray of shape (n_samples,)
            [mm]

        Returns
        -------
        ndarray of bool, shape (n_samples,)
            False where the input is NaN.
        """
        first, last = self.measured_mm or (self.shaft_mm[0], self.shaft_mm[-1])
        return (shaft_travel_mm >= first - BEYOND_MM) & (shaft_travel_mm <= last + BEYOND_MM)

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
        """
        inside, beyond = self._inside(shaft_travel_mm)
        wheel = np.asarray(self._wheel(inside))
        out = beyond != 0.0  # few samples if any; NaN is among them, and stays NaN
        wheel[out] += beyond[out] * np.asarray(self._wheel(inside[out], 1))
        return wheel

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
        """
        return np.asarray(self._wheel(self._inside(shaft_travel_mm)[0], 1))

    def ratio_slope_per_mm(self, shaft_mm: float) -> float:
        """How the ratio changes with shaft travel, d(ratio)/d(shaft); negative where it falls. [1/mm]

        The difference over half a millimetre: a measured table knows no more.
        """
        step = 0.25
        low, high = max(self.shaft_mm[0], shaft_mm - step), min(self.shaft_mm[-1], shaft_mm + step)
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
