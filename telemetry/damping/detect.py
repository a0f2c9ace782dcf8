"""The way of the detector: from motion and place to a verdict with its events and its reasons."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike import Bike, leverage_curve
from telemetry.damping.candidates import Candidate, locate, objection
from telemetry.damping.delay import best_delay_s
from telemetry.damping.equation import RearEquation, rear_equation
from telemetry.damping.estimate import Ringing, estimate
from telemetry.damping.evidence import (
    PoleGrid,
    block_log_likelihood,
    over_threshold,
    pole_grid,
)
from telemetry.damping.fade import damping_trend, lap_damping
from telemetry.damping.hop import RearHop, rear_hop
from telemetry.damping.learn import Learned, learn
from telemetry.damping.oscillation import Oscillation, OscillationEvent, RejectedCandidate
from telemetry.damping.tone import find_tone
from telemetry.damping.verdict import verdict
from telemetry.damping.wheelline import Line, find_wheel_turning
from telemetry.laps import Track, place_at
from telemetry.motion import Motion

SLOWEST_LOG_HZ = 99.0  # a log called 100 Hz may have a clock a little off
LEAST_MOVING_S = 20.0
# Evidence (ln of likelihood ratio) a window needs, by its length [s]. Chosen on the tuning seeds of
# tests/benchmarks/detection; they belong to the band, the blocks and the classes, and change with them.
THRESHOLDS = {0.5: 4.0, 0.75: 3.5, 1.0: 3.0, 1.5: 2.0, 2.0: 1.0, 3.0: 0.0}
# Without the front's news, what looks like it at first.
THRESHOLDS_BLIND = {0.75: 8.0, 1.0: 8.0, 1.5: 8.0, 2.0: 8.0, 3.0: 8.0}
SHORTEST_S = 0.3
MOST_REJECTED = 20


@dataclass(frozen=True)
class _Heard:
    """All that was made of a run before it is judged."""

    equation: RearEquation
    hop: RearHop
    learned: Learned
    predicted: FloatArray
    grid: PoleGrid
    wheel_hz: FloatArray | None


def find_oscillation(motion: Motion, track: Track, bike: Bike) -> Oscillation:
    """Look for stretches in which the rear wheel hop rang as if hardly damped.

    The rear wheel's equation of motion is learned from the outing, with the front's news of the road in it;
    short blocks then tell how likely lost and healthy damping are, and candidates have to answer questions.

    Parameters
    ----------
    motion : Motion
    track : Track
    bike : Bike
        Masses, tyre rate and chassis narrow the search; a wide default stands in for them.

    Returns
    -------
    Oscillation
    """
    refusal = _refusal(motion)
    if refusal:
        return Oscillation("cannot_tell", refusal)
    heard = _listen(motion, track, bike)
    if heard is None:
        return Oscillation(
            "cannot_tell",
            f"There is less than {LEAST_MOVING_S:.0f} s of riding in which all that is needed was measured.",
        )
    fade = tuple(
        lap_damping(heard.equation, heard.predicted, heard.hop, heard.learned.pole, lap)
        for lap in track.laps
        if lap.complete
    )
    events, rejected = _judge(heard, motion, track, bike)
    blind = () if heard.equation.knows_road else rejected
    answer, reason = verdict(heard.learned, heard.equation.knows_road, events, blind)
    return Oscillation(answer, reason, events, rejected, fade, damping_trend(fade))


def _refusal(motion: Motion) -> str:
    if "rear" not in motion.ends or not np.isfinite(motion.ends["rear"].wheel_travel_mm).any():
        return "There is no rear travel in the log; nothing can be said of the rear damper."
    if motion.sample_rate_hz < SLOWEST_LOG_HZ:
        return (
            f"The log has {motion.sample_rate_hz:.0f} samples a second; an oscillation of 12-20 Hz needs at least "
            "100, better 200 and more."
        )
    return ""


def _listen(motion: Motion, track: Track, bike: Bike) -> _Heard | None:
    hop = rear_hop(bike)
    read = rear_equation(motion, track)
    if read.usable.sum() * read.step_s < LEAST_MOVING_S:
        return None
    radius_mm = bike.rear.tyre_radius_mm
    tone = find_tone(read.rear[2], read.usable, read.step_s)
    first = _learn_beside_line(_without(tone, read), hop, radius_mm, None)
    if first is None:
        return None
    delay_s = best_delay_s(read, hop, first.turning)
    delayed = _without(tone, read.delayed(delay_s))
    heard = _learn_beside_line(delayed, hop, radius_mm, first.turning) or first
    wheel_hz = None
    if heard.turning is not None:
        wheel_hz = heard.turning.rate_hz
    elif read.ground_speed_m_s is not None:
        wheel_hz = read.ground_speed_m_s / (2e-3 * np.pi * radius_mm)
    predicted = heard.learned.predicted(heard.equation)
    return _Heard(heard.equation, hop, heard.learned, predicted, pole_grid(hop, heard.learned.pole), wheel_hz)


@dataclass(frozen=True)
class _Lesson:
    """What was learned, and the equation with the wheel's line taken out as far as it is usual."""

    equation: RearEquation
    learned: Learned
    turning: Line | None


