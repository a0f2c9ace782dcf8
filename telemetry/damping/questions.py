"""The questions that a candidate stretch has to answer before it is called lost damping."""

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.damping.band import FREEDOM_PER_S
from telemetry.damping.detector_model import DetectorModel
from telemetry.damping.equation import BLOCK_S, WheelEquation
from telemetry.damping.oscillation import Check
from telemetry.damping.same_place import LEAST_BEYOND_PLACE, SwingByPlace

# After a single hit this share of the energy lies in one quarter of a second; and a wheel that is held swings out
# as fast as this damping ratio says, between lost and healthy (a free decay at 19 Hz and 0.07 has 98 % of its
# energy in it too).
ONE_HIT_SHARE, HIT_RATIO = 0.85, 0.2
DECAY_S = 0.3  # looked at behind the strongest moment
# By so much in ln likelihood one line over a healthy damper has to explain a stretch better than a lost damper
# does; and what the amplitude, phase and frequency of a line gain by chance, the price of a line beside a lost
# damper. Of true losses of 0.5 to 0.8 s 2 % reach 3, of ridges and tones that are left to ask four in five. Chosen
# on the tuning seeds of tests/benchmarks/detection.
LINE_CLEARLY_BETTER, LINE_GAINS = 3.0, 6.0
LINE_HZ = np.arange(8.0, 28.0, 0.1)
# A line explains a ringing where it is: within this share of its frequency.
LINE_NEAR = 0.2
# The wheel turns a little faster or slower than ground speed and radius say.
TURNS_WITH_WHEEL = (0.97, 1.12)
# Less travel than this share of the stroke: the rear hangs on its top-out spring and the tyre hardly carries.
UNLOADED_SHARE = 0.10


def checks(
    model: DetectorModel, predicted: FloatArray, inside: slice, travel_share: float
) -> tuple[Check, ...]:
    """Ask a stretch in turn, up to the first answer that speaks against lost damping.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
        The right side of the equation as the front predicts it; 0 where nothing is known of the road.
    inside : slice
        Samples of the stretch.
    travel_share : float
        Median rear travel over the stretch, share of the stroke.

    Returns
    -------
    tuple of Check
        Only the last can speak against it.
    """
    answers = [_unloaded(model.end, travel_share)]
    if not answers[-1].against:
        answers.append(_one_hit(model.equation, inside, model.fitted.pole.frequency_hz))
    if not answers[-1].against:
        answers.append(_one_line(model, predicted, inside))
    return tuple(answers)


def _unloaded(end: End, travel_share: float) -> Check:
    question = "Was there load on the wheel?"
    if travel_share < UNLOADED_SHARE:
        under = "braking" if end == "rear" else "drive"
        return Check(
            question,
            f"The {end} was nearly topped out, as under hard {under}: a wheel with so little load on it hops with a "
            "sound damper too.",
            against=True,
        )
    return Check(question, f"Yes: the {end} stood at {100 * travel_share:.0f} % of its stroke.")


def _one_hit(equation: WheelEquation, inside: slice, hop_hz: float) -> Check:
    speed, step_s = equation.own[2, inside], equation.step_s
    energy = np.convolve(speed**2, np.ones(round(BLOCK_S / step_s)), mode="same")
    share = float(energy.max() / max((speed**2).sum(), 1e-12))
    question = "Was it one hit?"
    if share > ONE_HIT_SHARE:
        ratio = decay_ratio(equation, inside, hop_hz)
        if ratio > HIT_RATIO:
            return Check(
                question,
                "It was one hit: nearly all of the movement lies within a quarter of a second, and the wheel swung "
                f"out at once, as with a damping ratio of {ratio:.2f}.",
                against=True,
            )
        return Check(
            question,
            f"If it was one hit, the wheel swung on behind it, as with a damping ratio of {ratio:.2f}.",
        )
    return Check(
        question, f"No: its strongest quarter of a second holds {100 * share:.0f} % of the movement."
    )


def place_check(by_place: SwingByPlace, end: End, start_s: float, end_s: float) -> tuple[Check, ...]:
    """Ask whether the place makes the wheel swing like this on every lap; nothing without another lap there.

    Parameters
    ----------
    end : {"front", "rear"}
    start_s, end_s : float
        Of the stretch, on the run's clock. [s]

    Returns
    -------
    tuple of Check
        One or none.
    """
    beyond = by_place.beyond_place(start_s, end_s)
    if beyond is None:
        return ()
    question = "Does the wheel swing as far there on the other laps?"
    further = float(np.exp(0.5 * beyond))  # of amplitudes
    if beyond < LEAST_BEYOND_PLACE:
        return (
            Check(
                question,
                f"Nearly: the {end} swings further than usual at this place on most laps; this time its amplitude was "
                f"{further:.1f} times what the place explains.",
                against=True,
            ),
        )
    return (
        Check(
            question,
            f"No: its amplitude was {further:.1f} times what the place and the road that the other wheel met explain.",
        ),
    )


