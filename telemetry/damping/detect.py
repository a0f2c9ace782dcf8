"""Steps of the detector: from motion and place to a verdict with its events and reasons."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.bike import Bike
from telemetry.damping.course import (
    damper_course,
    damping_by_lap,
    damping_by_speed,
    find_change,
    lap_spectra,
    level_state,
    pole_ratio,
    read_laps,
    without_leaks,
)
from telemetry.damping.detector_model import (
    LEAST_MOVING_S,
    DetectorModel,
    fit_detector_model,
    fit_front_detector_model,
)
from telemetry.damping.equation import BLOCK_S, ORDERS, OWN, SLOWEST_M_S, WheelEquation, whole_blocks
from telemetry.damping.evidence import (
    Windows,
    class_evidence,
    find_swing,
    runs_of,
    stopped_by_bounds,
    swing_evidence,
    swing_over,
)
from telemetry.damping.hop import (
    FREQUENCY_HZ,
    HIGH_HZ,
    LOW_HZ,
    REFERENCE_HZ,
    band_response,
    coefficients,
    fast_length,
    hop_modes,
    lines_between,
    tyre_hz_of,
)
from telemetry.damping.judge import Judged, judge
from telemetry.damping.verdict import (
    DamperCourse,
    DetectionLimit,
    Oscillation,
    OscillationEvent,
    SpeedDamping,
    gather,
    refusal,
    verdict,
    with_levels,
)
from telemetry.decimals import as_kept
from telemetry.laps import Lap, Track, lap_length_m, laps_at_pace, place_at
from telemetry.motion import Motion

# Ratios to give the limit for: what rubber alone leaves at least, a tyre with a trace of oil, the edge of lost.
RATIOS = (0.05, 0.08, 0.12)
CHANCE = 0.9
# Of the family of poles, fine enough to interpolate between.
DAMPING = np.geomspace(0.02, 1.0, 60)
# No shorter loss is promised: windows of half a second rarely lie fully in one.
SHORTEST_PROMISED_S = 0.75
MOST_S = 300.0  # of riding are enough


def detection_limits(model: DetectorModel, looked_at: tuple[Windows, ...]) -> tuple[DetectionLimit, ...]:
    """Shortest loss found in 9 of 10 cases or more, for several damping ratios; needs the road from the other wheel."""
    signals = model.signals.ends[model.end]
    part = _middle(model.equation)
    found = []
    for ratio in RATIOS:
        if ratio > model.grid.damping_ratio[model.grid.lost].max():
            continue
        row = lost_row(model, ratio)
        lost = lost_in(part, model, row, signals.noise_mm2_hz)
        seconds, share = shortest_found(model, lost, looked_at)
        found.append(DetectionLimit(ratio, seconds, signals.noise_mm, share))
    return tuple(found)


def lost_row(model: DetectorModel, ratio: float) -> FloatArray:
    """Coefficients of the outing's wheel with its damper lost down to a damping ratio; shape (5,)."""
    # without its damper the wheel hops no higher than it can, however stiff it was with it
    highest_hz = tyre_hz_of(model.hop, model.hop.band_hz[1])
    tyre_hz = np.full(len(DAMPING), min(model.reference.pole.tyre_hz, highest_hz))
    _, ratios = hop_modes(model.hop, tyre_hz, DAMPING)
    return coefficients(model.hop, tyre_hz[0], np.asarray(np.interp(ratio, ratios, DAMPING)))


def _middle(equation: WheelEquation) -> slice:
    """At most `MOST_S` from the middle, from a whole block on."""
    n, block = len(equation.usable), round(BLOCK_S / equation.step_s)
    most = round(MOST_S / equation.step_s)
    first = max(n - most, 0) // 2 // block * block
    return slice(first, min(first + most, n))


