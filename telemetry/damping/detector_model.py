"""Model that the detector fits to a run before it judges it: the wheel's equation of motion, its pole and the road."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.bike import Bike
from telemetry.damping.equation import (
    BLOCK_S,
    OWN,
    TOP_HZ,
    Line,
    RunSignals,
    WheelEquation,
    find_wheel_turning,
    run_signals,
    wheel_equation,
    whole_blocks,
)
from telemetry.damping.evidence import (
    SOUND_DAMPING,
    FitWindows,
    FrontFilter,
    PoleGrid,
    Swing,
    find_swing,
    fit_front_filter,
    fit_pole,
    fit_poles,
    fit_windows,
    found_mode,
    pole_grid,
    take_out,
)
from telemetry.damping.hop import LOW_HZ, WheelHop, as_it_works, coefficients, wheel_hop
from telemetry.laps import Track
from telemetry.motion import Motion

DELAYS_S: FloatArray = 0.005 * np.arange(-8, 9, dtype=np.float64)
FROM_S = 200.0  # of riding are enough
AGAIN_S = 100.0  # looked at once more at the end of the outing, over so much riding
WINDOW_S = 1.0
LEAST_S = 20.0  # of riding
AS_HIGH = 0.1  # in ln of the mean square left over: a tenth of it. A choice of ours.
# Two clocks run apart where the delay early and late in the outing differ by more; its scatter is about a
# millisecond. A choice of ours.
RUN_APART_S = 0.003

# In so much riding what turns with the wheel and what hums is found if it is there at all; in a longer run all of it is
# looked at only if so. Parts of half a minute lie evenly over the riding, each shifted within its share by the golden
# ratio: so they do not fall on the same places of a circuit, however long a lap takes. A choice of ours. [s]
SEARCHED_S = 1200.0
PARTS, GOLDEN = 40, 0.618


def searched_parts(usable: BoolArray, step_s: float) -> tuple[slice, ...]:
    """All samples of a run, or parts of a long one with `SEARCHED_S` of riding."""
    used_s = np.asarray(np.cumsum(usable) * step_s, dtype=np.float64)
    if used_s[-1] <= SEARCHED_S:
        return (slice(0, len(usable)),)
    share_s, part_s = used_s[-1] / PARTS, SEARCHED_S / PARTS
    starts_s = [(k + k * GOLDEN % 1.0 * (1.0 - part_s / share_s)) * share_s for k in range(PARTS)]
    return tuple(_part(used_s, start_s, part_s) for start_s in starts_s)


def delay_over_time_s(equation: WheelEquation, hop: WheelHop, turning: Line | None) -> float | FloatArray:
    """The delay, or a line through it where the channels' clocks drift; the equation is without delay. [s]"""
    used = np.asarray(np.cumsum(equation.usable) * equation.step_s, dtype=np.float64)
    first, last = _part(used, 0.0, FROM_S), _part(used, used[-1] - AGAIN_S, AGAIN_S)
    early_s = best_delay_s(equation, hop, turning, first) or 0.0
    at_s = equation.step_s * np.arange(len(used))
    middle_s = [float(at_s[part].mean()) for part in (first, last)]
    apart_s = middle_s[1] - middle_s[0]
    if equation.road is None or apart_s < 0.5 * FROM_S:
        return early_s
    late_s = _delay_as_learned_s(equation, hop, turning, first, last, early_s)
    if late_s is None or abs(late_s - early_s) < RUN_APART_S:
        return early_s
    return np.asarray(early_s + (late_s - early_s) * (at_s - middle_s[0]) / apart_s, dtype=np.float64)


def _part(used_s: FloatArray, start_s: float, seconds: float) -> slice:
    first, last = np.searchsorted(used_s, [start_s, start_s + seconds])
    return slice(int(first), min(int(last) + 1, len(used_s)))


def best_delay_s(equation: WheelEquation, hop: WheelHop, turning: Line | None, part: slice) -> float | None:
    """Delay with the likeliest pole, positive when the front's signals come late; None where it cannot be told. [s]

    ``turning`` is the wheel's own line, which has no news of the road and is taken out.
    """
    if equation.road is None:
        return None
    if not _enough(equation, part):
        return None
    left = [take_out(products)[1] for products in _products(equation, turning, part, DELAYS_S)]
    return _peak_s([-pole.log_residual for pole in fit_poles(left, hop)], 0.0)


