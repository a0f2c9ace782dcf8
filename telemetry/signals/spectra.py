"""Power spectra, cross spectra and spectrograms of records with gaps; free decay of a mode of vibration."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.notes import QualityNote
from telemetry.numeric import BLOCK as SAMPLES_IN_CACHE
from telemetry.signals.clock import runs

ComplexArray = npt.NDArray[np.complex128]
# Correlation of the amplitudes of neighbouring Hann segments with half overlap (Harris 1978: 1/6).
HALF_OVERLAP_CORRELATION = 1 / 6

# Band near the top of the spectrum; the last bins may be lowered by an anti-alias filter.
BAND_SHARE = (0.85, 0.97)  # of half the sample rate
# A tone has more than so many times what other frequencies have; noise over 9 windows hardly ever. A choice of ours.
TONE_OVER_NOISE = 3.0
WINDOW_SAMPLES = 512
SHORTEST_WINDOW = 64
MOST_WINDOWS = 2000  # of a long log; their median is accurate to a percent or two
# Least sample rate for a noise note: below it wheel motion reaches the top of the spectrum. [Hz]
NOISE_NOTE_FROM_HZ = 200.0
# Band just above wheel hop, in which noise matters first. [Hz]
ABOVE_HOP_HZ = (24.0, 28.0)
# A sensor is noisy if noise has this share of the power there: own choice, from simulated outings. Sound
# 12-bit sensors have 0.01 to 0.03; from 0.15 on short losses of damping are missed.
NOISY_SHARE = 0.1


@dataclass(frozen=True)
class Spectrum:
    """One-sided power spectral density; arrays of shape (n_lines,)."""

    frequency_hz: FloatArray
    density: FloatArray  # [unit of the record squared, per Hz]
    segments: int  # number of averaged (overlapping) segments
    noise_bandwidth_hz: float  # equivalent: density times this is the power of a sine on a line


def power_spectrum(
    values: FloatArray,
    sample_rate_hz: float,
    *,
    segment_samples: int = 1024,
    where: BoolArray | None = None,
) -> Spectrum:
    """Power spectral density by Welch's method, over segments without gaps.

    Hann window, half overlap, mean removed per segment. After a NaN the next segment starts at the next valid sample.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where invalid.
    sample_rate_hz : float
        [Hz]
    segment_samples : int
        Length of a segment; the lines are sample_rate_hz / segment_samples apart.
    where : ndarray of bool, shape (n_samples,), optional
        Samples to use, all of them valid; by default all that are valid.

    Returns
    -------
    Spectrum
        All NaN, with no segments, if no stretch is long enough.

    References
    ----------
    .. [1] P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967, doi:10.1109/TAU.1967.1161901.
    .. [2] F. J. Harris, Proc. IEEE 66(1), 51-83, 1978, doi:10.1109/PROC.1978.10837 (noise bandwidth).
    """
    averaged = _averaged((values,), sample_rate_hz, segment_samples, where)
    return Spectrum(
        averaged.frequency_hz, averaged.products[0, 0].real, averaged.segments, averaged.noise_bandwidth_hz
    )


@dataclass(frozen=True)
class CrossSpectrum:
    """Cross spectrum of two records: densities, coherence and phase; each of shape (n_lines,)."""

    frequency_hz: FloatArray
    first_density: FloatArray  # one-sided [unit squared per Hz]
    second_density: FloatArray
    cross_density: ComplexArray  # mean of conj(first) second: its angle is positive where the second leads
    segments: int  # number of averaged (overlapping) segments

    @property
    def coherence(self) -> FloatArray:
        """Squared coherence of each line, 0 to 1."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.abs(self.cross_density) ** 2 / (self.first_density * self.second_density))

    @property
    def phase_deg(self) -> FloatArray:
        """Phase of the second against the first, positive where the second leads. [deg]"""
        return np.degrees(np.angle(self.cross_density))

    @property
    def chance_coherence(self) -> float:
        """95th percentile of the squared coherence of two unrelated records, for Hann segments with half overlap.

        G. C. Carter, Proc. IEEE 75(2), 236-255, 1987, doi:10.1109/PROC.1987.13723.
        """
        independent = self.segments / (1 + 2 * HALF_OVERLAP_CORRELATION**2)
        return 1.0 if independent <= 1 else float(1.0 - 0.05 ** (1.0 / (independent - 1)))

    def band(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """Squared coherence and phase [deg] of a whole band, NaN if it holds no line."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz)
        if not inside.any() or not self.segments:
            return float("nan"), float("nan")
        cross = complex(self.cross_density[inside].sum())
        power = float(self.first_density[inside].sum() * self.second_density[inside].sum())
        return abs(cross) ** 2 / power if power > 0 else float("nan"), float(np.degrees(np.angle(cross)))


def cross_spectrum(
    first: FloatArray,
    second: FloatArray,
    sample_rate_hz: float,
    *,
    segment_samples: int = 1024,
    where: BoolArray | None = None,
) -> CrossSpectrum:
    """Power and cross spectra of two records on one clock by Welch's method, over segments without gaps in either.

    Parameters
    ----------
    first, second : ndarray of shape (n_samples,)
        NaN where invalid.
    where : ndarray of bool, shape (n_samples,), optional
        Samples to use, valid in both; by default all that are.

    Returns
    -------
    CrossSpectrum
        All NaN, with no segments, if no stretch is long enough. [Hz]

    References
    ----------
    .. [1] J. S. Bendat, A. G. Piersol, Random Data, 4th ed., Wiley 2010, ch. 9 and 11.
    """
    averaged = _averaged((first, second), sample_rate_hz, segment_samples, where)
    return CrossSpectrum(
        averaged.frequency_hz,
        averaged.products[0, 0].real,
        averaged.products[1, 1].real,
        averaged.products[0, 1],
        averaged.segments,
    )


def _window(segment_samples: int, sample_rate_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Taper, frequencies [Hz], and the factor from squared lines to a one-sided density."""
    taper = np.hanning(segment_samples + 1)[:-1]
    frequency = np.fft.rfftfreq(segment_samples, 1 / sample_rate_hz).astype(np.float64)
    scale = np.full(len(frequency), 1.0 / (sample_rate_hz * np.sum(taper**2)))
    # one-sided: negative frequencies fold onto all lines but zero and, for an even length, the last
    scale[1 : None if segment_samples % 2 else -1] *= 2
    return taper, frequency, scale


@dataclass(frozen=True)
class _Averaged:
    """Mean products of the lines of several records, of shape (n_records, n_records, n_lines)."""

    frequency_hz: FloatArray
    products: ComplexArray
    segments: int
    noise_bandwidth_hz: float


def _averaged(
    records: tuple[FloatArray, ...], sample_rate_hz: float, segment_samples: int, where: BoolArray | None
) -> _Averaged:
    taper, frequency, scale = _window(segment_samples, sample_rate_hz)
    noise_bandwidth = float(sample_rate_hz * np.sum(taper**2) / np.sum(taper) ** 2)
    products = np.zeros((len(records), len(records), len(frequency)), dtype=np.complex128)
    missing = np.any([np.isnan(record) for record in records], axis=0) if where is None else ~where
    starts = _starts(missing, segment_samples, segment_samples - segment_samples // 2)
    if not len(starts):
        return _Averaged(frequency, np.full_like(products, np.nan), 0, noise_bandwidth)
    views = [np.lib.stride_tricks.sliding_window_view(record, segment_samples) for record in records]
    step = max(1, SAMPLES_IN_CACHE // segment_samples)
    for block in range(0, len(starts), step):
        lines = []
        for view in views:
            segments = view[starts[block : block + step]]
            segments -= segments.mean(axis=1, keepdims=True)
            segments *= taper
            lines.append(np.fft.rfft(segments, axis=1))
        for i, a in enumerate(lines):
            for j, b in enumerate(lines[i:], start=i):
                products[i, j] += np.einsum("sf,sf->f", a.conj(), b)
    products *= scale / len(starts)
    return _Averaged(frequency, products, len(starts), noise_bandwidth)


def whole_segments(values: FloatArray, length: int, hop: int, most: int | None = None) -> FloatArray:
    """Segments of a record without NaN, shape (n_segments, length), at most so many. [unit of the record]

    Each stretch between gaps is cut from its start; ``hop`` samples lie between two starts. Fewer are spread over them.
    """
    starts = _starts(np.isnan(values), length, hop)
    if most is not None and len(starts) > most:
        starts = starts[np.linspace(0, len(starts) - 1, most).astype(int)]
    if not len(starts):
        return np.empty((0, length))
    return np.lib.stride_tricks.sliding_window_view(values, length)[starts]


def _starts(missing: BoolArray, length: int, hop: int) -> IntArray:
    stretches = [
        np.arange(first, end - length + 1, max(hop, 1))
        for first, end in zip(*runs(~missing), strict=True)
        if end - first >= length
    ]
    return np.concatenate(stretches) if stretches else np.empty(0, dtype=np.int64)


def sensor_noise_mm(travel_mm: FloatArray) -> float:
    """Standard deviation of the white noise in a travel signal, including quantisation. [mm]

    From the median over short windows of the density near the top of the spectrum, assumed flat. Bumps and stops reach
    these frequencies only briefly, so they do not change the median; frequencies at which a tone stands out are left
    out.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        Evenly sampled; NaN where invalid. [mm]

    Returns
    -------
    float
        NaN if no window of 64 samples is all valid. From 200 Hz up within a fifth of the truth on simulated
        outings; on slower logs wheel motion is included and it is an upper bound. [mm]

    References
    ----------
    .. [1] P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967, doi:10.1109/TAU.1967.1161901.
    """
    length, missing = WINDOW_SAMPLES, np.isnan(travel_mm)
    starts = _some_starts(missing, length)
    while not len(starts) and length > SHORTEST_WINDOW:
        length //= 2
        starts = _some_starts(missing, length)
    if not len(starts):
        return float("nan")
    low, high = (round(share * length / 2) for share in BAND_SHARE)
    density, scale = _tapered(travel_mm, starts, length, low, high)
    usual = np.median(density, axis=0)
    variance = density[:, usual <= TONE_OVER_NOISE * np.median(usual)].mean(axis=1) / scale
    return float(np.sqrt(np.median(variance)))


def _some_starts(missing: BoolArray, length: int) -> IntArray:
    """Starts of at most `MOST_WINDOWS` segments in which no sample is missing, spread over a record."""
    starts = _starts(missing, length, length)
    return starts[:: max(1, -(-len(starts) // MOST_WINDOWS))]


def _tapered(
    values: FloatArray, starts: IntArray, length: int, low: int, high: int
) -> tuple[FloatArray, float]:
    """Some lines of the squared Hann spectrum of windows of a record, and their value for unit noise."""
    windows = np.lib.stride_tricks.sliding_window_view(values, length)
    taper = np.hanning(length + 1)[:-1]
    lines = np.empty((len(starts), high - low))
    step = max(1, SAMPLES_IN_CACHE // length)
    for first in range(0, len(starts), step):
        part = windows[starts[first : first + step]]
        spectrum = np.fft.rfft((part - part.mean(axis=1, keepdims=True)) * taper, axis=1)[:, low:high]
        lines[first : first + step] = np.abs(spectrum) ** 2
    return lines, float(np.sum(taper**2))


def noise_share(
    travel_mm: FloatArray, noise_mm: float, sample_rate_hz: float, where: BoolArray | None = None
) -> float:
    """Share of white noise in the power of a travel sensor in `ABOVE_HOP_HZ`; NaN if no second is fully valid.

    Of some samples, by default of all.
    """
    length, missing = round(sample_rate_hz), np.isnan(travel_mm)
    starts = _some_starts(missing if where is None else missing | ~where, length)
    if not len(starts):
        return float("nan")
    low, high = (round(edge * length / sample_rate_hz) for edge in ABOVE_HOP_HZ)
    lines, scale = _tapered(travel_mm, starts, length, low, high)
    power = lines.mean(axis=1) / scale
    return float(noise_mm**2 / max(float(np.median(power)), 1e-12))


def noise_notes(
    end: End, travel_mm: FloatArray, noise_mm: float, sample_rate_hz: float, where: BoolArray | None = None
) -> list[QualityNote]:
    """Warning about a noisy travel sensor; empty for a sound one or a log that is too slow.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        At the shaft; ``noise_mm`` is from `sensor_noise_mm`. [mm]
    where : ndarray of bool, shape (n_samples,), optional
        Samples to look at, all by default.
    """
    if sample_rate_hz < NOISE_NOTE_FROM_HZ:
        return []
    share = noise_share(travel_mm, noise_mm, sample_rate_hz, where)
    if not share >= NOISY_SHARE:
        return []
    low, high = ABOVE_HOP_HZ
    message = (
        f"The {end} travel sensor is noisy: {noise_mm:.2f} mm (standard deviation at the shaft), "
        f"{100 * min(share, 1.0):.0f} % of its power just above the wheel hop ({low:.0f} to {high:.0f} Hz). A "
        "short loss of damping is harder to find. Check the sensor's supply, ground, cable and wiper."
    )
    return [QualityNote("warning", "noisy_sensor", message)]


@dataclass(frozen=True)
class Mode:
    """A damped mode: undamped natural frequency and damping ratio. [Hz, 1]"""

    frequency_hz: float
    damping_ratio: float


def free_decay(modes: tuple[Mode, ...], t_s: FloatArray) -> FloatArray:
    """Basis functions of free decays of modes at times [s], a damped cosine and sine each; (n_samples, 2 n_modes)."""
    columns = []
    for mode in modes:
        omega = 2 * np.pi * mode.frequency_hz
        envelope = np.exp(-mode.damping_ratio * omega * t_s)
        phase = omega * np.sqrt(max(0.0, 1 - mode.damping_ratio**2)) * t_s
        columns += [envelope * np.cos(phase), envelope * np.sin(phase)]
    return np.column_stack(columns)


def log_decrement(first: float, last: float, cycles: float = 1.0) -> float:
    """Logarithmic decrement: natural logarithm of the ratio of two peaks a cycle apart, in any one unit.

    Parameters
    ----------
    cycles : float
        Number of cycles between them; half a cycle is 0.5, with peaks as magnitudes.

    References
    ----------
    .. [1] S. S. Rao, Mechanical Vibrations, 5th ed., Pearson, 2011, sec. 2.6.3.
    """
    return float(np.log(abs(first) / abs(last)) / cycles)


def damping_from_log_decrement(decrement: float) -> float:
    """Damping ratio (1: critical) of a logarithmic decrement delta, a ratio too: delta / sqrt(4 pi^2 + delta^2)."""
    return float(decrement / np.hypot(2 * np.pi, decrement))


def damping_scatter(damping_ratio: float, frequency_hz: float, duration_s: float) -> float:
    """Lower bound on the standard deviation of a damping ratio estimated from a random record of a duration. [s]

    sqrt(zeta / (2 pi f T)), the Cramer-Rao bound of a lightly damped mode under white noise.
    """
    return float(np.sqrt(damping_ratio / (2 * np.pi * frequency_hz * duration_s)))
