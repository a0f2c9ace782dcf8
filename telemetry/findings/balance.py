"""Balance in words: whether both ends move together on the same bump and are damped alike, and what would change it."""

from telemetry.arrays import OTHER_END, End
from telemetry.balance import MIN_PLACES, Balance, BounceTest, Ratio, verdict
from telemetry.findings.rules import Candidate, Setting, settle
from telemetry.summary import signed

# Both ends move "together" when the whole interval lies within this of 1; apart when it lies outside 1.
EVEN_WITHIN = 0.10
# An interval that spans more than this many times says nothing of how much.
WIDEST = 4.0
# Stands wherever both balances are shown.
TWO_BALANCES = (
    "Same bump: peak speed of both ends on the same bumps, those that stand clear of the road's grain, less what load "
    "transfer adds. It leads: advice rests on it, and on the damping ratio only where too few bumps are clear. RMS "
    "speed: all riding, load transfer, wheel hop and friction in it, so it may say otherwise."
)


def balance_sentence(balance: Balance) -> str:
    """Do both ends move together, in one sentence."""
    if balance.reason:
        return f"Balance cannot be told: {balance.reason}."
    bump = balance.same_bump
    if bump is not None and bump.compression_ratio is not None:
        return (
            f"On the same bump ({bump.pairs} clear of the road's grain) {_direction(bump.compression, 'go down')}; "
            f"{_direction(bump.rebound, 'come up')}."
        )
    ratio = balance.speed_ratio
    if ratio.compression is None or ratio.rebound is None:
        return "Balance cannot be told: not enough valid motion."
    return (
        f"{_too_few(balance)} Over the whole ride the rear's RMS speed is {ratio.compression:.2f} of the front's in "
        f"compression and {ratio.rebound:.2f} in rebound, load transfer and wheel hop in it."
    )


def _too_few(balance: Balance) -> str:
    """Why the ends cannot be compared on the same bump."""
    bump = balance.same_bump
    if bump is None:
        return "The ends cannot be compared bump by bump: speed or short bumps are not in the log."
    found = f"bumps at {bump.places} places" if bump.places != 1 else "bumps at 1 place"
    return (
        f"How the ends move on the same bump cannot be told: {found} of the lap stand clear of the road's grain, "
        f"at least {MIN_PLACES} of like weight are needed."
    )


def damping_sentence(balance: Balance) -> str:
    """Which end is damped more for its load; "" where it cannot be told."""
    damping, bump = balance.damping, balance.same_bump
    if damping is None or damping.compression.value is None:
        return ""
    sides = ((damping.compression, "compression"), (damping.rebound, "rebound"))
    words = f"For what each end carries: {'; '.join(f'{_damped(ratio)} in {side}' for ratio, side in sides)}."
    hidden = bump is not None and any(
        verdict(ratio) in ("rear more", "rear less") and not _clearly_apart(met) and met.value is not None
        for ratio, met in ((damping.compression, bump.compression), (damping.rebound, bump.rebound))
    )
    return f"{words} What does not show on the same bump asks for no change." if hidden else words


def balance_candidates(balance: Balance) -> list[Candidate]:
    """Ends that do not go down or come up together, and whether the dampers are why; none that an interval leaves open.

    The same bump leads. What each end carries says whether the dampers differ, and counts alone only with too few
    bumps.
    """
    bump = balance.same_bump
    if balance.reason or bump is None:
        return []
    carried = balance.damping
    found: list[Candidate] = []
    for ratio, damping, verb, side in (
        (bump.compression, None if carried is None else carried.compression, "go down", "compression"),
        (bump.rebound, None if carried is None else carried.rebound, "come up", "rebound"),
    ):
        told = "cannot tell" if damping is None else verdict(damping)
        if ratio.value is None or ratio.ci95 is None:
            if damping is not None and told in ("rear more", "rear less"):
                found.append(_damped_unlike(damping, "rear" if told == "rear more" else "front", side))
        elif _clearly_apart(ratio):
            found.append(_apart(ratio, damping, told, verb, bump.pairs))
    return found


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


def _apart(ratio: Ratio, damping: Ratio | None, told: str, verb: str, pairs: int) -> Candidate:
    """One end slower than the other on the same bump."""
    slow: End = "front" if (ratio.value or 1.0) > 1 else "rear"
    evidence = (
        f"Same bump: {_direction(ratio, verb, with_interval=True)}, {pairs} bumps clear of the road's grain."
    )
    if damping is not None and damping.value is not None and told != "cannot tell":
        evidence += f" For what each end carries {_damped(damping)} {_per_cent(damping)}".rstrip() + "."
    firmer = {"rear more": "rear", "rear less": "front", "cannot tell": slow}.get(told)
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
        title=f"The {firm} has more {side} damping than the {soft}, for what it carries",
        evidence=f"Damping ratio, rear over front: {damping.value:.2f} {_per_cent(damping)}, from the road both ends "
        "share; too few common bumps to see it on them.",
        short=f"the {firm} has more {side} damping than the {soft}",
    )


def _direction(ratio: Ratio, verb: str, *, with_interval: bool = False) -> str:
    """One direction of the same-bump comparison in words."""
    if ratio.value is None or ratio.ci95 is None:
        return f"not enough bumps to tell how they {verb}"
    low, high = ratio.ci95
    if not _per_cent(ratio):
        return f"how they {verb} cannot be told"
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


def _damped(ratio: Ratio) -> str:
    told = verdict(ratio)
    if told == "even":
        return "both ends are damped alike"
    if told == "cannot tell" or ratio.value is None:
        return "how they are damped cannot be told"
    word = "more" if told == "rear more" else "less"
    if not _per_cent(ratio):
        return f"the rear is damped {word}, how much cannot be told"
    return f"the rear is damped {abs(100 * (ratio.value - 1)):.0f} % {word}"


def _per_cent(ratio: Ratio) -> str:
    if ratio.ci95 is None or ratio.ci95[1] > WIDEST * ratio.ci95[0]:
        return ""
    low, high = ratio.ci95
    return f"(95 % {signed(100 * (low - 1))} to {signed(100 * (high - 1), unit='%')})"
