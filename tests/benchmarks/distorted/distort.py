"""What goes wrong with logs on a weekend, done to a simulated log at random: several things at once, each noted.

Every kind is a function that changes a `Distorted` in place. What it spoils of an end is noted row by row, so that it
is known afterwards which end stayed untouched, and for how long on end.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

ENDS = {"front": "fork", "rear": "shock"}
LAST_RAIL_V, LOW_V = 4.98, 0.02


@dataclass
class Distorted:
    """A log on its way to a file.

    ``spoilt`` says row by row where an end no longer shows what it did, ``broken`` where time does not go on from the
    row before; ``true_s`` is when a row was really logged. ``given`` is what a person would say with ``--channels``.
    """

    columns: dict[str, np.ndarray]
    units: dict[str, str]
    lap_s: float
    spoilt: dict[str, np.ndarray]
    broken: np.ndarray
    true_s: np.ndarray
    given: dict[str, str] = field(default_factory=dict)
    kinds: list[str] = field(default_factory=list)
    delimiter: str = ","
    decimal: str = "."
    head: list[str] = field(default_factory=list)
    units_row: bool = True
    reversed_rows: bool = False

    @classmethod
    def of(cls, columns: dict[str, np.ndarray], units: dict[str, str], lap_s: float) -> "Distorted":
        """A log before anything goes wrong."""
        n = len(columns["time"])
        return cls(
            {name: np.array(values, dtype=float) for name, values in columns.items()},
            dict(units),
            lap_s,
            {end: np.zeros(n, dtype=bool) for end in ENDS},
            np.zeros(n, dtype=bool),
            np.array(columns["time"], dtype=float),
        )

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.true_s)

    def take(self, rows: np.ndarray) -> None:
        """Keep these rows, in this order."""
        self.columns = {name: values[rows] for name, values in self.columns.items()}
        self.spoilt = {end: values[rows] for end, values in self.spoilt.items()}
        self.broken, self.true_s = self.broken[rows], self.true_s[rows]

    def untouched_s(self) -> float:
        """The longest time on end that one and the same end stayed untouched. [s]"""
        order = np.argsort(self.true_s, kind="stable")
        t_s, longest = self.true_s[order], 0.0
        steps = np.diff(t_s, prepend=t_s[0])
        step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        for spoilt in self.spoilt.values():
            wrong = spoilt[order]
            # a pause, and a row at which the clock goes wrong, end a stretch as well
            stops = wrong | self.broken[order] | (steps > 20 * step)
            edges = np.concatenate(([0], np.flatnonzero(stops), [len(t_s)]))
            for first, end in zip(edges[:-1], edges[1:], strict=True):
                first += int(first < len(t_s) and bool(wrong[first]))
                if end > first:
                    longest = max(longest, float(t_s[end - 1] - t_s[first]))
        return longest

    def write(self, path: Path) -> None:
        """Write the log as delimited text."""
        decimals = {"s": 6, "V": 4, "deg": 7}
        table = {
            name: np.round(values, decimals.get(self.units.get(name, ""), 4)) + 0.0
            for name, values in self.columns.items()
        }
        body = pd.DataFrame(table).to_csv(
            sep=self.delimiter, decimal=self.decimal, header=False, index=False, lineterminator="\n"
        )
        lines = [*self.head, self.delimiter.join(table)]
        lines += [self.delimiter.join(self.units.get(name, "") for name in table)] if self.units_row else []
        path.write_text("\n".join(lines) + "\n" + body, encoding="utf-8")


Kind = Callable[[Distorted, random.Random], None]


def _end(dice: random.Random) -> str:
    return dice.choice(list(ENDS))


def _channel(log: Distorted, end: str) -> str:
    return log.given.get(end, ENDS[end])


def _rows(log: Distorted, dice: random.Random, least_s: float, most_s: float) -> slice:
    """A stretch of rows somewhere."""
    rate = log.n / max(float(np.ptp(log.true_s)), 1e-9)
    length = min(max(round(dice.uniform(least_s, most_s) * rate), 1), log.n)
    first = dice.randrange(max(log.n - length, 1))
    return slice(first, first + length)


def _put(log: Distorted, end: str, rows: slice | np.ndarray, values: np.ndarray | float) -> None:
    log.columns[_channel(log, end)][rows] = values
    log.spoilt[end][rows] = True


def _some_rows(log: Distorted, dice: random.Random, most: int) -> np.ndarray:
    return np.array(sorted(dice.sample(range(log.n), min(dice.randint(1, most), log.n))), dtype=int)


def open_wire(log: Distorted, dice: random.Random) -> None:
    """From a moment on, or now and then, an end reads the rail, nothing, blank or its last value."""
    end, how = _end(dice), dice.choice(("rail", "low", "blank", "frozen"))
    stretches = [slice(dice.randrange(log.n), log.n)]
    if dice.random() < 0.4:
        stretches = [_rows(log, dice, 0.02, 3.0) for _ in range(dice.randint(1, 6))]
    for rows in stretches:
        value = {
            "rail": LAST_RAIL_V,
            "low": LOW_V,
            "blank": np.nan,
            "frozen": log.columns[_channel(log, end)][rows.start],
        }
        noise = 0.003 * np.random.default_rng(dice.randrange(2**32)).standard_normal(rows.stop - rows.start)
        _put(log, end, rows, value[how] + (noise if how in ("rail", "low") else 0.0))


def spikes(log: Distorted, dice: random.Random) -> None:
    """Single samples, or a few, anywhere between the rails."""
    end = _end(dice)
    for row in _some_rows(log, dice, 40):
        _put(log, end, slice(row, row + dice.choice((1, 1, 1, 2, 3))), dice.uniform(0.0, 5.0))


def stuck_slider(log: Distorted, dice: random.Random) -> None:
    """An end stands still for some seconds."""
    end, rows = _end(dice), _rows(log, dice, 0.5, 10.0)
    _put(log, end, rows, log.columns[_channel(log, end)][rows.start])


def logger_pause(log: Distorted, dice: random.Random) -> None:
    """No rows for a while; time goes on."""
    rows = _rows(log, dice, 0.05, 8.0)
    log.broken[min(rows.stop, log.n - 1)] = True
    log.take(np.r_[0 : rows.start, rows.stop : log.n])


def lost_rows(log: Distorted, dice: random.Random) -> None:
    """Single rows are missing."""
    log.take(np.setdiff1d(np.arange(log.n), _some_rows(log, dice, 60)))


def swapped(log: Distorted, dice: random.Random) -> None:
    """Fork and shock are in each other's column."""
    front, rear = (_channel(log, end) for end in ENDS)
    log.columns[front], log.columns[rear] = log.columns[rear], log.columns[front]
    for spoilt in log.spoilt.values():
        spoilt[:] = True


