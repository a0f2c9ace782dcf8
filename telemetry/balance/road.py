"""The road under each wheel from the motion of its end; both wheels roll over the same road, wheelbase / speed apart.

The chassis answers to what both ends push with; a wheel to that and to its tyre. So masses, springs and tyres of
the bike file, the two travels, and the damper forces give the height of the road under each wheel:

    mount'' = (F_f + F_r) / m -+ arm (b F_r - a F_f) / J          F: spring, damper and friction, at the wheel
    wheel   = mount + travel
    road    = wheel + (m_u wheel'' + F) / (k_t + c_t s)

with the rider's loads (`telemetry.balance.road`) added: the weight grows with the lean, brake and drive turn the
chassis and push along fork and swingarm.

Everything in it is linear in the damper forces and in loads of unknown size. That front and rear must find the same
road is therefore a linear equation for both dampers, solved by least squares; nothing but the log says how firm they
are.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance.delay import MIN_SPEED_M_S, riding_delay_s
from telemetry.bike import (
    Bike,
    attitude,
    chassis_of,
    leverage_curve,
    rake_deg,
    spring_of,
    sprung_load_n,
    squat,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.decimals import kept_of
from telemetry.laps import Track, lean_from_path, measured_m_s2
from telemetry.motion import Motion
from telemetry.numeric import median
from telemetry.signals import Run, runs

RIDING_HZ = 50.0
# A speed is differentiated up to where its spectrum is twice its own noise, within these. [Hz]
SMOOTHING_HZ = (0.8, 8.0)
SEGMENT_S = 10.24
REMEMBERED = 10.0  # periods of the cut, or of how far it is below half the rate; beyond it counts 1e-19
FFT_BLOCK = 1024  # FFTs of whole blocks are quick
MOST_LEAN_DEG = 70.0
SLOW_M_S = 15.0


@dataclass(frozen=True)
class Load:
    """Effect of one load: forces along both ends at the wheel, weight of a mass, moment. [N, N, m/s2, N m]"""

    front_n: FloatArray
    rear_n: FloatArray
    weight_m_s2: FloatArray
    moment_n_m: FloatArray


@dataclass(frozen=True)
class Riding:
    """Acceleration (drive positive), lean (to either side) and speed on an even clock from the run's start; else NaN.

    ``sources`` says what acceleration and lean come from, without a quantity that is not known; ``brake`` and
    ``throttle`` are as logged, None where the log has none.
    """

    rate_hz: float
    speed_m_s: FloatArray
    acceleration_m_s2: FloatArray
    lean_deg: FloatArray
    sources: Mapping[str, str]
    brake: FloatArray | None = None
    throttle: FloatArray | None = None

    def at(self, t_s: FloatArray, values: FloatArray) -> FloatArray:
        """One of its arrays at other instants, straight lines between."""
        if not len(t_s):
            return np.empty(0)
        # only what is near: a few instants of a long run are asked for many times
        first = min(max(int(t_s.min() * self.rate_hz) - 1, 0), len(values) - 1)
        last = min(max(int(t_s.max() * self.rate_hz) + 3, first + 1), len(values))
        return np.interp(t_s, np.arange(first, last) / self.rate_hz, values[first:last])


def find_riding(track: Track, sample_rate_hz: float, run: Run | None = None) -> Riding:
    """Acceleration, lean and speed from whichever channels there are.

    Parameters
    ----------
    track : Track
        Its speed is the run's, put right where the unit was wrong.
    sample_rate_hz : float
        Of the track.
    run : Run, optional
        With its channels; without it only speed and positions of the track are used.

    Returns
    -------
    Riding
        Acceleration from the speed, else from an accelerometer; lean from its channel, else from speed and the bends
        of the positions.
    """
    channels = {} if run is None else run.channels
    own_hz = {} if run is None else run.channel_rate_hz
    step = max(1, int(sample_rate_hz / RIDING_HZ))
    rate_hz = sample_rate_hz / step
    sources: dict[str, str] = {}
    speed = track.speed_m_s[::step]
    acceleration = np.full(len(speed), np.nan)
    if np.isfinite(speed).any():
        name = "speed_m_s" if "speed_m_s" in channels else "latitude_deg"
        acceleration, sources["acceleration"] = derivative(speed, rate_hz, own_hz.get(name, rate_hz)), "speed"
    elif "acceleration_m_s2" in channels:
        measured = measured_m_s2(channels["acceleration_m_s2"][::step], None, rate_hz)
        if measured is not None:
            acceleration, sources["acceleration"] = measured, "acceleration"
    lean = np.full(len(speed), np.nan)
    kept = {
        name: kept_of(channels, name) for name in ("lean_deg", "brake", "throttle_pct") if name in channels
    }
    picked = {name: numbers[::step] for name, numbers in kept.items() if numbers.any_known}
    if "lean_deg" in picked:
        lean, sources["lean"] = picked["lean_deg"], "lean"
    elif track.x_m is not None and track.y_m is not None and np.isfinite(speed).any():
        lean = lean_from_path(track.x_m[::step], track.y_m[::step], speed, rate_hz)
        sources["lean"] = "positions"
    brake, throttle = picked.get("brake"), picked.get("throttle_pct")
    lean = np.clip(lean, -MOST_LEAN_DEG, MOST_LEAN_DEG)
    return Riding(rate_hz, speed, acceleration, lean, sources, brake, throttle)


def derivative(values: FloatArray, rate_hz: float, own_rate_hz: float) -> FloatArray:
    """Derivative per second up to the frequency where the spectrum sinks into its noise; NaN where the values are.

    ``own_rate_hz`` is the rate at which it was logged; between its own samples are straight lines.
    """
    finite = np.isfinite(values)
    filled = np.interp(np.arange(len(values)), np.flatnonzero(finite), values[finite])
    cut_hz = min(bandwidth_hz(filled, rate_hz, own_rate_hz), 0.45 * rate_hz)
    if len(filled) < 2:
        return np.full(len(values), np.nan)
    return np.where(finite, np.gradient(_low_pass(filled, cut_hz / rate_hz)) * rate_hz, np.nan)


def _low_pass(values: FloatArray, cut: float) -> FloatArray:
    """Digital Butterworth filter of second order, forwards and backwards; ``cut`` in cycles per sample."""
    # turned about its first and last value the signal goes on without a jump, for as long as the filter remembers
    reach = int(np.ceil(REMEMBERED / min(cut, 0.5 - cut)))
    turned = np.pad(values, reach, mode="reflect", reflect_type="odd")
    line = np.linspace(turned[0], turned[-1], len(turned))
    n = -(-len(turned) // FFT_BLOCK) * FFT_BLOCK
    spectrum = np.fft.rfft(turned - line, n)
    tangent = np.tan(np.pi * np.linspace(0.0, 0.5, len(spectrum)))
    spectrum /= 1.0 + (tangent / np.tan(np.pi * cut)) ** 4
    return np.asarray((line + np.fft.irfft(spectrum, n)[: len(turned)])[reach:-reach])


def bandwidth_hz(values: FloatArray, rate_hz: float, own_rate_hz: float) -> float:
    """Highest frequency at which the spectrum of a signal is above its noise (taken from the top of the band). [Hz]"""
    low, high = SMOOTHING_HZ
    length = round(SEGMENT_S * rate_hz)
    top = 0.4 * min(rate_hz, own_rate_hz)
    if len(values) < 2 * length or top <= low:
        return low
    segments = np.lib.stride_tricks.sliding_window_view(np.diff(values), length)[:: length // 2]
    lines = np.fft.rfft((segments - segments.mean(axis=1, keepdims=True)) * np.hanning(length), axis=1)
    power = np.mean(np.abs(lines) ** 2, axis=0)
    frequency = np.fft.rfftfreq(length, 1 / rate_hz)
    # of the differences white noise rises as sin^2
    power /= np.maximum(np.sin(np.pi * frequency / rate_hz) ** 2, 1e-12)
    noise = float(np.median(power[(frequency > 0.6 * top) & (frequency <= top)]))
    sunk = np.flatnonzero((power < 2 * noise) & (frequency > low))
    return float(np.clip(frequency[sunk[0]], low, high)) if len(sunk) else high


def loads(riding: Riding, t_s: FloatArray, bike: Bike, anti_squat: float) -> tuple[Load, tuple[Load, ...]]:
    """Loads that follow from mass and centre of mass, and loads of unknown size, the same for every part of a run.

    Unknown: brake and drive about another height, a share of the brake at the front and at the rear, of the drive at
    the rear, drag and lift, weight by a lean that reads too much, and what brake and throttle channels show faster than
    the speed does. ``anti_squat`` is the share of the load transfer under drive that chain and swingarm carry.
    """
    chassis = chassis_of(bike)
    mass = chassis.sprung_mass_kg + sum(bike.end(end).unsprung_mass_kg or 0.0 for end in ENDS)
    height_m = chassis.com_height_mm / 1e3
    nil = np.zeros(len(t_s))
    lean, speed, acceleration = (
        np.nan_to_num(riding.at(t_s, values))
        for values in (riding.lean_deg, riding.speed_m_s, riding.acceleration_m_s2)
    )
    weight = GRAVITY_M_S2 / np.cos(np.radians(lean))
    brake, drive, drag = mass * np.maximum(-acceleration, 0.0), mass * np.maximum(acceleration, 0.0), speed**2
    known = Load(
        -float(np.tan(np.radians(rake_deg(bike)))) * brake,
        anti_squat * 1e3 * height_m / wheelbase_mm(bike) * drive,
        -weight,
        height_m * (brake - drive),
    )

    def front(values: FloatArray) -> Load:
        return Load(values, nil, nil, nil)

    def rear(values: FloatArray) -> Load:
        return Load(nil, values, nil, nil)

    def moment(values: FloatArray) -> Load:
        return Load(nil, nil, nil, values)

    free = [moment(brake), moment(drive), moment(drag), front(brake), front(drag)]
    free += [rear(brake), rear(drive), rear(drag), Load(nil, nil, GRAVITY_M_S2 - weight, nil)]
    if riding.brake is not None:
        pressed = np.nan_to_num(riding.at(t_s, riding.brake))
        free += [moment(pressed), front(pressed)]
    if riding.throttle is not None:
        opened = np.nan_to_num(riding.at(t_s, riding.throttle))
        for shape in (opened, opened / np.maximum(speed, SLOW_M_S)):  # by force at low speed, by power above
            free += [moment(shape), rear(shape)]
    return known, tuple(free)


WORK_HZ = 250.0
WINDOW_S, CUT_S, HOP_S = 16.0, 2.5, 11.0
MOST_WINDOWS = 36
SPRING_ROWS = 257
# At the shaft: bike files rarely tell all that pushes in the first millimetre and in the last eighth of a stroke
# (rubbers, oil locks, metal). Choices of ours.
TOPPED_MM, LAST_SHARE = 1.0, 0.125
RING_S = 0.1  # on either side of what is left out, which rings in the band that is kept


@dataclass(frozen=True)
class RoadModel:
    """What the road needs of a bike file, SI units; ``arm_m`` is from centre of mass to axles, loads are static."""

    mass_kg: float
    inertia_kg_m2: float
    arm_m: Mapping[End, float]
    unsprung_kg: Mapping[End, float]
    tyre_n_m: Mapping[End, float]
    tyre_n_s_m: Mapping[End, float]
    sprung_load_n: Mapping[End, float]
    tyre_load_n: Mapping[End, float]
    spring_n: Mapping[End, tuple[FloatArray, FloatArray]]  # shaft travel [mm], force along it
    bike: Bike


def road_model(bike: Bike) -> RoadModel | str:
    """The model of a bike file, or what the file lacks for it."""
    lacks = [] if bike.chassis is not None else ["[chassis]"]
    sections = {"front": bike.front, "rear": bike.rear}
    for end, section in sections.items():
        for name in ("unsprung_mass_kg", "tyre_rate_n_per_mm", "spring_rate_n_per_mm", "preload_mm"):
            if getattr(section, name) is None:
                lacks.append(f"{end}.{name}")
    inertia_kg_m2 = None if bike.chassis is None else bike.chassis.pitch_inertia_kg_m2
    if bike.chassis is not None and inertia_kg_m2 is None:
        lacks.append("chassis.pitch_inertia_kg_m2")
    if bike.chassis is None or inertia_kg_m2 is None or lacks:
        return f"the bike file lacks {', '.join(lacks)}"
    to_rear = bike.chassis.com_to_rear_axle_mm / 1e3
    return RoadModel(
        bike.chassis.sprung_mass_kg,
        inertia_kg_m2,
        {"front": wheelbase_mm(bike) / 1e3 - to_rear, "rear": to_rear},
        {end: sections[end].unsprung_mass_kg or 0.0 for end in ENDS},
        {end: 1e3 * (sections[end].tyre_rate_n_per_mm or 0.0) for end in ENDS},
        {end: 1e3 * sections[end].tyre_damping_n_s_per_mm for end in ENDS},
        {end: sprung_load_n(bike, end) for end in ENDS},
        {
            end: sprung_load_n(bike, end) + GRAVITY_M_S2 * (sections[end].unsprung_mass_kg or 0.0)
            for end in ENDS
        },
        {end: spring_table(bike, end) for end in ENDS},
        bike,
    )


def spring_table(bike: Bike, end: End) -> tuple[FloatArray, FloatArray]:
    """Shaft travel over the stroke, and what all springs of an end push with along the shaft. [mm, N]"""
    spring, shaft = (
        spring_of(bike, end),
        np.linspace(0.0, leverage_curve(bike, end).shaft_mm[-1], SPRING_ROWS),
    )
    return shaft, np.array([spring.force_n(float(x)) for x in shaft])


@dataclass(frozen=True)
class Window:
    """A few seconds of both ends on an even clock, with the delay of the rear. Arrays of shape (n_samples,)."""

    rate_hz: float
    start: int  # sample of the run
    shaft_mm: Mapping[End, FloatArray]
    shaft_mm_s: Mapping[End, FloatArray]
    delay_s: FloatArray
    use: BoolArray
    known: Load
    free: tuple[Load, ...]


def windows(
    motion: Motion, track: Track, model: RoadModel, riding: Riding, selected: BoolArray | None = None
) -> Iterator[Window]:
    """Windows with both ends valid and the motorcycle riding, at most `MOST_WINDOWS` spread over the run.

    Their ``use`` leaves out the edges, and where an end is at a stop.
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate, ends = motion.sample_rate_hz / step, motion.ends
    good = motion.ends["front"].valid & motion.ends["rear"].valid
    good &= track.speed_m_s > MIN_SPEED_M_S
    if selected is not None:
        good &= selected
    length, hop = round(WINDOW_S * rate) * step, round(HOP_S * rate) * step
    starts = [
        start for first, end in zip(*runs(good), strict=True) for start in range(first, end - length + 1, hop)
    ]
    if len(starts) > MOST_WINDOWS:
        starts = [starts[i] for i in np.linspace(0, len(starts) - 1, MOST_WINDOWS).astype(int)]
    cut, anti_squat = round(CUT_S * rate), _anti_squat(model.bike, motion) if starts else 0.0
    for start in starts:
        part = slice(start, start + length, step)
        t_s = np.arange(start, start + length, step) / motion.sample_rate_hz
        shaft_mm = {end: ends[end].shaft_travel_mm[part] for end in ENDS}
        use = ~_at_a_stop(shaft_mm, {end: ends[end].stroke_mm for end in ENDS}, rate)
        use[:cut] = use[-cut:] = False
        yield Window(
            rate,
            int(start),
            shaft_mm,
            {end: ends[end].shaft_speed_mm_s[part] for end in ENDS},
            riding_delay_s(motion, track, part),
            use,
            *loads(riding, t_s, model.bike, anti_squat),
        )


