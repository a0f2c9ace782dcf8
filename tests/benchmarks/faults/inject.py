"""Faults put into clean logs, at places that are known."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray

# Dropouts: what a wire or a logger does for a while. "rail" is the converter at either end; "blank" an empty cell;
# "zero" a logger that writes 0; "held" one that repeats its last value; "pause" one that writes no rows at all.
DROPOUTS = ("rail_low", "rail_high", "blank", "held", "pause")
# A spike is what an ignition event does: up to this long, one sample at least.
SPIKE_S = 0.003


@dataclass(frozen=True)
class Injected:
    """One fault: samples ``start`` to ``end`` (exclusive) of the log before pauses were cut out of it."""

    end: End
    kind: str
    start: int
    stop: int
    size: float


@dataclass(frozen=True)
class FaultyLog:
    """Signals with faults, which rows were written, and what was put in where."""

    signal: dict[End, FloatArray]
    written: BoolArray
    faults: tuple[Injected, ...]


def inject(
    signal: dict[End, FloatArray],
    per_mm: dict[End, float],
    rails: tuple[float, float],
    rate_hz: float,
    rng: np.random.Generator,
) -> FaultyLog:
    """Put 3 to 6 dropouts of 20 ms to 2 s and 4 to 10 spikes of 2 to 60 mm into a log.

    Parameters
    ----------
    signal : dict of end to ndarray of shape (n_samples,)
        As logged.
    per_mm : dict of end to float
        Signal per mm.
    rails : tuple of float
        Lowest and highest reading of the converter.
    rate_hz : float
        [Hz]
    rng : numpy.random.Generator

    Returns
    -------
    FaultyLog
    """
    count = len(next(iter(signal.values())))
    signal = {end: values.copy() for end, values in signal.items()}
    written, taken = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    faults: list[Injected] = []

    def place(length: int) -> int:
        margin = round(0.1 * rate_hz)
        while True:
            start = int(rng.integers(margin, count - length - margin))
            if not taken[start - margin : start + length + margin].any():
                taken[start : start + length] = True
                return start

    for _ in range(rng.integers(3, 7)):
        length = int(np.ceil(np.exp(rng.uniform(np.log(0.02), np.log(2.0))) * rate_hz))
        start, kind = place(length), str(rng.choice(DROPOUTS))
        end: End = "front" if rng.random() < 0.5 else "rear"
        inside = slice(start, start + length)
        if kind == "pause":
            written[inside] = False
        else:
            signal[end][inside] = {
                "rail_low": rails[0],
                "rail_high": rails[1],
                "blank": np.nan,
                "held": signal[end][start - 1],
            }[kind]
        faults.append(Injected(end, kind, start, start + length, length / rate_hz))
    for _ in range(rng.integers(4, 11)):
        length = int(rng.integers(1, max(1, round(SPIKE_S * rate_hz)) + 1))
        start = place(length)
        end = "front" if rng.random() < 0.5 else "rear"
        height = float(np.exp(rng.uniform(np.log(2.0), np.log(60.0))) * rng.choice([-1, 1]))
        inside = slice(start, start + length)
        spiked = signal[end][inside] + height * per_mm[end]
        signal[end][inside] = np.clip(spiked, *rails)
        # at a rail a spike is as high as the converter lets it be
        least = float(np.abs(spiked - signal[end][inside]).max() / abs(per_mm[end]))
        faults.append(Injected(end, "spike", start, start + length, abs(height) - least))
    return FaultyLog(signal, written, tuple(sorted(faults, key=lambda fault: fault.start)))
