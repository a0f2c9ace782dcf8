"""Other ways to a damping ratio, as a reference for ours: matrix pencil, fit of a decay, random decrement."""

import numpy as np
import numpy.typing as npt

from telemetry.arrays import FloatArray, IntArray
from telemetry.signals.spectra import Mode, free_decay, power_spectrum

ComplexArray = npt.NDArray[np.complex128]
# Most samples for the pencil; a longer record is averaged down first.
PENCIL_SAMPLES = 400
# Samples per period of the highest relevant frequency, after averaging down.
SAMPLES_PER_PERIOD = 10
# A random decrement is used for this many time constants 1 / (zeta omega); later it is noise.
SIGNATURE_TIME_CONSTANTS = 2.5
# Damping ratio above which there is no visible oscillation.
HIGHEST_RATIO = 0.98
FEWEST_TRIGGERS = 20


def matrix_pencil(decay: npt.ArrayLike, order: int, *, pencil: int | None = None) -> ComplexArray:
    """Poles exp(s / sample rate) of a sum of ``order`` damped exponentials, evenly sampled without NaN.

    A ``pencil`` of a third of the samples is best against noise (Y. Hua, T. K. Sarkar, IEEE Trans. Acoust. Speech
    Signal Process. 38(5), 814-824, 1990, doi:10.1109/29.56027).
    """
    samples = np.asarray(decay)
    length = pencil or len(samples) // 3
    rows = np.lib.stride_tricks.sliding_window_view(samples, length + 1)
    # The right singular vectors that carry the signal; noise is left with the others.
    _, _, right = np.linalg.svd(rows, full_matrices=False)
    signal = right[:order].T
    return np.linalg.eigvals(np.linalg.pinv(signal[:-1]) @ signal[1:]).astype(np.complex128)


def modes_from_poles(poles: ComplexArray, sample_rate_hz: float) -> tuple[Mode, ...]:
    """Modes of the conjugate pairs of `matrix_pencil`'s poles, by rising frequency; real poles are left out."""
    s = np.log(poles) * sample_rate_hz
    s = s[s.imag > 1e-9 * sample_rate_hz]
    s = s[np.argsort(np.abs(s))]
    return tuple(Mode(float(abs(p) / (2 * np.pi)), float(-p.real / abs(p))) for p in s)


def log_decrement_of_damping(damping_ratio: float) -> float:
    """Logarithmic decrement of a damping ratio below 1: 2 pi zeta / sqrt(1 - zeta^2)."""
    return float(2 * np.pi * damping_ratio / np.sqrt(1 - damping_ratio**2))