def upside_down(log: Distorted, dice: random.Random) -> None:
    """Compression reads negative."""
    end = _end(dice)
    signal = log.columns[_channel(log, end)]
    _put(log, end, slice(None), dice.choice((2 * np.nanmin(signal), 5.0)) - signal)


def wrong_scale(log: Distorted, dice: random.Random) -> None:
    """An end's signal is too large or too small by a factor."""
    end = _end(dice)
    _put(
        log,
        end,
        slice(None),
        dice.choice((0.1, 0.5, 1.4, 2.0, 10.0, 1000.0)) * log.columns[_channel(log, end)],
    )


def zero_off(log: Distorted, dice: random.Random) -> None:
    """A mount that slipped: the signal is moved."""
    end = _end(dice)
    _put(
        log,
        end,
        slice(None),
        log.columns[_channel(log, end)] + dice.choice((-1, 1)) * dice.uniform(0.02, 0.5),
    )


def clipped(log: Distorted, dice: random.Random) -> None:
    """A converter that ends early: everything beyond a level reads that level."""
    end = _end(dice)
    signal = log.columns[_channel(log, end)]
    _put(log, end, slice(None), np.minimum(signal, np.nanquantile(signal, dice.uniform(0.5, 0.99))))


def constant(log: Distorted, dice: random.Random) -> None:
    """A channel that says one number only, travel or another."""
    name = dice.choice(list(log.columns))
    if name == "time":
        return
    value = dice.choice((0.0, 1.0, 2.5, 65535.0, -1.0))
    _spoil_column(log, name, slice(None), value)


