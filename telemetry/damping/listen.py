"""All that is made of a run before it is judged: what the outing taught of the rear wheel and the road."""

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
from telemetry.damping.hop import WheelHop, wheel_hop
from telemetry.damping.learn import Learned, learn
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
class Heard:
    """A run as the detector hears it.

    Parameters
    ----------
    end : {"front", "rear"}
    equation : WheelEquation
        A steady tone and what usually turns with the wheel taken out.
    asked : Learned
        What a stretch is held against: the same less the sensors' noise, but for a wheel whose hop was not found in
        it. There the likeliest wheel is damped out of all measure, with road weights that fit no other; one as damped
        as sound dampers are is learned in its place.
    predicted : ndarray of shape (n,)
        The right side of the equation as the front predicts it.
    swing : Swing or None
        None where nothing is known of the road.
    wheel_hz : ndarray of shape (n,) or None
        Turns of the wheel. [1/s]
    delay_s : float or ndarray of shape (n,)
        By which the front's news came late. [s]
    signals : mapping of end to WheelSignals
        This wheel's without its tone and line.
    """

    end: End
    equation: WheelEquation
    hop: WheelHop
    learned: Learned
    asked: Learned
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


def listen(motion: Motion, track: Track, bike: Bike) -> Heard | None:
    """Learn a run at the rear wheel.

    Parameters
    ----------
    motion : Motion
        With the rear.

    Returns
    -------
    Heard or None
        None with less than `LEAST_MOVING_S` of usable riding.
    """
    return _listen(motion, track, bike, "rear", wheel_signals(motion), None)


def listen_to_front(heard: Heard, motion: Motion, track: Track, bike: Bike) -> Heard | None:
    """The same for the front wheel, with the rear's news of the road; None where it cannot be learned.

    Parameters
    ----------
    heard : Heard
        The rear.
    """
    if "front" not in heard.signals:
        return None
    return _listen(motion, track, bike, "front", heard.signals, -heard.delay_s)


def _listen(
    motion: Motion,
    track: Track,
    bike: Bike,
    end: End,
    signals: Mapping[End, WheelSignals],
    delay_s: float | FloatArray | None,
) -> Heard | None:
    """Learn a run at one wheel; a delay that is not known is looked for."""
    hop = wheel_hop(bike, end)
    radius_mm = bike.end(end).tyre_radius_mm or SEARCH_RADIUS_MM
    read = wheel_equation(motion, track, signals, end, 0.0 if delay_s is None else delay_s)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    tone = find_tone(read.own[2], read.usable, read.step_s)
    clear = _without(tone, read)
    learned = learn(clear, hop)
    if learned is None:
        return None
    turning = _turning(clear, clear, learned, radius_mm)
    if delay_s is None:
        delay_s = delay_over_time_s(read, hop, turning)
        # again, with what was learned of line and delay: each spoils what is learned of the other
        read = read.delayed(delay_s)
        steady = _without(tone, read)
        clear = _without(turning, steady)
        learned = learn(clear, hop) or learned
        turning = _turning(steady, clear, learned, radius_mm)
    orders = signals[end].orders if tone is None else tone.without_line(signals[end].orders)
    equation, wheel_hz = _without(tone, read), None
    if turning is not None:
        equation = _without(turning, equation)
        learned = learn(equation, hop) or learned
        orders = turning.without_usual_line(orders, orders[OWN][2])
        wheel_hz = turning.rate_hz
    elif read.ground_speed_m_s is not None:
        wheel_hz = read.ground_speed_m_s / (2e-3 * np.pi * radius_mm)
    equation = replace(equation, own=orders[OWN])
    asked = learn(equation, hop, less_noise=True) or learned
    if not found_mode(asked.pole, hop):
        asked = learn(equation, hop, SOUND_DAMPING, less_noise=True) or learned
    predicted = asked.predicted(equation)
    return Heard(
        end,
        equation,
        hop,
        learned,
        asked,
        predicted,
        pole_grid(hop, asked.pole),
        find_swing(equation, asked, predicted, hop) if equation.knows_road else None,
        wheel_hz,
        delay_s,
        {**signals, end: replace(signals[end], orders=orders)},
    )


def _turning(read: WheelEquation, clear: WheelEquation, learned: Learned, radius_mm: float) -> Line | None:
    """What turns with the wheel in what the equation leaves; ``clear`` is without what was known of it."""
    if read.ground_speed_m_s is None:
        return None
    left = learned.row @ read.own - learned.predicted(clear)
    return find_wheel_turning(left, read.usable, read.ground_speed_m_s, read.step_s, radius_mm)


def _without(line: Line | None, read: WheelEquation) -> WheelEquation:
    if line is None:
        return read
    return replace(read, own=line.without_line(read.own), known=line.without_line(read.known))
