"""Dive and squat per g of braking and drive, and where a wheel carries little or nothing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.balance import Gain, LightWheel, WeightTransfer, ZoneAnswer, half_width
from telemetry.balance.road import Riding, find_riding, spring_table
from telemetry.bike import (
    Bike,
    Damper,
    LeverageCurve,
    damper_force_n,
    leverage_curve,
    rake_deg,
    sprung_load_n,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps import Track, places_at
from telemetry.motion import Motion
from telemetry.numeric import BLOCK, all_of_blocks, block_means, median, quantile
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
    lifted, fork, rear = (
        block_means(values, step)
        for values in (motion.pitch_deg, front_end.shaft_travel_mm, rear_end.wheel_travel_mm)
    )
    np.negative(lifted, out=lifted)
    use = all_of_blocks(selected, step)
    t_s = np.asarray((np.arange(len(fork)) + 0.5 * (1 - 1 / step)) / rate, dtype=np.float64)
    acceleration, speed = (ridden.at(t_s, one) for one in (ridden.acceleration_m_s2, ridden.speed_m_s))
    # nowhere where the lean is not known
    upright = use & (np.abs(ridden.at(t_s, ridden.lean_deg)) < UPRIGHT_DEG)
    slowing, driving = upright & (acceleration < -UPRIGHT_M_S2), upright & (acceleration > UPRIGHT_M_S2)
    corner, lap = (numbers[step // 2 :: step][: len(fork)] for numbers in (track.corner, track.lap))
    brakings, rear_braking = _brakings(lifted, rear, acceleration, use, rate)
    zones = (
        *zone_gains("dive", fork, -acceleration, speed, upright, slowing, corner, lap, rate),
        *zone_gains("squat", rear, acceleration, speed, upright, driving, corner, lap, rate),
        *zone_left(rear_braking, np.isfinite(rear_braking), corner, lap, rate),
    )
    del t_s, rear_braking
    slowings, drives = (_long_pieces(*runs(mask), rate) for mask in (slowing, driving))
    dive, dive_ci95 = _value_ci95(_ridden_gain(lifted, acceleration, slowings))
    squat, squat_ci95 = _value_ci95(_ridden_gain(lifted, acceleration, drives))
    rear_squat, rear_squat_ci95 = _value_ci95(_ridden_gain(rear, acceleration, drives))
    steady = _steady_gains((lifted, fork, rear), acceleration, speed, (slowing, driving), rate)
    return WeightTransfer(
        brakings=brakings.count,
        drives=len(drives),
        dive_deg_per_m_s2=dive,
        dive_ci95=dive_ci95,
        return_deg_s=brakings.return_deg_s,
        settle_s=brakings.settle_s,
        rear_left_mm=brakings.rear_left_mm,
        squat_deg_per_m_s2=squat,
        rear_squat_mm_per_m_s2=rear_squat,
        squat_ci95=squat_ci95,
        rear_squat_ci95=rear_squat_ci95,
        steady_dive=steady[0],
        steady_fork_dive=steady[1],
        steady_squat=steady[2],
        steady_rear_squat=steady[3],
        lean_known="lean" in ridden.sources,
        stretches=len(slowings),
        zones=zones,
    )


@dataclass(frozen=True)
class _Pieces:
    """Stretches of samples, one behind another."""

    rows: IntArray  # their samples
    first: IntArray  # where in ``rows`` each begins

    def __len__(self) -> int:
        return len(self.first)

    def __iter__(self) -> Iterator[IntArray]:
        """Samples of each."""
        return iter(np.split(self.rows, self.first[1:]) if len(self) else ())

    def means(self, values: FloatArray) -> FloatArray:
        """Mean of values over each."""
        return np.asarray(np.add.reduceat(values[self.rows], self.first)) / np.diff(
            self.first, append=len(self.rows)
        )


def _pieces(starts: IntArray, stops: IntArray) -> _Pieces:
    """Stretches that each hold a sample or more."""
    lengths = stops - starts
    first = np.cumsum(lengths) - lengths
    return _Pieces(np.arange(lengths.sum()) + np.repeat(starts - first, lengths), first)


def _long_pieces(starts: IntArray, stops: IntArray, rate: float) -> _Pieces:
    """Stretches of at least `SHORTEST_STRETCH_S`."""
    long = stops - starts >= max(SHORTEST_STRETCH_S * rate, 1)
    return _pieces(starts[long], stops[long])


@dataclass(frozen=True)
class _Brakings:
    """Hard brakings: how many, how the pitch returned from them, and the rear meanwhile."""

    count: int
    return_deg_s: float | None
    settle_s: float | None
    rear_left_mm: float | None


def _brakings(
    lifted: FloatArray, rear_mm: FloatArray, acceleration: FloatArray, use: BoolArray, rate: float
) -> tuple[_Brakings, FloatArray]:
    """From the pitch, nose up; and the slow part of the rear's travel while braking, else NaN."""
    width = max(3, round(SMOOTH_S * rate))
    slow, held = (_running_mean(values, width) for values in (lifted, acceleration))
    ends, changes = _episodes(held < BRAKING_M_S2, use, held, slow, rate)
    fastest, settled = _releases(slow, ends, changes, rate)
    rear_mm = _running_mean(rear_mm, width)
    rear_mm[~(use & (held < BRAKING_M_S2))] = np.nan
    known = rear_mm[np.isfinite(rear_mm)]
    left_mm = quantile(known, 0.05) if len(known) else None
    return _Brakings(len(ends), _median(fastest), _median(settled), left_mm), rear_mm


