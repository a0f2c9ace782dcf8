"""Balance in words: do both ends move together on the same bump, are they damped alike, and what would even it out."""

from telemetry.balance.balance import Balance, Ratio
from telemetry.balance.ratios import MIN_PLACES
from telemetry.balance.resistance import verdict
from telemetry.summary import Finding
from telemetry.wording import CHANGE_CAUTION

# Both ends move "together" when the whole interval lies within this of 1; apart when it lies outside 1.
EVEN_WITHIN = 0.10
# An interval that spans more than this many times says nothing of how much.
WIDEST = 4.0
# Stands wherever both balances are shown.
TWO_BALANCES = (
    "Same bump: peak speed of both ends on the same bumps, those that stand clear of the road's grain, less what load "
    "transfer adds. It leads, and advice rests on it. RMS speed: all riding, load transfer, wheel hop and friction in "
    "it, so it may say otherwise."
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
    """Which end is damped more for what it carries, in one sentence; "" where it cannot be told."""
    damping = balance.damping
    if damping is None or damping.compression.value is None:
        return ""
    parts = [
        f"{_damped(ratio)} in {side} {_per_cent(ratio)}".strip()
        for ratio, side in ((damping.compression, "compression"), (damping.rebound, "rebound"))
    ]
    return f"For what each end carries: {'; '.join(parts)}."


def balance_findings(balance: Balance) -> list[Finding]:
    """Ends that do not go down or come up together, and as far as it can be told whether the dampers are why.

    Parameters
    ----------
    balance : Balance

    Returns
    -------
    list of Finding
    """
    bump = balance.same_bump
    if balance.reason or bump is None:
        return []
    found = []
    for ratio, verb, side in (
        (bump.compression, "go down", "compression"),
        (bump.rebound, "come up", "rebound"),
    ):
        damping = None if balance.damping is None else getattr(balance.damping, side)
        told = "cannot tell" if damping is None else verdict(damping)
        if damping is not None and told in ("rear more", "rear less"):
            found.append(_damped_unlike(damping, told, ratio, verb, side))
            continue
        if ratio.value is None or ratio.ci95 is None or abs(ratio.value - 1) < EVEN_WITHIN:
            continue
        low, high = ratio.ci95
        if low <= 1 <= high:
            continue
        slow, fast = ("front", "rear") if ratio.value > 1 else ("rear", "front")
        suggestion = (
            f"Both ends are damped alike in {side} for what they carry, so look at spring, sag, leverage and tyre "
            f"pressure before the clickers."
            if told == "even"
            else f"Less {side} damping at the {slow} or more at the {fast} would bring them together; "
            f"friction, spring, sag, leverage and tyre pressure can cause it too, so rule those out first."
        )
        found.append(
            Finding(
                title=f"The {slow} {_third_person(verb)} slower than the {fast}",
                evidence=f"Same bump: {_direction(ratio, verb)}, {bump.pairs} bumps clear of the road's grain.",
                suggestion=suggestion,
                caution=CHANGE_CAUTION,
            )
        )
    return found


def _damped_unlike(damping: Ratio, told: str, bump: Ratio, verb: str, side: str) -> Finding:
    firm, soft = ("rear", "front") if told == "rear more" else ("front", "rear")
    low, high = bump.ci95 or (1.0, 1.0)
    if bump.ci95 is not None and low >= 1 - EVEN_WITHIN and high <= 1 + EVEN_WITHIN:
        suggestion = (
            f"Both ends {verb} alike on the bump all the same, so this asks for no change; keep it in mind with the "
            "next spring, sag or tyre."
        )
    elif (told == "rear more" and low > 1.0) or (told == "rear less" and high < 1.0):
        suggestion = (
            f"The {firm} still moves the faster on the bump, so damping is not what parts them: look at spring, sag, "
            f"leverage, tyres and the masses in the bike file before the {side} clickers."
        )
    else:
        suggestion = (
            f"Less {side} damping at the {firm} or more at the {soft} would bring them together, a step at a time. It "
            "rests on masses, spring and tyre rates of the bike file: check those, sag and tyre pressure first."
        )
    return Finding(
        title=f"The {firm} has more {side} damping than the {soft}, for what it carries",
        evidence=f"Damping ratio, rear over front: {damping.value:.2f} {_per_cent(damping)}, from the road both ends "
        f"share. Same bump: {_direction(bump, verb)}.",
        suggestion=suggestion,
        caution=CHANGE_CAUTION,
    )


def _direction(ratio: Ratio, verb: str) -> str:
    """One direction of the same-bump comparison in words."""
    if ratio.value is None or ratio.ci95 is None:
        return f"not enough bumps to tell how they {verb}"
    low, high = ratio.ci95
    interval = _per_cent(ratio)
    if not interval:
        return f"how they {verb} cannot be told"
    if low >= 1 - EVEN_WITHIN and high <= 1 + EVEN_WITHIN:
        return f"both ends {verb} at the same rate {interval}"
    if low <= 1 <= high:
        return f"no clear difference in how they {verb} {interval}"
    word = "faster" if ratio.value > 1 else "slower"
    return f"the rear {_third_person(verb)} {abs(100 * (ratio.value - 1)):.0f} % {word} {interval}"


def _third_person(verb: str) -> str:
    head, _, tail = verb.partition(" ")
    return f"{'goes' if head == 'go' else head + 's'} {tail}".strip()


def _damped(ratio: Ratio) -> str:
    told = verdict(ratio)
    if told == "even":
        return "both ends are damped alike"
    if told == "cannot tell" or ratio.value is None:
        low, high = ratio.ci95 or (0.0, 2.0)
        if low > 1 or high < 1:
            return f"the rear is damped {'more' if low > 1 else 'less'}, how much cannot be told"
        return "how they are damped cannot be told"
    word = "more" if told == "rear more" else "less"
    return f"the rear is damped {abs(100 * (ratio.value - 1)):.0f} % {word}"


def _per_cent(ratio: Ratio) -> str:
    if ratio.ci95 is None or ratio.ci95[1] > WIDEST * ratio.ci95[0]:
        return ""
    low, high = ratio.ci95
    return f"(95 % {100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} %)"
