"""Dive and squat per g of braking and drive, and where a wheel carries little or nothing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.balance import Gain, LightWheel, WeightTransfer, ZoneAnswer, half_width
from telemetry.balance.road import Riding, find_riding, spring_table
from telemetry.bike import (
    Bike,
    damper_force_n,
    leverage_curve,
    rake_deg,
    sprung_load_n,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps import Track, place_at
from telemetry.motion import Motion
from telemetry.numeric import all_of_blocks, block_means, median, quantile
from telemetry.signals import runs

# Choices of ours; no source.
BRAKING_M_S2 = -4.0
SHORTEST_S = 0.8
BEFORE_S, AFTER_S = 0.6, 1.5
SMOOTH_S = 0.2
WORK_HZ = 50.0
FEWEST = 3
UPRIGHT_DEG = 10.0  # the load grows by 1.5 % until there
UPRIGHT_M_S2 = 1.0
FEWEST_STRETCHES, SHORTEST_STRETCH_S = 6, 0.3
MOST_CONDITION = 1e6
# Means over the middle one, near the period of a motorcycle's pitch (2 to 3 Hz); the others show what the choice does.
STEADY_S = (0.2, 0.4, 0.6)


def weight_transfer(
    motion: Motion, track: Track, selected: BoolArray, ridden: Riding | None = None
) -> WeightTransfer | None:
    """Dive and squat over the selected samples; None when the acceleration is not known.

    Without dive and squat where the lean is unknown: lean that goes while drive comes moves the rear more than the
    drive does. ``ridden`` is by default from the speed and the positions of the track.
    """
    ridden = ridden or find_riding(track, motion.sample_rate_hz)
    if "acceleration" not in ridden.sources:
        return None
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    front_end, rear_end = motion.ends["front"], motion.ends["rear"]
    pitch, fork, rear = (
        block_means(values, step)
        for values in (motion.pitch_deg[:], front_end.shaft_travel_mm, rear_end.wheel_travel_mm)
    )
    use = all_of_blocks(selected, step)
    t_s = np.asarray((np.arange(len(pitch)) + 0.5 * (1 - 1 / step)) / rate, dtype=np.float64)
    width = max(3, round(SMOOTH_S * rate))
    acceleration, speed, lean = (
        ridden.at(t_s, values) for values in (ridden.acceleration_m_s2, ridden.speed_m_s, ridden.lean_deg)
    )
    smooth, slow_rear, held = (_running_mean(values, width) for values in (pitch, rear, acceleration))
    dives = list(_episodes(held < BRAKING_M_S2, use, held, smooth, rate))
    releases = [_release(smooth, end, change, rate) for _, end, change in dives]
    braking = use & (held < BRAKING_M_S2) & np.isfinite(slow_rear)
    upright = use & (np.abs(lean) < UPRIGHT_DEG)  # nowhere where the lean is not known
    slowing, driving = upright & (acceleration < -UPRIGHT_M_S2), upright & (acceleration > UPRIGHT_M_S2)
    held_back = _held(-acceleration, speed, slowing, rate)
    held_on = _held(acceleration, speed, driving, rate, beside=True)
    middle = np.minimum(np.arange(len(pitch)) * step + step // 2, len(track.corner) - 1)
    corner, lap = track.corner[middle], track.lap[middle]

    def zones(kind: str, values: FloatArray, push: FloatArray, mask: BoolArray) -> tuple[ZoneAnswer, ...]:
        return zone_gains(kind, values, push, speed, upright, mask, corner, lap, rate)

    slowings, drives = _stretches(slowing, rate), _stretches(driving, rate)
    dive, dive_ci95 = _value_ci95(_gain(pitch, [-acceleration], slowings))
    squat, squat_ci95 = _value_ci95(_gain(-pitch, [acceleration], drives))
    rear_squat, rear_squat_ci95 = _value_ci95(_gain(rear, [acceleration], drives))
    return WeightTransfer(
        brakings=len(dives),
        drives=len(drives),
        dive_deg_per_m_s2=dive,
        dive_ci95=dive_ci95,
        return_deg_s=_median(np.array([fastest for fastest, _ in releases])),
        settle_s=_median(np.array([settled for _, settled in releases])),
        rear_left_mm=quantile(slow_rear[braking], 0.05) if braking.any() else None,
        squat_deg_per_m_s2=squat,
        rear_squat_mm_per_m_s2=rear_squat,
        squat_ci95=squat_ci95,
        rear_squat_ci95=rear_squat_ci95,
        steady_dive=_steady_gain(pitch, held_back),
        steady_fork_dive=_steady_gain(fork, held_back),
        steady_squat=_steady_gain(-pitch, held_on),
        steady_rear_squat=_steady_gain(rear, held_on),
        lean_known="lean" in ridden.sources,
        stretches=len(slowings),
        zones=(
            *zones("dive", fork, -acceleration, slowing),
            *zones("squat", rear, acceleration, driving),
            *zone_left(slow_rear, braking, corner, lap, rate),
        ),
    )


def _stretches(mask: BoolArray, rate: float) -> list[slice]:
    """Runs of a mask of at least `SHORTEST_STRETCH_S`."""
    return _long_ones(*runs(mask), rate)


def _long_ones(starts: IntArray, stops: IntArray, rate: float) -> list[slice]:
    """Stretches of at least `SHORTEST_STRETCH_S`."""
    long = stops - starts >= max(SHORTEST_STRETCH_S * rate, 1)
    return [slice(a, b) for a, b in zip(starts[long].tolist(), stops[long].tolist(), strict=True)]


@dataclass(frozen=True)
class _Held:
    """Means over one length of time, and the stretches in which a push was held for so long."""

    width: int
    columns: list[FloatArray]  # push, drag, rate of the push
    instruments: list[FloatArray] | None
    stretches: list[slice]


def _held(
    push: FloatArray, speed: FloatArray, mask: BoolArray, rate: float, *, beside: bool = False
) -> list[_Held]:
    """Means of a push and of the drag at a speed over each length of `STEADY_S`; ``beside`` asks for instruments.

    Drive at one speed is small, and noise of the acceleration flattens the slope: its instruments are the acceleration
    just before and after, whose noise is another (W. A. Fuller, Measurement Error Models, Wiley 1987, sec. 1.4; from
    memory). Brakes come too quickly for that, and their acceleration is far above its noise.
    """
    found = []
    starts, stops = runs(mask)
    for length_s in STEADY_S:
        width = round(length_s * rate)
        mean, drag = (_running_mean(values, width) for values in (push, speed**2 / 1e3))
        instruments = None
        if beside:
            before, after = (_moved(mean, by) for by in (width, -width))
            instruments = [(before + after) / 2, drag, (after - before) * rate / (2 * width)]
        columns = [mean, drag, np.gradient(mean) * rate]
        half = width // 2  # held means pushed from half of the length before to half of it after
        stretches = _long_ones(starts + half, stops - half, rate)
        found.append(_Held(width, columns, instruments, stretches))
    return found


def _value_ci95(gain: Gain | None) -> tuple[float | None, tuple[float, float] | None]:
    return (None, None) if gain is None else (gain.value, gain.ci95)


def _steady_gain(values: FloatArray, held: Sequence[_Held]) -> Gain | None:
    """Slope of values over a push that is held, at one speed.

    At low frequencies an end follows as G (a - tau da/dt) whatever its damping: the rate of change of the acceleration
    takes out delay and overshoot, drag what goes with the square of the speed.
    """
    gains = [
        _gain(_running_mean(values, one.width), one.columns, one.stretches, one.instruments) for one in held
    ]
    middle = gains[1]
    if middle is None:
        return None
    others = [abs(gain.value - middle.value) for gain in gains if gain is not None]
    half = float(np.hypot((middle.ci95[1] - middle.ci95[0]) / 2, max(others)))
    return Gain(middle.value, (middle.value - half, middle.value + half))


def _moved(values: FloatArray, by: int) -> FloatArray:
    """Values of so many samples earlier, NaN beyond the ends."""
    found = np.roll(values, by)
    found[slice(None, by) if by > 0 else slice(by, None)] = np.nan
    return found


def _gain(
    values: FloatArray,
    columns: Sequence[FloatArray],
    stretches: list[slice],
    instruments: Sequence[FloatArray] | None = None,
) -> Gain | None:
    """Slope of values over the first column within stretches, the others taken out, with a jackknife over stretches.

    None with few stretches, or where the columns cannot be separated. ``instruments`` are of the columns.
    """
    if len(stretches) < FEWEST_STRETCHES:
        return None
    told_by = columns if instruments is None else instruments
    parts = _products([*columns, values], told_by, stretches)
    whole = parts.sum(axis=0)
    rest = whole - parts
    if np.linalg.cond(np.concatenate(([whole], rest))[:, :, :-1]).max() > MOST_CONDITION:
        return None
    slopes = np.linalg.solve(rest[:, :, :-1], rest[:, :, -1:])[:, 1, 0]
    value = float(np.linalg.solve(whole[:, :-1], whole[:, -1])[1])
    n = len(slopes)
    half = half_width(float(np.sqrt((n - 1) / n * np.sum((slopes - slopes.mean()) ** 2))), n)
    return Gain(value, (value - half, value + half))


def _products(
    columns: Sequence[FloatArray], told_by: Sequence[FloatArray], stretches: Sequence[slice]
) -> FloatArray:
    """Sums of products over each stretch, of a constant and either columns, without rows that are not wholly known.

    Shape (n_stretches, 1 + n_told_by, 1 + n_columns).
    """
    lengths = np.array([here.stop - here.start for here in stretches])
    rows, tellers = (
        np.stack(
            [np.ones(lengths.sum()), *(np.concatenate([one[here] for here in stretches]) for one in some)]
        )
        for some in (columns, told_by)
    )
    unknown = ~(np.isfinite(rows).all(axis=0) & np.isfinite(tellers).all(axis=0))
    rows[:, unknown] = tellers[:, unknown] = 0.0
    first = np.cumsum(lengths) - lengths
    return np.stack([np.add.reduceat(one * rows, first, axis=1).T for one in tellers], axis=1)


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred; NaN wherever it touches one, and at both ends."""
    width += 1 - width % 2
    found = np.full(len(values), np.nan)
    if len(values) >= width:
        np.divide(_running_sum(values, width), width, out=found[width // 2 : len(values) - width // 2])
    return found


def _running_sum(values: FloatArray, width: int) -> FloatArray:
    """Sum from each value on over so many, by sums over 1, 2, 4... of them."""
    n = len(values) - width + 1
    total, done, span, sums = np.zeros(n), 0, 1, values
    while True:
        if width & span:
            total += sums[done : done + n]
            done += span
        if done == width:
            return total
        sums = sums[:-span] + sums[span:]
        span *= 2


def _episodes(
    during: BoolArray, use: BoolArray, acceleration: FloatArray, values: FloatArray, rate: float
) -> Iterator[tuple[int, int, float]]:
    """Start, end, and change of the values from before to the second half."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], during & use, [False])).astype(np.int8)))
    before = round(BEFORE_S * rate)
    if before < 2:  # nothing is seen of what was before
        return
    for start, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        if end - start < SHORTEST_S * rate or start < before:
            continue
        held = slice((start + end) // 2, end)
        ahead = slice(start - before, start - before // 2)
        change = float(np.mean(values[held]) - np.mean(values[ahead]))
        push = float(np.mean(acceleration[held]) - np.mean(acceleration[ahead]))
        if np.isfinite(change) and abs(push) > 1.0:
            yield start, end, change


def _release(pitch: FloatArray, end: int, change: float, rate: float) -> tuple[float, float]:
    """Fastest return after an episode [deg/s], and how long until a tenth of the change is left [s]."""
    after = pitch[end : end + round(AFTER_S * rate)]
    if len(after) < 3 or not np.isfinite(after).all():
        return float("nan"), float("nan")
    towards = -np.sign(change)
    fastest = float(np.max(towards * np.diff(after)) * rate)
    left = after - after[-max(1, len(after) // 4) :].mean()
    gone = np.flatnonzero(np.abs(left) <= 0.1 * abs(change))
    return fastest, float(gone[0] / rate) if len(gone) else float("nan")


def _median(values: FloatArray) -> float | None:
    finite = values[np.isfinite(values)]
    return median(finite) if len(finite) >= FEWEST else None


LIGHT_WORK_HZ = 100.0
# Choices of ours; no source.
LIGHT_SHARE = 0.3  # of what a tyre carries standing with its rider
ALOFT_SHARE = 0.05
DRAG_KG_M = 0.2  # 1/2 rho C_d A of a rider tucked in, about 0.33 m2; only what drag takes of the braking
EXTENDED_MM = 0.5  # of shaft travel
LIGHT_SMOOTH_S = 0.1
LIGHT_SHORTEST_S, JOINED_S = 0.1, 0.3
LIGHT_BRAKING_M_S2, LIGHT_DRIVING_M_S2 = (
    -3.0,
    1.0,
)  # without masses: where a wheel that hangs in its stop is a light one


@dataclass(frozen=True)
class _Carried:
    """Shares of what each tyre carries standing: by its own end, and by the balance of moments."""

    by_end: Mapping[End, FloatArray]
    by_moments: Mapping[End, FloatArray]


def light_wheels(
    motion: Motion, track: Track, bike: Bike, ridden: Riding, moving: BoolArray
) -> tuple[LightWheel, ...]:
    """Every time a wheel carried little, or nothing, while riding.

    Parameters
    ----------
    bike : Bike
        Without masses or springs an end counts as light where it is fully extended under braking (rear) or drive
        (front), and how much it carries is not told.
    moving : ndarray of bool, shape (n_samples,)

    Returns
    -------
    tuple of LightWheel
        In order of time.
    """
    step = max(1, round(motion.sample_rate_hz / LIGHT_WORK_HZ))
    rate = motion.sample_rate_hz / step
    n = len(motion.t_s) // step
    t_s, riding = block_means(motion.t_s[:], step), all_of_blocks(moving, step)
    shaft = {end: block_means(own.shaft_travel_mm, step) for end, own in motion.ends.items()}
    speed = {end: block_means(own.shaft_speed_mm_s, step) for end, own in motion.ends.items()}
    acceleration = ridden.at(t_s, ridden.acceleration_m_s2)
    carried = _carried(bike, shaft, speed, ridden, t_s, rate)
    found: list[LightWheel] = []
    for end, travel in shaft.items():
        hangs = travel < EXTENDED_MM
        share = np.full(n, np.nan)
        if end in carried.by_end:
            share = np.where(
                hangs, np.clip(carried.by_moments[end], 0.0, carried.by_end[end]), carried.by_end[end]
            )
            light = share < LIGHT_SHARE
            hangs |= share < ALOFT_SHARE  # in its top-out spring
        else:
            light = hangs & (
                acceleration < LIGHT_BRAKING_M_S2 if end == "rear" else acceleration > LIGHT_DRIVING_M_S2
            )
        for start, stop in _joined(light & riding & np.isfinite(travel), rate):
            part = share[start:stop]
            least = float(np.nanmin(part)) if np.isfinite(part).any() else None
            place = place_at(track, int(start * step))
            found.append(
                LightWheel(
                    end=end,
                    start_s=float(t_s[start]),
                    end_s=float(t_s[stop - 1]) + 1 / rate,
                    lap=place.lap,
                    distance_m=place.distance_m,
                    corner=place.corner,
                    phase=place.phase,
                    hanging_s=float(np.count_nonzero((hangs & light)[start:stop]) / rate),
                    least_share=None if least is None else max(least, 0.0),
                    under=_under(acceleration[start:stop]),
                )
            )
    return tuple(sorted(found, key=lambda event: event.start_s))


def _under(acceleration_m_s2: FloatArray) -> str:
    """What the rider did meanwhile; "" where it is neither brake nor drive, or not known."""
    mean = float(np.mean(acceleration_m_s2))
    return "braking" if mean < LIGHT_BRAKING_M_S2 else "drive" if mean > LIGHT_DRIVING_M_S2 else ""


def _carried(
    bike: Bike,
    shaft_mm: Mapping[End, FloatArray],
    speed_mm_s: Mapping[End, FloatArray],
    ridden: Riding,
    t_s: FloatArray,
    rate: float,
) -> _Carried:
    """Ends whose springs or masses the bike file does not give are left out."""
    acceleration, speed, lean = (
        np.nan_to_num(ridden.at(t_s, values))
        for values in (ridden.acceleration_m_s2, ridden.speed_m_s, ridden.lean_deg)
    )
    chassis = bike.chassis
    unsprung = {"front": bike.front.unsprung_mass_kg, "rear": bike.rear.unsprung_mass_kg}
    by_end: dict[End, FloatArray] = {}
    by_moments: dict[End, FloatArray] = {}
    width = max(1, round(LIGHT_SMOOTH_S * rate))
    heavier = 1.0 / np.cos(np.radians(lean))
    for end in ENDS:
        section = bike.end(end)
        springs = section.spring_rate_n_per_mm is not None and section.preload_mm is not None
        own_kg = unsprung[end]
        if chassis is None or own_kg is None or not springs or end not in shaft_mm:
            continue
        mass_kg = chassis.sprung_mass_kg + sum(mass or 0.0 for mass in unsprung.values())
        standing_n = sprung_load_n(bike, end) + GRAVITY_M_S2 * own_kg
        force = np.interp(shaft_mm[end], *spring_table(bike, end))
        if section.damper is not None:
            force = force + damper_force_n(speed_mm_s[end], section.damper)
        force = force / leverage_curve(bike, end).ratio(shaft_mm[end]) + own_kg * GRAVITY_M_S2 * heavier
        if end == "front":
            force -= np.tan(np.radians(rake_deg(bike))) * mass_kg * np.maximum(-acceleration, 0.0)
        by_end[end] = np.convolve(force, np.full(width, 1 / width), mode="same") / standing_n
        ground_n = mass_kg * acceleration + DRAG_KG_M * speed**2
        transfer_n = ground_n * chassis.com_height_mm / wheelbase_mm(bike)
        by_moments[end] = heavier + (transfer_n if end == "rear" else -transfer_n) / standing_n
    return _Carried(by_end, by_moments)


def _joined(mask: BoolArray, rate: float) -> list[tuple[int, int]]:
    """Runs of a mask, joined over short breaks, long enough to be felt."""
    found: list[tuple[int, int]] = []
    for start, stop in zip(*runs(mask), strict=True):
        if found and start - found[-1][1] <= JOINED_S * rate:
            found[-1] = (found[-1][0], int(stop))
        else:
            found.append((int(start), int(stop)))
    return [(a, b) for a, b in found if b - a >= LIGHT_SHORTEST_S * rate]


# Choices of ours; no source. So many laps for an interval, and so long on each.
FEWEST_LAPS = 3
SHORTEST_ON_LAP_S = 0.3
LEFT_QUANTILE = 0.05
COASTING_M_S2 = 1.0


def zone_gains(
    kind: str,
    values: FloatArray,
    push_m_s2: FloatArray,
    speed_m_s: FloatArray,
    upright: BoolArray,
    pushed: BoolArray,
    corner: IntArray,
    lap: IntArray,
    rate_hz: float,
) -> tuple[ZoneAnswer, ...]:
    """Travel per m/s2 at each corner: the mean over laps, with its 95 % interval.

    Parameters
    ----------
    kind : str
        "dive" or "squat".
    values : ndarray, shape (n,)
        Travel. [mm]
    push_m_s2 : ndarray, shape (n,)
        What moves it: braking or drive, positive.
    upright, pushed : ndarray of bool, shape (n,)
        Samples without lean; those of the push.

    Notes
    -----
    travel = a + b v^2 + G push by least squares over upright samples without push or with it: the other push, braking
    for drive, moves an end by another G. a + b v^2 is the travel at that speed without push. What a lap has above it at
    a corner, over its mean push there, is that lap's value. The interval is of other laps; the error of a and b, the
    same at all corners, is not in it.
    """
    usable = upright & np.isfinite(values) & np.isfinite(push_m_s2) & np.isfinite(speed_m_s)
    fitted = usable & (pushed | (np.abs(push_m_s2) < COASTING_M_S2))
    drag = speed_m_s**2 / 1e3
    columns = np.column_stack([np.ones(np.count_nonzero(fitted)), drag[fitted], push_m_s2[fitted]])
    found = np.linalg.lstsq(columns, values[fitted], rcond=None)
    if found[2] < columns.shape[1]:
        return ()
    at_rest, per_speed, _ = found[0]
    above = values - at_rest - per_speed * drag
    by_corner: dict[int, list[float]] = {}
    for number, one in _on_laps(usable & pushed, corner, lap, rate_hz):
        by_corner.setdefault(number, []).append(float(above[one].mean() / push_m_s2[one].mean()))
    return _over_laps(kind, by_corner)


def zone_left(
    travel_mm: FloatArray, braking: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float
) -> tuple[ZoneAnswer, ...]:
    """Rear travel left to extend in each braking zone, exceeded 95 % of the time: the mean over laps. [mm]"""
    by_corner: dict[int, list[float]] = {}
    for number, one in _on_laps(braking & np.isfinite(travel_mm), corner, lap, rate_hz):
        by_corner.setdefault(number, []).append(quantile(travel_mm[one], LEFT_QUANTILE))
    return _over_laps("left", by_corner)


def _on_laps(mask: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float) -> list[tuple[int, IntArray]]:
    """Corner and samples of every lap that is long enough there."""
    rows = np.flatnonzero(mask & (corner > 0))
    rows = rows[np.lexsort((lap[rows], corner[rows]))]
    new = (np.diff(corner[rows]) != 0) | (np.diff(lap[rows]) != 0)
    pieces = np.split(rows, np.flatnonzero(new) + 1)
    long = [piece for piece in pieces if len(piece) >= max(SHORTEST_ON_LAP_S * rate_hz, 1)]
    return [(int(corner[piece[0]]), piece) for piece in long]


def _over_laps(kind: str, by_corner: Mapping[int, list[float]]) -> tuple[ZoneAnswer, ...]:
    found = []
    for number, values in sorted(by_corner.items()):
        n, mean = len(values), float(np.mean(values))
        if n >= FEWEST_LAPS:
            half = float(half_width(float(np.std(values, ddof=1)) / n**0.5, n))
            found.append(ZoneAnswer(kind, number, n, mean, (mean - half, mean + half)))
    return tuple(found)