def free_decay_modes(decay: FloatArray, sample_rate_hz: float, *, n_modes: int = 1) -> tuple[Mode, ...]:
    """Modes of a measured free decay with a constant offset, by rising frequency; fewer if fewer oscillate.

    The matrix pencil on the averaged record starts a least-squares fit to all samples (G. H. Golub, V. Pereyra, SIAM J.
    Numer. Anal. 10(2), 413-432, 1973, doi:10.1137/0710036).
    """
    values = np.asarray(decay, dtype=np.float64)
    step = _averaging_step(values, sample_rate_hz)
    short = values[: len(values) // step * step].reshape(-1, step).mean(axis=1)
    # An offset is a pole at 1: ask for one more than the modes have, and keep the pairs.
    poles = matrix_pencil(short, 2 * n_modes + 1)
    start = modes_from_poles(poles, sample_rate_hz / step)
    return _fit(values, sample_rate_hz, start[:n_modes]) if start else ()


def _averaging_step(values: FloatArray, sample_rate_hz: float) -> int:
    """Number of samples to average into one, so that the relevant frequencies stay well sampled."""
    power = np.abs(np.fft.rfft(values - values.mean())) ** 2
    total = np.cumsum(power)
    highest = np.fft.rfftfreq(len(values), 1 / sample_rate_hz)[np.searchsorted(total, 0.99 * total[-1])]
    finest = max(1, int(sample_rate_hz / (SAMPLES_PER_PERIOD * max(highest, 1e-12))))
    return min(finest, max(1, -(-len(values) // PENCIL_SAMPLES)))


def _fit(values: FloatArray, sample_rate_hz: float, start: tuple[Mode, ...]) -> tuple[Mode, ...]:
    """Least squares over frequencies and damping ratios; amplitudes and offset are linear parameters."""
    from scipy.optimize import least_squares

    t_s = np.arange(len(values)) / sample_rate_hz

    def modes(parameters: FloatArray) -> tuple[Mode, ...]:
        pairs = parameters.reshape(-1, 2)
        return tuple(
            Mode(float(f * m.frequency_hz), float(z)) for (f, z), m in zip(pairs, start, strict=True)
        )

    def residual(parameters: FloatArray) -> FloatArray:
        base = np.column_stack((free_decay(modes(parameters), t_s), np.ones(len(t_s))))
        amplitudes = np.linalg.lstsq(base, values, rcond=None)[0]
        return np.asarray(values - base @ amplitudes)

    first = np.ravel([(1.0, np.clip(mode.damping_ratio, 1e-5, 0.95)) for mode in start])
    bounds = ([0.5, -0.5] * len(start), [2.0, 0.999] * len(start))
    fitted = modes(
        least_squares(residual, first, bounds=bounds, x_scale=[0.01, 0.01] * len(start), xtol=1e-12).x
    )
    swings = [mode for mode in fitted if mode.damping_ratio < HIGHEST_RATIO]
    return tuple(sorted(swings, key=lambda mode: mode.frequency_hz))


def random_decrement(values: FloatArray, level: float, length: int) -> tuple[FloatArray, int]:
    """Mean segment of a random response after it crosses a level, its free decay; and the number of segments.

    Crossed on both slopes, so that the mean speed at the start is zero; all NaN if no crossing is followed by valid
    samples (H. A. Cole, NASA CR-2205, 1973; S. R. Ibrahim, J. Spacecraft Rockets 14(11), 696-700, 1977,
    doi:10.2514/3.57251).
    """
    starts = _crossings(values, level)
    whole = starts[starts + length <= len(values)]
    total, count = np.zeros(length), 0
    windows = (
        np.lib.stride_tricks.sliding_window_view(values, length) if len(values) >= length else values[None]
    )
    for part in np.array_split(whole, max(1, len(whole) * length // 2_000_000)):  # a few MB at a time
        courses = windows[part]
        courses = courses[~np.isnan(courses).any(axis=1)]
        total, count = total + courses.sum(axis=0), count + len(courses)
    return (total / count, count) if count else (np.full(length, np.nan), 0)


def _crossings(values: FloatArray, level: float) -> IntArray:
    above = values >= level
    valid = ~np.isnan(values)
    return np.flatnonzero((above[1:] != above[:-1]) & valid[1:] & valid[:-1]).astype(np.int64) + 1


def damping_from_record(values: FloatArray, sample_rate_hz: float) -> Mode | None:
    """Dominant mode of a record under broadband random excitation, None if it is too short or does not oscillate.

    Random decrement at sqrt(2) standard deviations, by the matrix pencil; the signature's length follows its damping.
    The ratio scatters by at least `damping_scatter`.
    """
    centred = np.asarray(values, dtype=np.float64) - np.nanmean(values)
    level = float(np.sqrt(2) * np.nanstd(centred))
    period = _dominant_period(centred, sample_rate_hz)
    if period is None:
        return None
    mode, length = None, round(8 * period)
    for _ in range(3):
        signature, crossings = random_decrement(centred, level, length)
        if crossings < FEWEST_TRIGGERS:
            return mode
        oscillating = modes_from_poles(matrix_pencil(signature, 2), sample_rate_hz)
        if not oscillating or not 0 < oscillating[-1].damping_ratio < 1:
            return mode
        mode = oscillating[-1]
        time_constant = sample_rate_hz / (mode.damping_ratio * 2 * np.pi * mode.frequency_hz)
        length = round(np.clip(SIGNATURE_TIME_CONSTANTS * time_constant, 1.5 * period, 60 * period))
    return mode


def _dominant_period(values: FloatArray, sample_rate_hz: float) -> float | None:
    """Period of the highest spectral peak. [samples]"""
    length = 4096
    spectrum = power_spectrum(values, sample_rate_hz, segment_samples=length)
    while not spectrum.segments and length > 64:
        length //= 2
        spectrum = power_spectrum(values, sample_rate_hz, segment_samples=length)
    if not spectrum.segments:
        return None
    return float(sample_rate_hz / spectrum.frequency_hz[1 + int(np.argmax(spectrum.density[1:]))])
