"""All that is made of a run before it is judged: what the outing taught of the rear wheel and the road."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.bike import Bike
from telemetry.damping.delay import best_delay_s
from telemetry.damping.equation import WheelEquation, WheelSignals, wheel_equation, wheel_signals
from telemetry.damping.evidence import PoleGrid, pole_grid
from telemetry.damping.hop import WheelHop, wheel_hop
from telemetry.damping.learn import Learned, learn
from telemetry.damping.tone import find_tone
from telemetry.damping.wheelline import Line, find_wheel_turning
from telemetry.laps import Track
from telemetry.motion import Motion

LEAST_MOVING_S = 20.0


@dataclass(frozen=True)
class Heard:
    """A run as the detector hears it.

    Parameters
    ----------
    end : {"front", "rear"}
    equation : WheelEquation
        A steady tone and what usually turns with the wheel taken out.
    hop : WheelHop
    learned : Learned
    predicted : ndarray of shape (n,)
        The right side of the equation as the front predicts it.
    grid : PoleGrid
    wheel_hz : ndarray of shape (n,) or None
        Turns of the wheel. [1/s]
    delay_s : float
        By which the front's news came late. [s]
    signals : mapping of end to WheelSignals
    """

    end: End
    equation: WheelEquation
    hop: WheelHop
    learned: Learned
    predicted: FloatArray
    grid: PoleGrid
    wheel_hz: FloatArray | None
    delay_s: float
    signals: Mapping[End, WheelSignals]


def listen(motion: Motion, track: Track, bike: Bike) -> Heard | None:
    """Learn a run.

    Parameters
    ----------
    motion : Motion
        With the rear.
    track : Track
    bike : Bike

    Returns
    -------
    Heard or None
        None with less than `LEAST_MOVING_S` of usable riding.
    """
    hop, radius_mm = wheel_hop(bike, "rear"), bike.rear.tyre_radius_mm
    signals = wheel_signals(motion)
    read = wheel_equation(motion, track, signals)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    tone = find_tone(read.own[2], read.usable, read.step_s)
    clear = _without(tone, read)
    learned = learn(clear, hop)
    if learned is None:
        return None
    turning = _turning(clear, clear, learned, radius_mm)
    delay_s = best_delay_s(read, hop, turning)
    # again, with what was learned of line and delay: each spoils what is learned of the other
    read = _without(tone, read.delayed(delay_s))
    clear = _without(turning, read)
    learned = learn(clear, hop) or learned
    turning = _turning(read, clear, learned, radius_mm)
    equation, wheel_hz = read, None
    if turning is not None:
        clear = _without(turning, read)
        learned = learn(clear, hop) or learned
        equation = replace(clear, own=turning.without_usual_line(read.own, read.own[2]))
        wheel_hz = turning.rate_hz
    elif read.ground_speed_m_s is not None:
        wheel_hz = read.ground_speed_m_s / (2e-3 * np.pi * radius_mm)
    grid = pole_grid(hop, learned.pole)
    predicted = learned.predicted(equation)
    return Heard("rear", equation, hop, learned, predicted, grid, wheel_hz, delay_s, signals)


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


def listen_to_front(heard: Heard, motion: Motion, track: Track, bike: Bike) -> Heard | None:
    """The same for the front wheel, with the rear's news of the road; None where it cannot be learned.

    Parameters
    ----------
    heard : Heard
        The rear.
    motion : Motion
    track : Track
    bike : Bike

    Returns
    -------
    Heard or None
    """
    if "front" not in heard.signals:
        return None
    equation = wheel_equation(motion, track, heard.signals, "front", delay_s=-heard.delay_s)
    hop = wheel_hop(bike, "front")
    learned = learn(equation, hop)
    if learned is None:
        return None
    wheel_hz = None
    if equation.ground_speed_m_s is not None:
        wheel_hz = equation.ground_speed_m_s / (2e-3 * np.pi * bike.front.tyre_radius_mm)
    return replace(
        heard,
        end="front",
        equation=equation,
        hop=hop,
        learned=learned,
        predicted=learned.predicted(equation),
        grid=pole_grid(hop, learned.pole),
        wheel_hz=wheel_hz,
    )