@dataclass(frozen=True)
class _Held:
    """What tells a push that is held for some time, at stretches of it; arrays of shape (n_rows,)."""

    pieces: _Pieces
    columns: tuple[FloatArray, ...]  # push, drag, rate of the push
    instruments: tuple[FloatArray, ...] | None

    def gain(self, values: FloatArray) -> Gain | None:
        """Slope over the push of values of the run."""
        return _gain(values[self.pieces.rows], self.columns, self.pieces, self.instruments)


def _held(
    push: FloatArray, drag: FloatArray, mask: BoolArray, width: int, rate: float, *, beside: bool = False
) -> _Held:
    """A push that is held where a mask is, from means over ``width`` samples; ``beside`` asks for instruments.

    Drive at one speed is small, and noise of the acceleration flattens the slope: its instruments are the acceleration
    just before and after, whose noise is another (W. A. Fuller, Measurement Error Models, Wiley 1987, sec. 1.4; from
    memory). Brakes come too quickly for that, and their acceleration is far above its noise.
    """
    starts, stops = runs(mask)
    half = width // 2  # held means pushed from half of the length before to half of it after
    pieces = _long_pieces(starts + half, stops - half, rate)
    rows = pieces.rows
    here, same_drag = push[rows], drag[rows]

    def change(by: int) -> tuple[FloatArray, FloatArray]:
        before, after = _at(push, rows - by), _at(push, rows + by)
        return (before + after) / 2, (after - before) * rate / (2 * max(by, 1))

    instruments = None
    if beside:
        level, rises = change(width)
        instruments = (level, same_drag, rises)
    return _Held(pieces, (here, same_drag, change(1)[1]), instruments)


def _at(values: FloatArray, rows: IntArray) -> FloatArray:
    """Values at samples, NaN beyond the ends."""
    return np.where((rows >= 0) & (rows < len(values)), values.take(rows, mode="clip"), np.nan)


