"""Expected effect of the steps that the findings of a review advise, on the laps of its log."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from telemetry.bike import Bike, value_at
from telemetry.errors import BothEndsError, PredictionError
from telemetry.findings import EXPECTED, HOW_MUCH, turn_words, without_amount
from telemetry.prediction.prediction import Laps, predict, prepare
from telemetry.prediction.results import Expected, TryRow
from telemetry.review import Measured
from telemetry.stand import Change
from telemetry.summary import Finding, Summary, Turn, sentence

# Of the damping, where the bike file has a curve and no clicks. A choice of ours: about what two clicks do.
DAMPING_STEP = 0.10
MOST_ROWS = 2  # that a finding says; the page of the debrief has them all
OIL_STEP_MM = 5.0  # of the height of the air above the oil; common practice, no source
# Numbers of a prediction that say what a step came to, by adjuster, most telling first; ``{end}`` is its own.
_TOLD = {
    "support late in the stroke": (
        "{end}.travel.left_mm",
        "{end}.stop_contacts",
        "{end}.travel.p95_mm",
        "{end}.travel.median_mm",
    ),
    "compression damping": (
        "{end}.travel.left_mm",
        "{end}.speed.compression.p95_mm_s",
        "balance.same_bump.compression_ratio",
        "balance.speed_ratio.compression",
    ),
    "rebound damping": (
        "balance.same_bump.rebound_ratio",
        "balance.speed_ratio.rebound",
        "{end}.speed.rebound.p95_mm_s",
        "{end}.travel.left_mm",
    ),
}


def expected_of(measured: Measured, bike: Bike, summary: Summary) -> Expected | None:
    """What the first step that a review advises is expected to do on its laps; None where it advises none.

    Parameters
    ----------
    measured : Measured
        From `telemetry.review.measure`.
    bike : Bike
        As it was logged.
    summary : Summary
        The review of the same log.
    """
    first = next((finding for finding in summary.findings if finding.turns), None)
    return None if first is None else _each(measured, bike, summary, (first,))[0]


def with_amounts(measured: Measured, bike: Bike, summary: Summary) -> tuple[Summary, Expected | None]:
    """A review whose findings say what their steps are expected to do on its laps, or why it is not predicted.

    Parameters
    ----------
    measured, bike, summary
        As of `expected_of`.

    Returns
    -------
    Summary
    Expected or None
        Of the first step that it advises.
    """
    each = _each(measured, bike, summary, summary.findings)
    findings = tuple(
        finding if expected is None else replace(finding, suggestion=_sized(finding.suggestion, expected))
        for finding, expected in zip(summary.findings, each, strict=True)
    )
    first = next((expected for expected in each if expected is not None), None)
    return replace(summary, findings=findings), first


def _each(
    measured: Measured, bike: Bike, summary: Summary, findings: Sequence[Finding]
) -> list[Expected | None]:
    """What the steps of each finding are expected to do, None where it advises none."""
    if not any(finding.turns for finding in findings):
        return [None] * len(findings)
    try:
        laps = prepare(measured, bike, summary.oscillation)
    except BothEndsError as error:
        return [Expected(reason=str(error)) if finding.turns else None for finding in findings]
    return [expected_effect(laps, finding.turns) if finding.turns else None for finding in findings]


def _sized(suggestion: str, expected: Expected) -> str:
    """A suggestion that ends in what its step is expected to do."""
    said = [without_amount(suggestion)]
    if expected.rows:
        rows = "; ".join(row.in_words() for row in expected.rows[:MOST_ROWS])
        said.append(f"{EXPECTED} of this step ({expected.words[0].lower()}{expected.words[1:]}): {rows}.")
    if expected.reason:
        said.append(f"{HOW_MUCH} is not predicted. {expected.reason}")
    return " ".join(said)


def expected_effect(laps: Laps, turns: Iterable[Turn]) -> Expected:
    """Effect, on the numbers that tell it, of the first of a finding's steps that can be predicted."""
    reasons = []
    for turn in turns:
        try:
            changes, words = changes_of(laps.file, turn)
            rows = predict(laps, changes).prediction.rows
        except BothEndsError as error:
            reasons.append(f"{sentence(turn_words(turn))}: {error}")
            continue
        by_key = {row.key: row for row in rows}
        keys = (key.format(end=turn.end) for key in _TOLD[turn.adjuster])
        told = tuple(by_key[key] for key in keys if key in by_key and _is_told(by_key[key]))
        if told:
            return Expected(words, told, " ".join(reasons))
        refused = next((row.reason for row in rows if row.reason), "nothing that would tell it moves.")
        reasons.append(f"{sentence(turn_words(turn))}: {refused}")
    return Expected(reason=" ".join(reasons))


def _is_told(row: TryRow) -> bool:
    nothing = row.after == 0.0 and row.before == 0.0
    return (row.after is not None and not nothing) or row.direction != ""


def changes_of(bike: Bike, turn: Turn) -> tuple[tuple[Change, ...], str]:
    """The step as changes of the bike file, and in words; `PredictionError` if the file lacks what is turned."""
    more = 1.0 if turn.direction == "more" else -1.0
    if turn.adjuster == "support late in the stroke":
        return _oil(bike, turn, more)
    way = turn.adjuster.split()[0]
    clicks = f"{turn.end}.{way}_clicks"
    if value_at(bike, clicks) is not None:
        return (Change(clicks, -more, True),), f"One click {'in' if more > 0 else 'out'}: {turn_words(turn)}"
    keys = [f"{turn.end}.damper.{way}.{part}" for part in ("low_n_s_per_mm", "high_n_s_per_mm")]
    if any(value_at(bike, key) is None for key in keys):
        raise PredictionError(
            f"the bike file has neither clicks nor a damper curve at the {turn.end}, so a step is not predicted."
        )
    scaled = tuple(Change(key, float(value_at(bike, key)) * (1 + more * DAMPING_STEP), False) for key in keys)
    return scaled, f"{100 * DAMPING_STEP:.0f} % {turn_words(turn)}"


def _oil(bike: Bike, turn: Turn, more: float) -> tuple[tuple[Change, ...], str]:
    """Less air above the oil of a fork is more support late in its stroke."""
    key = f"{turn.end}.spring.air.oil_level_mm"
    if value_at(bike, key) is None:
        what = "oil level" if turn.end == "front" else "bump rubber by its length"
        raise PredictionError(f"the bike file has no {what} at the {turn.end}, so a step is not predicted.")
    words = f"Oil {OIL_STEP_MM:g} mm {'higher' if more > 0 else 'lower'}: {turn_words(turn)}"
    return (Change(key, -more * OIL_STEP_MM, True),), words
