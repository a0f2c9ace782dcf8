"""Stored result of a prediction: schema ``bothends.try/1``."""

from dataclasses import dataclass

from pydantic import TypeAdapter

from telemetry.arrays import BoolArray
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.stand import Changed
from telemetry.summary import decimals_of, number, signed

SCHEMA = "bothends.try/1"


@dataclass(frozen=True)
class TryRow:
    """One number over the complete laps at pace, at the wheel; None where it is not predicted, and ``reason`` says why.

    90 % intervals of the change: ``low`` to ``high`` on the same ride, ``next_low`` to ``next_high`` of another outing
    of the same rider.
    """

    key: str
    name: str
    unit: str
    before: float | None
    after: float | None = None
    change: float | None = None
    low: float | None = None
    high: float | None = None
    next_low: float | None = None
    next_high: float | None = None
    lap_spread: float | None = None  # standard deviation from lap to lap, before the change
    within_laps: bool = False  # the change is smaller than that spread
    direction: str = ""  # "more" or "less" where only that is known
    reason: str = ""

    def in_words(self) -> str:
        """``front travel left from 4.1 to 5.2 mm (change −0.6 to +2.8 mm, 90 % interval)``."""
        if self.after is None:
            return f"{self.name} {self.direction}"
        digits = decimals_of(self.unit) if self.unit else 2
        low, high = (self.low, self.high) if self.next_low is None else (self.next_low, self.next_high)
        values = f"{self.name} from {number(self.before, digits)} to {number(self.after, digits, self.unit)}"
        return f"{values} (change {signed(low, digits)} to {signed(high, digits, self.unit)}, 90 % interval)"


@dataclass(frozen=True)
class Expected:
    """Expected effect of a step."""

    words: str = ""  # the step; "" where none is predicted
    rows: tuple[TryRow, ...] = ()  # the numbers that tell it, most telling first
    reason: str = ""  # why a step that stands earlier, or every step, is not predicted


@dataclass(frozen=True)
class PlaceChange:
    """One number of one lap, corner or phase, before and after."""

    kind: str
    name: str
    key: str
    before: float
    after: float
    change: float


@dataclass(frozen=True)
class TryWay:
    """One adjuster that brings a number where it is wanted, by itself."""

    key: str
    now: float  # [unit of the key]
    set_to: float | None  # nearest to the wish that can be set; None where it cannot, and ``reason`` says why
    steps: str  # in turns or clicks, where the bike file knows them
    gives: float | None = None  # the number then; low to high is its 90 % interval on the same ride
    low: float | None = None
    high: float | None = None
    also: tuple[tuple[str, float], ...] = ()  # what else moves most, with its change
    side: float | None = None  # how much all else moves, in changes worth telling; less is better
    reason: str = ""


@dataclass(frozen=True)
class Wish:
    """A number that is wanted, what it is now, and the ways to it, best first."""

    key: str
    name: str
    unit: str
    wanted: float
    now: float
    ways: tuple[TryWay, ...]


@dataclass(frozen=True)
class StepEffect:
    """Effect of one adjuster step on every number. ``step`` in the unit of the key, ``words`` as turns or clicks."""

    key: str
    step: float
    words: str
    changes: dict[str, float]


@dataclass(frozen=True)
class Prediction:
    """Effect of a change on the laps of a log, or on one corner of them. ``sentence`` describes the comparison."""

    source: str
    bike: str
    sentence: str
    changed: tuple[Changed, ...]
    rows: tuple[TryRow, ...]
    places: tuple[PlaceChange, ...]
    laps: tuple[int, ...]
    riding_s: float
    fork_check: str
    fork_ratio: float | None
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str
    wishes: tuple[Wish, ...] = ()
    steps: tuple[StepEffect, ...] = ()
    corner: int | None = None
    schema: str = SCHEMA

    def row(self, key: str) -> TryRow:
        """The row of a number."""
        return next(row for row in self.rows if row.key == key)


@dataclass(frozen=True)
class Tried:
    """A prediction with both rides, to draw."""

    prediction: Prediction
    before: Motion
    after: Motion
    track: Track
    selected: BoolArray


def prediction_to_json(prediction: Prediction) -> str:
    """Prediction as indented JSON text, schema ``bothends.try/1``; unknown values are null."""
    return TypeAdapter(Prediction).dump_json(prediction, indent=1).decode()
