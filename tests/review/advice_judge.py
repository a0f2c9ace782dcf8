"""Whether advice agrees with itself, uses only travel that is there, and has every sentence from the table of rules."""

import re

from telemetry.findings.rules import LEAST_LEFT_PCT, RULES, advises_more_travel, turn_words
from telemetry.summary import Turn

ENDS = ("front", "rear")


def sentences(text):
    """A suggestion sentence by sentence."""
    return re.findall(r"\S.*?\.(?=\s|$)", text)


def pattern(template):
    """What a template may read: its fields stand for any words."""
    return re.sub(r"\\\{\w+\\\}", ".+", re.escape(template))


TURNS = "|".join(
    pattern(turn_words(Turn(end, step.adjuster, step.direction)))
    for rule in RULES
    for step in rule.steps
    for end in ENDS
)


def allowed(rule):
    """Every sentence that a finding under a rule may hold."""
    if rule.waits:
        return [re.escape(one) for one in sentences(rule.first)] + [
            r"Do not change the set-up before this is clear: .+\."
        ]
    if not rule.steps:
        return [rf"Check {pattern(rule.first)}\.", r"No change of a setting is advised\."]
    conditions = "|".join(pattern(step.condition) for step in rule.steps if step.condition) or "-"
    amounts = (
        r"one click|one click \(now [\d.]+ from closed\)|5 mm less air above the oil|the next firmer rubber"
    )
    option = rf"(?:{TURNS}): (?:{amounts})(?:, (?:{conditions}))?"
    key = r"(?:\w+\.)+\w+"
    change = rf"--change {key}=[+-]\d+%?"
    return [
        rf"Rule out first: {pattern(rule.first)}\.",
        rf"Then one step: {option}(?:; or {option})*\.",
        rf"Not advised: (?:{TURNS}) \(.+\)\.",
        rf"Expect: {pattern(rule.expect)}\.",
        rf"Recheck: {pattern(rule.recheck)}\.",
        rf"How much on these laps: run 'bothends try' with {change}(?: or {change})*\.",
        rf"How much on these laps is not known: the bike file lacks {key}(?: or the dyno table of the \w+ damper)?\.",
        r"The (front|rear|front and rear) dampers? (is|are) in doubt, and lost damping can let an end bottom\.",
        r"Do not change the set-up before this is clear: .+\.",
    ]


def traced(finding):
    """Whether every sentence of a suggestion stands in the table."""
    (rule,) = [rule for rule in RULES if rule.key == finding.rule]
    return all(
        any(re.fullmatch(one, said) for one in allowed(rule)) for said in sentences(finding.suggestion)
    )


def both_ways(found):
    """Adjusters of one end that are to go both ways."""
    turned = {(turn.end, turn.adjuster, turn.direction) for one in found for turn in one.turns}
    return {(end, adjuster) for end, adjuster, _ in turned if {
        (end, adjuster, "more"), (end, adjuster, "less")} <= turned}  # fmt: skip


def uses_travel_that_is_not_there(found, ends):
    """Steps that use more travel of an end that bottomed or has less than 5 % of its stroke left."""
    return [
        turn
        for one in found
        for turn in one.turns
        if advises_more_travel(turn)
        and (ends[turn.end].bottomed or not ends[turn.end].wheel.travel.used_pct <= 100.0 - LEAST_LEFT_PCT)
    ]


def told_turns(text):
    """The steps that a text names to be tried, read from its words alone."""
    said = re.findall(r"Then one step: (.*?)\.(?=\s|$)", text)
    step = r"(more|less) (support late in the stroke|compression damping|rebound damping) at the (front|rear)"
    return {(end, adjuster, way) for one in said for way, adjuster, end in re.findall(step, one)}