def _learn_beside_line(
    read: RearEquation, hop: RearHop, radius_mm: float, before: Line | None
) -> _Lesson | None:
    """Learn with the wheel's own line out of the way: it spoils what is learned.

    It is looked for in what the equation leaves; ``before`` is what was known of it.
    """
    clear = _without(before, read)
    learned = learn(clear, hop)
    if learned is None:
        return None
    if read.ground_speed_m_s is None:
        return _Lesson(read, learned, None)
    left = learned.row @ read.rear - learned.predicted(clear)
    turning = find_wheel_turning(left, read.usable, read.ground_speed_m_s, read.step_s, radius_mm)
    if turning is None:
        return _Lesson(read, learned, None)
    clear = _without(turning, read)
    usual = turning.without_usual_line(read.rear, read.rear[2])
    return _Lesson(replace(clear, rear=usual), learn(clear, hop) or learned, turning)


def _without(line: Line | None, read: RearEquation) -> RearEquation:
    if line is None:
        return read
    return replace(read, rear=line.without_line(read.rear), known=line.without_line(read.known))


def _judge(
    heard: _Heard, motion: Motion, track: Track, bike: Bike
) -> tuple[tuple[OscillationEvent, ...], tuple[RejectedCandidate, ...]]:
    """Candidates with the front's news are judged; what only looks like it without them is explained."""
    equation, grid = heard.equation, heard.grid
    likelihood, whole = block_log_likelihood(equation, heard.predicted, grid)
    blind, _ = block_log_likelihood(equation, np.zeros(len(equation.t_s)), grid)
    events, rejected = [], []
    taken: list[tuple[float, float]] = []
    if equation.knows_road:
        for found in over_threshold(likelihood, whole, grid, THRESHOLDS):
            candidate = locate(equation, heard.predicted, grid, likelihood, found)
            inside = equation.span(candidate.start_s, candidate.end_s)
            if candidate.end_s - candidate.start_s < SHORTEST_S:
                continue
            ringing = estimate(equation, inside, heard.learned, heard.hop)
            against = objection(equation, inside, ringing, heard.wheel_hz, _travel_share(motion, candidate))
            taken.append((candidate.start_s, candidate.end_s))
            if against is None:
                events.append(_event(heard, candidate, ringing, inside, motion, track, bike))
            else:
                rejected.append((candidate.over, _rejected(candidate, against, motion, track)))
    for found in over_threshold(blind, whole, grid, THRESHOLDS_BLIND):
        candidate = locate(equation, np.zeros(len(equation.t_s)), grid, blind, found)
        if any(candidate.start_s < end and candidate.end_s > start for start, end in taken):
            continue
        reason = _looked_like_it(heard, candidate, motion)
        rejected.append((candidate.over, _rejected(candidate, reason, motion, track)))
    strongest = sorted(rejected, key=lambda pair: -pair[0])[:MOST_REJECTED]
    return tuple(events), tuple(sorted((entry for _, entry in strongest), key=lambda entry: entry.start_s))