def blank_column(log: Distorted, dice: random.Random) -> None:
    """A channel without a number."""
    name = dice.choice(list(log.columns))
    if name != "time":
        _spoil_column(log, name, slice(None), np.nan)


def odd_cells(log: Distorted, dice: random.Random) -> None:
    """Cells that are blank, no number, or beyond all reason, in any column."""
    for _ in range(dice.randint(1, 5)):
        name = dice.choice(list(log.columns))
        value = dice.choice((np.nan, np.inf, -np.inf, 1e300, -1e300, 1e18, -1e9, 65535.0, 0.0))
        rows = _some_rows(log, dice, 5)
        _spoil_column(log, name, rows, value)
        if name == "time":
            log.broken[rows] = True


def _spoil_column(log: Distorted, name: str, rows: slice | np.ndarray, value: float) -> None:
    log.columns[name][rows] = value
    for end in ENDS:
        if name == _channel(log, end):
            log.spoilt[end][rows] = True


def clock_jump(log: Distorted, dice: random.Random) -> None:
    """The clock is set, ahead or back, while the log goes on."""
    row = dice.randrange(1, log.n)
    log.columns["time"][row:] += dice.choice((-1, 1)) * dice.choice((0.3, 2.0, 40.0, 3600.0, 1e5, 1e9))
    log.broken[row] = True


def clock_starts_again(log: Distorted, dice: random.Random) -> None:
    """The logger was switched off and on: time begins at 0 again."""
    row = dice.randrange(1, log.n)
    log.columns["time"][row:] -= log.columns["time"][row]
    log.broken[row] = True


def few_digits(log: Distorted, dice: random.Random) -> None:
    """Time with too few digits."""
    log.columns["time"] = np.floor(log.columns["time"] * 100) / 100


def uneven_clock(log: Distorted, dice: random.Random) -> None:
    """Stamps that jitter."""
    step = float(np.nanmedian(np.diff(log.columns["time"])))
    rng = np.random.default_rng(dice.randrange(2**32))
    log.columns["time"] = log.columns["time"] + rng.uniform(-0.4, 0.4, log.n) * abs(step)


def milliseconds(log: Distorted, dice: random.Random) -> None:
    """Time in milliseconds: with the unit, without one, or called seconds."""
    log.columns["time"] = 1000.0 * log.columns["time"]
    log.units["time"] = dice.choice(("ms", "", "s"))


def clock_of_day(log: Distorted, dice: random.Random) -> None:
    """Seconds since 1970."""
    log.columns["time"] = log.columns["time"] + 1.78e9


def shuffled(log: Distorted, dice: random.Random) -> None:
    """Rows in no order; where their times had gone back, nobody can tell any more which came first."""
    if (np.diff(log.columns["time"]) < -1.0).any():
        for spoilt in log.spoilt.values():
            spoilt[:] = True
    log.take(np.random.default_rng(dice.randrange(2**32)).permutation(log.n))


def repeated_rows(log: Distorted, dice: random.Random) -> None:
    """Rows that were written twice."""
    again = dice.choice((np.arange(log.n), _some_rows(log, dice, 200)))
    log.take(np.sort(np.concatenate((np.arange(log.n), again)), kind="stable"))


