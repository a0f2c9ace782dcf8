"""Which end is damped more for what it carries: damping ratios of both ends from the road they share."""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance.balance import DampingBalance, EndDamping, Ratio
from telemetry.balance.ground import BLOCK_S, DELAY_BAND_HZ, PARTS, Ground, damper_parts, equations
from telemetry.balance.loads import Riding, find_riding
from telemetry.balance.ratios import half_width
from telemetry.balance.road import WINDOW_S, road_model, windows
from telemetry.bike import GRAVITY_M_S2, Bike, leverage_curve, sprung_load_n, wheel_rate_n_per_mm
from telemetry.laps import Track
from telemetry.motion import Motion

FEWEST_WINDOWS = 2
# What an honest bike file leaves open, as a standard deviation of the logarithm of the ratio: measured on 70 simulated
# rides with tyre rates off by 7 %, unsprung masses by 5 %, sprung mass by 3 % and inertia by 8 % (standard deviations).
FILE_SD = 0.03
# Both ends are "even" when the ratio is within this of 1: half of a difference of 15 %. A choice of ours.
EVEN_LOG = 0.07
SEARCH_S = 0.012  # the residual delay is looked for this far on either side
DELAY_WINDOWS = 12  # enough to read a delay from
LEAST_EXPLAINED = 0.7
FEWEST_BLOCKS = 20  # about 1 s each
GROUPS = 24  # of blocks, each left out once for the interval
ROUNDS = 6  # of weighting
QUANTILES = np.linspace(0.05, 0.99, 48)