def _steady_gains(
    travels: tuple[FloatArray, FloatArray, FloatArray],
    acceleration: FloatArray,
    speed: FloatArray,
    masks: tuple[BoolArray, BoolArray],
    rate: float,
) -> tuple[Gain | None, ...]:
    """Dive, dive of the fork, squat and squat of the rear: slopes over a push that is held, at one speed.

    ``travels`` are the pitch, nose up, fork and rear; ``masks`` where the motorcycle slows and where it drives. At low
    frequencies an end follows as G (a - tau da/dt) whatever its damping: the rate of change of the acceleration takes
    out delay and overshoot, drag what goes with the square of the speed.
    """
    drag, gains = speed**2 / 1e3, []
    for length_s in STEADY_S:
        width = round(length_s * rate)
        push, slow_drag = (_running_mean(values, width) for values in (acceleration, drag))
        slowing = _held(push, slow_drag, masks[0], width, rate)
        driving = _held(push, slow_drag, masks[1], width, rate, beside=True)
        del push, slow_drag
        lifted = _running_mean(travels[0], width)
        of_pitch = slowing.gain(lifted), driving.gain(lifted)
        del lifted
        fork, rear = (
            slowing.gain(-_running_mean(travels[1], width)),
            driving.gain(_running_mean(travels[2], width)),
        )
        gains.append((of_pitch[0], fork, of_pitch[1], rear))
    return tuple(_over_lengths(*of_lengths) for of_lengths in zip(*gains, strict=True))


def _over_lengths(short: Gain | None, middle: Gain | None, long: Gain | None) -> Gain | None:
    """The middle one, its interval widened by how far the others are from it."""
    if middle is None:
        return None
    others = [abs(gain.value - middle.value) for gain in (short, middle, long) if gain is not None]
    half = float(np.hypot((middle.ci95[1] - middle.ci95[0]) / 2, max(others)))
    return Gain(middle.value, (middle.value - half, middle.value + half))


def _value_ci95(gain: Gain | None) -> tuple[float | None, tuple[float, float] | None]:
    return (None, None) if gain is None else (gain.value, gain.ci95)


def _ridden_gain(values: FloatArray, push: FloatArray, pieces: _Pieces) -> Gain | None:
    return _gain(values[pieces.rows], [push[pieces.rows]], pieces)


def _gain(
    values: FloatArray,
    columns: Sequence[FloatArray],
    pieces: _Pieces,
    instruments: Sequence[FloatArray] | None = None,
) -> Gain | None:
    """Slope of values over the first column, the others taken out, with a jackknife over pieces.

    All arrays hold the rows of the pieces. None with few pieces, or where the columns cannot be separated.
    ``instruments`` are of the columns.
    """
    if len(pieces) < FEWEST_STRETCHES:
        return None
    parts = _products([*columns, values], columns if instruments is None else instruments, pieces.first)
    whole = parts.sum(axis=0)
    rest = whole - parts
    if not _separable(np.concatenate(([whole], rest))[:, :, :-1]):
        return None
    slopes = np.linalg.solve(rest[:, :, :-1], rest[:, :, -1:])[:, 1, 0]
    value = float(np.linalg.solve(whole[:, :-1], whole[:, -1])[1])
    n = len(slopes)
    half = half_width(float(np.sqrt((n - 1) / n * np.sum((slopes - slopes.mean()) ** 2))), n)
    return Gain(value, (value - half, value + half))


def _separable(matrices: FloatArray) -> bool:
    """Whether the condition number of each is at most `MOST_CONDITION`."""
    # that of the Frobenius norm is never less, and quicker
    return any(np.linalg.cond(matrices, norm).max() <= MOST_CONDITION for norm in ("fro", 2))


