"""The way of the detector: from motion and place to a verdict with its events and its reasons."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from telemetry.arrays import End
from telemetry.bike import Bike
from telemetry.damping.byspeed import damping_by_speed, pole_ratio, read_laps
from telemetry.damping.course import damper_course, find_change, level_state, without_leaks
from telemetry.damping.detector_model import (
    LEAST_MOVING_S,
    DetectorModel,
    fit_detector_model,
    fit_front_detector_model,
)
from telemetry.damping.equation import SLOWEST_M_S
from telemetry.damping.fade import damping_by_lap, lap_spectra
from telemetry.damping.judge import Judged, judge
from telemetry.damping.level import with_levels
from telemetry.damping.limit import detection_limits
from telemetry.damping.oscillation import (
    DamperCourse,
    DetectionLimit,
    Oscillation,
    OscillationEvent,
    SpeedDamping,
)
from telemetry.damping.places import gather
from telemetry.damping.refusal import refusal
from telemetry.damping.verdict import verdict
from telemetry.laps import Lap, Track, lap_length_m, laps_at_pace
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
    model = fit_detector_model(motion, track, bike)
    if model is None:
        return Oscillation(
            "cannot_tell",
            f"There is less than {LEAST_MOVING_S:.0f} s of riding in which all that is needed was measured.",
        )
    return assess(model, motion, track, bike)


def assess(model: DetectorModel, motion: Motion, track: Track, bike: Bike) -> Oscillation:
    """The answer for a run whose model was fitted; arguments as of `find_oscillation`."""
    judged = judge(model, motion, track, bike)
    limits = _limits(model, judged)
    events = with_levels(judged.events, limits, track.laps)
    unexplained = sum(not one.explained for one in judged.rejected)
    share = _judged_share(model, motion, track)
    front_events: tuple[OscillationEvent, ...] = ()
    front = fit_front_detector_model(model, motion, track, bike)
    course = _courses(model, front, motion, track)
    if front is not None:
        front_judged = judge(front, motion, track, bike)
        found = front_judged.events
        front_events = with_levels(found, _limits(front, front_judged), track.laps) if found else ()
    answer, reason = verdict(model.fitted, model.missing, events, unexplained, limits, course["rear"], share)
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
        band_hz=model.hop.band_hz,
        band_from_bike=model.hop.from_bike,
        unexplained=unexplained,
        judged_share=share,
    )


def _judged_share(model: DetectorModel, motion: Motion, track: Track) -> float:
    """Share of the time at speed in which all was measured that is needed."""
    speed = track.speed_m_s
    at_speed = np.count_nonzero(speed > SLOWEST_M_S) if np.isfinite(speed).any() else len(speed)
    judged_s = np.count_nonzero(model.equation.usable) * model.equation.step_s
    return float(min(judged_s * motion.sample_rate_hz / max(at_speed, 1), 1.0))


def _limits(model: DetectorModel, judged: Judged) -> tuple[DetectionLimit, ...]:
    """What loss this log could show; nothing without the front and ground speed."""
    if not judged.looked_at:
        return ()
    return detection_limits(model, judged.looked_at)


def _courses(
    rear: DetectorModel, front: DetectorModel | None, motion: Motion, track: Track
) -> dict[End, DamperCourse]:
    """What each end did over the laps."""
    models: dict[End, DetectorModel] = {"rear": rear} if front is None else {"rear": rear, "front": front}
    at_pace = laps_at_pace(track.laps)
    # with the wheel's own past: without it the ratio reads 1.8 times too high, with it 0.97 (median of 40 outings of
    # tests/benchmarks/detection, choosing seeds)
    ratio = {end: pole_ratio(one.fitted.pole, one.hop) for end, one in models.items()}
    laps = {
        end: damping_by_lap(lap_spectra(one.equation, at_pace), one.hop, ratio[end])
        for end, one in models.items()
    }
    change = without_leaks({end: find_change(here) for end, here in laps.items()})
    course = {}
    for end, one in models.items():
        # with the wheel's own past: without it the ratio reads 1.8 times too high, with it 0.97 (median of 40 outings
        # of tests/benchmarks/detection, choosing seeds)
        level = level_state(one.fitted.pole, ratio[end], one.hop)
        told = damper_course(
            laps[end], ratio[end], end, level, knows_road=one.equation.knows_road, change=change[end]
        )
        course[end] = replace(
            told, by_speed=_by_speed(one, front if end == "rear" else rear, motion, at_pace)
        )
    return course


def _by_speed(
    model: DetectorModel, other: DetectorModel | None, motion: Motion, laps: Sequence[Lap]
) -> tuple[SpeedDamping, ...]:
    """Damping of one end by shaft speed."""
    end = motion.ends[model.end]
    read = read_laps(
        model.equation,
        model.hop,
        model.fitted,
        laps,
        end.wheel_stroke_mm / end.stroke_mm,
        None if other is None else (other.hop, other.fitted.pole),
    )
    return damping_by_speed(read, model.hop)
