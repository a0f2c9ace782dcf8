"""Damping of a wheel where its suspension moves as fast as in a candidate stretch.

A damper holds more in rebound than in compression, and each further mm/s adds less force than the one before. A hop of
50 mm/s on a suspension that goes down at 100 mm/s, under drive or over a crest, works on the flat part of the
compression valve alone, where a sound damper holds the wheel little too. It does so wherever the suspension goes down
as fast; a damper that fails does not.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import FREEDOM_PER_S, bridged
from telemetry.damping.detector_model import DetectorModel
from telemetry.damping.equation import BLOCK_S, blocks
from telemetry.damping.evidence import HEALTHY_SHARE, LOST_SHARE
from telemetry.damping.oscillation import Check
from telemetry.damping.pole import fit_pole
from telemetry.motion import Motion

# Riding at the nearest speeds that is compared, and the least of it: over 8 s the scatter of a ratio of 0.15 at 16 Hz
# is 0.014 (`telemetry.signals.modes.damping_scatter`). Choices of ours. [s]
COMPARED_S, LEAST_COMPARED_S = 8.0, 4.0
SMOOTH_S = 0.2  # two moving means over so long leave nothing at 10, 15 and 20 Hz and little between
# Evidence that the speed must take away, and what is then too little to stay: odds of 20 to 1. Chosen on the tuning
# seeds of tests/benchmarks/detection: it holds for 46 of 54 false candidates and for none of 350 losses.
LEAST_TAKEN, LEAST_LEFT = 1.0, 3.0


@dataclass(frozen=True)
class SlowSpeed:
    """Speed of a wheel's travel without its hop, positive in compression.

    ``sample_mm_s`` has shape (n,), ``block_mm_s`` and ``whole`` (n_blocks,); the last says which blocks are usable.
    [mm/s]
    """

    sample_mm_s: FloatArray
    block_mm_s: FloatArray
    whole: BoolArray


def slow_speed(model: DetectorModel, motion: Motion) -> SlowSpeed:
    """Slow speed over a run, at the samples of its equation."""
    equation, whole = model.equation, model.whole_blocks
    travel_mm = np.interp(equation.t_s, motion.t_s, bridged(motion.ends[model.end].wheel_travel_mm))
    half = round(0.5 * SMOOTH_S / equation.step_s)
    for _ in range(2):
        total = np.concatenate([[0.0], np.cumsum(np.pad(travel_mm, half, mode="edge"))])
        travel_mm = (total[2 * half :] - total[: -2 * half])[: len(equation.t_s)] / (2 * half)
    speed = np.asarray(np.gradient(travel_mm, equation.step_s))
    length = round(BLOCK_S / equation.step_s)
    return SlowSpeed(speed, speed[: len(whole) * length].reshape(len(whole), length).mean(axis=1), whole)


def ratio_elsewhere(model: DetectorModel, slow: SlowSpeed, inside: slice) -> float | None:
    """Damping ratio over the other stretches in which the suspension moved as fast; None with too few.

    Parameters
    ----------
    inside : slice
        Samples of the stretch.
    """
    equation = model.equation
    length = round(BLOCK_S / equation.step_s)
    free = slow.whole.copy()
    free[max(inside.start // length - 1, 0) : -(-inside.stop // length) + 1] = False
    others = np.flatnonzero(free)
    if len(others) * BLOCK_S < LEAST_COMPARED_S:
        return None
    away = np.abs(slow.block_mm_s[others] - slow.sample_mm_s[inside].mean())
    count = min(round(COMPARED_S / BLOCK_S), len(others))
    others = others[np.argpartition(away, count - 1)[:count]]
    samples = (others[:, None] * length + np.arange(length)).ravel()
    left = equation.own[:, samples]
    left[0] -= model.predicted[samples]
    products = blocks((left,), np.ones(len(samples), dtype=bool), equation.step_s, BLOCK_S).products
    # every block counts by its own residual, as in what the outing taught
    residual = np.einsum("i,bij,j->b", model.reference.row, products, model.reference.row)
    mean = np.tensordot(1.0 / np.maximum(residual, 1e-9), products, axes=1) / count
    return fit_pole(mean, model.hop).damping_ratio


def evidence_where_sound(model: DetectorModel, inside: slice, ratio: float) -> float:
    """Evidence for lost damping of a stretch in which a sound damper leaves ``ratio``.

    Returns
    -------
    float
        ln of mean likelihood, lost over healthy; the classes are those of the outing, moved down to the ratio.
    """
    equation, grid = model.equation, model.grid
    lost_below = max(LOST_SHARE * ratio, float(grid.damping_ratio.min()))
    lost = grid.lost & (grid.damping_ratio <= lost_below)
    healthy = grid.healthy | (grid.damping_ratio >= HEALTHY_SHARE * ratio)
    signals = np.concatenate([equation.own[:, inside], model.predicted[None, inside]])
    row = np.concatenate([grid.row, -np.ones((len(grid.row), 1))], axis=1)
    square = np.maximum(((row @ (signals @ signals.T)) * row).sum(axis=1), 1e-9)
    freedom = 0.5 * FREEDOM_PER_S * signals.shape[1] * equation.step_s
    likelihood = freedom * (grid.gain - np.log(square))
    return float(
        np.logaddexp.reduce(likelihood[lost])
        - np.logaddexp.reduce(likelihood[healthy])
        - np.log(np.count_nonzero(lost) / np.count_nonzero(healthy))
    )


def speed_check(model: DetectorModel, slow: SlowSpeed, inside: slice) -> tuple[Check, ...]:
    """Ask whether the wheel is damped as little wherever its suspension moves as fast.

    Parameters
    ----------
    inside : slice
        Samples of the stretch.

    Returns
    -------
    tuple of Check
        One; none with too little riding to compare.
    """
    ratio = ratio_elsewhere(model, slow, inside)
    if ratio is None:
        return ()
    question = "Is the wheel damped as little wherever its suspension moves as fast?"
    left = evidence_where_sound(model, inside, ratio)
    taken = evidence_where_sound(model, inside, np.inf) - left
    speed_mm_s = float(slow.sample_mm_s[inside].mean())
    where = f"{'down' if speed_mm_s > 0 else 'up'} at {abs(speed_mm_s):.0f} mm/s"
    if taken > LEAST_TAKEN and left < LEAST_LEFT:
        return (
            Check(
                question,
                f"Nearly: with the suspension going {where}, as here, the {model.end} wheel was damped at a ratio of "
                f"{ratio:.2f} elsewhere too: a sound damper holds less there, above all one that works in rebound.",
                against=True,
            ),
        )
    return (Check(question, f"No: elsewhere, with the suspension going {where}, its ratio was {ratio:.2f}."),)