def _delay_as_learned_s(
    equation: WheelEquation, hop: WheelHop, turning: Line | None, first: slice, last: slice, early_s: float
) -> float | None:
    """Delay at which ``last`` agrees best with the fit of ``first`` at ``early_s``; None where it cannot be told. [s]

    With weights of its own a short part would make up for a wrong delay.
    """
    if not _enough(equation, last):
        return None
    (learned,) = _products(equation, turning, first, np.array([early_s]))
    response, left = take_out(learned)
    pole = fit_pole(left, hop)
    row = coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping))
    full = np.concatenate([row, -(response @ row)])
    left_over = [
        full @ products @ full for products in _products(equation, turning, last, early_s + DELAYS_S)
    ]
    return _peak_s([-float(np.log(square)) for square in left_over], early_s)


def _enough(equation: WheelEquation, part: slice) -> bool:
    return bool(equation.usable[part].sum() * equation.step_s >= LEAST_S)


def _products(
    equation: WheelEquation, turning: Line | None, part: slice, delays_s: FloatArray
) -> Iterator[FloatArray]:
    """Mean products of the signals with the other's news read so much later; every second counts the same."""
    own, good = equation.own[:, part], equation.usable[part]
    line = None if turning is None else turning.part(part)
    width = round(WINDOW_S / equation.step_s)
    size = np.sqrt(np.convolve(own[2] ** 2, np.full(width, 1.0 / width), mode="same"))
    share = good / np.maximum(size, 1e-9)
    signals = np.empty((len(equation.noise), len(good)))
    np.multiply(own if line is None else line.without_line(own), share, out=signals[: len(own)])
    for delay_s in delays_s.tolist():
        known = equation.delayed(delay_s).known(part)
        np.multiply(known if line is None else line.without_line(known), share, out=signals[len(own) :])
        yield signals @ signals.T / good.sum()


def _peak_s(height: list[float], middle_s: float) -> float | None:
    """Delay of the nearest high peak about ``middle_s``, by a parabola through three points. [s]

    Half a hop period (30 ms) later the road fits again with a wrong wheel: a peak there has to be clearly higher.
    """
    peaks = [i for i in range(1, len(height) - 1) if height[i] >= height[i - 1] and height[i] > height[i + 1]]
    if not peaks:
        return None
    highest = max(height[i] for i in peaks)
    best = min((i for i in peaks if height[i] > highest - AS_HIGH), key=lambda i: abs(DELAYS_S[i]))
    before, here, after = height[best - 1 : best + 2]
    bend = 2 * here - before - after
    step_s = DELAYS_S[1] - DELAYS_S[0]
    return float(middle_s + DELAYS_S[best] + 0.5 * (after - before) / max(bend, 1e-12) * step_s)


TONE_WINDOW_S = 10.0
LEAST_WINDOWS = 6
# The tone against what is a little beside it; the window's own width is 0.2 Hz to either side.
BESIDE_HZ = (0.35, 0.85)
LEAST_OVER_BESIDE = 6.0
AMPLITUDE_TURNS = 150.0  # 10 s at 15 Hz: a ringing of a second is hardly touched


def find_tone(
    signal: FloatArray, usable: BoolArray, step_s: float, parts: Sequence[slice] = ()
) -> Line | None:
    """Strongest steady tone of a band-limited signal sampled every ``step_s``; None where there is none.

    Where ``parts`` of a long signal have none, it is not looked for in all of it.
    """
    if len(parts) > 1 and _tone_hz(signal, usable, step_s, parts) is None:
        return None
    exact_hz = _tone_hz(signal, usable, step_s, [slice(0, len(signal))])
    if exact_hz is None:
        return None
    turns = exact_hz * step_s * np.arange(len(signal), dtype=np.float64)
    rate = np.full(len(signal), exact_hz)
    return Line(turns, turns, rate, usable, AMPLITUDE_TURNS)