def decay_ratio(equation: WheelEquation, inside: slice, hop_hz: float) -> float:
    """Damping ratio that the swinging out behind the strongest moment of a stretch shows.

    Energy that falls as exp(-t/T) lies T behind its start in the mean, and T = 1 / (2 ratio w).

    Parameters
    ----------
    hop_hz : float
        [Hz]
    """
    length = round(DECAY_S / equation.step_s)
    first = inside.start
    # speed and its integral, of one size near the hop: their sum of squares is an envelope
    envelope = (equation.own[2:4, first : inside.stop + length] ** 2).sum(axis=0)
    peak = int(np.argmax(envelope[: max(inside.stop - first, 1)]))
    behind = envelope[peak : peak + length]
    mean_s = float(behind @ np.arange(len(behind))) * equation.step_s / max(float(behind.sum()), 1e-12)
    return 1.0 / (4 * np.pi * hop_hz * max(mean_s, 1e-3))


def _one_line(model: DetectorModel, predicted: FloatArray, inside: slice) -> Check:
    question = "Would one line, steady or following the speed, explain it as well?"
    better, hz, follows_speed = line_over_lost(model, predicted, inside)
    turning_hz = None if model.wheel_hz is None else float(model.wheel_hz[inside].mean())
    if better <= LINE_CLEARLY_BETTER:
        turns = "" if turning_hz is None else f"; the wheel turned {turning_hz:.1f} times a second"
        return Check(
            question,
            f"No: a wheel that rings, now more and now less, explains it as well as a line at {hz:.1f} Hz or "
            f"better{turns}.",
        )
    if turning_hz is not None and TURNS_WITH_WHEEL[0] < hz / turning_hz < TURNS_WITH_WHEEL[1]:
        answer = f"It is one line at {hz:.1f} Hz that turns with the wheel: balance and tyre come first."
    elif follows_speed:
        answer = (
            f"It is one line near {hz:.1f} Hz that follows the speed: ridges that only the {model.end} wheel met look "
            "like this."
        )
    else:
        answer = (
            f"It is one steady tone at {hz:.1f} Hz with a healthy damper behind it: vibration of the sensor or its "
            "bracket looks like this."
        )
    return Check(question, answer, against=True)


def line_over_lost(model: DetectorModel, predicted: FloatArray, inside: slice) -> tuple[float, float, bool]:
    """How much better one line over a healthy damper explains a stretch than a lost damper does.

    The line is one sinusoid of free amplitude, phase and frequency, steady in time or in distance. A lost damper may
    have a line beside it too, a wheel out of balance, at the price of what one gains by chance.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
        The right side of the equation as the front predicts it.

    Returns
    -------
    tuple
        ln of the likelihood ratio, frequency of the likelier line [Hz], whether it is steady in distance.
    """
    equation, grid = model.equation, model.grid
    signals = np.concatenate([equation.own[:, inside], predicted[None, inside]])
    row = np.concatenate([grid.row, -np.ones((len(grid.row), 1))], axis=1)
    n = signals.shape[1]
    freedom = 0.5 * FREEDOM_PER_S * n * equation.step_s
    square = np.maximum(((row @ (signals @ signals.T / n)) * row).sum(axis=1), 1e-9)
    lost = float((freedom * (grid.gain - np.log(square)))[grid.lost].max())
    clocks = [equation.step_s * np.arange(n)]
    if equation.ground_speed_m_s is not None:
        speed = equation.ground_speed_m_s[inside]
        clocks.append(np.cumsum(speed) / speed.mean() * equation.step_s)
    rings_hz = grid.frequency_hz[
        int(np.where(grid.lost, freedom * (grid.gain - np.log(square)), -np.inf).argmax())
    ]
    line_hz = LINE_HZ[np.abs(LINE_HZ / rings_hz - 1.0) < LINE_NEAR]
    found = []
    for follows_speed, clock in enumerate(clocks):
        angle = 2 * np.pi * np.outer(clock, line_hz)
        # least squares on cosine and sine; they are as good as orthogonal over several periods
        cosine, sine = row @ (signals @ np.cos(angle)), row @ (signals @ np.sin(angle))
        line = 2.0 * (cosine**2 + sine**2) / n**2
        rest = np.maximum(square - line.max(axis=1), 1e-3 * square)
        likelihood = freedom * (grid.gain - np.log(rest))
        healthy = np.where(grid.healthy, likelihood, -np.inf)
        best = int(np.argmax(healthy))
        beside_line = float(likelihood[grid.lost].max()) - LINE_GAINS
        better = float(healthy[best]) - max(lost, beside_line)
        found.append((better, float(line_hz[line[best].argmax()]), bool(follows_speed)))
    return max(found)
