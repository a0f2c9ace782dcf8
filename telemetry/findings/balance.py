"""Balance in words: whether both ends move together on the same bump and are damped alike, and what would change it."""

from telemetry.arrays import OTHER_END, End
from telemetry.balance import MIN_PLACES, Balance, BounceTest, Ratio, verdict
from telemetry.findings.rules import Candidate, Setting, settle
from telemetry.summary import count_word, signed

# Both ends move "together" when the whole interval lies within this of 1; apart when it lies outside 1.
EVEN_WITHIN = 0.10
# An interval that spans more than this many times says nothing of how much.
WIDEST = 4.0
# Stands wherever both balances are shown.
TWO_BALANCES = (
    "Same bump: peak wheel speed of both ends on the same clear bumps, without the speed that load transfer adds. A "
    "clear bump is larger than the ordinary roughness of the road. Advice rests on the clear bumps; where they are too "
    "few, it rests on the damping ratio: the damping of each end relative to its mass and spring. All riding: load "
    "transfer, wheel hop and friction are included, so these rows can differ from the same bump."
)


def balance_sentence(balance: Balance) -> str:
    """Whether both ends move together, in one sentence."""
    if balance.reason:
        return f"Balance cannot be told: {balance.reason}."
    bump = balance.same_bump
    if bump is not None and bump.compression_ratio is not None:
        return (
            f"On the same bump ({count_word(bump.pairs, 'clear bump')}): {_direction(bump.compression, 'go down')}; "
            f"{_direction(bump.rebound, 'come up')}."
        )
    ratio = balance.speed_ratio
    if ratio.compression is None or ratio.rebound is None:
        return "Balance cannot be told: not enough valid motion."
    return (
        f"{_too_few(balance)} Over all riding the RMS wheel speed, rear over front, is {ratio.compression:.2f} in "
        f"compression and {ratio.rebound:.2f} in rebound; this includes load transfer and wheel hop."
    )


def _too_few(balance: Balance) -> str:
    """Why the ends cannot be compared on the same bump."""
    bump = balance.same_bump
    if bump is None:
        return "The ends cannot be compared bump by bump: speed or short bumps are not in the log."
    there_are = "there are clear bumps" if bump.places else "there is no clear bump"
    at = f" at {count_word(bump.places, 'place')} of the lap" if bump.places else ""
    uneven = ", with no place that dominates" if bump.places >= MIN_PLACES else ""
    return (
        f"The ends cannot be compared on the same bump: {there_are}{at}, and at least {MIN_PLACES} places are "
        f"needed{uneven}."
    )


def damping_sentence(balance: Balance) -> str:
    """Which end is damped more for its load; "" where it cannot be told."""
    damping, bump = balance.damping, balance.same_bump
    if damping is None or damping.compression.value is None:
        return ""
    sides = ((damping.compression, "compression"), (damping.rebound, "rebound"))
    words = f"Damping ratio: {'; '.join(_damped(ratio, side) for ratio, side in sides)}."
    hidden = bump is not None and any(
        verdict(ratio) in ("rear more", "rear less") and not _clearly_apart(met) and met.value is not None
        for ratio, met in ((damping.compression, bump.compression), (damping.rebound, bump.rebound))
    )
    no_change = "Where the same bump shows no clear difference, no change is advised."
    return f"{words} {no_change}" if hidden else words


def balance_candidates(balance: Balance) -> list[Candidate]:
    """Ends that do not go down or come up together, and whether the dampers are why; none that an interval leaves open.

    Advice rests on the same bump. The damping ratio says whether the dampers differ; it is used alone only where there
    are too few clear bumps.
    """
    bump = balance.same_bump
    if balance.reason or bump is None:
        return []
    ratios = balance.damping
    candidates: list[Candidate] = []
    for ratio, damping, verb, side in (
        (bump.compression, None if ratios is None else ratios.compression, "go down", "compression"),
        (bump.rebound, None if ratios is None else ratios.rebound, "come up", "rebound"),
    ):
        damped = "cannot tell" if damping is None else verdict(damping)
        if ratio.value is None or ratio.ci95 is None:
            if damping is not None and damped in ("rear more", "rear less"):
                firm: End = "rear" if damped == "rear more" else "front"
                candidates.append(_damped_unlike(damping, firm, side))
        elif _clearly_apart(ratio):
            candidates.append(_apart(ratio, damping, damped, verb, side, bump.pairs))
    return candidates