def _tone_hz(signal: FloatArray, usable: BoolArray, step_s: float, parts: Sequence[slice]) -> float | None:
    length = round(TONE_WINDOW_S / step_s)
    starts = np.concatenate([np.arange(p.start, p.stop - length + 1, length // 2) for p in parts])
    index = starts[:, None] + np.arange(length)
    whole = usable[index].mean(axis=1) > 0.9 if len(starts) else np.zeros(0, dtype=bool)
    if whole.sum() < LEAST_WINDOWS:
        return None
    pieces = signal[index[whole]] * usable[index[whole]] * np.hanning(length)
    power = np.abs(np.fft.rfft(pieces, axis=1)) ** 2
    # every window counts the same: a tone is in all of them, a rough stretch in one
    density = np.mean(power / power.sum(axis=1, keepdims=True), axis=0)
    hz = np.fft.rfftfreq(length, step_s)
    first, last = (round(edge * TONE_WINDOW_S) for edge in BESIDE_HZ)
    beside = np.concatenate([np.ones(last - first + 1), np.zeros(2 * first - 1), np.ones(last - first + 1)])
    usual = np.convolve(density, beside / beside.sum(), mode="same")
    inside = (hz > LOW_HZ[1]) & (hz < TOP_HZ)
    over = np.where(inside, density / np.maximum(usual, 1e-30), 0.0)
    best = int(np.argmax(over))
    if over[best] < LEAST_OVER_BESIDE:
        return None
    before, here, after = np.sqrt(density[best - 1 : best + 2])
    return float(hz[best] + (after - before) / (before + here + after) * (hz[1] - hz[0]))


LEAST_MOVING_S = 20.0
# Where the bike file gives no tyre radius, what turns with the wheel is looked for about this: a road-race tyre rolls
# at 280 to 330 mm, common practice, no source; the search reaches further either way. [mm]
SEARCH_RADIUS_MM = 305.0


@dataclass(frozen=True)
class DetectorModel:
    """What the detector knows of one wheel over a run; ``equation`` is without steady tone and the wheel's usual line.

    ``reference`` is what a stretch is compared with: the same fit less sensor noise; where no hop is found in it, a
    wheel as damped as sound ones. ``of_news`` is the fit without the wheel's own past; None where that is not read, or
    where no hop is found without. ``predicted`` (n,) is the right side from the other wheel. ``swing`` is None where
    nothing is known of the road. ``turning`` is what was found to turn with the wheel, ``radius_mm`` the tyre's;
    ``delay_s`` is how late the other wheel's signals came [s].
    """

    end: End
    equation: WheelEquation
    hop: WheelHop
    fitted: FrontFilter
    reference: FrontFilter
    of_news: FrontFilter | None
    predicted: FloatArray
    grid: PoleGrid
    swing: Swing | None
    turning: Line | None
    radius_mm: float
    delay_s: float | FloatArray
    signals: RunSignals

    def turning_hz(self, inside: slice) -> float | None:
        """How often the wheel turned in some of the samples; None without ground speed. [1/s]"""
        if self.turning is not None:
            return float(self.turning.rate_hz[inside].mean())
        speed = self.equation.ground_speed_m_s
        return None if speed is None else float(speed[inside].mean()) / (2e-3 * np.pi * self.radius_mm)

    def without_road(self) -> "DetectorModel":
        """The same once it was judged: without what was worked out of the road for every sample."""
        return replace(self, predicted=np.empty(0), swing=None)

    @property
    def whole_blocks(self) -> BoolArray:
        """Blocks of the run that are usable."""
        return whole_blocks(self.equation.usable, self.equation.step_s, BLOCK_S)

    @property
    def missing(self) -> str:
        """What the log lacks to know the road, in words; "" where it lacks nothing."""
        if self.equation.knows_road:
            return ""
        other = "front" if self.end == "rear" else "rear"
        there = {f"{other} travel": other in self.signals.ends, "ground speed": self._has_speed}
        return " and ".join(words for words, has in there.items() if not has)

    @property
    def _has_speed(self) -> bool:
        return self.equation.ground_speed_m_s is not None


def fit_detector_model(motion: Motion, track: Track, bike: Bike) -> DetectorModel | None:
    """Detector model of the rear wheel; None with less than `LEAST_MOVING_S` of usable riding."""
    return _fit(bike, "rear", run_signals(motion, track), None)


def fit_front_detector_model(model: DetectorModel, bike: Bike) -> DetectorModel | None:
    """Detector model of the front wheel, with the road from the rear; None where it cannot be fitted."""
    if "front" not in model.signals.ends:
        return None
    return _fit(bike, "front", model.signals, -model.delay_s)


def _fit(
    bike: Bike, end: End, signals: RunSignals, given_s: float | FloatArray | None
) -> DetectorModel | None:
    """Fit the equation of one wheel to a run; a delay that is not given is looked for."""
    hop = wheel_hop(bike, end)
    working = as_it_works(hop)
    radius_mm = bike.end(end).tyre_radius_mm or SEARCH_RADIUS_MM
    read = wheel_equation(signals, end, 0.0 if given_s is None else given_s)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    parts, whole = searched_parts(read.usable, read.step_s), (read.whole,)
    tone = find_tone(read.own[2], read.usable, read.step_s, parts)
    untimed, line = read.without(tone), None
    while True:
        delay_s = delay_over_time_s(read, hop, line) if given_s is None else given_s
        steady = untimed.delayed(delay_s) if given_s is None else untimed
        clear = steady.without(line)
        (learned,) = fit_windows(clear, whole)
        fitted = fit_front_filter(learned, working)
        if fitted is None:
            return None
        reference, of_news = _references(learned, fitted, hop)
        del learned  # takes as much memory as three of the signals
        turning = _turning(steady, clear, fitted, radius_mm, parts)
        if turning is not None and len(parts) > 1:
            parts = whole
            turning = _turning(steady, clear, fitted, radius_mm, whole)
        if turning is None or line is not None or given_s is not None:
            break
        # a line spoils the delay, and a delay that is wrong the line: it is read without any, and both once more
        early = fit_front_filter(fit_windows(untimed, whole)[0], working) or fitted
        line = _turning(untimed, untimed, early, radius_mm, whole)
        if line is None:
            break
    as_learned = line is None and turning is None  # nothing is taken out that was not before
    del clear, untimed, read, line  # each may have a copy of all signals
    equation = steady.without(turning)
    signals = _without_usual_lines(signals, end, tone, turning)
    own = signals.ends[end].orders[OWN]
    if not as_learned:
        without, learned = fit_windows(equation, whole, (equation.own, own))
        fitted = (fit_front_filter(without, working) if turning is not None else None) or fitted
        reference, of_news = _references(learned, fitted, hop)
        del without, learned
    equation = replace(equation, own=own)
    del steady
    return DetectorModel(
        end, equation, hop, fitted, reference, of_news, *_by_reference(equation, reference, hop),
        turning, radius_mm, delay_s, signals,
    )  # fmt: skip


def _references(
    learned: FitWindows, fitted: FrontFilter, hop: WheelHop
) -> tuple[FrontFilter, FrontFilter | None]:
    """The fit that stretches are compared with, and that without the wheel's own past; as of `DetectorModel`."""
    working = as_it_works(hop)
    reference = fit_front_filter(learned, working, less_noise=True) or fitted
    if not found_mode(reference.pole, working):
        reference = fit_front_filter(learned, working, SOUND_DAMPING, less_noise=True) or fitted
    of_news = fit_front_filter(replace(learned, of_news=True), hop) if learned.own_past else None
    return reference, of_news if of_news is not None and found_mode(of_news.pole, hop) else None


def _by_reference(
    equation: WheelEquation, reference: FrontFilter, hop: WheelHop
) -> tuple[FloatArray, PoleGrid, Swing | None]:
    """Right side of the equation, poles to compare and swing; as of `DetectorModel`."""
    predicted = reference.predicted(equation)
    swing = find_swing(equation, reference, predicted, hop) if equation.knows_road else None
    return predicted, pole_grid(hop, reference.pole), swing


def _turning(
    read: WheelEquation, clear: WheelEquation, fitted: FrontFilter, radius_mm: float, parts: Sequence[slice]
) -> Line | None:
    """What turns with the wheel in what the equation leaves of ``parts``; ``clear`` is without what was known of it."""
    speed = read.ground_speed_m_s
    if speed is None:
        return None
    if len(parts) > 1:
        speed = np.concatenate([speed[part] for part in parts])
    left, usable, first = np.empty(len(speed)), np.empty(len(speed), dtype=bool), 0
    for part in parts:
        here = slice(first, first + part.stop - part.start)
        left[here] = fitted.row @ read.own[:, part]
        left[here] -= clear.predicted(fitted.road_weights, part)
        usable[here] = read.usable[part]
        usable[first] &= first == 0  # no window goes on from part to part
        first = here.stop
    return find_wheel_turning(left, usable, speed, read.step_s, radius_mm)


def _without_usual_lines(
    signals: RunSignals, end: End, tone: Line | None, turning: Line | None
) -> RunSignals:
    """The same without an end's steady tone and what usually turns with its wheel."""
    here = signals.ends[end]
    orders = here.orders if tone is None else tone.without_line(here.orders)
    if turning is not None:
        orders = turning.without_usual_line(orders, orders[OWN][2])
    return replace(signals, ends={**signals.ends, end: replace(here, orders=orders)})
