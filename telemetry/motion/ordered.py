"""Values of one end in order, lap by lap: a run's numbers come from those of its laps without a second look."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from telemetry.arrays import BoolArray, FloatArray
from telemetry.numeric import BLOCK, quantiles_of


@dataclass(frozen=True)
class Moments:
    """How many values, their mean, and the sums of the squares and the cubes of what they are away from it."""

    n: int
    mean: float
    squares: float
    cubes: float


@dataclass(frozen=True)
class Ordered:
    """Values in one or more pieces, each of them rising and without NaN."""

    pieces: tuple[FloatArray, ...]
    of_pieces: tuple[Moments, ...]

    @classmethod
    def chosen(cls, values: FloatArray, use: BoolArray | None = None) -> "Ordered":
        """Chosen ones of some values, by default all of them, put in order.

        Parameters
        ----------
        values, use : ndarray of shape (n,)
        """
        ordered = np.sort(values if use is None or use.all() else values[use])
        return cls((ordered,), (_moments(ordered),))

    @classmethod
    def together(cls, parts: Iterable["Ordered"]) -> "Ordered":
        """All values of some parts."""
        parts = tuple(parts)
        return cls(
            tuple(piece for part in parts for piece in part.pieces),
            tuple(moments for part in parts for moments in part.of_pieces),
        )

    def __len__(self) -> int:
        """Number of values."""
        return sum(map(len, self.pieces))

    @cached_property
    def least(self) -> float:
        """The least value; there must be one."""
        return float(min(piece[0] for piece in self.pieces if len(piece)))

    @cached_property
    def most(self) -> float:
        """The largest value; there must be one."""
        return float(max(piece[-1] for piece in self.pieces if len(piece)))

    @cached_property
    def mean(self) -> float:
        """Mean; NaN without values."""
        n = len(self)
        return sum(one.n * one.mean for one in self.of_pieces if one.n) / n if n else float("nan")

    @cached_property
    def skew(self) -> float:
        """Third standardised moment (biased): 0 when symmetrical; NaN without spread."""
        n, second, third = len(self), 0.0, 0.0
        for one in self.of_pieces:
            away = one.mean - self.mean if one.n else 0.0
            second += one.squares + one.n * away**2
            third += one.cubes + 3 * away * one.squares + one.n * away**3
        return third / n / (second / n) ** 1.5 if second > 0 else float("nan")

    def below(self, limit: float) -> int:
        """How many values are below a limit."""
        return sum(int(piece.searchsorted(limit)) for piece in self.pieces)

    def up_to(self, limit: float) -> int:
        """How many values are not above a limit."""
        return sum(int(piece.searchsorted(limit, "right")) for piece in self.pieces)

    def shares(self, edges: FloatArray) -> tuple[float, ...]:
        """Share of the values in each bin (lower edge in, outer bins open); sums to 1, or 0 without values."""
        inner, n = edges[1:-1], len(self)
        below = np.zeros(len(inner), dtype=np.int64)
        for piece in self.pieces:
            below += piece.searchsorted(inner)
        return tuple((np.diff(below, prepend=0, append=n) / max(n, 1)).tolist())

    def quantiles(self, shares: ArrayLike) -> FloatArray:
        """Quantiles as of `numpy.quantile`; there must be a value."""
        return quantiles_of(self.pieces, shares)

    def above_zero(self) -> Sequence[FloatArray]:
        """The values above 0, piece by piece."""
        return [piece[piece.searchsorted(0.0, "right") :] for piece in self.pieces]

    def below_zero(self) -> Sequence[FloatArray]:
        """The values below 0, piece by piece."""
        return [piece[: piece.searchsorted(0.0)] for piece in self.pieces]


def _moments(values: FloatArray) -> Moments:
    if not len(values):
        return Moments(0, float("nan"), 0.0, 0.0)
    mean, second, third = float(values.mean()), 0.0, 0.0
    for first in range(0, len(values), BLOCK):
        away = values[first : first + BLOCK] - mean
        square = away * away
        second += float(square.sum())
        third += float(square @ away)
    return Moments(len(values), mean, second, third)
