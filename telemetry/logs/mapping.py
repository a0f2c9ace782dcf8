"""Meanings of columns, proposed from names, units and behaviour, with reasons, for a person to confirm."""

import hashlib
import json
import os
import re
import sys
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.decimals import Column
from telemetry.logs.rawlog import RawLog, find_unit, to_unit
from telemetry.numeric import BLOCK

# Behaviour is judged on means over blocks of about this long, which is short against braking and long against bumps.
BLOCK_S = 0.25
# Without a clock, the log is cut into so many blocks.
BLOCKS_WITHOUT_CLOCK = 2000
FEWEST_BLOCKS = 40
# A beacon is open for more than this share of the time, and closes once a lap: no log holds more laps. Own choices.
MOSTLY_OPEN, MOST_LAPS = 0.9, 200

MEANINGS = (
    "time", "latitude", "longitude", "speed", "front", "rear", "throttle", "brake", "lean",
    "acceleration", "lap", "beacon",
)  # fmt: skip
# Words in a column's name, in the languages loggers are set to: own choices, no source.
_WORDS: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "t", "timestamp", "zeit", "temps", "tempo", "tiempo", "clock", "elapsed"),
    "latitude": ("latitude", "lat", "breite", "latitudine"),
    "longitude": ("longitude", "lon", "long", "lng", "laenge", "länge", "longitudine"),
    "speed": ("speed", "velocity", "vwheel", "v", "geschwindigkeit", "vitesse", "velocità", "velocita",
              "velocidad", "wheelspeed", "gpsspeed"),
    "front": ("fork", "front", "gabel", "fourche", "forcella", "horquilla", "vorn", "avant", "fr"),
    "rear": ("shock", "rear", "federbein", "amortisseur", "ammortizzatore", "amortiguador", "mono", "swingarm",
             "hinten", "arriere", "arrière", "rr"),
    "throttle": ("throttle", "tps", "gas", "gaz", "acceleratore", "acelerador", "aps"),
    "brake": ("brake", "bremse", "frein", "freno", "pbrake"),
    "lean": ("lean", "roll", "schräglage", "schraeglage", "inclinaison", "piega", "inclinacion", "bank"),
    "acceleration": ("acceleration", "accel", "acc", "longacc", "ax", "beschleunigung", "accelerazione", "aceleracion"),
    "lap": ("lap", "laps", "runde", "tour", "giro", "vuelta", "lapnumber"),
    "beacon": ("beacon", "marker", "trigger", "lapbeacon"),
}  # fmt: skip
# Words that say that a column is something else than suspension travel, whatever end it names.
_NOT_TRAVEL = frozenset(
    ("brake", "bremse", "frein", "freno", "speed", "wheel", "tyre", "tire", "temp", "temperature", "pressure")
)
_QUANTITIES: Mapping[str, frozenset[str]] = {
    "time": frozenset(["time"]),
    "latitude": frozenset(["angle"]),
    "longitude": frozenset(["angle"]),
    "speed": frozenset(["speed"]),
    "front": frozenset(["voltage", "counts", "length", "share"]),
    "rear": frozenset(["voltage", "counts", "length", "share"]),
    "throttle": frozenset(["share", "voltage", "counts", "angle"]),
    "brake": frozenset(["pressure", "share", "voltage", "counts"]),
    "lean": frozenset(["angle"]),
    "acceleration": frozenset(["acceleration"]),
    "lap": frozenset(["counts"]),
    "beacon": frozenset(["counts", "voltage"]),
}
# Weight of each kind of evidence, and what it takes: own choices.
NAME, PART_OF_NAME, UNIT, BEHAVIOUR = 0.5, 0.4, 0.1, 0.4
LEAST_CONFIDENCE = 0.3
LIKELY, SURE = 0.5, 0.8  # sure takes a name, a fitting unit or none, and a behaviour
CLOSE = 0.15
MOST_AT_REST = 0.3  # share of the time; a pedal or a switch rests at a limit, a suspension never for long
STRONG, WEAK = 0.5, 0.2  # correlation with slowing down

CONFIG_VARIABLE = "BOTHENDS_CONFIG"
FILE_NAME = "channels.json"