def _clearly_apart(ratio: Ratio) -> bool:
    """Whether an interval leaves out 1 and the ratio is further from it than matters."""
    if ratio.value is None or ratio.ci95 is None:
        return False
    return not ratio.ci95[0] <= 1 <= ratio.ci95[1] and abs(ratio.value - 1) >= EVEN_WITHIN


def bounce_advice(test: BounceTest) -> str:
    """What a bounce test advises, by the table of rules; "" where the ends come up together or cannot be told."""
    slow: End | None = {"rear slower": "rear", "rear faster": "front"}.get(test.up.verdict)  # type: ignore[assignment]
    if slow is None:
        return ""
    candidate = Candidate("comes up slower by hand", slow, "", "", f"the {slow} comes up slower by hand")
    return settle([candidate], Setting())[0].suggestion


def _apart(ratio: Ratio, damping: Ratio | None, damped: str, verb: str, side: str, pairs: int) -> Candidate:
    """One end slower than the other on the same bump; ``damped`` is the verdict on the damping ratio."""
    slow: End = "front" if (ratio.value or 1.0) > 1 else "rear"
    evidence = f"Same bump: {_direction(ratio, verb, with_interval=True)}, {count_word(pairs, 'clear bump')}."
    if damping is not None and damping.value is not None and damped != "cannot tell":
        evidence += f" Damping ratio: {_damped(damping, side)} {_per_cent(damping)}".rstrip() + "."
    firmer = {"rear more": "rear", "rear less": "front", "cannot tell": slow}.get(damped)
    by_rule = "goes down slower" if verb == "go down" else "comes up slower"
    title = f"The {slow} {_third_person(verb)} slower than the {OTHER_END[slow]}"
    return Candidate(
        rule=by_rule if firmer == slow else "ends apart, not by damping",
        end=slow,
        title=title,
        evidence=evidence,
        short=f"t{title[1:]}",
    )


def _damped_unlike(damping: Ratio, firm: End, side: str) -> Candidate:
    soft = OTHER_END[firm]
    return Candidate(
        rule=f"{side} damped unlike",
        end=firm,
        title=f"The {firm} has a higher {side} damping ratio than the {soft}",
        evidence=f"Damping ratio: {_damped(damping, side)} {_per_cent(damping)}, over all riding on the same road. "
        "There are too few clear bumps to compare the ends on the same bump.",
        short=f"the {firm} has a higher {side} damping ratio than the {soft}",
    )


def _direction(ratio: Ratio, verb: str, *, with_interval: bool = False) -> str:
    """One direction of the same-bump comparison in words."""
    if ratio.value is None or ratio.ci95 is None:
        return f"too few clear bumps to compare how they {verb}"
    low, high = ratio.ci95
    if not _per_cent(ratio):
        return f"cannot tell which end {_third_person(verb)} faster"
    interval = f" {_per_cent(ratio)}" if with_interval else ""
    if low >= 1 - EVEN_WITHIN and high <= 1 + EVEN_WITHIN:
        return f"both ends {verb} at the same rate{interval}"
    if low <= 1 <= high:
        return f"no clear difference in how they {verb}{interval}"
    word = "faster" if ratio.value > 1 else "slower"
    return f"the rear {_third_person(verb)} {abs(100 * (ratio.value - 1)):.0f} % {word}{interval}"


def _third_person(verb: str) -> str:
    head, _, tail = verb.partition(" ")
    return f"{'goes' if head == 'go' else head + 's'} {tail}".strip()


def _damped(ratio: Ratio, side: str) -> str:
    """The damping ratio of the rear against the front, in compression or rebound."""
    damped = verdict(ratio)
    if damped == "even":
        return f"both ends are alike in {side}"
    if damped == "cannot tell" or ratio.value is None:
        return f"cannot tell which end is higher in {side}"
    word = "higher" if damped == "rear more" else "lower"
    if not _per_cent(ratio):
        return f"the rear is {word} in {side}, cannot tell by how much"
    return f"the rear is {abs(100 * (ratio.value - 1)):.0f} % {word} in {side}"


def _per_cent(ratio: Ratio) -> str:
    if ratio.ci95 is None or ratio.ci95[1] > WIDEST * ratio.ci95[0]:
        return ""
    low, high = ratio.ci95
    return f"(95 % {signed(100 * (low - 1))} to {signed(100 * (high - 1), unit='%')})"