def usual_shaft_mm(motion: Motion, end: End) -> float:
    """Median travel at the shaft, of about ten samples a second. [mm]"""
    shaft = motion.ends[end].shaft_travel_mm[:: max(1, round(motion.sample_rate_hz / 10.0))]
    return median(shaft[np.isfinite(shaft)], in_place=True)


def _anti_squat(bike: Bike, motion: Motion) -> float:
    """Share of the load transfer under drive that chain and swingarm carry where the motorcycle mostly is."""
    front, rear = (usual_shaft_mm(motion, end) for end in ENDS)
    found = squat(bike, attitude(bike, front, rear), chassis_of(bike).com_height_mm)
    return 0.0 if found is None else found.anti_squat_pct / 100.0


def _at_a_stop(shaft_mm: Mapping[End, FloatArray], stroke_mm: Mapping[End, float], rate: float) -> BoolArray:
    """Within `RING_S` of where an end is topped out or in the last of its stroke: what pushes there is not known."""
    stopped = np.zeros(len(shaft_mm["front"]), dtype=bool)
    for end, shaft in shaft_mm.items():
        stopped |= (shaft < TOPPED_MM) | (shaft > (1.0 - LAST_SHARE) * stroke_mm[end])
    return dilated(stopped, round(RING_S * rate))


def dilated(mask: BoolArray, reach: int) -> BoolArray:
    """True within so many samples of where a mask is."""
    wide = mask.copy()
    for first, end in zip(*runs(mask), strict=True):
        wide[max(first - reach, 0) : end + reach] = True
    return wide