@dataclass(frozen=True)
class Behaviour:
    """Statistics of one column."""

    least: float
    most: float
    blank_share: float
    rising: bool  # never falls and ends higher than it starts
    whole: bool  # whole numbers only
    steps: int  # number of rising steps between samples
    falls: int  # number of falling steps
    by_one: bool  # every change is up by one
    at_least_share: float  # of the time within 2 % of its range of its least
    at_most_share: float  # likewise of its most
    liveliness: float  # spread within a block over the whole spread: suspension is lively, speed is not
    means: FloatArray  # over blocks, shape (n_blocks,); NaN where a block is blank

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
    """Statistics of every column that holds numbers, or of ``only`` some."""
    edges = np.linspace(0, log.n_rows, _n_blocks(log) + 1).astype(np.int64)
    behaviours = {}
    for name in log.columns if only is None else (name for name in log.columns if name in only):
        column = log.column(name)
        if column.limits is not None:
            behaviours[name] = _describe(column, column.limits, edges)
    return behaviours


def _n_blocks(log: RawLog) -> int:
    for name in log.columns:
        unit = find_unit(log.units.get(name, ""))
        if unit is not None and unit.quantity == "time":
            limits = log.column(name).limits
            lasts_s = 0.0 if limits is None else float(np.ptp(to_unit(np.array(limits), unit.symbol, "s")))
            if lasts_s > 0:
                return int(np.clip(lasts_s / BLOCK_S, 1, max(1, log.n_rows)))
    return min(BLOCKS_WITHOUT_CLOCK, max(1, log.n_rows // 4))


@dataclass
class _Counts:
    """What is counted in a column as it is looked through, piece by piece."""

    last: FloatArray = field(default_factory=lambda: np.empty(0))  # the number before, if any
    whole: bool = True
    rises: int = 0
    falls: int = 0
    by_one: int = 0
    at_least: int = 0
    at_most: int = 0

    def add(self, known: FloatArray, low: float, high: float) -> None:
        """Count some more numbers; up to ``low`` one is at the least, from ``high`` on at the most."""
        self.whole = self.whole and bool((known == np.rint(known)).all())
        steps = np.diff(known, prepend=self.last)
        self.rises += int(np.count_nonzero(steps > 0))
        self.falls += int(np.count_nonzero(steps < 0))
        self.by_one += int(np.count_nonzero(steps == 1))
        self.at_least += int(np.count_nonzero(known <= low))
        self.at_most += int(np.count_nonzero(known >= high))
        self.last = known[-1:] if len(known) else self.last


def _describe(column: Column, limits: tuple[float, float], edges: IntArray) -> Behaviour:
    least, most = limits
    margin = 0.02 * (most - least)
    first, found = column[np.flatnonzero(column.known())[:1]], _Counts()
    middle = float(
        np.mean([np.nanmean(values) for _, values in column.blocks() if np.isfinite(values).any()])
    )
    counts, sums, squares = (np.empty(len(edges) - 1) for _ in range(3))
    several = max(1, (len(edges) - 1) * BLOCK // max(1, len(column)))  # blocks of behaviour in a piece
    for start in range(0, len(edges) - 1, several):
        here = slice(start, min(start + several, len(edges) - 1))
        values = column[edges[here.start] : edges[here.stop]]
        at, filled = edges[here] - edges[here.start], np.isfinite(values)
        found.add(values if filled.all() else values[filled], least + margin, most - margin)
        away = np.where(filled, values - middle, 0.0)
        counts[here] = np.add.reduceat(filled.astype(np.float64), at)
        sums[here] = np.add.reduceat(away, at)
        squares[here] = np.add.reduceat(np.square(away, out=away), at)
    n_known = float(counts.sum())
    with np.errstate(invalid="ignore", divide="ignore"):
        means, squares = sums / counts, squares / counts
    full = counts > 1
    within = np.sqrt(np.mean(np.clip(squares - means**2, 0.0, None)[full])) if full.any() else 0.0
    centre = sums.sum() / n_known  # of all numbers, from the middle on
    spread = np.sqrt(max(0.0, np.nansum(squares * counts) / n_known - centre**2))
    changes = found.rises + found.falls
    return Behaviour(
        least=least,
        most=most,
        blank_share=1.0 - n_known / len(column),
        rising=bool(found.last[0] > first[0] and not found.falls),
        whole=found.whole,
        steps=found.rises,
        falls=found.falls,
        by_one=found.whole and 0 < changes == found.by_one,
        at_least_share=found.at_least / n_known,
        at_most_share=found.at_most / n_known,
        liveliness=float(within / spread) if spread > 0 else 0.0,
        means=means + middle,
    )


def correlation(a: FloatArray, b: FloatArray) -> float:
    """Pearson correlation over the blocks valid in both, 0 if it is undefined."""
    both = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(both) < FEWEST_BLOCKS or np.ptp(a[both]) == 0 or np.ptp(b[both]) == 0:
        return 0.0
    return float(np.corrcoef(a[both], b[both])[0, 1])


def rate(means: FloatArray) -> FloatArray:
    """Smoothed slope of block means, per block; blank blocks are interpolated."""
    valid = np.isfinite(means)
    if np.count_nonzero(valid) < FEWEST_BLOCKS:
        return np.full(len(means), np.nan)
    at = np.arange(len(means))
    filled = np.interp(at, at[valid], means[valid])
    return np.gradient(np.convolve(np.pad(filled, 1, mode="edge"), np.ones(3) / 3, mode="valid"))


@dataclass(frozen=True)
class Proposal:
    """The likely column of one meaning.

    Confidence is the strength of the evidence, 0 to 1, less if another column fits nearly as well; 1 only after
    confirmation. It is no probability.
    """

    meaning: str
    column: str
    confidence: float
    reasons: tuple[str, ...]

    @property
    def sure(self) -> bool:
        """True if the column may be used without confirmation."""
        return self.confidence >= SURE


@dataclass
class _Evidence:
    """Score and reasons for one column having one meaning."""

    score: float = 0.0
    reasons: list[str] = field(default_factory=list)

    def add(self, points: float, reason: str) -> None:
        self.score += points
        if points > 0:
            self.reasons.append(reason)


@dataclass(frozen=True)
class _Ride:
    """Evidence on the ride per block from the columns assigned so far: rate of travel over ground, and deceleration."""

    moved: FloatArray | None = None
    slowing: FloatArray | None = None


def propose(log: RawLog, known: Mapping[str, str] | None = None) -> tuple[Proposal, ...]:
    """Most likely column for each meaning that has evidence, in the order of `MEANINGS`.

    A fork goes in while speed falls, a shock when it rises; throttle and brake do the same but rest at a limit; speed
    is what the positions change at. A column gets one meaning. ``known`` are columns by meaning that need no proposal;
    they help to find the others.
    """
    known = known or {}
    if not set(log.columns) - set(known.values()):
        return ()
    helping = {known[meaning] for meaning in ("latitude", "longitude", "speed") if meaning in known}
    behaviours = describe(log, helping | (set(log.columns) - set(known.values())))
    ride, taken, found = _Ride(), set(known.values()), []
    # Earlier meanings are evidence for later ones: positions give speed, and speed gives braking for the fork.
    for meaning in MEANINGS:
        if meaning in known:
            found.append(Proposal(meaning, known[meaning], 1.0, ()))
            ride = _more_of_the_ride(ride, meaning, found, behaviours)
            continue
        scored = sorted(
            (
                (evidence.score, -place, name, evidence)
                for place, (name, behaviour) in enumerate(behaviours.items())
                if name not in taken
                for evidence in [_evidence(meaning, name, log.units.get(name, ""), behaviour, ride)]
            ),
            key=lambda row: row[:2],
            reverse=True,
        )
        if not scored or scored[0][0] < LEAST_CONFIDENCE:
            continue
        score, _, name, evidence = scored[0]
        reasons = list(evidence.reasons)
        if len(scored) > 1 and score - scored[1][0] < CLOSE and scored[1][0] >= LEAST_CONFIDENCE:
            reasons.append(f"but {scored[1][2]!r} is nearly as likely")
            score *= 0.6
        taken.add(name)
        found.append(Proposal(meaning, name, round(min(score, 0.95), 2), tuple(reasons)))
        ride = _more_of_the_ride(ride, meaning, found, behaviours)
    return tuple(p for p in _one_upside_down(log, found, behaviours, ride) if p.meaning not in known)


def compression_fits(log: RawLog, ends: Mapping[str, str], speed: str) -> dict[str, float]:
    """Correlation, -1 to 1, by end of its signal with what compresses that end: braking the fork, driving the shock.

    Below -`STRONG` the signal falls when the end compresses, above `STRONG` it rises; between, or NaN, the log cannot
    tell. ``ends`` are the columns of front and rear, as far as there are any, ``speed`` that of the ground speed.
    """
    behaviours = describe(log, {*ends.values(), speed})
    slowing = -rate(behaviours[speed].means)
    return {
        end: (1 if end == "front" else -1) * correlation(behaviours[column].means, slowing)
        for end, column in ends.items()
    }


def _one_upside_down(
    log: RawLog, found: list[Proposal], behaviours: Mapping[str, Behaviour], ride: _Ride
) -> list[Proposal]:
    """Guess front and rear by column order if two unnamed columns move alike: one sensor is upside down."""
    if ride.slowing is None:
        return found
    settled = [p for p in found if p.meaning not in ("front", "rear") or p.confidence >= LIKELY]
    taken = {proposal.column for proposal in settled}
    fits = {
        name: correlation(does.means, ride.slowing)
        for name, does in behaviours.items()
        if name not in taken
        and _evidence("rear", name, log.units.get(name, ""), does, ride).score > 0
        and not (does.at_least_share > MOST_AT_REST or does.at_most_share > MOST_AT_REST)
    }
    strong = [name for name, fit in fits.items() if abs(fit) > STRONG]
    if len(strong) != 2 or fits[strong[0]] * fits[strong[1]] < 0:
        return found
    if any(proposal.meaning in ("front", "rear") for proposal in settled):
        return found
    does = "rise" if fits[strong[0]] > 0 else "fall"
    reason = f"both {does} when speed falls: one of the two sensors is upside down; which is front is a guess by order"
    guesses = [
        Proposal(meaning, column, LEAST_CONFIDENCE, (reason,))
        for meaning, column in zip(("front", "rear"), strong, strict=True)
    ]
    return sorted([*settled, *guesses], key=lambda proposal: MEANINGS.index(proposal.meaning))


def _more_of_the_ride(
    ride: _Ride, meaning: str, found: list[Proposal], behaviours: Mapping[str, Behaviour]
) -> _Ride:
    columns = {proposal.meaning: proposal.column for proposal in found}
    if columns.get(meaning) not in behaviours:
        return ride  # known, and without a number
    if meaning == "longitude" and columns.get("latitude") in behaviours:
        north, east = behaviours[columns["latitude"]], behaviours[columns["longitude"]]
        narrower = np.cos(np.radians(north.least))
        return _Ride(np.hypot(rate(north.means), narrower * rate(east.means)), None)
    if meaning == "speed":
        return _Ride(ride.moved, -rate(behaviours[columns["speed"]].means))
    return ride


def _evidence(meaning: str, name: str, unit: str, behaviour: Behaviour, ride: _Ride) -> _Evidence:
    evidence = _Evidence()
    points, word = _name_points(meaning, name)
    evidence.add(points, f"named {word!r}")
    known = find_unit(unit) if unit else None
    if known is not None:
        fits = known.quantity in _QUANTITIES[meaning]
        evidence.add(UNIT if fits else -2.0, f"in {unit}")
    elif not unit:
        evidence.score += 0.05
    if not behaviour.moves and meaning not in ("lap", "beacon"):
        evidence.add(-0.3, "")
    else:
        _BEHAVIOURS[meaning](evidence, behaviour, ride)
    return evidence


def _name_points(meaning: str, name: str) -> tuple[float, str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)  # ``frontBrake`` is two words
    words = [word for word in re.split(r"[^a-zà-ÿ]+", spaced.lower()) if word]
    whole = "".join(words)
    if meaning in ("front", "rear") and _NOT_TRAVEL & set(words):
        return -0.5, ""
    for word in _WORDS[meaning]:
        if whole == word:
            return NAME, word
    for word in _WORDS[meaning]:
        if word in words or (len(word) > 3 and word in whole):
            return PART_OF_NAME, word
    return 0.0, ""


def _time(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.rising and does.steps > 10 and not does.by_one:
        evidence.add(BEHAVIOUR, "rises from row to row")
    elif does.rising and does.steps > 10:
        evidence.add(0.1, "rises from row to row")  # or it numbers the rows
    else:
        evidence.add(-0.3, "")


def _position(evidence: _Evidence, does: Behaviour, ride: _Ride, *, limit_deg: float) -> None:
    small = does.most - does.least < 1.0 and abs(does.least) > 1.0
    if max(abs(does.least), abs(does.most)) > limit_deg:
        evidence.add(-2.0, "")
    elif small and does.liveliness < 0.05 and not does.whole and not does.rising:
        evidence.add(0.75 * BEHAVIOUR, "stays within a degree and moves smoothly, as a place does")


def _speed(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.least < -1.0 or does.rising or does.liveliness > 0.15:
        evidence.add(-0.4, "")
        return
    if ride.moved is not None and (fit := correlation(does.means, ride.moved)) > 0.8:
        evidence.add(BEHAVIOUR, f"goes as the position moves (correlation {fit:.2f})")
    elif does.liveliness < 0.05 and not does.whole and does.at_least_share < 0.2 and does.least >= 0:
        evidence.add(0.75 * BEHAVIOUR, "never negative, changes smoothly, does not rest at a limit")


def _travel(evidence: _Evidence, does: Behaviour, ride: _Ride, *, sign: int, when: str) -> None:
    if does.rising or does.at_least_share > MOST_AT_REST or does.at_most_share > MOST_AT_REST:
        evidence.add(-0.3, "")
        return
    if ride.slowing is None:
        if does.liveliness > 0.1:
            evidence.add(0.25 * BEHAVIOUR, "lively, as a suspension is")
        return
    fit = sign * correlation(does.means, ride.slowing)
    if fit > WEAK:
        evidence.add(
            BEHAVIOUR if fit > STRONG else 0.5 * BEHAVIOUR, f"rises when {when} (correlation {fit:.2f})"
        )
    elif fit < -STRONG and does.liveliness > 0.02:
        evidence.add(0.05, f"falls when {when} (correlation {fit:.2f}): the other end, or upside down")


def _throttle(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.at_least_share < 0.02 or does.least < -10:
        evidence.add(-0.2, "")
    elif ride.slowing is not None and (fit := correlation(does.means, -ride.slowing)) > WEAK:
        evidence.add(BEHAVIOUR, f"rests closed and opens when speed rises (correlation {fit:.2f})")


def _brake(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.at_least_share < 0.3:
        evidence.add(-0.2, "")
    elif ride.slowing is not None and (fit := correlation(does.means, ride.slowing)) > WEAK:
        evidence.add(BEHAVIOUR, f"rests at its least and rises when speed falls (correlation {fit:.2f})")


def _lean(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.rising or max(abs(does.least), abs(does.most)) > 75:
        evidence.add(-0.4, "")
    elif does.least < -10 < 10 < does.most and does.liveliness < 0.15:
        evidence.add(0.75 * BEHAVIOUR, "goes to both sides of zero, smoothly")


def _acceleration(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if not does.least < 0 < does.most:
        evidence.add(-0.4, "")
    elif ride.slowing is not None and (fit := correlation(does.means, -ride.slowing)) > STRONG:
        evidence.add(BEHAVIOUR, f"goes as speed gains and falls (correlation {fit:.2f})")
    elif ride.slowing is not None:
        evidence.add(-0.2, "")  # along another axis


def _lap(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.whole and does.by_one and does.steps < MOST_LAPS:
        evidence.add(BEHAVIOUR, f"goes up by one, {does.steps} times")
    elif does.pulses or not (does.whole and does.least >= 0):
        evidence.add(-0.4, "")


def _beacon(evidence: _Evidence, does: Behaviour, ride: _Ride) -> None:
    if does.pulses:
        evidence.add(BEHAVIOUR, f"a switch that closes {does.steps} times, briefly")
    elif does.moves and not does.whole:
        evidence.add(-0.3, "")


_BEHAVIOURS: Mapping[str, Callable[[_Evidence, Behaviour, _Ride], None]] = {
    "time": _time,
    "latitude": partial(_position, limit_deg=90.0),
    "longitude": partial(_position, limit_deg=180.0),
    "speed": _speed,
    "front": partial(_travel, sign=1, when="speed falls"),
    "rear": partial(_travel, sign=-1, when="speed rises"),
    "throttle": _throttle,
    "brake": _brake,
    "lean": _lean,
    "acceleration": _acceleration,
    "lap": _lap,
    "beacon": _beacon,
}


def config_directory() -> Path:
    """Directory of the user's settings: ``$BOTHENDS_CONFIG``, else the system's (XDG Base Directory, 0.8)."""
    if override := os.environ.get(CONFIG_VARIABLE):
        return Path(override)
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "bothends"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "bothends"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "bothends"


def shape(log: RawLog) -> str:
    """Hash of the column names and units, equal for logs of the same logger and set-up."""
    columns = sorted((name, log.units.get(name, "")) for name in log.columns)
    return hashlib.sha256(json.dumps(columns).encode()).hexdigest()[:16]


def recall(log: RawLog) -> Mapping[str, str]:
    """The columns by meaning confirmed for a log of this shape, empty if none are or the file cannot be read."""
    known = _load(config_directory() / FILE_NAME).get(shape(log))
    if not isinstance(known, dict):
        return {}
    return {str(key): value for key, value in known.items() if value in log.columns}


def remember(log: RawLog, channels: Mapping[str, str]) -> Path | None:
    """Keep the columns by meaning for logs of this shape, beside those remembered; "" forgets one.

    Returns the file; None where it cannot be written. Nothing depends on it.
    """
    path = config_directory() / FILE_NAME
    known = _load(path)
    known[shape(log)] = {key: column for key, column in {**recall(log), **channels}.items() if column}
    return keep_setting(path, json.dumps(known, indent=1, ensure_ascii=False))


def keep_setting(path: Path, text: str) -> Path | None:
    """Write a file of the user's settings in one step; its path, None where it cannot be written."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        return None
    return path


def _load(path: Path) -> dict[str, object]:
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}
