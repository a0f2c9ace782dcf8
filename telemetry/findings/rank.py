"""From numbers to words: the first sentences of a review, and the findings in their order.

Every sentence is made from values that stand in the summary, so that it can be checked against them. Thresholds
are choices of ours or common practice, with no source; they decide about words, never about numbers.
"""

from collections.abc import Iterable, Mapping

from telemetry.arrays import End
from telemetry.balance import Balance
from telemetry.damping import Oscillation, dampers_in_doubt, dampers_not_judged
from telemetry.findings.balance import EVEN_WITHIN, balance_candidates, balance_sentence, damping_sentence
from telemetry.findings.damping import damping_findings, oscillation_sentence, suspicions
from telemetry.findings.rules import WAIT, Setting, settle, travel_not_in_hand
from telemetry.findings.travel import bottoming_candidates, packing_candidates, shift_candidates
from telemetry.laps import lap_length_m, laps_at_pace
from telemetry.motion import EndSummary, PackingEvent, judged_ends
from telemetry.notes import QualityNote
from telemetry.summary import Finding, LapSummary, RunInfo, Summary, Trend, count_word, measured_time

LEAST_REPEATS = 2


def trust_sentence(run: RunInfo, laps: Iterable[LapSummary], quality: Iterable[QualityNote]) -> str:
    """Whether the log can be trusted, in one sentence."""
    whole = [lap for lap in laps if lap.complete]
    refused = [note for note in quality if note.severity == "refused"]
    warned = [note for note in quality if note.severity == "warning"]
    base = f"{count_word(len(whole), 'complete lap')} at {run.sample_rate_hz:.0f} Hz"
    if refused:
        return f"The log cannot answer everything: {refused[0].message} ({base})"
    if warned:
        return f"Usable log with {count_word(len(warned), 'warning')}: {base}. The first warning: {warned[0].message}"
    return f"The log is OK: {base}, no warnings."


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
    if summary.stroke_open:
        return (
            f"{end.capitalize()}{seen and f' (measured for {seen})'} went {travel.max_mm:.0f} mm deep (wheel); whether "
            f"it bottomed is not known: the bike file leaves its stroke open."
        )
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
    laps: tuple[LapSummary, ...],
    ends: Mapping[End, EndSummary],
    balance: Balance,
    oscillation: Oscillation,
    *,
    packing: tuple[PackingEvent, ...] = (),
    trends: tuple[Trend, ...] = (),
    clicks: Mapping[str, float] | None = None,
    sized: frozenset[str] | None = None,
) -> tuple[Finding, ...]:
    """What asks for a change or a check, faults first; with a damper in doubt no change.

    Parameters
    ----------
    laps, ends, balance, oscillation, packing, trends
        Parts of a `Summary`.
    clicks : mapping of str to float, optional
        Clicks from fully closed by bike-file key, ``rear.rebound_clicks`` say; `Summary.bike_values` has them.
    sized : frozenset of str, optional
        Keys of the bike file whose effect on the laps can be computed.

    Returns
    -------
    tuple of Finding
        No two of them ask for opposite changes of one adjuster; empty where nothing asks for a change.
    """
    damping = damping_findings(oscillation, lap_length_m(laps))
    here = judged_ends(ends)
    candidates = [one for end in here for one in bottoming_candidates(end, here[end], laps)]
    if doubtful := dampers_in_doubt(oscillation):
        which = f"{' and '.join(sorted(doubtful))} damper{' is' if len(doubtful) == 1 else 's are'}"
        held = Setting(held=f"The {which} in doubt, and lost damping can let an end bottom. {WAIT}")
        return (*damping, *settle(candidates, held))
    candidates += packing_candidates(packing, laps)
    candidates += balance_candidates(balance)
    candidates += shift_candidates(trends)
    return (*damping, *settle(candidates, Setting(travel_not_in_hand(ends), clicks or {}, sized=sized)))


def nothing_asks(summary: Summary) -> tuple[str, ...]:
    """Sentences that nothing in a review asks for a change, and what could not be judged; empty with findings."""
    if summary.findings:
        return ()
    open_ = _not_judged(summary)
    if not judged_ends(summary.ends):
        return ("Cannot tell whether anything asks for a change: no end was judged.",)
    if not open_:
        return ("Nothing in this log asks for a change.",)
    return (
        "Nothing in this log asks for a change, as far as it can be judged.",
        f"Not judged: {'; '.join(open_)}.",
    )


def _not_judged(summary: Summary) -> list[str]:
    """What a review leaves open, in words."""
    not_judged = []
    for end, one in summary.ends.items():
        if not one.judged:
            not_judged.append(f"the {end}")
        elif seen := measured_time(one):
            not_judged.append(f"the {end} outside {seen}")
    if len(laps_at_pace(summary.laps)) < LEAST_REPEATS:
        not_judged.append("what repeats from lap to lap (fewer than two complete laps at pace)")
    not_judged += [f"{end} damping" for end in dampers_not_judged(summary.oscillation)]
    bump = summary.balance.same_bump
    for ratio, verb in (
        (None if bump is None else bump.compression, "go down"),
        (None if bump is None else bump.rebound, "come up"),
    ):
        if ratio is None or ratio.value is None or ratio.ci95 is None:
            not_judged.append(f"how the ends {verb} on the same bump")
        elif (off := max(abs(limit - 1) for limit in ratio.ci95)) > EVEN_WITHIN:
            not_judged.append(
                f"how the ends {verb} on the same bump (they may differ by up to {100 * off:.0f} %)"
            )
    return not_judged