def _products(columns: Sequence[FloatArray], told_by: Sequence[FloatArray], first: IntArray) -> FloatArray:
    """Sums of products over pieces that begin at ``first``, of a constant and either columns, where all are known.

    Shape (n_pieces, 1 + n_told_by, 1 + n_columns).
    """
    one = np.ones(len(columns[0]))
    rows = np.stack([one, *columns])
    known = np.isfinite(rows).all(axis=0) & np.isfinite(told_by).all(axis=0)
    rows[:, ~known] = 0.0
    return np.stack(
        [np.add.reduceat(np.where(known, teller, 0.0) * rows, first, axis=1).T for teller in (one, *told_by)],
        axis=1,
    )


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred; NaN wherever it touches one, and at both ends."""
    width += 1 - width % 2
    found = np.full(len(values), np.nan)
    inner = found[width // 2 : max(len(values) - width // 2, width // 2)]
    for first in range(0, len(inner), BLOCK):
        here = inner[first : first + BLOCK]
        np.divide(_running_sum(values[first : first + len(here) + width - 1], width), width, out=here)
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
) -> tuple[IntArray, FloatArray]:
    """End of each, and change of the values from before to the second half."""
    starts, ends = runs(during & use)
    before = round(BEFORE_S * rate)
    # with one sample nothing is seen of what was before
    here = (ends - starts >= SHORTEST_S * rate) & (starts >= before) & (before > 1)
    starts, ends = starts[here], ends[here]
    held, ahead = _pieces((starts + ends) // 2, ends), _pieces(starts - before, starts - before // 2)
    change, push = (held.means(one) - ahead.means(one) for one in (values, acceleration))
    told = np.isfinite(change) & (np.abs(push) > 1.0)
    return ends[told], change[told]


def _releases(
    pitch: FloatArray, ends: IntArray, changes: FloatArray, rate: float
) -> tuple[FloatArray, FloatArray]:
    """Fastest return after each episode [deg/s], and how long until a tenth of the change is left [s].

    NaN where not all of `AFTER_S` is known.
    """
    length = round(AFTER_S * rate)
    after = _at(pitch, ends[:, None] + np.arange(length))
    if length < 3:
        return np.full(len(ends), np.nan), np.full(len(ends), np.nan)
    known = np.isfinite(after).all(axis=1)
    fastest = np.max(-np.sign(changes)[:, None] * np.diff(after), axis=1) * rate
    settled = after[:, -max(1, length // 4) :].mean(axis=1, keepdims=True)
    gone = np.abs(after - settled) <= 0.1 * np.abs(changes)[:, None]
    return fastest, np.where(known & gone.any(axis=1), gone.argmax(axis=1) / rate, np.nan)


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
    riding = all_of_blocks(moving, step)
    tyres, width = _tyres(bike), max(1, round(LIGHT_SMOOTH_S * rate))
    blocks = [
        _light_between(motion, tyres, ridden, slice(first, min(first + BLOCK, len(riding))), step, width)
        for first in range(0, len(riding), BLOCK)
    ]
    found: list[LightWheel] = []
    for end in motion.ends if blocks else ():
        light, hanging, share = map(np.concatenate, zip(*(block[end] for block in blocks), strict=True))
        events = _joined(light & riding, rate)
        places = places_at(track, np.array([start * step for start, _ in events], dtype=np.int64))
        for (start, stop), place in zip(events, places, strict=True):
            t_s = block_means(motion.t_s[start * step : stop * step], step)
            part = share[start:stop]
            least = float(np.nanmin(part)) if np.isfinite(part).any() else None
            found.append(
                LightWheel(
                    end=end,
                    start_s=float(t_s[0]),
                    end_s=float(t_s[-1]) + 1 / rate,
                    lap=place.lap,
                    distance_m=place.distance_m,
                    corner=place.corner,
                    phase=place.phase,
                    hanging_s=float(np.count_nonzero(hanging[start:stop]) / rate),
                    least_share=None if least is None else max(least, 0.0),
                    under=_under(ridden.at(t_s, ridden.acceleration_m_s2)),
                )
            )
    return tuple(sorted(found, key=lambda event: event.start_s))


def _light_between(
    motion: Motion, tyres: Mapping[End, "_Tyre"], ridden: Riding, rows: slice, step: int, width: int
) -> dict[End, tuple[BoolArray, BoolArray, FloatArray]]:
    """Of each end: where it is light, where it hangs then, and the share of its static load that it carries.

    Of means over ``step`` samples. The share, whose forces are means over ``width`` of them, is NaN where masses or
    springs are not known.
    """
    wide = slice(max(rows.start - width, 0), min(rows.stop + width, len(motion.t_s) // step))
    samples = slice(wide.start * step, wide.stop * step)
    inner = slice(rows.start - wide.start, rows.stop - wide.start)
    t_s = block_means(motion.t_s[samples], step)
    acceleration, speed, lean = (
        ridden.at(t_s, values) for values in (ridden.acceleration_m_s2, ridden.speed_m_s, ridden.lean_deg)
    )
    load = _Load(
        np.nan_to_num(acceleration),
        DRAG_KG_M * np.nan_to_num(speed) ** 2,
        1.0 / np.cos(np.radians(np.nan_to_num(lean))),
    )
    acceleration = acceleration[inner]
    found: dict[End, tuple[BoolArray, BoolArray, FloatArray]] = {}
    for end, own in motion.ends.items():
        travel = block_means(own.shaft_travel_mm[samples], step)
        hangs = travel[inner] < EXTENDED_MM
        share = np.full(len(hangs), np.nan)
        if end in tyres:
            speed = block_means(own.shaft_speed_mm_s[samples], step)
            by_end, by_moments = (one[inner] for one in _shares(tyres[end], travel, speed, load, width))
            share = np.where(hangs, np.clip(by_moments, 0.0, by_end), by_end)
            light = share < LIGHT_SHARE
            hangs |= share < ALOFT_SHARE  # in its top-out spring
        else:
            light = hangs & (
                acceleration < LIGHT_BRAKING_M_S2 if end == "rear" else acceleration > LIGHT_DRIVING_M_S2
            )
        found[end] = light, hangs & light, share
    return found


def _under(acceleration_m_s2: FloatArray) -> str:
    """What the rider did meanwhile; "" where it is neither brake nor drive, or not known."""
    mean = float(np.mean(acceleration_m_s2))
    return "braking" if mean < LIGHT_BRAKING_M_S2 else "drive" if mean > LIGHT_DRIVING_M_S2 else ""


@dataclass(frozen=True)
class _Load:
    """What loads both tyres; arrays of shape (n,)."""

    acceleration_m_s2: FloatArray
    drag_n: FloatArray
    heavier: FloatArray  # times the weight upright, by the lean


@dataclass(frozen=True)
class _Tyre:
    """What the load of one tyre is told from."""

    standing_n: float  # with the rider
    own_kg: float  # of wheel and axle
    mass_kg: float  # of the motorcycle with its rider
    spring_n: tuple[FloatArray, FloatArray]
    damper: Damper | None
    curve: LeverageCurve
    along_leg: float  # of the brake's force, what pushes along the fork
    moved: float  # of the force at the ground, what it moves onto this tyre


def _tyres(bike: Bike) -> dict[End, _Tyre]:
    """Ends whose springs or masses the bike file does not give are left out."""
    chassis = bike.chassis
    own_kg = {"front": bike.front.unsprung_mass_kg, "rear": bike.rear.unsprung_mass_kg}
    found: dict[End, _Tyre] = {}
    for end in ENDS:
        section, own = bike.end(end), own_kg[end]
        springs = section.spring_rate_n_per_mm is not None and section.preload_mm is not None
        if chassis is None or own is None or not springs:
            continue
        moved = chassis.com_height_mm / wheelbase_mm(bike)
        found[end] = _Tyre(
            sprung_load_n(bike, end) + GRAVITY_M_S2 * own,
            own,
            chassis.sprung_mass_kg + sum(mass or 0.0 for mass in own_kg.values()),
            spring_table(bike, end),
            section.damper,
            leverage_curve(bike, end),
            float(np.tan(np.radians(rake_deg(bike)))) if end == "front" else 0.0,
            moved if end == "rear" else -moved,
        )
    return found


def _shares(
    tyre: _Tyre, shaft_mm: FloatArray, speed_mm_s: FloatArray, load: _Load, width: int
) -> tuple[FloatArray, FloatArray]:
    """Shares of what a tyre carries standing: by its own end, and by the balance of moments."""
    force = np.interp(shaft_mm, *tyre.spring_n)
    if tyre.damper is not None:
        force += damper_force_n(speed_mm_s, tyre.damper)
    force /= tyre.curve.ratio(shaft_mm)
    force += tyre.own_kg * GRAVITY_M_S2 * load.heavier
    force -= tyre.along_leg * tyre.mass_kg * np.maximum(-load.acceleration_m_s2, 0.0)
    by_end = np.convolve(force, np.full(width, 1 / width), mode="same") / tyre.standing_n
    ground_n = tyre.mass_kg * load.acceleration_m_s2 + load.drag_n
    return by_end, load.heavier + tyre.moved / tyre.standing_n * ground_n


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
    usable = np.flatnonzero(upright & (pushed | (np.abs(push_m_s2) < COASTING_M_S2)) & np.isfinite(values))
    values, push_m_s2, drag = values[usable], push_m_s2[usable], speed_m_s[usable] ** 2 / 1e3
    known = np.isfinite(push_m_s2) & np.isfinite(drag)
    columns = np.column_stack([np.ones(np.count_nonzero(known)), drag[known], push_m_s2[known]])
    found = np.linalg.lstsq(columns, values[known], rcond=None)
    if found[2] < columns.shape[1]:
        return ()
    at_rest, per_speed, _ = found[0]
    above = values - at_rest - per_speed * drag
    corners, pieces = _on_laps(known & pushed[usable], corner[usable], lap[usable], rate_hz)
    return _over_laps(kind, corners, pieces.means(above) / pieces.means(push_m_s2))


def zone_left(
    travel_mm: FloatArray, braking: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float
) -> tuple[ZoneAnswer, ...]:
    """Rear travel left to extend in each braking zone, exceeded 95 % of the time: the mean over laps. [mm]"""
    corners, pieces = _on_laps(braking & np.isfinite(travel_mm), corner, lap, rate_hz)
    lefts = [quantile(travel_mm[rows], LEFT_QUANTILE) for rows in pieces]
    return _over_laps("left", corners, np.array(lefts))


def _on_laps(mask: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float) -> tuple[IntArray, _Pieces]:
    """Samples at each corner of every lap that is long enough there, and which corner it is."""
    rows = np.flatnonzero(mask & (corner > 0))
    rows = rows[np.lexsort((lap[rows], corner[rows]))]
    new = (np.diff(corner[rows], prepend=0) != 0) | (np.diff(lap[rows], prepend=0) != 0)
    first = np.flatnonzero(new)
    lengths = np.diff(first, append=len(rows))
    long = lengths >= max(SHORTEST_ON_LAP_S * rate_hz, 1)
    lengths = lengths[long]
    pieces = _Pieces(rows[np.repeat(long, np.diff(first, append=len(rows)))], np.cumsum(lengths) - lengths)
    return corner[pieces.rows[pieces.first]], pieces


def _over_laps(kind: str, corner: IntArray, values: FloatArray) -> tuple[ZoneAnswer, ...]:
    """Answers at the corners that are met often enough."""
    found = []
    for number in np.unique(corner).tolist():
        here = values[corner == number]
        n, mean = len(here), float(np.mean(here))
        if n >= FEWEST_LAPS:
            half = float(half_width(float(np.std(here, ddof=1)) / n**0.5, n))
            found.append(ZoneAnswer(kind, number, n, mean, (mean - half, mean + half)))
    return tuple(found)