def damping_balance(
    motion: Motion,
    track: Track,
    bike: Bike,
    selected: BoolArray | None = None,
    ridden: Riding | None = None,
) -> DampingBalance:
    """Damping ratios of both ends and how they compare, from how both met the same road.

    The damping ratio of an end is c / (2 sqrt(k m)) at the wheel: c the damping that takes as much work out of the
    motion as the damper does, over the wheel speeds that both ends meet in that direction; k the spring's rate
    where the end mostly sits, m the sprung mass it carries. Equal ratios settle alike whatever each end weighs.

    Parameters
    ----------
    bike : Bike
        With [chassis], unsprung masses and tyre rates. Its dampers are not used.
    selected : ndarray of bool, shape (n_samples,), optional

    Returns
    -------
    DampingBalance
        With a reason and no numbers where it cannot be told.
    """
    model = road_model(bike)
    if isinstance(model, str):
        return untold(f"{model}, so damping cannot be told apart from weight and spring")
    for end in ENDS:
        if end not in motion.ends:
            return untold(f"no {end} travel was measured ([{end}.sensor] of the bike file names its column)")
    ridden = ridden or find_riding(track, motion.sample_rate_hz)
    found = windows(motion, track, model, ridden, selected)
    if len(found) < FEWEST_WINDOWS:
        return untold(
            f"only {len(found)} stretches of {WINDOW_S:.0f} s with both ends valid and the speed known, "
            f"{FEWEST_WINDOWS} needed"
        )
    grounds = [Ground(model, window) for window in found]
    few = grounds[:: max(1, len(found) // DELAY_WINDOWS)]
    wide = [ground.in_band(DELAY_BAND_HZ) for ground in few]
    extra_s = 0.0
    for last in (False, False, True):
        blocks = list(equations(grounds, extra_s))
        if len(blocks) < FEWEST_BLOCKS:
            return untold(
                f"only {len(blocks) * BLOCK_S:.0f} s in which both ends are clear of their stops and both tyres on the "
                f"road, {FEWEST_BLOCKS * BLOCK_S:.0f} s needed"
            )
        total, each, explained = _solve(blocks)
        if not last:
            for ground in (*grounds, *wide):
                ground.leave_out_lifted(total)
            extra_s = _residual_delay_s(wide, total)
    if explained < LEAST_EXPLAINED:
        return untold(_why_not(explained, ridden))
    return _compare(motion, bike, total, each, explained, extra_s, len(found))


def _why_not(explained: float, ridden: Riding) -> str:
    """Why dampers do not explain what both ends say of their road: what of the riding is not known comes first."""
    found = f"the dampers explain {100 * explained:.0f} % of how the two ends differ over the same road"
    missing = [name for name in ("acceleration", "lean") if name not in ridden.sources]
    if missing:
        return (
            f"{found}: the loads of the rider are not known without {' and '.join(missing)} (a lean channel or "
            "positions, and the speed, would give them)"
        )
    return (
        f"{found}, with the loads of braking, drive and lean taken out; a damper that changes on the way looks like "
        "this, and so do masses, springs or tyres of the bike file or a sensor's scale that are not what is on the bike"
    )


def untold(reason: str) -> DampingBalance:
    """A damping balance that cannot be told."""
    return DampingBalance(Ratio(None), Ratio(None), {}, None, None, 0, reason)


def _solve(blocks: list[FloatArray]) -> tuple[FloatArray, FloatArray, float]:
    """Unknowns, the same with each of `GROUPS` of blocks left out, and the share that the dampers explain.

    Each block counts by its own noise: what the bike file or the loads leave out is large in few places.
    The share is of what the loads alone leave unexplained.
    """
    matrices = np.array([block.T @ block for block in blocks])
    counts = np.array([len(block) for block in blocks], dtype=np.float64)
    weight, row = np.ones(len(blocks)), np.empty(0)
    for _ in range(ROUNDS):
        row = np.append(1.0, _least_squares(matrices, weight))
        mean_square = np.einsum("i,kij,j->k", row, matrices, row) / counts
        weight = 1.0 / (np.median(mean_square) + mean_square)
    group = np.arange(len(blocks)) * GROUPS // len(blocks)
    each = np.array([_least_squares(matrices, np.where(group == g, 0.0, weight)) for g in range(GROUPS)])
    whole = np.einsum("k,kij->ij", weight, matrices)
    loads_only = np.append(1.0, _least_squares(matrices, weight, slice(2 * PARTS, None)))
    left, square = float(row @ whole @ row), float(loads_only @ whole @ loads_only)
    return row[1:], each, 1.0 - left / square if square > 0 else 0.0


def _least_squares(matrices: FloatArray, weight: FloatArray, only: slice = slice(None)) -> FloatArray:
    """Unknowns of weighted blocks; those outside ``only`` are 0."""
    whole = np.einsum("k,kij->ij", weight, matrices)
    matrix, side = whole[1:, 1:][only, only], -whole[1:, 0][only]
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(matrix), 1e-30))
    unknowns = np.zeros(len(whole) - 1)
    unknowns[only] = scale * np.linalg.lstsq(matrix * np.outer(scale, scale), side * scale, rcond=1e-10)[0]
    return unknowns


def _residual_delay_s(grounds: list[Ground], unknowns: FloatArray) -> float:
    """By how much later than wheelbase / speed the rear meets the front's road: the peak of their correlation."""
    lags = np.linspace(-SEARCH_S, SEARCH_S, 13)
    likeness = np.zeros(len(lags))
    for ground in grounds:
        front = ground.under("front") @ np.append(1.0, unknowns)
        rear = ground.under("rear") @ np.append(1.0, unknowns)
        for i, lag in enumerate(lags):
            rows, later = ground.rear_later(rear, float(lag))
            likeness[i] += later @ front[rows]
    return vertex(lags, likeness)


def vertex(x: FloatArray, y: FloatArray) -> float:
    """Where the parabola through the highest point and its neighbours is highest.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
        ``x`` evenly apart.

    Returns
    -------
    float
        The highest point itself at either end.

    Examples
    --------
    >>> round(vertex(np.array([0.0, 1.0, 2.0, 3.0]), -(np.array([0.0, 1.0, 2.0, 3.0]) - 1.3) ** 2), 6)
    1.3
    """
    i = int(np.argmax(y))
    if i in (0, len(x) - 1):
        return float(x[i])
    below, here, above = y[i - 1 : i + 2]
    return float(x[i] + 0.5 * (x[1] - x[0]) * (below - above) / (below - 2 * here + above))


