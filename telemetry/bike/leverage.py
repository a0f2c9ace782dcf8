"""The leverage curve: what the wheel does when the damper shaft moves.

Travel is 0 at full extension and compression positive. The leverage ratio is d(wheel)/d(shaft), about
1.6-2.1 at a road-race rear and falling with stroke; at the front it is cos(rake), the same everywhere.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from telemetry.arrays import End, FloatArray
from telemetry.bike.bikefile import Bike
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

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021.
    """

    shaft_mm: tuple[float, ...]
    wheel_mm: tuple[float, ...]

    @cached_property
    def _wheel(self) -> PchipInterpolator:
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


def leverage_curve(bike: Bike, end: End) -> LeverageCurve:
    """The leverage curve of one end of a bike.

    Parameters
    ----------
    bike : Bike
    end : {"front", "rear"}
        In front wheel travel = shaft travel x cos(rake); at the rear the measured table.

    Returns
    -------
    LeverageCurve
    """
    if end == "front":
        stroke = bike.front.stroke_mm
        return LeverageCurve((0.0, stroke), (0.0, stroke * float(np.cos(np.radians(bike.front.rake_deg)))))
    shaft, wheel = zip(*bike.rear.leverage_table_mm, strict=True)
    return LeverageCurve(shaft, wheel)


def stroke_mm(bike: Bike, end: End) -> float:
    """Mechanical stroke of the damper at one end, along the shaft. [mm]"""
    return bike.front.stroke_mm if end == "front" else bike.rear.shock_stroke_mm


def wheel_stroke_mm(bike: Bike, end: End) -> float:
    """Wheel travel at the full stroke of the damper. [mm]"""
    return float(leverage_curve(bike, end).wheel_travel_mm(np.array([stroke_mm(bike, end)]))[0])
