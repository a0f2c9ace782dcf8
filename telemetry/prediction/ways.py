"""Steps of the adjusters: what one of each does, which reaches a wanted number, what those a finding advises do."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from telemetry.arrays import ENDS
from telemetry.bike import Bike, value_at
from telemetry.errors import BothEndsError, PredictionError
from telemetry.findings import EXPECTED, HOW_MUCH, turn_words, without_amount
from telemetry.prediction.prediction import Laps, predict, prepare, ridden_values
from telemetry.prediction.results import Expected, StepEffect, TryRow, TryWay, Wish
from telemetry.prediction.values import COUNT, MM, NAMES
from telemetry.review import Measured
from telemetry.stand import Change, least_change, limits_of, parse_change, steps_words
from telemetry.summary import Finding, Summary, Turn, in_sentence, sentence

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
    """Expected effect, on its laps, of the first step that a review advises; None where it advises none.

    The bike as it was logged, and the review of the same log.
    """
    first = next((finding for finding in summary.findings if finding.turns), None)
    return None if first is None else _each(measured, bike, summary, (first,))[0]


def with_amounts(measured: Measured, bike: Bike, summary: Summary) -> tuple[Summary, Expected | None]:
    """A review whose findings say what their steps are expected to do on its laps, or why it is not predicted.

    Beside it the effect of the first step that it advises, as of `expected_of`.
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
    parts = [without_amount(suggestion)]
    if expected.rows:
        rows = "; ".join(row.in_words() for row in expected.rows[:MOST_ROWS])
        parts.append(f"{EXPECTED} with {in_sentence(expected.words)}: {rows}.")
    if expected.reason:
        parts.append(f"{HOW_MUCH} is not predicted: {in_sentence(expected.reason)}")
    return " ".join(parts)


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
        told = tuple(by_key[key] for key in keys if key in by_key and _has_result(by_key[key]))
        if told:
            return Expected(words, told, " ".join(reasons))
        refused = next((row.reason for row in rows if row.reason), "nothing that would tell it moves.")
        reasons.append(f"{sentence(turn_words(turn))}: {refused}")
    return Expected(reason=" ".join(reasons))


def _has_result(row: TryRow) -> bool:
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


DRAWS = 8
MOST_RIDES = 6  # after both limits
SIDE_ROWS = 4  # of what else moves
# Scale of a relevant change, to weigh side effects of an adjuster: 1 mm of travel, 2 % of a speed or ratio.
WORTH_MM, WORTH_SHARE, WORTH_TIMES = 1.0, 0.02, 2.0
SPRING_STEP = 0.05  # of the rate: about one spring to the next. Common practice, no source.
ADJUSTERS = ("preload_mm", "spring_rate_n_per_mm", "rebound_clicks", "compression_clicks")
_PLAIN_STEP = {"preload_mm": 1.0, "oil_level_mm": 10.0, "shock_length_mm": 1.0}


def adjusters_of(laps: Laps, only: Sequence[str] = ()) -> tuple[str, ...]:
    """Adjusters with a predictable effect; `PredictionError` if one of ``only`` (by default all) is none of them."""
    found = []
    for end in laps.ends:
        for name in ADJUSTERS:
            dyno = value_at(laps.file, f"{end}.damper.dyno") is not None
            if value_at(laps.file, f"{end}.{name}") is not None and (dyno or not name.endswith("_clicks")):
                found.append(f"{end}.{name}")
        if value_at(laps.file, f"{end}.spring.air.oil_level_mm") is not None:
            found.append(f"{end}.spring.air.oil_level_mm")
    if "rear" in laps.ends and laps.file.rear.shock_length_mm is not None:
        found.append("rear.shock_length_mm")
    if wrong := [key for key in only if key not in found]:
        raise PredictionError(f"{wrong[0]}: is no adjuster of these laps; there are {', '.join(found)}.")
    return tuple(key for key in found if not only or key in only)


def parse_wish(text: str) -> tuple[str, float]:
    """Read ``rear.travel.left_mm=8``, or ``rear.travel_left_mm=8`` for short.

    `PredictionError` if there is no such number.
    """
    change = parse_change(text)
    short = {key.replace(".travel.", ".travel_"): key for key in NAMES}
    key = short.get(change.key, change.key)
    if key not in NAMES:
        raise PredictionError(f"{change.key}: is no number of a prediction; there are {', '.join(NAMES)}.")
    if isinstance(change.value, str):
        raise PredictionError(f"{text!r}: needs a number after the =.")
    return key, change.value


def reach(laps: Laps, key: str, wanted: float, only: Sequence[str] = ()) -> Wish:
    """The ways to a wanted number: each adjuster by itself, inside its limits, the best first. [unit of the key]

    ``key`` is one of `NAMES`; ``only`` are the adjusters that may be touched, by default those of the end whose
    number it is, or of both.
    `PredictionError` if the log does not give the number.
    """
    now = 1.0 if key.endswith("hop_damping_ratio") else laps.values.get(key)
    if now is None:
        raise PredictionError(f"{key}: this log does not give its value.")
    end = key.split(".")[0]
    ways = [
        _way(laps, adjuster, key, wanted, now)
        for adjuster in adjusters_of(laps, only)
        if only or end not in ENDS or adjuster.startswith(end)
    ]
    ways.sort(key=lambda way: (way.set_to is None, way.side if way.side is not None else 0.0))
    return Wish(key, *NAMES[key], wanted, now, tuple(ways))