def _looked_like_it(heard: _Heard, candidate: Candidate, motion: Motion) -> str:
    equation, grid = heard.equation, heard.grid
    inside = equation.span(candidate.start_s, candidate.end_s)
    hz = grid.frequency_hz[candidate.lost]
    if not equation.knows_road:
        ringing = estimate(equation, inside, heard.learned, heard.hop)
        against = objection(equation, inside, ringing, heard.wheel_hz, _travel_share(motion, candidate))
        return against or (
            f"The rear rang near {hz:.0f} Hz, but without front travel and ground speed it cannot be told from kerb "
            "ridges or a wheel out of balance."
        )
    rear = grid.row[candidate.healthy] @ equation.rear[:, inside]
    share = 1.0 - np.mean((rear - heard.predicted[inside]) ** 2) / np.mean(rear**2)
    if share > 0.3:
        return (
            f"The rear swung near {hz:.0f} Hz because the road did: the front had met the same a wheelbase earlier, "
            f"and it explains {100 * share:.0f} % of what the rear did with a healthy damper."
        )
    return f"The rear swung near {hz:.0f} Hz, but its damping is as likely healthy as lost once the road is known."


def _travel_share(motion: Motion, candidate: Candidate) -> float:
    rear = motion.ends["rear"]
    inside = slice(_sample(motion, candidate.start_s), _sample(motion, candidate.end_s) + 1)
    return float(np.nanmedian(rear.wheel_travel_mm[inside])) / rear.wheel_stroke_mm


def _rejected(candidate: Candidate, reason: str, motion: Motion, track: Track) -> RejectedCandidate:
    place = place_at(track, _sample(motion, candidate.start_s))
    return RejectedCandidate(candidate.start_s, candidate.end_s, place.lap, place.distance_m, reason)


def _sample(motion: Motion, at_s: float) -> int:
    sample = round(float(at_s - motion.t_s[0]) * motion.sample_rate_hz)
    return min(max(sample, 0), len(motion.t_s) - 1)


def _event(
    heard: _Heard,
    candidate: Candidate,
    ringing: Ringing,
    inside: slice,
    motion: Motion,
    track: Track,
    bike: Bike,
) -> OscillationEvent:
    start, end = _sample(motion, candidate.start_s), _sample(motion, candidate.end_s) + 1
    place = place_at(track, start)
    shaft = motion.ends["rear"].shaft_travel_mm[start:end]
    leverage = float(np.nanmean(leverage_curve(bike, "rear").ratio(shaft)))
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
        confidence=confidence(candidate.over),
        evidence=_evidence_words(candidate, ringing, heard.learned),
    )


def _evidence_words(candidate: Candidate, ringing: Ringing, learned: Learned) -> str:
    low, high = ringing.damping_ratio_ci95
    return (
        "With the road that the front had met taken out, the rear wheel was damped at a ratio of "
        f"{ringing.damping_ratio:.2f} (95 % {low:.2f} to {high:.2f}) against {learned.pole.damping_ratio:.2f} over "
        f"the outing; the evidence for lost damping is {_clearly(candidate.over)} what is asked of a stretch this "
        "long."
    )


def _clearly(over: float) -> str:
    """Words for evidence beyond the threshold, in natural logarithms of a likelihood ratio."""
    return "far above" if over > 6.0 else "well above" if over > 2.0 else "just above"


def confidence(over: float) -> float:
    """Confidence from the evidence beyond the threshold: 0.5 at the threshold, near 1 far above it."""
    return float(1.0 / (1.0 + np.exp(-0.35 * over)))
