"""The leverage curve of either end of a bike: the one door to leverage for the rest of the program."""

import numpy as np

from telemetry.arrays import End
from telemetry.bike.bikefile import Bike
from telemetry.bike.curve import LeverageCurve
from telemetry.bike.rearend import rear_end


def leverage_curve(bike: Bike, end: End) -> LeverageCurve:
    """The leverage curve of one end of a bike.

    Parameters
    ----------
    end : {"front", "rear"}
        In front wheel travel = shaft travel x cos(rake); at the rear the measured table, the curve through the
        measured points, or the solved linkage, for the shock length and inserts of the file.
    """
    if end == "front":
        stroke = bike.front.stroke_mm
        return LeverageCurve((0.0, stroke), (0.0, stroke * float(np.cos(np.radians(bike.front.rake_deg)))))
    return rear_end(bike.rear, bike.measured_at).curve


def stroke_mm(bike: Bike, end: End) -> float:
    """Mechanical stroke of the damper at one end, along the shaft. [mm]"""
    return bike.front.stroke_mm if end == "front" else bike.rear.shock_stroke_mm


def wheel_stroke_mm(bike: Bike, end: End) -> float:
    """Wheel travel at the full stroke of the damper. [mm]"""
    return float(leverage_curve(bike, end).wheel_travel_mm(np.array([stroke_mm(bike, end)]))[0])