def _compare(
    motion: Motion,
    bike: Bike,
    total: FloatArray,
    each: FloatArray,
    explained: float,
    extra_s: float,
    n_windows: int,
) -> DampingBalance:
    speeds = _shared_speeds(motion)
    critical: dict[End, float] = {}
    parts: dict[End, list[FloatArray]] = {}  # force at the wheel by each unknown, for each direction
    for end in ENDS:
        own = motion.ends[end]
        shaft = float(np.nanmedian(own.shaft_travel_mm[:: max(1, round(motion.sample_rate_hz / 10.0))]))
        ratio = float(leverage_curve(bike, end).ratio(np.array([shaft]))[0])
        mass = sprung_load_n(bike, end) / GRAVITY_M_S2
        critical[end] = 2e-3 * float(np.sqrt(1e3 * wheel_rate_n_per_mm(bike, end, shaft) * mass))
        parts[end] = [np.column_stack(damper_parts(speed / ratio, ratio)) / ratio for speed in speeds]

    def damping(unknowns: FloatArray) -> FloatArray:
        """Damping ratios: front compression, front rebound, rear compression, rear rebound."""
        found = []
        for index, end in enumerate(ENDS):
            own = unknowns[PARTS * index : PARTS * (index + 1)].copy()
            own[-1] = 0.0  # without friction
            for speed, part in zip(speeds, parts[end], strict=True):
                found.append(float((part @ own) @ speed / (speed @ speed)) / critical[end])
        return np.array(found)

    whole = damping(total)
    left_out = np.array([damping(unknowns) for unknowns in each])
    if (whole <= 0).any() or (left_out <= 0).any():
        return untold("the two ends do not agree on a road that damped ends could have met")
    n = len(left_out)
    logs = np.log(left_out)
    spread = np.sqrt((n - 1) / n * np.sum((logs - logs.mean(axis=0)) ** 2, axis=0))
    ratios = []
    for side in (0, 1):
        log = float(np.log(whole[2 + side] / whole[side]))
        apart = logs[:, 2 + side] - logs[:, side]
        own_sd = float(np.sqrt((n - 1) / n * np.sum((apart - apart.mean()) ** 2)))
        half = float(np.hypot(half_width(own_sd, n), 1.96 * FILE_SD))
        ratios.append(Ratio(float(np.exp(log)), (float(np.exp(log - half)), float(np.exp(log + half)))))
    ends = {
        end: EndDamping(*(float(x) for x in (*whole[2 * i : 2 * i + 2], *spread[2 * i : 2 * i + 2])))
        for i, end in enumerate(ENDS)
    }
    return DampingBalance(ratios[0], ratios[1], ends, 1e3 * extra_s, explained, n_windows)


def _shared_speeds(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """Wheel speeds both ends meet, compression then rebound (negative), as quantiles of both together."""
    step = max(1, round(motion.sample_rate_hz / 50.0))
    both = np.concatenate([motion.ends[end].wheel_speed_mm_s[::step] for end in ENDS])
    both = both[np.isfinite(both) & (np.abs(both) > 5.0)]
    return np.quantile(both[both > 0], QUANTILES), -np.quantile(-both[both < 0], QUANTILES)


def verdict(ratio: Ratio) -> str:
    """A damping ratio, rear over front, in a word: even, rear more, rear less or cannot tell."""
    if ratio.value is None or ratio.ci95 is None:
        return "cannot tell"
    value, (low, high) = np.log(ratio.value), np.log(ratio.ci95)
    if abs(value) > EVEN_LOG and (low > 0 or high < 0):
        return "rear more" if value > 0 else "rear less"
    return "even" if abs(value) <= EVEN_LOG and high - low <= 4 * EVEN_LOG else "cannot tell"
