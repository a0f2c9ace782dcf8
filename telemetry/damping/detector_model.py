"""What the detector knows of a run before it judges it: the wheel's equation, its pole and the road."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.bike import Bike
from telemetry.damping.delay import delay_over_time_s
from telemetry.damping.equation import (
    BLOCK_S,
    OWN,
    WheelEquation,
    WheelSignals,
    wheel_equation,
    wheel_signals,
)
from telemetry.damping.evidence import PoleGrid, pole_grid
from telemetry.damping.front_filter import FrontFilter, fit_front_filter
from telemetry.damping.hop import WheelHop, wheel_hop
from telemetry.damping.pole import SOUND_DAMPING, found_mode
from telemetry.damping.swing import Swing, find_swing
from telemetry.damping.tone import find_tone
from telemetry.damping.wheelline import Line, find_wheel_turning
from telemetry.laps import Track
from telemetry.motion import Motion

LEAST_MOVING_S = 20.0
# Where the bike file gives no tyre radius, what turns with the wheel is looked for about this: a road-race tyre rolls
# at 280 to 330 mm, common practice, no source; the search reaches further either way. [mm]
SEARCH_RADIUS_MM = 305.0


@dataclass(frozen=True)
class DetectorModel:
    """What the detector knows of one wheel over a run.

    Parameters
    ----------
    end : {"front", "rear"}
    equation : WheelEquation
        A steady tone and what usually turns with the wheel taken out.
    reference : FrontFilter
        What a stretch is held against: the same less the sensors' noise, but for a wheel whose hop was not found in
        it. There the likeliest wheel is damped out of all measure, with road weights that fit no other; one as damped
        as sound dampers are is fitted in its place.
    predicted : ndarray of shape (n,)
        The right side of the equation as the front predicts it.
    swing : Swing or None
        None where nothing is known of the road.
    wheel_hz : ndarray of shape (n,) or None
        Turns of the wheel. [1/s]
    delay_s : float or ndarray of shape (n,)
        By which the front's signals came late. [s]
    signals : mapping of end to WheelSignals
        This wheel's without its tone and line.
    """

    end: End
    equation: WheelEquation
    hop: WheelHop
    fitted: FrontFilter
    reference: FrontFilter
    predicted: FloatArray
    grid: PoleGrid
    swing: Swing | None
    wheel_hz: FloatArray | None
    delay_s: float | FloatArray
    signals: Mapping[End, WheelSignals]

    @property
    def whole_blocks(self) -> BoolArray:
        """Blocks of the run that are usable."""
        length = round(BLOCK_S / self.equation.step_s)
        count = len(self.equation.usable) // length
        return np.asarray(self.equation.usable[: count * length].reshape(count, length).all(axis=1))

    @property
    def missing(self) -> str:
        """What the log lacks to know the road, in words; "" where it lacks nothing."""
        if self.equation.knows_road:
            return ""
        other = "front" if self.end == "rear" else "rear"
        there = {f"{other} travel": other in self.signals, "ground speed": self._has_speed}
        return " and ".join(words for words, has in there.items() if not has)

    @property
    def _has_speed(self) -> bool:
        return self.equation.ground_speed_m_s is not None


def fit_detector_model(motion: Motion, track: Track, bike: Bike) -> DetectorModel | None:
    """Fit the equation of the rear wheel to a run.

    Parameters
    ----------
    motion : Motion
        With the rear.

    Returns
    -------
    DetectorModel or None
        None with less than `LEAST_MOVING_S` of usable riding.
    """
    return _fit(motion, track, bike, "rear", wheel_signals(motion), None)


def fit_front_detector_model(
    model: DetectorModel, motion: Motion, track: Track, bike: Bike
) -> DetectorModel | None:
    """The same for the front wheel, with the road known from the rear; None where it cannot be fitted.

    Parameters
    ----------
    model : DetectorModel
        The rear.
    """
    if "front" not in model.signals:
        return None
    return _fit(motion, track, bike, "front", model.signals, -model.delay_s)


def _fit(
    motion: Motion,
    track: Track,
    bike: Bike,
    end: End,
    signals: Mapping[End, WheelSignals],
    delay_s: float | FloatArray | None,
) -> DetectorModel | None:
    """Fit the equation of one wheel to a run; a delay that is not known is looked for."""
    hop = wheel_hop(bike, end)
    radius_mm = bike.end(end).tyre_radius_mm or SEARCH_RADIUS_MM
    read = wheel_equation(motion, track, signals, end, 0.0 if delay_s is None else delay_s)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    tone = find_tone(read.own[2], read.usable, read.step_s)
    clear = _without(tone, read)
    fitted = fit_front_filter(clear, hop)
    if fitted is None:
        return None
    turning = _turning(clear, clear, fitted, radius_mm)
    if delay_s is None:
        delay_s = delay_over_time_s(read, hop, turning)
        # again, with line and delay as found: each spoils the fit of the other
        read = read.delayed(delay_s)
        steady = _without(tone, read)
        clear = _without(turning, steady)
        fitted = fit_front_filter(clear, hop) or fitted
        turning = _turning(steady, clear, fitted, radius_mm)
    orders = signals[end].orders if tone is None else tone.without_line(signals[end].orders)
    equation, wheel_hz = _without(tone, read), None
    if turning is not None:
        equation = _without(turning, equation)
        fitted = fit_front_filter(equation, hop) or fitted
        orders = turning.without_usual_line(orders, orders[OWN][2])
        wheel_hz = turning.rate_hz
    elif read.ground_speed_m_s is not None:
        wheel_hz = read.ground_speed_m_s / (2e-3 * np.pi * radius_mm)
    equation = replace(equation, own=orders[OWN])
    reference = fit_front_filter(equation, hop, less_noise=True) or fitted
    if not found_mode(reference.pole, hop):
        reference = fit_front_filter(equation, hop, SOUND_DAMPING, less_noise=True) or fitted
    predicted = reference.predicted(equation)
    return DetectorModel(
        end,
        equation,
        hop,
        fitted,
        reference,
        predicted,
        pole_grid(hop, reference.pole),
        find_swing(equation, reference, predicted, hop) if equation.knows_road else None,
        wheel_hz,
        delay_s,
        {**signals, end: replace(signals[end], orders=orders)},
    )


def _turning(read: WheelEquation, clear: WheelEquation, fitted: FrontFilter, radius_mm: float) -> Line | None:
    """What turns with the wheel in what the equation leaves; ``clear`` is without what was known of it."""
    if read.ground_speed_m_s is None:
        return None
    left = fitted.row @ read.own - fitted.predicted(clear)
    return find_wheel_turning(left, read.usable, read.ground_speed_m_s, read.step_s, radius_mm)


def _without(line: Line | None, read: WheelEquation) -> WheelEquation:
    if line is None:
        return read
    return replace(read, own=line.without_line(read.own), known=line.without_line(read.known))
