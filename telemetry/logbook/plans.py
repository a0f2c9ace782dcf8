"""Predictions made for stored runs, the plan chosen from them, and how a bike's predictions agreed with what followed.

Each is one file in ``predictions/``, replaced in one step: the prediction with all its numbers, the run it was made
for (whose id stands for log, bike file, sheet and columns together), and what became of it. When a later run of the
same motorcycle has exactly that change on its setup sheet or in its bike file, prediction and measurement stand side
by side.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, cast, get_args
from uuid import uuid4

import numpy as np
from pydantic import TypeAdapter, ValidationError

from telemetry.bike import plain_key
from telemetry.errors import BothEndsError, LogbookError
from telemetry.logbook.logbook import Logbook
from telemetry.logbook.run import RunEntry, replace_text
from telemetry.plaintext import plain
from telemetry.prediction import Prediction, TryRow
from telemetry.setup import compare, sheet_settings
from telemetry.summary import Summary

FOLDER = "predictions"
MOST_TURNS = 99
PlanState = Literal["tried", "plan", "kept", "taken back", "dropped"]
# The numbers of a prediction by the keys of a comparison, where they are called differently.
_COMPARED = {
    "balance.speed_ratio.compression": "balance.compression",
    "balance.speed_ratio.rebound": "balance.rebound",
    "balance.pitch.mean_deg": "pitch.mean_deg",
}
# From so many outings on a bike's own errors say more than the model's intervals. Own choice.
FEWEST_OUTINGS = 5
CONFIDENCE = 0.90  # of the intervals of a prediction


@dataclass(frozen=True)
class KeptPrediction:
    """A prediction with what it was made for.

    ``lap`` is one of both rides, to draw: ``distance_m``, and by end and ride such as ``front_before_mm``.
    """

    key: str
    run_id: str  # whose laps were ridden again
    log_sha256: str
    bike: str
    made_at: str
    changes: tuple[str, ...]  # as of `telemetry.stand.parse_change`
    prediction: Prediction
    lap: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    state: PlanState = "tried"
    why: str = ""  # the reason a person gave for a plan
    came_of_it: str = ""
    turn: int = 0  # in the plan for the day, 1 first; 0 where none was given


def keep_prediction(
    logbook: Logbook,
    run_id: str,
    changes: Sequence[str],
    prediction: Prediction,
    lap: Mapping[str, tuple[float, ...]] | None = None,
) -> KeptPrediction:
    """Keep a prediction for a stored run with its inputs; ``lap`` as of `KeptPrediction`. [m, mm]"""
    entry = logbook.entry(run_id)
    now = datetime.now(UTC).isoformat(timespec="microseconds")
    key, inputs = uuid4().hex, (run_id, entry.log_sha256, entry.bike, now)
    kept = KeptPrediction(key, *inputs, tuple(changes), prediction, lap or {})
    _write(logbook.path, kept)
    return kept


def predictions(logbook: Logbook) -> tuple[KeptPrediction, ...]:
    """All kept predictions, newest first; one that cannot be read is left out."""
    found = []
    for path in (logbook.path / FOLDER).glob("*.json"):
        try:
            found.append(TypeAdapter(KeptPrediction).validate_json(path.read_bytes()))
        except (OSError, ValidationError):
            continue
    return tuple(sorted(found, key=lambda kept: kept.made_at, reverse=True))


def plan_for_the_day(kept: Iterable[KeptPrediction]) -> tuple[KeptPrediction, ...]:
    """Plans in the order in which they are to be ridden: by their turn, those without one last, older ones first."""
    plans = [one for one in kept if one.state == "plan"]
    return tuple(sorted(plans, key=lambda one: (one.turn or MOST_TURNS + 1, one.made_at)))


def prediction_of(logbook: Logbook, key: str) -> KeptPrediction:
    """One kept prediction. Raises `LogbookError` if there is none."""
    try:
        if not re.fullmatch(r"[0-9a-f]{32}", key):
            raise FileNotFoundError
        return TypeAdapter(KeptPrediction).validate_json(_path(logbook.path, key).read_bytes())
    except (OSError, ValidationError):
        raise LogbookError("There is no such prediction.") from None


def set_state(
    logbook: Logbook, key: str, state: str, *, why: str = "", came_of_it: str = "", turn: str = ""
) -> KeptPrediction:
    """Make a prediction the plan, give it its turn, or say what became of it. Raises `LogbookError`."""
    kept = prediction_of(logbook, key)
    if state not in get_args(PlanState):
        raise LogbookError(f"A prediction is one of: {', '.join(get_args(PlanState))}.")
    if turn.strip() and not (turn.strip().isdecimal() and 1 <= int(turn) <= MOST_TURNS):
        raise LogbookError(f"Its turn in the day is a number from 1 to {MOST_TURNS}.")
    changed = replace(
        kept,
        turn=int(turn) if turn.strip() else kept.turn,
        state=cast(PlanState, state),
        why=plain(why.strip())[:500] or kept.why,
        came_of_it=plain(came_of_it.strip())[:500] or kept.came_of_it,
    )
    _write(logbook.path, changed)
    return changed


def _path(logbook_path: Path, key: str) -> Path:
    return logbook_path / FOLDER / f"{key}.json"


def _write(logbook_path: Path, kept: KeptPrediction) -> None:
    (logbook_path / FOLDER).mkdir(exist_ok=True)
    replace_text(
        _path(logbook_path, kept.key), TypeAdapter(KeptPrediction).dump_json(kept, indent=1).decode()
    )


@dataclass(frozen=True)
class Outcome:
    """One predicted number and what was measured after the change."""

    key: str
    name: str
    unit: str
    predicted: float  # change; its interval for the next outing is low to high
    low: float
    high: float
    measured: float  # difference of the two runs
    spread: tuple[float, float] | None  # 95 % interval of it, with what outings of this rider differ by

    @property
    def error(self) -> float:
        """Measured less predicted."""
        return self.measured - self.predicted

    @property
    def held(self) -> bool:
        """Whether the interval held what was measured."""
        return self.low <= self.measured <= self.high

    @property
    def sign_right(self) -> bool | None:
        """Whether it went the way that was said; None where the outings do not tell which way it went."""
        if self.spread is None or self.spread[0] <= 0.0 <= self.spread[1] or self.predicted == 0.0:
            return None
        return (self.predicted > 0.0) == (self.measured > 0.0)


@dataclass(frozen=True)
class CameOut:
    """A kept prediction and the later run that has its change."""

    kept: KeptPrediction
    after: RunEntry
    outcomes: tuple[Outcome, ...]

    @property
    def wrong(self) -> tuple[int, int]:
        """How many numbers went the other way, and how many lie outside their interval."""
        return (
            sum(one.sign_right is False for one in self.outcomes),
            sum(not one.held for one in self.outcomes),
        )


@dataclass(frozen=True)
class TrackRecord:
    """How the predictions for a motorcycle came out; those that were most wrong first."""

    bike: str
    came_out: tuple[CameOut, ...]

    @property
    def outcomes(self) -> tuple[Outcome, ...]:
        """All numbers of all of them."""
        return tuple(one for came in self.came_out for one in came.outcomes)

    @property
    def sign_right(self) -> tuple[int, int]:
        """How many went the way that was said, of how many whose way the outings tell."""
        told = [one.sign_right for one in self.outcomes if one.sign_right is not None]
        return sum(told), len(told)

    @property
    def held(self) -> tuple[int, int]:
        """How many intervals held, of how many."""
        return sum(one.held for one in self.outcomes), len(self.outcomes)


def track_record(logbook: Logbook, bike: str) -> TrackRecord:
    """Every kept prediction for a motorcycle whose change a later run has, beside what that run measured.

    Of several predictions of the same change for one run the last counts; of several later runs the first.
    """
    runs = [entry for entry in logbook.runs() if entry.bike == bike][::-1]  # oldest first
    found, seen = [], set[tuple[str, tuple[str, ...]]]()
    for kept in predictions(logbook):
        signature = (kept.log_sha256, kept.changes)
        place = next((k for k, entry in enumerate(runs) if entry.log_sha256 == kept.log_sha256), None)
        if kept.bike != bike or place is None or signature in seen or not kept.prediction.changed:
            continue
        seen.add(signature)
        try:
            after = next(
                (entry for entry in runs[place + 1 :] if _has_change(logbook, kept, runs[place], entry)), None
            )
            if after is not None:
                found.append(CameOut(kept, after, _outcomes(logbook, kept, runs[place], after)))
        except BothEndsError:  # a run that cannot be read: `logbook verify` names it
            continue
    return TrackRecord(bike, tuple(sorted(found, key=lambda came: came.wrong, reverse=True)))


def set_values(logbook: Logbook, run_id: str) -> dict[str, float]:
    """Numbers that are set on a motorcycle, by key: its bike file, and over it its setup sheet."""
    values = {plain_key(key): value for key, value in logbook.summary(run_id).bike_values.items()}
    sheet = logbook.sheet(run_id)
    written = sheet_settings(sheet) if sheet is not None else {}
    for end in ("front", "rear"):
        values |= {
            f"{end}.{name}": float(value)
            for name, value in written.get(end, {}).items()
            if isinstance(value, int | float)
            and "sag" not in name
            and "temperature" not in name
            and "tyre" not in name
        }
    return values


def _has_change(logbook: Logbook, kept: KeptPrediction, before: RunEntry, after: RunEntry) -> bool:
    """Whether a run differs from the one before by exactly what was predicted."""
    a, b = set_values(logbook, before.run_id), set_values(logbook, after.run_id)
    differing = {key for key in a.keys() & b.keys() if not np.isclose(a[key], b[key], atol=1e-6)}
    predicted = {change.key: change.after for change in kept.prediction.changed}
    derived = {key for key in differing if key not in predicted and _follows(key)}
    return differing - derived == predicted.keys() and all(
        isinstance(value, int | float) and np.isclose(b[key], value, atol=1e-6)
        for key, value in predicted.items()
    )


def _follows(key: str) -> bool:
    """Whether a value is no setting: computed from others, a sensor's scale, or where speeds are split."""
    derived = ("wheel_stroke_mm", "ratio_extended", "speed_split_mm_s")
    return ".sensor." in key or key.rpartition(".")[2] in derived


