"""What the columns of a log do, whatever they are called: the evidence for what they mean."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.logs.rawlog import RawLog

# Behaviour is judged on means over blocks of about this long, which is short against braking and long against bumps.
BLOCK_S = 0.25
# Without a clock, the log is cut into so many blocks.
BLOCKS_WITHOUT_CLOCK = 2000
FEWEST_BLOCKS = 40
# A beacon is open for more than this share of the time, and closes once a lap: no log holds more laps. Choices of ours.
MOSTLY_OPEN, MOST_LAPS = 0.9, 200


@dataclass(frozen=True)
class Behaviour:
    """What one column does.

    Parameters
    ----------
    rising : bool
        Never falls and ends higher than it starts.
    whole : bool
        Whole numbers only.
    steps, falls : int
        How often it goes up and down from one sample to the next.
    by_one : bool
        Every change is up by one.
    at_least_share, at_most_share : float
        How much of the time it is within 2 % of its range of its least and of its most.
    liveliness : float
        Spread within a block, as a share of the whole spread: suspension is lively, speed is not.
    means : ndarray of shape (n_blocks,)
        Means over blocks; NaN where a block is blank.
    """

    least: float
    most: float
    blank_share: float
    rising: bool
    whole: bool
    steps: int
    falls: int
    by_one: bool
    at_least_share: float
    at_most_share: float
    liveliness: float
    means: FloatArray

    @property
    def moves(self) -> bool:
        """Whether it takes more than one value."""
        return self.most > self.least

    @property
    def pulses(self) -> bool:
        """Whether it is a switch that closes a few times, briefly, as a beacon does."""
        open_or_closed = self.at_least_share + self.at_most_share
        return (
            self.moves
            and self.at_least_share > MOSTLY_OPEN
            and open_or_closed > 0.999
            and 0 < self.steps < MOST_LAPS
            and self.falls >= self.steps - 1
        )

    @property
    def counts(self) -> bool:
        """Whether it is a number that goes up now and then, as a lap number does; slips and resets are allowed."""
        return (
            self.whole and self.least >= 0 and 0 < self.steps < MOST_LAPS and 2 * self.falls < self.steps + 1
        )


def describe(log: RawLog, only: Collection[str] | None = None) -> Mapping[str, Behaviour]:
    """What every column does that holds numbers.

    Parameters
    ----------
    only : collection of str, optional
        The columns to look at.
    """
    edges = np.linspace(0, log.n_rows, _n_blocks(log) + 1).astype(np.int64)
    found = {}
    for name, values in log.columns.items():
        if only is not None and name not in only:
            continue
        filled = np.isfinite(values)
        if filled.any():
            found[name] = _describe(values, filled, edges)
    return found


def _n_blocks(log: RawLog) -> int:
    from telemetry.logs.units import find_unit, to_unit

    for name, values in log.columns.items():
        unit = find_unit(log.units.get(name, ""))
        if unit is not None and unit.quantity == "time":
            lasts_s = (
                float(np.ptp(to_unit(values[np.isfinite(values)], unit.symbol, "s"))) if len(values) else 0
            )
            if lasts_s > 0:
                return int(np.clip(lasts_s / BLOCK_S, 1, max(1, log.n_rows)))
    return min(BLOCKS_WITHOUT_CLOCK, max(1, log.n_rows // 4))


def _describe(values: FloatArray, filled: np.ndarray, edges: np.ndarray) -> Behaviour:
    full = bool(filled.all())
    known = values if full else values[filled]
    least, most = float(known.min()), float(known.max())
    counts = np.diff(edges) if full else np.add.reduceat(filled.astype(np.int32), edges[:-1])
    from_middle = values - known.mean()
    if not full:
        from_middle[~filled] = 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.add.reduceat(from_middle, edges[:-1]) / counts
        squares = np.add.reduceat(np.square(from_middle, out=from_middle), edges[:-1]) / counts
    several = counts > 1
    within = np.sqrt(np.mean(np.clip(squares - means**2, 0.0, None)[several])) if several.any() else 0.0
    spread = np.sqrt(np.nansum(squares * counts) / len(known))
    whole = bool((known[:1000] == np.rint(known[:1000])).all() and (known == np.rint(known)).all())
    steps = np.diff(known)
    changes = steps[steps != 0] if whole else steps[:0]
    margin = 0.02 * (most - least)
    return Behaviour(
        least=least,
        most=most,
        blank_share=1.0 - len(known) / len(values),
        rising=bool(known[-1] > known[0] and (steps >= 0).all()),
        whole=whole,
        steps=int(np.count_nonzero(steps > 0)),
        falls=int(np.count_nonzero(steps < 0)),
        by_one=bool(len(changes) > 0 and (changes == 1).all()),
        at_least_share=np.count_nonzero(known <= least + margin) / len(known),
        at_most_share=np.count_nonzero(known >= most - margin) / len(known),
        liveliness=float(within / spread) if spread > 0 else 0.0,
        means=means + known.mean(),
    )


def correlation(a: FloatArray, b: FloatArray) -> float:
    """Pearson's correlation over the blocks both have, 0 where it cannot be told.

    Parameters
    ----------
    a, b : ndarray of shape (n_blocks,)
    """
    both = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(both) < FEWEST_BLOCKS or np.ptp(a[both]) == 0 or np.ptp(b[both]) == 0:
        return 0.0
    return float(np.corrcoef(a[both], b[both])[0, 1])


def rate(means: FloatArray) -> FloatArray:
    """How a column rises from block to block, across blank blocks too; per block.

    Parameters
    ----------
    means : ndarray of shape (n_blocks,)

    Returns
    -------
    ndarray of shape (n_blocks,)
    """
    known = np.isfinite(means)
    if np.count_nonzero(known) < FEWEST_BLOCKS:
        return np.full(len(means), np.nan)
    at = np.arange(len(means))
    filled = np.interp(at, at[known], means[known])
    return np.gradient(np.convolve(np.pad(filled, 1, mode="edge"), np.ones(3) / 3, mode="valid"))