def lost_in(part: slice, model: DetectorModel, row: FloatArray, noise_per_hz: float) -> WheelEquation:
    """A part of the run as it had been with another pole; ``row`` (5,) has its coefficients.

    ``noise_per_hz`` is the one-sided density of the sensor's white noise at the wheel. [mm2/Hz]
    """
    equation = model.equation
    speed = equation.own[2, part]
    n, padded = len(speed), fast_length(len(speed))
    inside, f = lines_between(padded, equation.step_s, LOW_HZ[0], HIGH_HZ[1])
    spectrum = np.fft.rfft(speed, padded)[inside]
    bins = len(FREQUENCY_HZ)
    near = np.clip(
        np.round((f - FREQUENCY_HZ[0]) / (FREQUENCY_HZ[1] - FREQUENCY_HZ[0])).astype(int), 0, bins - 1
    )
    density = 2.0 * equation.step_s / n * np.abs(spectrum) ** 2
    smooth = np.bincount(near, density, bins) / np.maximum(np.bincount(near, minlength=bins), 1)
    noise_mm2_s2 = noise_per_hz * (2 * np.pi * FREQUENCY_HZ) ** 2
    moved = np.clip(1.0 - noise_mm2_s2 / np.maximum(smooth, 1e-12), 0.0, 1.0)[near]
    ratio = band_response(model.reference.row, f) / band_response(row, f)
    spectrum = spectrum * (moved * ratio + 1.0 - moved)
    own = np.empty((5, n))
    whole = np.zeros(padded // 2 + 1, dtype=complex)
    orders = list(ORDERS)[OWN]
    for i, order in enumerate(orders):
        whole[inside] = spectrum * (1j * f / REFERENCE_HZ) ** order
        own[i] = np.fft.irfft(whole, padded)[:n]
    return replace(
        equation,
        start_s=equation.time_s(part.start),
        own=own,
        usable=equation.usable[part],
        road=None,
        ground_speed_m_s=None if equation.ground_speed_m_s is None else equation.ground_speed_m_s[part],
    )


def shortest_found(
    model: DetectorModel, lost: WheelEquation, looked_at: tuple[Windows, ...]
) -> tuple[float | None, float]:
    """Shortest loss found often enough [s] (None if the longest window is too short), and at what share of the places.

    ``lost`` is from `lost_in`. The length is a window plus half a block on either side, as a loss begins and ends
    within blocks.
    """
    first = round((lost.start_s - model.equation.start_s) / lost.step_s)
    predicted = model.predicted[first : first + len(lost.usable)]
    for seconds, (usable, found) in sorted(windows_found(model, lost, predicted, looked_at).items()):
        share = float(found[usable].mean())
        if seconds >= SHORTEST_PROMISED_S and share >= CHANCE:
            return seconds, share
    return None, 0.0


def windows_found(
    model: DetectorModel, lost: WheelEquation, predicted: FloatArray, looked_at: tuple[Windows, ...]
) -> dict[float, tuple[BoolArray, BoolArray]]:
    """Usable places, and where a loss would have had enough evidence, by window length [s]."""
    swing = find_swing(lost, model.reference, predicted, model.hop)
    whole = whole_blocks(lost.usable, lost.step_s, BLOCK_S)
    runs, of_swing, needed = {}, {}, {}
    for window in looked_at:
        if window.usual is not None:
            n, usual = window.n_blocks, window.usual
            runs[n], needed[n] = runs_of(whole, n), window.needed
            of_swing[n] = swing_evidence(swing_over(swing, usual, n), usual.scatter)
    wanted = {n: runs[n] & np.isfinite(of_swing[n]) for n in runs}
    evidence = class_evidence(lost, predicted, model.grid, wanted)
    reached = {n: (runs[n], evidence[n] + of_swing[n] >= needed[n]) for n in runs if runs[n].any()}
    found = {}
    for n_blocks, (usable, _) in reached.items():
        # any window that lies within is enough
        any_of = np.zeros(len(usable), dtype=bool)
        for shorter, (_, enough) in reached.items():
            for later in range(n_blocks - shorter + 1):
                any_of |= enough[later : later + len(any_of)]
        found[(n_blocks + 1) * BLOCK_S] = usable, usable & any_of
    return found


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
    return assess(fit_detector_model(motion, track, bike), motion, track, bike)


def assess(model: DetectorModel | None, motion: Motion, track: Track, bike: Bike) -> Oscillation:
    """The answer for a run whose model was fitted, None where it cannot be; arguments as of `find_oscillation`."""
    if model is None:
        return Oscillation(
            "cannot_tell",
            f"There is less than {LEAST_MOVING_S:.0f} s of riding in which all that is needed was measured.",
        )
    judged = judge(model, motion, track, bike)
    limits = _limits(model, judged)
    # where the wheel hops was not learned of a damper that stiffens it: the limit is for one place in the band only
    vouched = () if stopped_by_bounds(model.reference.pole, model.hop)[0] else limits
    events = _levelled(judged, vouched, motion, track)
    unexplained = sum(not one.explained for one in judged.rejected)
    share = _judged_share(model, motion, track)
    front_events: tuple[OscillationEvent, ...] = ()
    model = model.without_road()
    front = fit_front_detector_model(model, bike)
    course = _courses(model, front, motion, track)
    if front is not None:
        front_judged = judge(front, motion, track, bike)
        if front_judged.events:
            front_events = _levelled(front_judged, _limits(front, front_judged), motion, track)
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


def _levelled(
    judged: Judged, limits: tuple[DetectionLimit, ...], motion: Motion, track: Track
) -> tuple[OscillationEvent, ...]:
    """The events with their levels."""
    last = np.searchsorted(motion.t_s, [event.end_s for event in judged.events]).clip(max=len(motion.t_s) - 1)
    ends_m = [place_at(track, int(sample)).distance_m for sample in last]
    return with_levels(judged.events, limits, track.laps, ends_m, judged.for_line)


def _judged_share(model: DetectorModel, motion: Motion, track: Track) -> float:
    """Share of the time at speed in which all was measured that is needed."""
    speed = as_kept(track.speed_m_s)
    at_speed = len(speed)
    if speed.any_known:
        at_speed = sum(int(np.count_nonzero(values > SLOWEST_M_S)) for _, values in speed.blocks())
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
        model.equation if model.of_news is None else model.equation.without_own_past(),
        model.of_news or model.fitted,
        laps,
        end.wheel_stroke_mm / end.stroke_mm,
        None if other is None else (other.hop, other.fitted.pole),
    )
    return damping_by_speed(read, model.hop)