def begun_late(log: Distorted, dice: random.Random) -> None:
    """The log begins in the middle of riding: sitting on its wheels, nothing known of full extension."""
    log.take(np.arange(dice.randrange(max(log.n // 2, 1)), log.n))


def ended_early(log: Distorted, dice: random.Random) -> None:
    """The log ends in the middle of riding."""
    log.take(np.arange(0, max(round(log.n * dice.uniform(0.3, 1.0)), 1)))


def missed_beacon(log: Distorted, dice: random.Random) -> None:
    """A beacon of which some pulses are missing; a lap counter that counts none."""
    if "beacon" in log.columns:
        pulse = np.flatnonzero(np.diff(log.columns["beacon"], prepend=0.0) > 0)
        for first in pulse:
            if dice.random() < 0.5:
                log.columns["beacon"][first : first + log.n // 20] = 0.0
    elif "lap" in log.columns:
        log.columns["lap"][:] = 0.0


def speed_in_another_unit(log: Distorted, dice: random.Random) -> None:
    """Speed by a factor off, by its unit or its tyre."""
    with np.errstate(invalid="ignore"):  # an infinite cell times 0
        log.columns["speed"] = dice.choice((1 / 3.6, 3.6, 0.62, 0.0, 0.9)) * log.columns["speed"]


def speed_unknown(log: Distorted, dice: random.Random) -> None:
    """Speed in a unit of something else."""
    log.units["speed"] = dice.choice(("bar", "deg", "blips", "m/s2"))


def gps_without_fix(log: Distorted, dice: random.Random) -> None:
    """Positions are 0, or stand still, for a while."""
    rows = _rows(log, dice, 2.0, 60.0)
    still = dice.random() < 0.5
    for name in ("latitude", "longitude"):
        if name in log.columns:
            log.columns[name][rows] = log.columns[name][rows.start] if still else 0.0


def decimal_comma(log: Distorted, dice: random.Random) -> None:
    """Written where the comma is the decimal mark."""
    log.delimiter, log.decimal = dice.choice((";", "\t")), ","


def no_units_row(log: Distorted, dice: random.Random) -> None:
    """No units are written."""
    log.units_row = False


def preamble(log: Distorted, dice: random.Random) -> None:
    """Lines before the header."""
    log.head = ["Rider: somebody", "# made up", "", "Outing: 3"][: dice.randint(1, 4)]


def renamed(log: Distorted, dice: random.Random) -> None:
    """Another logger's names; a person says which is which."""
    front, rear = (_channel(log, end) for end in ENDS)
    names = {front: "AIN 1", rear: "AIN 2"}
    log.columns = {names.get(name, name): values for name, values in log.columns.items()}
    log.units = {names.get(name, name): unit for name, unit in log.units.items()}
    log.given |= {"front": "AIN 1", "rear": "AIN 2"}


KINDS: tuple[Kind, ...] = (
    open_wire, open_wire, spikes, stuck_slider, logger_pause, lost_rows, swapped, upside_down, wrong_scale, zero_off,
    clipped, constant, blank_column, odd_cells, odd_cells, clock_jump, clock_starts_again, few_digits, uneven_clock,
    milliseconds, clock_of_day, shuffled, repeated_rows, begun_late, ended_early, missed_beacon, speed_in_another_unit,
    speed_unknown, gps_without_fix, decimal_comma, no_units_row, preamble, renamed,
)  # fmt: skip
# Rows in no order, and what moves time, must come in this order or the notes of what is untouched are wrong.
_LAST = (repeated_rows, shuffled)


def distorted(log: Distorted, dice: random.Random, most: int = 5) -> Distorted:
    """Do one to ``most`` kinds of distortion to a log; what was done to it is in ``kinds``, in order.

    Parameters
    ----------
    log : Distorted
    dice : random.Random
    most : int

    Returns
    -------
    Distorted
        The same log.
    """
    chosen = dice.sample(KINDS, dice.randint(1, most))
    for kind in sorted(dict.fromkeys(chosen), key=lambda kind: (kind in _LAST, kind is shuffled)):
        if log.n < 2:
            break
        kind(log, dice)
        log.kinds.append(kind.__name__)
    return log
