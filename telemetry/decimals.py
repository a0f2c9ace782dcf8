"""Columns of numbers kept small: where a file wrote decimals, as whole numbers and a count of decimals.

value = number / 10**decimals is the very float that reading the text gave, since both are the double nearest to that
decimal; a column is kept so only where this was found to hold for every number. Sensors and places take two or four
bytes, not eight.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, Self, TypeVar, overload

import numpy as np
import numpy.typing as npt
from numpy.lib.mixins import NDArrayOperatorsMixin

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.numeric import BLOCK

_MOST_DECIMALS = 12
_LARGEST = 2**53  # beyond it a float no longer tells whole numbers apart
_KINDS = (np.int16, np.int32, np.int64)
# Of the 2 that a type has room for on both sides of a base: what is left keeps the base from being moved often.
SPARE_SPAN = 1.6

Rows = slice | IntArray | BoolArray


class Numbers(NDArrayOperatorsMixin, ABC):
    """Numbers of shape (n_rows,), NaN where missing, however they are kept: ``numbers[rows]`` gives some as float64.

    NumPy's functions and operators take them as an array of all of them.
    """

    @abstractmethod
    def __len__(self) -> int: ...

    @abstractmethod
    def __getitem__(self, rows: Rows) -> FloatArray: ...

    @abstractmethod
    def part(self, rows: slice) -> Self:
        """The same over some rows that follow each other; nothing is copied."""

    @property
    def values(self) -> FloatArray:
        """All numbers; not to be written to."""
        return self[:]

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """All numbers, for functions of NumPy."""
        return np.asarray(self[:], dtype=dtype)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **keywords: Any) -> Any:
        """Result of a function of NumPy on all numbers."""
        arrays = (one[:] if isinstance(one, Numbers) else one for one in inputs)
        return getattr(ufunc, method)(*arrays, **keywords)

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """The numbers block by block, with their rows."""
        for first in range(0, len(self), BLOCK):
            rows = slice(first, min(first + BLOCK, len(self)))
            yield rows, self[rows]

    @property
    def missing(self) -> bool:
        """Whether any number is missing."""
        return not all(np.isfinite(values).all() for _, values in self.blocks())

    @property
    def any_known(self) -> bool:
        """Whether there is any number."""
        return any(np.isfinite(values).any() for _, values in self.blocks())


@dataclass(frozen=True, eq=False)
class Lines(Numbers):
    """Straight lines between few numbers, drawn where they are asked for."""

    at: "FloatArray | IntArray | EvenTimes"  # place of each, rising; that of a row is row / rows_per_unit
    numbers: FloatArray | Numbers
    count: int  # rows
    blank: IntArray = field(
        default_factory=lambda: np.empty(0, np.int64)
    )  # rows at which blanks begin and end
    rows_per_unit: float = 1.0
    before: int = 0  # rows that were cut off before the first

    def __len__(self) -> int:
        return self.count

    def __getitem__(self, rows: Rows) -> FloatArray:
        which = np.arange(*rows.indices(self.count)) if isinstance(rows, slice) else np.asarray(rows)
        which = np.flatnonzero(which) if which.dtype == np.bool_ else which.astype(np.int64, copy=False)
        if not which.size:
            return np.empty(0)
        if which.min() < 0 or which.max() >= self.count:
            raise IndexError(f"rows are 0 to {self.count - 1}")
        which = which + self.before
        place: FloatArray = np.asarray(which, dtype=np.float64) / self.rows_per_unit
        first = max(int(np.searchsorted(self.at, place.min(), side="right")) - 1, 0)
        around = slice(first, int(np.searchsorted(self.at, place.max())) + 1)
        values = np.asarray(np.interp(place, self.at[around], self.numbers[around]))
        if not self.blank.size:
            return values
        return np.where(np.searchsorted(self.blank, which, side="right") % 2 == 1, np.nan, values)

    def part(self, rows: slice) -> Self:
        """The same over some rows that follow each other."""
        first, last, _ = rows.indices(self.count)
        return replace(self, count=max(last - first, 0), before=self.before + first)


@dataclass(frozen=True, eq=False)
class EvenTimes(Numbers):
    """Times of an even clock that starts at 0, worked out where they are asked for. [s]"""

    sample_rate_hz: float
    samples: range  # counted from the first of the clock

    def __len__(self) -> int:
        return len(self.samples)

    @overload
    def __getitem__(self, rows: int) -> float: ...
    @overload
    def __getitem__(self, rows: Rows) -> FloatArray: ...
    def __getitem__(self, rows: int | Rows) -> float | FloatArray:
        if isinstance(rows, slice):
            here = self.samples[rows]
            times = np.arange(here.start, here.stop, here.step, dtype=np.float64)
            times /= self.sample_rate_hz
            return times
        if isinstance(rows, (int, np.integer)):
            return float(self.samples[rows] / self.sample_rate_hz)
        which = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return np.asarray(which + float(self.samples.start)) / self.sample_rate_hz

    def part(self, rows: slice) -> Self:
        """The same over some rows that follow each other."""
        return replace(self, samples=self.samples[rows])

    def searchsorted(
        self,
        t_s: float | Sequence[float] | FloatArray,
        side: Literal["left", "right"] = "left",
        sorter: None = None,
    ) -> Any:
        """As `numpy.searchsorted`, which calls it, without the times being made."""
        wanted = np.asarray(t_s, dtype=np.float64)
        first, last = self.samples.start, self.samples.stop
        # one or two too early, as the product is rounded
        found = np.clip(np.ceil(wanted * self.sample_rate_hz) - 2, first, last).astype(np.int64)
        for _ in range(4):
            times = np.asarray(found, dtype=np.float64) / self.sample_rate_hz
            found = found + ((found < last) & ((times < wanted) if side == "left" else (times <= wanted)))
        return found - first


# Times of the samples of a run, from 0.
Times = FloatArray | EvenTimes


@dataclass(frozen=True, eq=False)
class Column(Numbers):
    """Numbers of a file, kept as float64 or as whole numbers.

    Of these value = (number + base) / 10**decimals * factor + offset. The least number of their type stands for a
    missing one.
    """

    kept: npt.NDArray[Any]
    decimals: int = 0
    base: int = 0
    factor: float = 1.0
    offset: float = 0.0

    def __len__(self) -> int:
        return len(self.kept)

    def __getitem__(self, rows: Rows) -> FloatArray:
        numbers = self.kept[rows]
        return numbers if self.is_float else self._of(numbers)

    def _of(self, numbers: npt.NDArray[Any]) -> FloatArray:
        values = np.empty(numbers.shape)
        for first in range(0, len(numbers), BLOCK):
            self._decode(numbers[first : first + BLOCK], values[first : first + BLOCK])
        return values

    def _decode(self, numbers: npt.NDArray[Any], values: FloatArray) -> None:
        if self.base:
            np.add(numbers, float(self.base), out=values)
            values /= 10.0**self.decimals
        else:
            np.divide(numbers, 10.0**self.decimals, out=values)
        if self.factor != 1.0:
            values *= self.factor
        if self.offset:
            values += self.offset
        if self.missing:
            values[numbers == self._blank] = np.nan

    @property
    def _blank(self) -> float:
        """What stands for a missing number."""
        return np.nan if self.is_float else np.iinfo(self.kept.dtype).min

    @property
    def is_float(self) -> bool:
        """Whether the floats themselves are kept."""
        return self.kept.dtype == np.float64

    def known(self, rows: Rows = slice(None)) -> BoolArray:
        """Where there is a number."""
        numbers = self.kept[rows]
        return np.isfinite(numbers) if self.is_float else np.asarray(numbers != self._blank)

    @cached_property
    def missing(self) -> bool:
        """Whether any number is missing."""
        if self.is_float:
            return super().missing
        return bool(len(self)) and bool(self.kept.min() == self._blank)

    @cached_property
    def limits(self) -> tuple[float, float] | None:
        """Least and greatest number, None where there is none."""
        if self.is_float or self.missing:
            blocks = [values for _, values in self.blocks() if np.isfinite(values).any()]
            ends = np.array([(np.fmin.reduce(values), np.fmax.reduce(values)) for values in blocks])
        else:
            ends = self._of(np.array([self.kept.min(), self.kept.max()]) if len(self) else self.kept)
        return (float(ends.min()), float(ends.max())) if ends.size else None

    def changes(self) -> BoolArray:
        """Where a number differs from the one before; true for the first."""
        changed = np.ones(len(self), dtype=np.bool_)
        np.not_equal(self.kept[1:], self.kept[:-1], out=changed[1:])
        return changed

    def part(self, rows: slice) -> Self:
        """The same over some rows that follow each other."""
        return self.some(rows)

    def some(self, rows: Rows) -> Self:
        """A column of some of the rows."""
        return replace(self, kept=self.kept[rows])

    def times(self, factor: float) -> "Column":
        """A column of the numbers times a factor, once."""
        if factor == 1.0:
            return self
        return Column(self.kept * factor) if self.is_float else replace(self, factor=factor)

    def less(self, amount: float) -> "Column":
        """A column of the numbers less an amount."""
        if amount == 0.0:
            return self
        return Column(self.kept - amount) if self.is_float else replace(self, offset=self.offset - amount)

    def blanked(self, rows: BoolArray) -> "Column":
        """A column in which some numbers are missing."""
        return replace(self, kept=np.where(rows, self._blank, self.kept).astype(self.kept.dtype))

    def with_blanks(self, before: IntArray) -> "Column":
        """A column with rows without a number put in, at places as of `numpy.insert`."""
        return replace(self, kept=np.insert(self.kept, before, self._blank))

    def whole_numbers(self) -> tuple[npt.NDArray[np.int64], int] | None:
        """Numbers (0 where missing) and count of decimals, value = number / 10**decimals; None if it is no decimals."""
        if self.is_float or self.factor != 1.0 or self.offset:
            return None
        numbers = self.kept.astype(np.int64) + self.base
        numbers[~self.known()] = 0
        return numbers, self.decimals


class Packer:
    """A column that grows block by block, in the smallest form that holds every number so far."""

    def __init__(self) -> None:
        self._column = Column(np.empty(0, np.int16))
        self._rows = 0
        self._least: int | None = None  # number of ``decimals`` so far, before ``base`` is taken off
        self._most: int | None = None

    def add(self, values: FloatArray, expected_rows: float = 0.0) -> None:
        """Add numbers of shape (n,); room is made for as many rows as are ``expected_rows`` in all."""
        end = self._rows + len(values)
        numbers = self._numbers(values)
        kept = self._column.kept
        if not len(kept):  # memory that is never written to costs nothing
            self._column = replace(self._column, kept=np.empty(max(end, int(expected_rows)), kept.dtype))
        elif end > len(kept):  # room for more, without copying what is there
            kept.resize(max(end, len(kept) * 3 // 2), refcheck=False)
        self._column.kept[self._rows : end] = numbers
        self._rows = end

    def column(self) -> Column:
        """What was added; nothing more can be."""
        self._column.kept.resize(self._rows, refcheck=False)
        return self._column

    def _numbers(self, values: FloatArray) -> npt.NDArray[Any]:
        """Numbers to keep for some values; the form is widened until they fit."""
        column = self._column
        if column.is_float:
            return values
        found = None
        for decimals in range(column.decimals, _MOST_DECIMALS + 1):
            if (found := _exactly(values, decimals)) is not None:
                break
        numbers, blank = found or (values[:0], None)
        known = numbers if blank is None else numbers[~blank]
        if found is None or (len(known) and not self._holds(known, decimals)):
            self._change(Column(np.empty(0)))
            return values
        if self._column.base:
            numbers -= self._column.base
        if blank is not None:
            numbers[blank] = np.iinfo(self._column.kept.dtype).min
        return numbers

    def _holds(self, numbers: FloatArray, decimals: int) -> bool:
        """Widen the form until it holds whole numbers; False where none does."""
        low, high = float(numbers.min()), float(numbers.max())
        if not max(-low, high) < _LARGEST:
            return False
        least, most, step = int(low), int(high), 10 ** (decimals - self._column.decimals)
        if self._least is not None and self._most is not None:
            least, most = min(least, self._least * step), max(most, self._most * step)
        if max(-least, most) >= _LARGEST:
            return False
        self._least, self._most = least, most
        kind, base = _form(least, most, self._column)
        form = Column(np.empty(0, kind), decimals, base)
        if (form.kept.dtype, base, decimals) != (
            self._column.kept.dtype,
            self._column.base,
            self._column.decimals,
        ):
            self._change(form)
        return True

    def _change(self, form: Column) -> None:
        """Keep what was added so far in another form."""
        before = self._column.some(slice(self._rows))
        kept = np.empty(len(self._column.kept), form.kept.dtype)
        for first in range(0, self._rows, BLOCK):
            rows = slice(first, min(first + BLOCK, self._rows))
            if form.is_float:
                kept[rows] = before[rows]
                continue
            numbers = before.kept[rows].astype(np.int64) + before.base
            numbers = numbers * 10 ** (form.decimals - before.decimals) - form.base
            numbers[~before.known(rows)] = np.iinfo(kept.dtype).min
            kept[rows] = numbers
        self._column = replace(form, kept=kept)


@np.errstate(over="ignore", invalid="ignore")
def _exactly(values: FloatArray, decimals: int) -> tuple[FloatArray, BoolArray | None] | None:
    """Whole numbers of which number / 10**decimals is the value, and where that is NaN, if anywhere; else None."""
    scale = 10.0**decimals
    numbers = values * scale
    np.rint(numbers, out=numbers)
    same = numbers / scale == values
    if same.all():
        return numbers, None
    blank = np.isnan(values)
    return (numbers, blank) if (same | blank).all() else None


def _form(least: int, most: int, now: Column) -> tuple[type[Any], int]:
    """Type and base that hold numbers from ``least`` to ``most``: those of ``now`` if they do."""
    for kind in _KINDS:
        room = int(np.iinfo(kind).max)  # its negative is held as well; one below stands for a missing number
        for base in (now.base, 0) if now.kept.dtype == kind else (0,):
            if base - room <= least and most <= base + room:
                return kind, base
        if most - least <= SPARE_SPAN * room:
            return kind, (least + most) // 2
    raise AssertionError("numbers below 2**53 fit 64 bits")


def packed(values: FloatArray) -> Column:
    """A column of numbers, as small as holds them exactly."""
    packer = Packer()
    for first in range(0, len(values), BLOCK):
        packer.add(values[first : first + BLOCK], len(values))
        if packer._column.is_float:
            return Column(values)
    return packer.column()


class Columns(MutableMapping[str, FloatArray]):
    """Columns by name: each is given as float64, made when it is asked for where it is kept smaller.

    What was made is read-only, since writing to it would change nothing here: put in another column.
    """

    def __init__(self, kept: Mapping[str, Numbers | FloatArray]) -> None:
        self._kept = {name: as_kept(numbers) for name, numbers in kept.items()}

    def __getitem__(self, name: str) -> FloatArray:
        kept = self._kept[name]
        values = kept.values
        if not (isinstance(kept, Column) and kept.is_float):
            values.flags.writeable = False
        return values

    def __setitem__(self, name: str, values: FloatArray) -> None:
        self._kept[name] = Column(values)

    def __delitem__(self, name: str) -> None:
        del self._kept[name]

    def __contains__(self, name: object) -> bool:
        return name in self._kept

    def __iter__(self) -> Iterator[str]:
        return iter(self._kept)

    def __len__(self) -> int:
        return len(self._kept)

    def kept(self, name: str) -> Numbers:
        """A column as it is kept."""
        return self._kept[name]


Kept = TypeVar("Kept", bound=Numbers)


def without(columns: Mapping[str, FloatArray], *names: str) -> Columns:
    """The columns, kept as they are, but some."""
    return Columns({name: kept_of(columns, name) for name in columns if name not in names})


def part_of(values: FloatArray | Kept, rows: slice) -> FloatArray | Kept:
    """Numbers of some rows that follow each other, kept as they are; nothing is copied."""
    return values.part(rows) if isinstance(values, Numbers) else values[rows]


def as_kept(values: Numbers | FloatArray) -> Numbers:
    """Numbers as they are kept."""
    return values if isinstance(values, Numbers) else Column(values)


def as_column(values: Numbers | FloatArray) -> Column:
    """Numbers as a column."""
    if isinstance(values, Column):
        return values
    return Column(values.values if isinstance(values, Numbers) else values)


def kept_of(columns: Mapping[str, FloatArray], name: str) -> Numbers:
    """A column as it is kept, of columns of any kind."""
    return columns.kept(name) if isinstance(columns, Columns) else Column(columns[name])
