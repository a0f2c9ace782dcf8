"""From numbers to words: the sentences an engineer would read aloud, and what is worth trying.

Every sentence is made from values that stand in the summary, so that it can be checked against them. Thresholds
are choices of ours or common practice, with no source; they decide about words, never about numbers.
"""

from collections.abc import Iterable, Mapping

from telemetry.arrays import End
from telemetry.balance.balance import Balance
from telemetry.damping.oscillation import Oscillation, dampers_in_doubt
from telemetry.findings_balance import balance_findings, balance_sentence, damping_sentence
from telemetry.findings_damping import WAIT, damping_findings, oscillation_sentence, suspicions
from telemetry.motion import EndSummary, StopEvent, judged_ends
from telemetry.notes import QualityNote
from telemetry.summary import Finding, LapSummary, RunInfo
from telemetry.wording import CHANGE_CAUTION, count_word, laps_words, measured_time

# Deepest travel below this leaves much unused; common practice keeps the last 5-10 mm in hand.
MUCH_UNUSED_PCT = 80.0
# Met at one place in at least this share of the laps (and twice), a stop is a finding; once is a note.
REPEATED_SHARE = 0.5
# On a straight, stops of two laps within this are at one place: what distance and a rider's line give. A choice.
SAME_PLACE_M = 30.0

DAMAGE_CAUTION = (
    "Repeated hard bottoming can damage fork, shock and frame mounts: have them inspected by a qualified "
    "technician."
)
BOTTOMING_CAUTION = f"{DAMAGE_CAUTION} {CHANGE_CAUTION}"


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
    if not summary.judged:
        return f"{end.capitalize()} not judged: {summary.reason}"
    seen = measured_time(summary)
    stops = (
        f"; bottomed {count_word(len(summary.bottomed), 'time')}" if summary.bottomed else "; never bottomed"
    )
    if summary.topped_out:
        stops += f", topped out {count_word(len(summary.topped_out), 'time')}"
    return (
        f"{end.capitalize()}{seen and f' (measured for {seen})'} used {travel.used_pct:.0f} % of its travel, "
        f"{max(travel.margin_mm, 0.0):.0f} mm left at the deepest point (wheel){stops}."
    )


def verdict_sentences(
    run: RunInfo,
    laps: tuple[LapSummary, ...],
    quality: tuple[QualityNote, ...],
    ends: Mapping[End, EndSummary],
    balance: Balance,
    oscillation: Oscillation,
) -> tuple[str, ...]:
    """The debrief in sentences, most important first: a suspected fault, what asks for a change, the log itself.

    With a damper in doubt nothing is said of how the dampers compare.

    Parameters
    ----------
    run, laps, quality, ends, balance, oscillation
        Parts of a `Summary`.

    Returns
    -------
    tuple of str
    """
    trust = trust_sentence(run, laps, quality)
    refused = any(note.severity == "refused" for note in quality)  # then the answers below are not all there
    most_first = sorted(ends.items(), key=lambda item: -len(item[1].bottomed) if item[1].judged else 0)
    sentences = [trust] if refused else []
    sentences += [travel_sentence(end, summary) for end, summary in most_first]
    sentences.append(_of_both(balance_sentence(balance), ends))
    doubt = dampers_in_doubt(oscillation)
    if not doubt and (compared := damping_sentence(balance)):
        sentences.append(_of_both(compared, ends))
    rear = () if "rear" in doubt else (oscillation_sentence(oscillation),)
    return (*suspicions(oscillation), *sentences, *rear, *(() if refused else (trust,)))


def _of_both(sentence: str, ends: Mapping[End, EndSummary]) -> str:
    """A sentence on both ends, which rests on the time in which both were measured."""
    if not any(measured_time(end) for end in ends.values()):
        return sentence
    return f"As far as both ends were measured: {sentence[0].lower()}{sentence[1:]}"


def findings(
    laps: tuple[LapSummary, ...], ends: Mapping[End, EndSummary], balance: Balance, oscillation: Oscillation
) -> tuple[Finding, ...]:
    """What is worth saying aloud and what to try, faults first; with a damper in doubt nothing to try.

    Parameters
    ----------
    laps, ends, balance, oscillation
        Parts of a `Summary`.

    Returns
    -------
    tuple of Finding
    """
    found = damping_findings(oscillation)
    complete = sum(lap.complete for lap in laps)
    here = list(judged_ends(ends))
    doubt = bool(dampers_in_doubt(oscillation))
    for end in here:
        found += _bottoming(end, ends[end], complete, doubt)
    if doubt:
        return tuple(found)
    if complete:  # a push at the stand or a roll through the paddock uses little travel, and should
        for end in here:
            found += _unused(end, ends[end])
    found += balance_findings(balance)
    return tuple(found)


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


def _bottoming(end: End, summary: EndSummary, complete_laps: int, doubt: bool) -> list[Finding]:
    """Stops that repeat at one place; what to change only where no damper is in doubt."""
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
                suggestion=f"A damper without damping lets it bottom. {WAIT}"
                if doubt
                else f"Check {end} sag first. If it is right, the {end} needs more support here: spring, "
                + ("oil level" if end == "front" else "bump stop")
                + ", or compression damping if it arrives fast.",
                caution=DAMAGE_CAUTION if doubt else BOTTOMING_CAUTION,
            )
        )
    return found


def _unused(end: End, summary: EndSummary) -> list[Finding]:
    travel = summary.wheel.travel
    if measured_time(summary) or travel.used_pct >= MUCH_UNUSED_PCT:
        return []  # what it used while it was not measured is not known
    return [
        Finding(
            title=f"{end.capitalize()} leaves much travel unused",
            evidence=f"Deepest point {travel.max_mm:.0f} of {summary.wheel_stroke_mm:.0f} mm at the wheel.",
            suggestion=f"If the pace was full, a softer {end} would use more of it: check {end} sag, then spring.",
            caution=CHANGE_CAUTION,
        )
    ]
