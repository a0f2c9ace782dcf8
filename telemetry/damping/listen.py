"""All that is made of a run before it is judged: what the outing taught of the rear wheel and the road."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.bike import Bike
from telemetry.damping.band import BandSpectrum
from telemetry.damping.delay import best_delay_s
from telemetry.damping.equation import WheelEquation, spectra_of, wheel_equation
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
    spectra : mapping of end to BandSpectrum
    """

    end: End
    equation: WheelEquation
    hop: WheelHop
    learned: Learned
    predicted: FloatArray
    grid: PoleGrid
    wheel_hz: FloatArray | None
    delay_s: float
    spectra: Mapping[End, BandSpectrum]


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
    hop = wheel_hop(bike, "rear")
    spectra = spectra_of(motion)
    read = wheel_equation(motion, track, spectra)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    radius_mm = bike.rear.tyre_radius_mm
    tone = find_tone(read.own[2], read.usable, read.step_s)
    first = _learn_beside_line(_without(tone, read), hop, radius_mm, None)
    if first is None:
        return None
    delay_s = best_delay_s(read, hop, first.turning)
    delayed = _without(tone, read.delayed(delay_s))
    heard = _learn_beside_line(delayed, hop, radius_mm, first.turning) or first
    wheel_hz = None
    if heard.turning is not None:
        wheel_hz = heard.turning.rate_hz
    elif read.ground_speed_m_s is not None:
        wheel_hz = read.ground_speed_m_s / (2e-3 * np.pi * radius_mm)
    predicted = heard.learned.predicted(heard.equation)
    return Heard(
        "rear",
        heard.equation,
        hop,
        heard.learned,
        predicted,
        pole_grid(hop, heard.learned.pole),
        wheel_hz,
        delay_s,
        spectra,
    )


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
    if "front" not in heard.spectra:
        return None
    equation = wheel_equation(motion, track, heard.spectra, "front").delayed(-heard.delay_s)
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


@dataclass(frozen=True)
class _Lesson:
    """What was learned, and the equation with the wheel's line taken out as far as it is usual."""

    equation: WheelEquation
    learned: Learned
    turning: Line | None


def _learn_beside_line(
    read: WheelEquation, hop: WheelHop, radius_mm: float, before: Line | None
) -> _Lesson | None:
    """Learn with the wheel's own line out of the way: it spoils what is learned.

    It is looked for in what the equation leaves; ``before`` is what was known of it.
    """
    clear = _without(before, read)
    learned = learn(clear, hop)
    if learned is None:
        return None
    if read.ground_speed_m_s is None:
        return _Lesson(read, learned, None)
    left = learned.row @ read.own - learned.predicted(clear)
    turning = find_wheel_turning(left, read.usable, read.ground_speed_m_s, read.step_s, radius_mm)
    if turning is None:
        return _Lesson(read, learned, None)
    clear = _without(turning, read)
    usual = turning.without_usual_line(read.own, read.own[2])
    return _Lesson(replace(clear, own=usual), learn(clear, hop) or learned, turning)


def _without(line: Line | None, read: WheelEquation) -> WheelEquation:
    if line is None:
        return read
    return replace(read, own=line.without_line(read.own), known=line.without_line(read.known))
