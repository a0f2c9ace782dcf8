"""What a finding may advise: one table of rules, and which of two contradicting findings holds.

The rules are common practice in road racing, with no published source. A finding that asks for no change or check is
a fact: it stands in the sentences and tables of the review, not here.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from telemetry.arrays import OTHER_END, End
from telemetry.motion import EndSummary
from telemetry.summary import CHANGE_CAUTION, Adjuster, Direction, Finding, Turn, count_word, measured_time

# With less than this share of its stroke left an end gets no advice that uses more of its travel. A choice of ours.
LEAST_LEFT_PCT = 5.0

WAIT = (
    "Do not change the set-up before this is clear: with a damper in doubt the other numbers do not say what to "
    "change."
)
DAMAGE_CAUTION = (
    "Repeated hard bottoming can damage fork, shock and frame mounts: have them inspected by a qualified "
    "technician."
)


@dataclass(frozen=True)
class Step:
    """One change that a rule may advise: at the end it names or at the other one, under a condition ("" for none)."""

    whose: Literal["end", "other"]
    adjuster: Adjuster
    direction: Direction
    condition: str = ""


@dataclass(frozen=True)
class Rule:
    """One row of the table; ``{end}``, ``{other}``, ``{late}`` (supports the end late in its stroke) are filled in.

    ``pattern`` is what is seen; ``first`` what to check before any change, and with ``waits`` all set-up waits for it.
    One of ``steps`` is tried, in order; ``expect`` and ``recheck`` follow it, ``reason`` says why it answers the
    pattern.
    """

    key: str
    pattern: str
    first: str
    reason: str
    steps: tuple[Step, ...] = ()
    expect: str = ""
    recheck: str = ""
    waits: bool = False


# The most dangerous and most certain first: where two ask for opposite things, the earlier one is followed.
RULES: tuple[Rule, ...] = (
    Rule(
        "damping lost at places",
        "the rear oscillates with almost no damping, repeatedly or for long",
        "Compare with a lap from the start of the outing. Check the shock for leaks, heat and play, and rule out tyre, "
        "wheel bearing and sensor mount.",
        "without oil in its valves the damper does not resist, and this is part of every other number of the outing",
        waits=True,
    ),
    Rule(
        "damping lost all through",
        "the rear has almost no damping from the start",
        "Check the shock for leaks, heat and play, and rule out tyre, wheel bearing and sensor mount.",
        "as above",
        waits=True,
    ),
    Rule(
        "damping falls",
        "the damping of an end falls over the laps",
        "Look for leaks, let it cool and compare the first lap of the next outing; check tyre pressures, and compare "
        "with an outing on a fresh damper.",
        "hot, foaming or leaking oil damps less and less",
        waits=True,
    ),
    Rule(
        "damping in doubt",
        "the rear oscillated in ways that other things cause as well",
        "Look at the same places in the other laps and in the next outing, for kerbs and for the sensor's mount; check "
        "the shock for leaks, heat and play.",
        "a kerb, a loose sensor or a wheel out of balance can look the same for a short while",
        waits=True,
    ),
    Rule(
        "damping low",
        "an end is weakly damped on every lap",
        "Compare with an outing on a fresh damper, over the same road.",
        "within one outing a worn damper and a rough road look alike",
        waits=True,
    ),
    Rule(
        "front rings",
        "the front oscillates with almost no damping",
        "Another fault than a lost rear damper: look at fork damping and friction, front tyre and balance, wheel and "
        "steering-head bearings.",
        "the front's wheel hop has other usual causes than the rear's",
        waits=True,
    ),
    Rule(
        "bottoms",
        "an end bottoms at one place on at least half of the laps",
        "{end} sag and preload, {late}, and whether the spring suits the rider",
        "an end that bottoms passes the impact to the chassis and unloads the tyre",
        (
            Step("end", "support late in the stroke", "more"),
            Step("end", "compression damping", "more", "if it reaches the stop at high speed"),
        ),
        "the {end} keeps some millimetres there and rides a little higher under load",
        "{end} sag, travel left at the same place, and that the other end's travel has not changed",
    ),
    Rule(
        "packs",
        "an end rides lower and lower over a run of bumps at one place on at least half of the laps, coming back "
        "slower than it goes down",
        "friction (bent rod, dry seals, tight axle clamps) and oil temperature",
        "an end that has not come back meets the next bump deeper, on a harder spring",
        (Step("end", "rebound damping", "less"),),
        "the {end} comes back between the bumps and rides higher there",
        "the same place, that the {end} does not swing past when pushed by hand, and that it does not top out more",
    ),
    Rule(
        "ends apart, not by damping",
        "one end goes down or comes up slower on the same bump, while the dampers alone would not make it so",
        "spring, sag, leverage, tyre pressure and friction at both ends",
        "by the damping ratios, with the masses and springs of the bike file, the dampers are not the cause",
    ),
    Rule(
        "comes up slower",
        "on the same bump one end comes up slower than the other, beyond the interval",
        "friction and oil temperature at the {end}, sag, spring and tyre pressure at both ends",
        "ends that come up at different rates change wheelbase, rake and trail on every bump; the comparison does not "
        "say which of the two is at fault",
        (
            Step("end", "rebound damping", "less", "if the {end} rides low over a run of bumps"),
            Step("other", "rebound damping", "more", "if the {other} kicks or floats"),
        ),
        "both ends come up nearer to the same rate",
        "the same-bump comparison over the next laps, both ends by hand, and travel left at both ends",
    ),
    Rule(
        "goes down slower",
        "on the same bump one end goes down slower than the other, beyond the interval",
        "friction at the {end}, whether only small bumps show it, sag, spring and tyre pressure at both ends",
        "ends that go down at different rates pitch the chassis on every bump",
        (Step("end", "compression damping", "less"),),
        "the {end} goes down nearer to the {other}'s rate and uses more of its travel",
        "travel left at the {end}, and the same-bump comparison over the next laps",
    ),
    Rule(
        "rebound damped unlike",
        "too few clear bumps; one end has a higher rebound damping ratio, beyond the interval",
        "masses, spring and tyre rates of the bike file, sag and tyre pressure",
        "the damping ratio says how fast each end settles on the same road",
        (
            Step("end", "rebound damping", "less", "if the {end} rides low over a run of bumps"),
            Step("other", "rebound damping", "more", "if the {other} kicks or floats"),
        ),
        "both ends settle equally fast",
        "both ends by hand, and travel left at both ends",
    ),
    Rule(
        "compression damped unlike",
        "too few clear bumps; one end has a higher compression damping ratio, beyond the interval",
        "masses, spring and tyre rates of the bike file, sag and tyre pressure",
        "as above",
        (Step("end", "compression damping", "less"),),
        "the {end} goes down more freely and uses more of its travel",
        "travel left at the {end}, and both ends by hand",
    ),
    Rule(
        "comes up slower by hand",
        "pushed down by hand one end comes up slower than the other for its depth, beyond the interval",
        "friction at the {end}, a softer spring, more sag, a higher leverage ratio and a soft tyre there",
        "a push by hand moves the dampers slowly, where rebound damping and friction decide how soon an end is back",
        (
            Step("end", "rebound damping", "less"),
            Step("other", "rebound damping", "more"),
        ),
        "both ends come up together when pushed",
        "the bounce test again, then the same-bump comparison of the next outing: a push shows nothing of high speed",
    ),
    Rule(
        "ride height shifts",
        "the ride height of an end shifts over the laps, beyond the interval",
        "whether the {end} loses oil or gas, tyre pressure, fuel burnt off, and its sag cold and warm",
        "a spring does not change within an outing: gas, oil, seals, fuel and tyres do",
    ),
)  # fmt: skip
BY_KEY: Mapping[str, Rule] = {rule.key: rule for rule in RULES}
_RANK = {rule.key: place for place, rule in enumerate(RULES)}
_LATE = {"front": "oil level", "rear": "bump rubber"}
# One step of support late in the stroke, and its key of the bike file with the change. Common practice, no source.
_LATE_STEP = {"front": "5 mm less air above the oil", "rear": "the next firmer rubber"}
_LATE_CHANGE = {"front": ("front.spring.air.oil_level_mm", -5), "rear": ("rear.spring.bump_stop.force_n", 20)}
# A step that makes an end use more of its travel; more rebound damping holds it down over a run of bumps.
_USES_TRAVEL: frozenset[tuple[Adjuster, Direction]] = frozenset(
    {
        ("support late in the stroke", "less"),
        ("compression damping", "less"),
        ("rebound damping", "more"),
    }
)


def waiting(rule: str) -> str:
    """What to do about a damper that may have a fault: the words of a rule that holds all set-up back."""
    return _suggestion(BY_KEY[rule], "rear", [], [], Setting())


@dataclass(frozen=True)
class Candidate:
    """What is seen and its rule, before `settle`; ``short`` fits in a sentence: ``the front bottoms at corner 3``."""

    rule: str
    end: End
    title: str
    evidence: str
    short: str
    caution: str = ""


@dataclass(frozen=True)
class Setting:
    """Limits of the steps of a review: ends without spare travel, with the reason, and clicks by bike-file key.

    ``held`` is why no step may be advised, "" where it may; ``sized`` are the keys whose effect on the logged laps can
    be computed, None where there are no laps.
    """

    no_travel: Mapping[End, str] = field(default_factory=dict)
    clicks: Mapping[str, float] = field(default_factory=dict)
    held: str = ""
    sized: frozenset[str] | None = None


def travel_not_in_hand(ends: Mapping[End, EndSummary]) -> dict[End, str]:
    """Ends that must not use more travel, with why; one that was not measured all the time is among them."""
    reasons: dict[End, str] = {}
    for end, summary in ends.items():
        left_mm = summary.wheel.travel.margin_mm
        used_pct = max(summary.wheel.travel.used_pct, summary.shaft.travel.used_pct)
        if not summary.judged or summary.stroke_open or measured_time(summary):
            reasons[end] = f"how much travel the {end} has left is not known"
        elif summary.bottomed:
            reasons[end] = f"the {end} bottomed {count_word(len(summary.bottomed), 'time')}"
        elif not used_pct <= 100.0 - LEAST_LEFT_PCT:
            reasons[end] = f"the {end} has {max(left_mm, 0.0):.0f} mm of travel left"
    return reasons


def settle(candidates: Iterable[Candidate], setting: Setting) -> tuple[Finding, ...]:
    """Findings in the order of `RULES`, with the reason for each step that is not advised.

    That is one that contradicts an earlier finding's, or has no travel in hand or no click left.
    """
    taken: dict[tuple[End, Adjuster], tuple[Direction, str]] = {}
    findings = []
    for one in sorted(candidates, key=lambda candidate: _RANK[candidate.rule]):
        rule = BY_KEY[one.rule]
        kept: list[tuple[Turn, str]] = []
        refused: list[str] = []
        for step in rule.steps:
            turn = Turn(one.end if step.whose == "end" else OTHER_END[one.end], step.adjuster, step.direction)
            if why := setting.held or _refusal(turn, setting, taken):
                refused.append(f"{turn_words(turn)} ({why})")
            else:
                kept.append((turn, _fill(step.condition, one.end)))
        for turn, _ in kept:
            taken.setdefault((turn.end, turn.adjuster), (turn.direction, one.short))
        held = setting.held if rule.steps else ""
        suggestion = held or _suggestion(rule, one.end, kept, refused, setting)
        changes = CHANGE_CAUTION if kept else ""
        findings.append(
            Finding(
                title=one.title,
                evidence=one.evidence,
                suggestion=suggestion,
                caution=" ".join(words for words in (one.caution, changes) if words),
                rule=one.rule,
                turns=tuple(turn for turn, _ in kept),
            )
        )
    return tuple(findings)


def turn_words(turn: Turn) -> str:
    """A step in words: ``less rebound damping at the rear``.

    Examples
    --------
    >>> turn_words(Turn("front", "support late in the stroke", "more"))
    'more support late in the stroke at the front (oil level)'
    """
    late = f" ({_LATE[turn.end]})" if turn.adjuster == "support late in the stroke" else ""
    return f"{turn.direction} {turn.adjuster} at the {turn.end}{late}"


def advises_more_travel(turn: Turn) -> bool:
    """Whether a step makes an end use more of its travel."""
    return (turn.adjuster, turn.direction) in _USES_TRAVEL


def _refusal(
    turn: Turn, setting: Setting, taken: Mapping[tuple[End, Adjuster], tuple[Direction, str]]
) -> str:
    """Why a step may not be advised; "" where it may."""
    if advises_more_travel(turn) and turn.end in setting.no_travel:
        return setting.no_travel[turn.end]
    direction, title = taken.get((turn.end, turn.adjuster), (turn.direction, ""))
    if direction != turn.direction:
        return f"{title}, which comes first"
    if turn.direction == "more" and setting.clicks.get(_clicks_key(turn)) == 0.0:
        return "its adjuster is fully closed"
    return ""


def _suggestion(
    rule: Rule, end: End, kept: list[tuple[Turn, str]], refused: list[str], setting: Setting
) -> str:
    first = _fill(rule.first, end)
    if rule.waits:
        return f"{first} {WAIT}"
    if not rule.steps:
        return f"Check {first}. No change of a setting is advised."
    parts = [f"Rule out first: {first}."]
    if kept:
        steps = "; or ".join(_option(*one, setting) for one in kept)
        parts.append(f"Then one step: {steps}.")
    parts += [f"Not advised: {words}." for words in refused]
    if kept:
        parts += [f"Expect: {_fill(rule.expect, end)}.", f"Recheck: {_fill(rule.recheck, end)}."]
        if setting.sized is not None:
            parts.append(_size([turn for turn, _ in kept], setting.sized))
    return " ".join(parts)


# One of these begins the end of a suggestion: how the size of its step is found, or what a prediction says of it.
HOW_MUCH, EXPECTED = "How much on these laps", "Expected on laps like these"


def without_amount(suggestion: str) -> str:
    """A suggestion without how much its step does."""
    return min((suggestion.partition(words)[0] for words in (HOW_MUCH, EXPECTED)), key=len).rstrip()


def _size(turns: list[Turn], sized: frozenset[str]) -> str:
    """How the size of the steps on the logged laps is found, or what the bike file lacks for it."""
    options = [f"--change {change}" for turn in turns for key, change in [_change(turn)] if key in sized]
    if options:
        return f"{HOW_MUCH}: run 'bothends try' with {' or '.join(options)}."
    return f"{HOW_MUCH} is not known: the bike file lacks {_lacking(turns[0])}."


def _change(turn: Turn) -> tuple[str, str]:
    """A step as a change of the bike file: its key, and the option of 'bothends try'."""
    if turn.adjuster == "support late in the stroke":
        key, by = _LATE_CHANGE[turn.end]
        return key, f"{key}={by:+d}{'%' if key.endswith('force_n') else ''}"
    # clicks are counted from fully closed: one less is firmer
    key = _clicks_key(turn)
    return key, f"{key}={'-1' if turn.direction == 'more' else '+1'}"


def _lacking(turn: Turn) -> str:
    key, _ = _change(turn)
    if turn.adjuster == "support late in the stroke":
        return key
    return f"{key} or the dyno table of the {turn.end} damper"


def _option(turn: Turn, condition: str, setting: Setting) -> str:
    amount = "one click"
    if turn.adjuster == "support late in the stroke":
        amount = _LATE_STEP[turn.end]
    elif (clicks := setting.clicks.get(_clicks_key(turn))) is not None:
        amount = f"one click (now {clicks:g} from closed)"
    return f"{turn_words(turn)}: {amount}" + (f", {condition}" if condition else "")


def _clicks_key(turn: Turn) -> str:
    return f"{turn.end}.{turn.adjuster.split()[0]}_clicks"


def _fill(words: str, end: End) -> str:
    return words.format(end=end, other=OTHER_END[end], late=_LATE[end])
