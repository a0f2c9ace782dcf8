"""Events from evidence: candidate stretches, the tests of each, and the sentences about it."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.bike import Bike, leverage_curve
from telemetry.damping.detector_model import DetectorModel
from telemetry.damping.equation import BLOCK_S, WheelEquation
from telemetry.damping.evidence import (
    PoleGrid,
    Ringing,
    Windows,
    best_run,
    block_log_likelihood,
    estimate,
    joined,
    over_threshold,
    windows,
)
from telemetry.damping.hop import FREEDOM_PER_S, FREQUENCY_HZ, LOST_BELOW, REFERENCE_HZ, band_gain
from telemetry.damping.questions import (
    SwingByPlace,
    checks,
    line_over_lost,
    place_check,
    slow_speed,
    speed_check,
    swing_by_place,
)
from telemetry.damping.verdict import ENOUGH_S, Check, EventEvidence, OscillationEvent, RejectedCandidate
from telemetry.laps import Track, place_at
from telemetry.motion import Motion

EDGE_SEARCH_S = 0.75
EDGE_WINDOW_S = 0.2
# Windows that reach so far into a stretch that was located still count as beside it.
EDGE_BLOCKS = 0.5


@dataclass(frozen=True)
class Candidate:
    """A stretch on the run's clock [s]; ``over`` is its largest evidence over the threshold of its length.

    ``lost`` and ``healthy`` are the indices in the grid of the likeliest pole of each class.
    """

    start_s: float
    end_s: float
    over: float
    lost: int
    healthy: int


def candidates(
    equation: WheelEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    found: list[tuple[int, int, float]],
) -> list[Candidate]:
    """Candidate stretches in order of time, from the windows of `over_threshold`.

    Windows that overlap are one stretch, but what lies outside it with evidence of its own is another: of two losses
    that nearly touch both are found.
    """
    free = equation.usable.copy()
    length = BLOCK_S / equation.step_s
    done = []
    groups = joined(found)
    while groups:
        group = groups.pop()
        first, last = group[0][0], max(window[1] for window in group)
        over = max(window[2] for window in group)
        candidate, inside = locate(equation, predicted, grid, (first, last, over), free)
        done.append(candidate)
        free[inside] = False
        start, stop = inside.start / length, inside.stop / length
        groups += joined([w for w in group if w[1] <= start + EDGE_BLOCKS or w[0] >= stop - EDGE_BLOCKS])
    return sorted(done, key=lambda candidate: candidate.start_s)


def locate(
    equation: WheelEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    found: tuple[int, int, float],
    free: BoolArray,
) -> tuple[Candidate, slice]:
    """Samples of a candidate: the run of ``free`` moments with the largest summed evidence.

    ``found`` is first block, one past the last, evidence over threshold.
    """
    first, last, over = found
    total = block_log_likelihood(equation, predicted, grid, np.arange(first, last)).sum(axis=1)
    lost = int(np.argmax(np.where(grid.lost, total, -np.inf)))
    healthy = int(np.argmax(np.where(grid.healthy, total, -np.inf)))
    length = round(BLOCK_S / equation.step_s)
    margin = round(EDGE_SEARCH_S / equation.step_s)
    low = max(first * length - margin, 0)
    high = min(last * length + margin, len(predicted))
    width = round(EDGE_WINDOW_S / equation.step_s)
    box = np.full(width, 1.0 / width)

    def local(pole: int) -> FloatArray:
        left = grid.row[pole] @ equation.own[:, low:high] - predicted[low:high]
        square = np.convolve(left**2, box, mode="same")
        return np.asarray(0.5 * (grid.gain[pole] - np.log(np.maximum(square, 1e-9))))

    gain = FREEDOM_PER_S * equation.step_s * (local(lost) - local(healthy))
    gain[~free[low:high]] = -1.0
    a, b = best_run(gain)
    if b - a < width:
        a, b = first * length - low, last * length - low
    inside = slice(low + a, low + b)
    start_s, end_s = equation.time_s(inside.start), equation.time_s(min(inside.stop, len(predicted)) - 1)
    return Candidate(start_s, end_s, over, lost, healthy), inside


# Evidence (ln of likelihood ratio) a window needs, by its length [s]. Chosen on the tuning seeds of
# tests/benchmarks/detection; they belong to the band, the blocks and the classes, and change with them.
THRESHOLDS = {0.5: 7.0, 0.75: 4.5, 1.0: 3.5, 1.5: 2.0, 2.0: 1.0, 3.0: 0.0}
# Without the road known from the front: what looks like a loss at first.
THRESHOLDS_BLIND = {0.75: 8.0, 1.0: 8.0, 1.5: 8.0, 2.0: 8.0, 3.0: 8.0}
SHORTEST_S = 0.3
# Log odds that a candidate is a real loss: logistic regression on its evidence over the threshold and its length [s],
# over 1576 candidates of 380 outings of tests/benchmarks/detection (choosing seeds 300000 to 430060, sound and failing
# in every way). It gave 0.16 to 0.20 and 3.6 to 4.3, without and with strongly one-sided sound dampers. The constant
# was fitted once more, over 789 events, after the question of like speeds took out most of the false ones: it gave
# -1.2 to -1.3.
LOG_ODDS, LOG_ODDS_PER_EVIDENCE, LOG_ODDS_PER_S = -1.5, 0.17, 4.2
# An event is clearly likelier a loss than not. A choice of ours.
LEAST_CONFIDENCE = 0.6
# The rear meets the road after the front and knows less of it: on sound forks stretches of up to half a second came.
# A front event is therefore longer, and damped no more than a tyre and friction do alone.
SHORTEST_FRONT_S, MOST_FRONT_RATIO = 0.6, 1.2 * LOST_BELOW
# Why a stretch like those of all other laps at its place is no event.
EVERY_LAP = (
    "The rear oscillated here as much on every lap. The cause can be a ridge or kerb that only the rear wheel meets, "
    "or a damper that fails here on every lap: this log cannot tell. Look at the road here, or ride another line."
)
# A wheel that is hardly damped still answers the road that the other met before. Below this share of what drove it
# another road did: the rear ran over a ridge that the front missed. A choice of ours.
LEAST_OF_THE_ROAD = 0.3
OTHER_ROAD = (
    "The road that the front met explains {:.0f} % of the rear's motion here. The cause can be a ridge or kerb that "
    "only the rear wheel meets, with a good damper or a failing one: this log cannot tell. Look at the road here."
)
AROUND_S = 0.5  # shown before and after an event
SPECTRUM_S = 2.0  # padded to it, for bins of half a hertz
MOST_REJECTED = 20


@dataclass(frozen=True)
class Judged:
    """Judged candidates; ``looked_at`` are the windows compared, with the road known.

    ``for_line`` is, for each event, ln of the likelihood of a line over a sound damper over that of a lost one.
    """

    events: tuple[OscillationEvent, ...]
    rejected: tuple[RejectedCandidate, ...]
    looked_at: tuple[Windows, ...]
    for_line: tuple[float, ...]


@dataclass(frozen=True)
class _Told:
    """A stretch that passed its questions; ``why`` says why it may be a ridge instead, "" where it is a loss."""

    candidate: Candidate
    event: OscillationEvent
    for_line: float
    why: str


def judge(
    model: DetectorModel, motion: Motion, track: Track, bike: Bike, *, threshold_offset: float = 0.0
) -> Judged:
    """Judge the candidates found with the road known from the other wheel, and explain those found without it.

    Explaining is for the rear only: at the front it would name every kerb. What ``threshold_offset`` (for benchmarks)
    adds is below `LEAST_CONFIDENCE`.
    """
    equation, grid = model.equation, model.grid
    told: list[_Told] = []
    rejected: list[tuple[float, RejectedCandidate]] = []
    taken: list[tuple[float, float]] = []
    looked_at: tuple[Windows, ...] = ()
    if equation.knows_road:
        looked_at = windows(equation, model.predicted, grid, THRESHOLDS, model.swing)
        found = over_threshold(looked_at, threshold_offset)
        by_place = swing_by_place(model, motion, track) if found else None
        slow = slow_speed(model, motion) if found else None
        for candidate in candidates(equation, model.predicted, grid, found):
            seconds = candidate.end_s - candidate.start_s
            if seconds < (SHORTEST_S if model.end == "rear" else SHORTEST_FRONT_S):
                continue
            if confidence(candidate.over + threshold_offset, seconds) < LEAST_CONFIDENCE:
                continue
            inside = equation.span(candidate.start_s, candidate.end_s)
            ringing = estimate(equation, inside, model.fitted, model.hop)
            if model.end == "front" and ringing.damping_ratio > MOST_FRONT_RATIO:
                continue
            taken.append((candidate.start_s, candidate.end_s))
            if (held := _still_damped(model, ringing)) is not None:
                rejected.append((candidate.over, _rejected(candidate, held, motion, track)))
                continue
            answers = checks(model, model.predicted, inside, _travel_share(model.end, motion, candidate))
            if by_place is not None and not answers[-1].against:
                answers = (*answers, *place_check(by_place, model.end, candidate.start_s, candidate.end_s))
            if slow is not None and not answers[-1].against:
                answers = (*answers, *speed_check(model, slow, inside, ringing.damping_ratio_ci95[1]))
            if answers[-1].against:
                rejected.append((candidate.over, _rejected(candidate, answers[-1].answer, motion, track)))
                continue
            answers = (_other_felt(model, candidate, inside), *answers)
            event = _event(model, candidate, ringing, inside, answers, motion, track, bike)
            line = line_over_lost(model, model.predicted, inside)[0]
            told.append(_Told(candidate, event, line, _cannot_tell(model, candidate, inside, by_place)))
    # a damper that fails elsewhere in the outing is likelier to have failed where it cannot be told
    fails = sum(one.event.end_s - one.event.start_s for one in told if not one.why) >= ENOUGH_S
    kept = told if fails else [one for one in told if not one.why]
    events, for_line = tuple(one.event for one in kept), tuple(one.for_line for one in kept)
    if model.end == "front":
        return Judged(events, (), looked_at, for_line)
    unclear = [] if fails else [one for one in told if one.why]
    for one in unclear:
        here = _rejected(one.candidate, one.why, motion, track)
        rejected.append((one.candidate.over, replace(here, explained=False)))
    rejected += _without_the_road(model, motion, track, taken)
    strongest = sorted(rejected, key=lambda pair: -pair[0])[:MOST_REJECTED]
    in_order = tuple(sorted((entry for _, entry in strongest), key=lambda entry: entry.start_s))
    return Judged(events, in_order, looked_at, for_line)


def _without_the_road(
    model: DetectorModel, motion: Motion, track: Track, taken: list[tuple[float, float]]
) -> list[tuple[float, RejectedCandidate]]:
    """What rings when nothing is taken to be known of the road, with its evidence and why it is no event."""
    equation, no_road = model.equation, np.zeros(len(model.equation.usable))
    found = over_threshold(windows(equation, no_road, model.grid, THRESHOLDS_BLIND))
    rejected = []
    for candidate in candidates(equation, no_road, model.grid, found):
        if any(candidate.start_s < end and candidate.end_s > start for start, end in taken):
            continue
        reason, explained = _looked_like_it(model, candidate, motion)
        rejected.append(
            (candidate.over, replace(_rejected(candidate, reason, motion, track), explained=explained))
        )
    return rejected


def _still_damped(model: DetectorModel, ringing: Ringing) -> str | None:
    """Why a stretch is no loss: its damping ratio lies, with its whole interval, where a damper works.

    A fit with more damping than the outing has does not describe the stretch, and says nothing.
    """
    low, high = ringing.damping_ratio_ci95
    works_from = model.grid.damping_ratio[model.grid.healthy].min()
    if low < works_from or ringing.damping_ratio > model.reference.pole.damping_ratio:
        return None
    return (
        f"The damping ratio of the {model.end} was lower than usual, {ringing.damping_ratio:.2f} "
        f"(95 % {low:.2f} to {high:.2f}), but its damper worked."
    )


def _cannot_tell(
    model: DetectorModel, candidate: Candidate, inside: slice, by_place: SwingByPlace | None
) -> str:
    """Why a stretch of the rear may be a ridge that only the rear meets, and no loss; "" where it is a loss."""
    if model.end == "front":
        return ""
    if by_place is not None and by_place.on_every_lap(candidate.start_s, candidate.end_s):
        return EVERY_LAP
    share = _explained_share(model, candidate.lost, inside)
    return OTHER_ROAD.format(max(100 * share, 0.0)) if share < LEAST_OF_THE_ROAD else ""


def _explained_share(model: DetectorModel, pole: int, inside: slice) -> float:
    """Share of what the wheel did that the other explains with a pole of the grid."""
    own = model.grid.row[pole] @ model.equation.own[:, inside]
    return float(1.0 - np.mean((own - model.predicted[inside]) ** 2) / np.mean(own**2))


def _other_felt(model: DetectorModel, candidate: Candidate, inside: slice) -> Check:
    other, when = ("front", "met before") if model.end == "rear" else ("rear", "met after")
    share = max(_explained_share(model, candidate.healthy, inside), 0.0)
    return Check(
        f"Did the {other} move in the same way?",
        f"No: the road that the {other} {when} explains {100 * share:.0f} % of the {model.end}'s motion with a healthy "
        "damper; with lost damping the fit is clearly better.",
    )


def _looked_like_it(model: DetectorModel, candidate: Candidate, motion: Motion) -> tuple[str, bool]:
    """Why it is not called, and whether that is another cause."""
    equation, grid = model.equation, model.grid
    inside = equation.span(candidate.start_s, candidate.end_s)
    hz = grid.frequency_hz[candidate.lost]
    if not equation.knows_road:
        last = checks(model, model.predicted, inside, _travel_share(model.end, motion, candidate))[-1]
        if last.against:
            return last.answer, True
        return (
            f"The rear oscillated near {hz:.0f} Hz, but without {model.missing} this cannot be told from kerb ridges "
            "or a wheel out of balance."
        ), False
    share = _explained_share(model, candidate.healthy, inside)
    if share > LEAST_OF_THE_ROAD:
        return (
            f"The rear oscillated near {hz:.0f} Hz {'' if share > 0.5 else 'in part '}because of the road: the front "
            f"met the same road one wheelbase earlier, and with a healthy damper it explains {100 * share:.0f} % of "
            "the rear's motion."
        ), True
    return (
        f"The rear oscillated near {hz:.0f} Hz, but with the road taken into account healthy and lost damping are "
        "equally likely.",
        True,
    )


def _travel_share(end: End, motion: Motion, candidate: Candidate) -> float:
    measured = motion.ends[end]
    inside = slice(_sample(motion, candidate.start_s), _sample(motion, candidate.end_s) + 1)
    return float(np.nanmedian(measured.wheel_travel_mm[inside])) / measured.wheel_stroke_mm


def _rejected(candidate: Candidate, reason: str, motion: Motion, track: Track) -> RejectedCandidate:
    place = place_at(track, _sample(motion, candidate.start_s))
    return RejectedCandidate(candidate.start_s, candidate.end_s, place.lap, place.distance_m, reason)


def _sample(motion: Motion, at_s: float) -> int:
    sample = round(float(at_s - motion.t_s[0]) * motion.sample_rate_hz)
    return min(max(sample, 0), len(motion.t_s) - 1)


def _event(
    model: DetectorModel,
    candidate: Candidate,
    ringing: Ringing,
    inside: slice,
    answers: tuple[Check, ...],
    motion: Motion,
    track: Track,
    bike: Bike,
) -> OscillationEvent:
    start, end = _sample(motion, candidate.start_s), _sample(motion, candidate.end_s) + 1
    place = place_at(track, start)
    shaft = motion.ends[model.end].shaft_travel_mm[start:end]
    curve = leverage_curve(bike, model.end)
    # a noisy sensor may read a little beyond the stroke
    leverage = float(np.nanmean(curve.ratio(np.clip(shaft, curve.shaft_mm[0], curve.shaft_mm[-1]))))
    return OscillationEvent(
        start_s=candidate.start_s,
        end_s=candidate.end_s,
        lap=place.lap,
        distance_m=place.distance_m,
        corner=place.corner,
        phase=place.phase,
        frequency_hz=ringing.frequency_hz,
        damping_ratio=ringing.damping_ratio,
        damping_ratio_ci95=ringing.damping_ratio_ci95,
        amplitude_mm=ringing.amplitude_mm,
        shaft_amplitude_mm=ringing.amplitude_mm / leverage,
        confidence=confidence(candidate.over, candidate.end_s - candidate.start_s),
        evidence=_evidence_words(candidate, model),
        checks=answers,
        seen=_seen(model, candidate, inside),
    )


def _seen(model: DetectorModel, candidate: Candidate, inside: slice) -> EventEvidence:
    """Trace and spectrum of an event, with a little before and after."""
    equation = model.equation
    around = round(AROUND_S / equation.step_s)
    shown = slice(max(inside.start - around, 0), min(inside.stop + around, len(equation.usable)))
    to_mm = 1.0 / (2 * np.pi * REFERENCE_HZ)  # of the integral of the speed
    own = equation.own[3, shown] * to_mm
    other = equation.known(shown)[3] * to_mm if equation.knows_road else np.empty(0)
    travel = equation.own[3, inside] * to_mm
    length = round(SPECTRUM_S / equation.step_s)
    taper = np.hanning(len(travel))
    padded = np.fft.rfft(travel * taper, max(length, len(travel)))
    hz = np.fft.rfftfreq(max(length, len(travel)), equation.step_s)
    density = np.abs(padded) ** 2 * 2.0 * equation.step_s / (taper**2).sum()
    kept = (hz >= FREQUENCY_HZ[0]) & (hz <= FREQUENCY_HZ[-1])
    hz, density = hz[kept], density[kept]
    lost, sound = band_gain(model.grid.row[candidate.lost], hz), band_gain(model.fitted.row, hz)

    def rounded(values: FloatArray, digits: int) -> tuple[float, ...]:
        return tuple(np.round(values, digits).tolist())

    return EventEvidence(
        start_s=equation.time_s(shown.start),
        step_s=equation.step_s,
        own_mm=rounded(own, 3),
        other_mm=rounded(other, 3),
        frequency_hz=rounded(hz, 2),
        own_mm2_hz=rounded(density, 5),
        healthy_mm2_hz=rounded(density * lost / sound, 5),
    )


def _evidence_words(candidate: Candidate, model: DetectorModel) -> str:
    other = "front" if model.end == "rear" else "rear"
    return (
        f"The usual damping ratio of the outing is {model.fitted.pole.damping_ratio:.2f}. The effect of the road, "
        f"measured at the {other}, is removed from both. The evidence for lost damping is "
        f"{_clearly(candidate.over)} the threshold for a stretch of this length."
    )


def _clearly(over: float) -> str:
    """Words for evidence beyond the threshold, in natural logarithms of a likelihood ratio."""
    return "far above" if over > 6.0 else "well above" if over > 2.0 else "just above"


def confidence(over: float, seconds: float) -> float:
    """Probability that a candidate is a real loss, by its evidence over the threshold and its length. [s]"""
    log_odds = LOG_ODDS + LOG_ODDS_PER_EVIDENCE * over + LOG_ODDS_PER_S * seconds
    return float(1.0 / (1.0 + np.exp(-log_odds)))


def evidence_over(event: OscillationEvent) -> float:
    """Evidence of an event beyond what a stretch as long needs, back from its confidence."""
    log_odds = float(np.log(event.confidence / max(1.0 - event.confidence, 1e-12)))
    by_length = LOG_ODDS + LOG_ODDS_PER_S * (event.end_s - event.start_s)
    least = float(np.log(LEAST_CONFIDENCE / (1.0 - LEAST_CONFIDENCE)))
    return (log_odds - max(by_length, least)) / LOG_ODDS_PER_EVIDENCE