def _way(laps: Laps, adjuster: str, key: str, wanted: float, now: float) -> TryWay:
    start = float(value_at(laps.file, adjuster))
    low, high = limits_of(laps.file, adjuster, start)
    if adjuster.endswith("_clicks"):
        low, high = _clicks_on_dyno(laps.file, adjuster, low, high)

    def miss(setting: float) -> float:
        return ridden_values(laps, [Change(adjuster, setting, False)])[key] - wanted

    least = least_change(laps.file, adjuster)
    try:
        if NAMES[key][1] == COUNT:
            found = _fewest(miss, (low, high), start, now - wanted, least)
        else:
            found = _crossing(miss, (low, high), start, now - wanted, 0.5 * least)
    except (BothEndsError, KeyError) as error:
        return TryWay(adjuster, start, None, "", reason=str(error))
    if isinstance(found, str):
        return TryWay(adjuster, start, None, "", reason=found)
    count = round((found - start) / least)
    if not low <= start + count * least <= high:
        count -= 1 if count > 0 else -1
    set_to = start + count * least
    row_of = predict(laps, [Change(adjuster, set_to, False)], draws=DRAWS).prediction.rows
    row = next(row for row in row_of if row.key == key)
    if row.change is None or row.low is None or row.high is None:
        return TryWay(adjuster, start, None, "", reason=row.reason)
    moved = {r.key: r.change for r in row_of if r.change is not None and r.key not in _same(key)}
    worth = {name: change / _worth(name, laps) for name, change in moved.items()}
    most = sorted(worth, key=lambda name: -abs(worth[name]))[:SIDE_ROWS]
    return TryWay(
        adjuster,
        start,
        set_to,
        steps_words(laps.file, adjuster, set_to - start),
        row.after,
        now + row.low,
        now + row.high,
        tuple((name, moved[name]) for name in most if abs(worth[name]) >= 0.5),
        sum(abs(value) for value in worth.values()) / max(1, len(worth)),
    )


def _clicks_on_dyno(bike: Bike, key: str, low: float, high: float) -> tuple[float, float]:
    """Limits of a clicker that the dyno table covers too."""
    end, name = key.split(".")
    sign = 1.0 if name.startswith("compression") else -1.0
    clicks = [row[0] for row in value_at(bike, f"{end}.damper.dyno") if row[1] * sign > 0]
    return max(low, min(clicks)), min(high, max(clicks))


def _crossing(
    miss: Callable[[float], float], limits: tuple[float, float], start: float, at_start: float, enough: float
) -> float | str:
    """Zero of a monotone function between its limits by regula falsi (Illinois), or a message if there is none."""
    if at_start == 0.0:
        return start
    ends = {limit: miss(limit) for limit in limits if abs(limit - start) > enough}
    across = [limit for limit, value in ends.items() if value * at_start <= 0.0]
    if not across:
        return "does not reach it within its limits"
    a, at_a, b = start, at_start, min(across, key=lambda limit: abs(limit - start))
    at_b = ends[b]
    for _ in range(MOST_RIDES):
        if abs(b - a) <= enough or at_b == at_a:
            break
        c = (a * at_b - b * at_a) / (at_b - at_a)
        at_c = miss(c)
        if at_c * at_b <= 0.0:
            a, at_a = b, at_b
        else:
            at_a *= 0.5
        near = abs(c - b) <= 0.5 * enough
        b, at_b = c, at_c
        if near:
            break
    return b


def _fewest(
    miss: Callable[[float], float], limits: tuple[float, float], start: float, at_start: float, least: float
) -> float | str:
    """Setting nearest to ``start`` with a count no larger than wanted, or why there is none.

    By bisection: a count goes in steps, so there is no crossing to be found between two settings.
    """
    if at_start <= 0.0:
        return start
    for limit in sorted(limits, key=lambda one: abs(one - start)):
        most = int(abs(limit - start) / least + 1e-9)
        way = least if limit > start else -least
        if most and miss(start + way * most) <= 0.0:
            low, high = 0, most
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (low, middle) if miss(start + way * middle) <= 0.0 else (middle, high)
            return start + way * high
    return "does not reach it within its limits"


def _same(key: str) -> tuple[str, ...]:
    """A number, and the one that says the same of it: what is left is the stroke less the deepest."""
    end = key.split(".")[0]
    pair = (f"{end}.travel.max_mm", f"{end}.travel.left_mm")
    return pair if key in pair else (key,)


def _worth(key: str, laps: Laps) -> float:
    """A change of a number that is worth telling."""
    unit = NAMES[key][1]
    if unit == MM:
        return WORTH_MM
    if unit == COUNT:
        return WORTH_TIMES
    if unit == "deg":
        return 0.1
    return WORTH_SHARE * abs(laps.values.get(key, 1.0)) or 1.0


def steps(laps: Laps, only: Sequence[str] = ()) -> tuple[StepEffect, ...]:
    """Effect of one step of every adjuster, or of ``only`` some, on every number.

    One step is a turn or a click where the bike file knows it, a spring one twentieth stiffer, 1 mm of a length.
    """
    effects = []
    for key in adjusters_of(laps, only):
        step = _step(laps.file, key)
        try:
            values = ridden_values(laps, [Change(key, step, True)])
        except BothEndsError:  # at its limit: the other direction
            step = -step
            values = ridden_values(laps, [Change(key, step, True)])
        before = {**{f"{end}.hop_damping_ratio": 1.0 for end in ENDS}, **laps.values}
        changes = {name: values[name] - before[name] for name in values if name in before}
        effects.append(StepEffect(key, step, steps_words(laps.file, key, step), changes))
    return tuple(effects)


def _step(bike: Bike, key: str) -> float:
    if key.endswith("spring_rate_n_per_mm"):
        return SPRING_STEP * float(value_at(bike, key))
    adjuster = bike.adjusters.get(key)
    by_tool = None if adjuster is None else adjuster.per_turn or adjuster.per_click
    return by_tool or _PLAIN_STEP.get(key.split(".")[-1], 1.0)
