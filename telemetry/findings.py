"""From numbers to words: the sentences an engineer would read aloud, and what is worth trying.

Every sentence is made from values that stand in the summary, so that it can be checked against them. Thresholds
are choices of ours or common practice, with no source; they decide about words, never about numbers.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance, Ratio
from telemetry.balance.resistance import verdict
from telemetry.damping.oscillation import CAUTION as DAMPING_CAUTION
from telemetry.damping.oscillation import INSPECT_CAUTION, Oscillation
from telemetry.motion.summary import EndSummary, StopEvent
from telemetry.notes import QualityNote
from telemetry.summary import Finding, LapSummary, RunInfo

# Both ends move "together" when the whole interval lies within this of 1; apart when it lies outside 1.
EVEN_WITHIN = 0.10
# Deepest travel below this leaves much unused; common practice keeps the last 5-10 mm in hand.
MUCH_UNUSED_PCT = 80.0
# Met at one place in at least this share of the laps (and twice), a stop is a finding; once is a note.
REPEATED_SHARE = 0.5
# On a straight, stops of two laps within this are at one place: what distance and a rider's line give. A choice.
SAME_PLACE_M = 30.0

CHANGE_CAUTION = (
    "Change one thing at a time, within the maker's limits, and try it at reduced pace first; "
    "recheck sag after any change of preload, spring or length."
)
BOTTOMING_CAUTION = (
    "Repeated hard bottoming can damage fork, shock and frame mounts: have them inspected by a qualified "
    "technician. " + CHANGE_CAUTION
)


def count_word(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun: ``1 lap``, ``3 laps``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def place_words(corner: int | None, phase: str | None, distance_m: float | None) -> str:
    """A place in words, as far as it is known: ``corner 5, drive (1240 m)``."""
    words = [f"corner {corner}"] if corner else []
    if phase:
        words.append(phase)
    text = ", ".join(words)
    if distance_m is not None:
        return f"{text} ({distance_m:.0f} m)" if text else f"{distance_m:.0f} m into the lap"
    return text or "place not known"


def trust_sentence(run: RunInfo, laps: Iterable[LapSummary], quality: Iterable[QualityNote]) -> str:
    """Can the log be trusted, in one sentence."""
    whole = [lap for lap in laps if lap.complete]
    refused = [note for note in quality if note.severity == "refused"]
    warned = [note for note in quality if note.severity == "warning"]
    base = f"{count_word(len(whole), 'complete lap')} at {run.sample_rate_hz:.0f} Hz"
    if refused:
        return f"The log cannot answer everything: {refused[0].message} ({base})"
    if warned:
        return f"Usable log with {count_word(len(warned), 'warning')}: {base}; first, {warned[0].message}"
    return f"The log is sound: {base}, no warnings."


def travel_sentence(end: End, summary: EndSummary) -> str:
    """How much of its travel one end used, and whether it ran out."""
    travel = summary.wheel.travel
    if summary.valid_share == 0:
        return f"{end.capitalize()}: no valid travel, cannot tell."
    stops = (
        f"; bottomed {count_word(len(summary.bottomed), 'time')}" if summary.bottomed else "; never bottomed"
    )
    if summary.topped_out:
        stops += f", topped out {count_word(len(summary.topped_out), 'time')}"
    return (
        f"{end.capitalize()} used {travel.used_pct:.0f} % of its travel, {max(travel.margin_mm, 0.0):.0f} mm left at "
        f"the deepest point (wheel){stops}."
    )


def _direction(ratio: Ratio, verb: str) -> str:
    """One direction of the same-bump comparison in words."""
    if ratio.value is None or ratio.ci95 is None:
        return f"not enough bumps to tell how they {verb}"
    low, high = ratio.ci95
    interval = f"(95 % {100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} %)"
    if low >= 1 - EVEN_WITHIN and high <= 1 + EVEN_WITHIN:
        return f"both ends {verb} at the same rate {interval}"
    if low <= 1 <= high:
        return f"no clear difference in how they {verb} {interval}"
    word = "faster" if ratio.value > 1 else "slower"
    return f"the rear {_third_person(verb)} {abs(100 * (ratio.value - 1)):.0f} % {word} {interval}"


def _third_person(verb: str) -> str:
    head, _, tail = verb.partition(" ")
    return f"{'goes' if head == 'go' else head + 's'} {tail}".strip()


def balance_sentence(balance: Balance) -> str:
    """Do both ends move together, in one sentence."""
    if balance.reason:
        return f"Balance cannot be told: {balance.reason}."
    bump = balance.same_bump
    if bump is not None and bump.compression_ratio is not None:
        return (
            f"On the same bump ({bump.pairs} of them) {_direction(bump.compression, 'go down')}; "
            f"{_direction(bump.rebound, 'come up')}."
        )
    ratio = balance.speed_ratio
    if ratio.compression is None or ratio.rebound is None:
        return "Balance cannot be told: not enough valid motion."
    return (
        f"Over the whole ride the rear's speed is {ratio.compression:.2f} of the front's in compression and "
        f"{ratio.rebound:.2f} in rebound; too few common bumps to compare bump by bump."
    )


def damping_sentence(balance: Balance) -> str:
    """Which end is damped more for what it carries, in one sentence; "" where it cannot be told."""
    damping = balance.damping
    if damping is None or damping.compression.value is None:
        return ""
    parts = [
        f"{_damped(ratio)} in {side} {_per_cent(ratio)}"
        for ratio, side in ((damping.compression, "compression"), (damping.rebound, "rebound"))
    ]
    return f"For what each end carries: {'; '.join(parts)}."


def _damped(ratio: Ratio) -> str:
    told = verdict(ratio)
    if told == "even":
        return "both ends are damped alike"
    if told == "cannot tell" or ratio.value is None:
        return "no clear difference in damping"
    word = "more" if told == "rear more" else "less"
    return f"the rear is damped {abs(100 * (ratio.value - 1)):.0f} % {word}"


def _per_cent(ratio: Ratio) -> str:
    if ratio.ci95 is None:
        return ""
    low, high = ratio.ci95
    return f"(95 % {100 * (low - 1):+.0f} to {100 * (high - 1):+.0f} %)"


def oscillation_sentence(oscillation: Oscillation) -> str:
    """What the detector says, in one sentence."""
    if oscillation.verdict == "no":
        return oscillation.reason
    if oscillation.verdict == "cannot_tell":
        return f"Lost rear damping cannot be told: {oscillation.reason}"
    return f"Suspected loss of rear damping: {oscillation.reason} {DAMPING_CAUTION}"


def verdict_sentences(
    run: RunInfo,
    laps: tuple[LapSummary, ...],
    quality: tuple[QualityNote, ...],
    ends: Mapping[End, EndSummary],
    balance: Balance,
    oscillation: Oscillation,
) -> tuple[str, ...]:
    """The debrief in sentences, most important first: a suspected fault comes before everything else.

    Parameters
    ----------
    run, laps, quality, ends, balance, oscillation
        Parts of a `Summary`.

    Returns
    -------
    tuple of str
    """
    sentences = [trust_sentence(run, laps, quality)]
    sentences += [travel_sentence(end, ends[end]) for end in ENDS if end in ends]
    sentences += [words for words in (balance_sentence(balance), damping_sentence(balance)) if words]
    suspicion = oscillation_sentence(oscillation)
    if oscillation.verdict == "yes":
        return (suspicion, *sentences)
    return (*sentences, suspicion)


def findings(
    laps: tuple[LapSummary, ...], ends: Mapping[End, EndSummary], balance: Balance, oscillation: Oscillation
) -> tuple[Finding, ...]:
    """What is worth saying aloud and what to try, faults first.

    Parameters
    ----------
    laps, ends, balance, oscillation
        Parts of a `Summary`.

    Returns
    -------
    tuple of Finding
    """
    found: list[Finding] = []
    if oscillation.verdict == "yes":
        found.append(_lost_damping(oscillation))
    found += _fading(oscillation)
    found += _front_rang(oscillation)
    complete = sum(lap.complete for lap in laps)
    for end in ENDS:
        if end in ends:
            found += _bottoming(end, ends[end], complete)
            found += _unused(end, ends[end])
    found += _uneven(balance)
    return tuple(found)


def _lost_damping(oscillation: Oscillation) -> Finding:
    places: dict[str, list[int]] = defaultdict(list)
    for event in oscillation.events:
        places[place_words(event.corner, event.phase, None)].append(event.lap or 0)
    where = "; ".join(f"{place} in {laps_words(laps)}" for place, laps in places.items())
    strongest = max(oscillation.events, key=lambda event: event.confidence, default=None)
    evidence = where
    if strongest is not None:
        low, high = strongest.damping_ratio_ci95
        evidence += (
            f". Clearest: {strongest.frequency_hz:.1f} Hz, damping ratio {strongest.damping_ratio:.2f} "
            f"(95 % {low:.2f} to {high:.2f}), {strongest.amplitude_mm:.1f} mm at the wheel. {strongest.evidence}"
        )
    return Finding(
        title="Rear damping suspected lost",
        evidence=evidence,
        suggestion="Compare with a lap from the start of the outing, check the shock for leaks, heat and play, "
        "and rule out tyre, wheel bearing and sensor mount.",
        caution=DAMPING_CAUTION,
    )


def _fading(oscillation: Oscillation) -> list[Finding]:
    """A damper whose damping falls from lap to lap, or was low from the start."""
    words = {
        "losing damping as it warms": "{} damper suspected of fading",
        "worn all along": "{} damper suspected worn",
    }
    return [
        Finding(
            title=words[course.state].format(end.capitalize()),
            evidence=course.reason,
            suggestion="Let it cool and compare the first lap of the next outing; check tyre pressures, and compare "
            "with an outing on a fresh damper.",
            caution=INSPECT_CAUTION,
        )
        for end, course in oscillation.course.items()
        if course.state in words
    ]


def _front_rang(oscillation: Oscillation) -> list[Finding]:
    """Chatter of the front: another fault than a lost rear damper."""
    events = oscillation.front_events
    if not events:
        return []
    strongest = max(events, key=lambda event: event.confidence)
    return [
        Finding(
            title="The front rang as if hardly damped",
            evidence=f"{count_word(len(events), 'time')}, in {laps_words(event.lap or 0 for event in events)}; "
            f"clearest at {strongest.frequency_hz:.1f} Hz, {strongest.amplitude_mm:.1f} mm at the wheel. "
            f"{strongest.evidence}",
            suggestion="Another fault than a lost rear damper: look at fork damping and friction, front tyre and "
            "balance, wheel and steering-head bearings.",
            caution=INSPECT_CAUTION,
        )
    ]


def laps_words(laps: Iterable[int]) -> str:
    """Lap numbers in words, each once: ``laps 1, 2 and 4``."""
    numbers = sorted(set(laps))
    if len(numbers) == 1:
        return f"lap {numbers[0]}"
    return f"laps {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _repeated(stops: tuple[StopEvent, ...], complete_laps: int) -> list[list[StopEvent]]:
    """Stops at one place, where enough different laps have them; the place is the corner, or metres on a straight."""
    places: list[list[StopEvent]] = []
    for stop in sorted(stops, key=lambda stop: (stop.corner or 0, stop.distance_m or 0.0)):
        if not stop.corner and stop.distance_m is None:
            continue
        if places and _same_place(places[-1][-1], stop):
            places[-1].append(stop)
        else:
            places.append([stop])
    enough = max(2.0, REPEATED_SHARE * complete_laps)
    return [here for here in places if len({stop.lap for stop in here}) >= enough]


def _same_place(a: StopEvent, b: StopEvent) -> bool:
    if a.corner or b.corner:
        return a.corner == b.corner
    return abs((a.distance_m or 0.0) - (b.distance_m or 0.0)) <= SAME_PLACE_M


def _bottoming(end: End, summary: EndSummary, complete_laps: int) -> list[Finding]:
    found = []
    for stops in _repeated(summary.bottomed, complete_laps):
        fastest = max(stop.speed_mm_s for stop in stops)
        hard = sum(stop.hard for stop in stops)
        laps = len({stop.lap for stop in stops})
        where = (
            f"corner {stops[0].corner}" if stops[0].corner else f"{stops[0].distance_m:.0f} m into the lap"
        )
        found.append(
            Finding(
                title=f"{end.capitalize()} bottoms at {where}",
                evidence=f"{stops[0].phase or 'phase not known'}, {laps_words(stop.lap or 0 for stop in stops)} "
                f"({count_word(laps, 'lap')}, {count_word(len(stops), 'time')}, {hard or 'none'} of them a hard blow); "
                f"arrives at up to {fastest:.0f} mm/s at the wheel.",
                suggestion=f"Check {end} sag first. If it is right, the {end} needs more support here: spring, "
                + ("oil level" if end == "front" else "bump stop")
                + ", or compression damping if it arrives fast.",
                caution=BOTTOMING_CAUTION,
            )
        )
    return found


def _unused(end: End, summary: EndSummary) -> list[Finding]:
    travel = summary.wheel.travel
    if summary.valid_share == 0 or travel.used_pct >= MUCH_UNUSED_PCT:
        return []
    return [
        Finding(
            title=f"{end.capitalize()} leaves much travel unused",
            evidence=f"Deepest point {travel.max_mm:.0f} of {summary.wheel_stroke_mm:.0f} mm at the wheel.",
            suggestion=f"If the pace was full, a softer {end} would use more of it: check {end} sag, then spring.",
            caution=CHANGE_CAUTION,
        )
    ]


def _uneven(balance: Balance) -> list[Finding]:
    """Ends that do not go down or come up together, and as far as it can be told whether the dampers are why."""
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
            f"spring, sag, leverage and tyre pressure can cause it too, so rule those out first."
        )
        found.append(
            Finding(
                title=f"The {slow} {_third_person(verb)} slower than the {fast}",
                evidence=f"Same bump: {_direction(ratio, verb)}, {bump.pairs} bumps.",
                suggestion=suggestion,
                caution=CHANGE_CAUTION,
            )
        )
    return found


def _damped_unlike(damping: Ratio, told: str, bump: Ratio, verb: str, side: str) -> Finding:
    firm, soft = ("rear", "front") if told == "rear more" else ("front", "rear")
    low, high = bump.ci95 or (1.0, 1.0)
    if (told == "rear more" and low > 1.0) or (told == "rear less" and high < 1.0):
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