def _outcomes(
    logbook: Logbook, kept: KeptPrediction, before: RunEntry, after: RunEntry
) -> tuple[Outcome, ...]:
    summaries: tuple[Summary, Summary] = (logbook.summary(before.run_id), logbook.summary(after.run_id))
    result = compare(*summaries, logbook.sheet(before.run_id), logbook.sheet(after.run_id))
    measured = {row.key: row for row in result.metrics}
    return tuple(
        outcome
        for row in kept.prediction.rows
        if (found := measured.get(_COMPARED.get(row.key, row.key))) is not None
        and found.difference is not None
        and (outcome := _outcome(row, found.difference, found.ci95)) is not None
    )


def _outcome(row: TryRow, measured: float, spread: tuple[float, float] | None) -> Outcome | None:
    if row.change is None or row.next_low is None or row.next_high is None:
        return None
    return Outcome(row.key, row.name, row.unit, row.change, row.next_low, row.next_high, measured, spread)


def with_own_history(prediction: Prediction, record: TrackRecord) -> Prediction:
    """The intervals for the next outing from this motorcycle's own errors, where there are `FEWEST_OUTINGS` or more.

    Of n errors whose mean is taken to be 0, the next lies within t(0.95, n) times their root mean square in nine of
    ten cases (prediction interval of a normal variable with known mean, any textbook of statistics).
    """
    from scipy.special import stdtrit  # here, since nothing else of a logbook needs SciPy

    errors: dict[str, list[float]] = {}
    for one in record.outcomes:
        errors.setdefault(one.key, []).append(one.error)
    half = {
        key: float(stdtrit(len(of_key), 0.5 + CONFIDENCE / 2) * np.sqrt(np.mean(np.square(of_key))))
        for key, of_key in errors.items()
        if len(of_key) >= FEWEST_OUTINGS
    }
    if not half:
        return prediction
    rows = tuple(_own(row, half) for row in prediction.rows)
    outings = max(len(errors[key]) for key in half)
    words = (
        f"Intervals for the next outing of {len(half)} of the numbers are from what came of up to {outings} earlier "
        f"predictions for this motorcycle."
    )
    return replace(prediction, rows=rows, notes=(*prediction.notes, words))


def _own(row: TryRow, half: Mapping[str, float]) -> TryRow:
    if row.change is None or row.key not in half:
        return row
    return replace(row, next_low=row.change - half[row.key], next_high=row.change + half[row.key])
