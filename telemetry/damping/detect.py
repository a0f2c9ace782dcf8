"""The way of the detector: from motion and place to a verdict with its events and its reasons."""

from dataclasses import replace

import numpy as np

from telemetry.arrays import End
from telemetry.bike import Bike
from telemetry.damping.course import damper_course, find_fall, level_state, told_apart
from telemetry.damping.equation import SLOWEST_M_S
from telemetry.damping.fade import OTHER_PRIORS, damping_by_lap, damping_by_speed, pole_ratio, read_laps
from telemetry.damping.judge import Judged, judge
from telemetry.damping.level import with_levels
from telemetry.damping.limit import detection_limits
from telemetry.damping.listen import LEAST_MOVING_S, Heard, listen, listen_to_front
from telemetry.damping.oscillation import DamperCourse, DetectionLimit, Oscillation, OscillationEvent
from telemetry.damping.places import gather
from telemetry.damping.refusal import refusal
from telemetry.damping.verdict import verdict
from telemetry.laps import Track, lap_length_m, laps_at_pace
from telemetry.motion import Motion


def find_oscillation(motion: Motion, track: Track, bike: Bike) -> Oscillation:
    """Look for stretches in which the rear wheel hop rang as if hardly damped.

    The rear wheel's equation of motion is learned from the outing, with what the front met of the road in it;
    short blocks then tell how likely lost and healthy damping are, and candidates have to answer questions.

    Parameters
    ----------
    bike : Bike
        Masses, tyre rate and chassis narrow the search; a wide default stands in for them.
    """
    if reason := refusal(motion):
        return Oscillation("cannot_tell", reason)
    heard = listen(motion, track, bike)
    if heard is None:
        return Oscillation(
            "cannot_tell",
            f"There is less than {LEAST_MOVING_S:.0f} s of riding in which all that is needed was measured.",
        )
    return assess(heard, motion, track, bike)


def assess(heard: Heard, motion: Motion, track: Track, bike: Bike) -> Oscillation:
    """The answer for a run that was listened to; arguments as of `find_oscillation`."""
    judged = judge(heard, motion, track, bike)
    limits = _limits(heard, judged)
    events = with_levels(judged.events, limits)
    unexplained = sum(not one.explained for one in judged.rejected)
    share = _judged_share(heard, motion, track)
    front_events: tuple[OscillationEvent, ...] = ()
    front = listen_to_front(heard, motion, track, bike)
    course: dict[End, DamperCourse] = {}
    course["rear"] = _course(heard, front, motion, track)
    if front is not None:
        course["front"] = _course(front, heard, motion, track)
        front_judged = judge(front, motion, track, bike)
        found = front_judged.events
        front_events = with_levels(found, _limits(front, front_judged)) if found else ()
    course = told_apart(course)
    answer, reason = verdict(heard.learned, heard.missing, events, unexplained, limits, course["rear"], share)
    return Oscillation(
        verdict=answer,
        reason=reason,
        events=events,
        rejected=judged.rejected,
        fade=course["rear"].laps,
        trend=course["rear"].trend,
        course=course,
        limits=limits,
        places=gather(events, lap_length_m(track.laps)),
        front_events=front_events,
        band_hz=heard.hop.band_hz,
        band_from_bike=heard.hop.from_bike,
        unexplained=unexplained,
        judged_share=share,
    )


def _judged_share(heard: Heard, motion: Motion, track: Track) -> float:
    """Share of the time at speed in which all was measured that is needed."""
    speed = track.speed_m_s
    at_speed = np.count_nonzero(speed > SLOWEST_M_S) if np.isfinite(speed).any() else len(speed)
    judged_s = np.count_nonzero(heard.equation.usable) * heard.equation.step_s
    return float(min(judged_s * motion.sample_rate_hz / max(at_speed, 1), 1.0))


def _limits(heard: Heard, judged: Judged) -> tuple[DetectionLimit, ...]:
    """What loss this log could show; nothing without the front and ground speed."""
    if not judged.looked_at:
        return ()
    return detection_limits(heard, judged.looked_at)


def _course(heard: Heard, other: Heard | None, motion: Motion, track: Track) -> DamperCourse:
    """What one end did over the laps."""
    hop, learned, end = heard.hop, heard.learned, motion.ends[heard.end]
    read = read_laps(
        heard.equation,
        hop,
        learned,
        laps_at_pace(track.laps),
        end.wheel_stroke_mm / end.stroke_mm,
        None if other is None else (other.hop, other.learned.pole),
    )
    laps = damping_by_lap(read, hop)
    fall = find_fall(laps)
    if fall and not all(find_fall(damping_by_lap(read, hop, prior)) for prior in OTHER_PRIORS):
        fall = None
    # with the wheel's own past: without it the ratio reads 1.8 times too high, with it 0.97 (median of 40 outings of
    # tests/benchmarks/detection, choosing seeds)
    ratio = pole_ratio(learned.pole, hop)
    level = level_state(learned.pole, ratio, hop)
    course = damper_course(laps, ratio, heard.end, level, knows_road=heard.equation.knows_road, fall=fall)
    return replace(course, by_speed=damping_by_speed(read, hop))
