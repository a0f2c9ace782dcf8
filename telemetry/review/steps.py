"""A review from a log and a bike: the only module that states the order of the steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance import (
    BounceTest,
    BumpPairs,
    balance,
    bounce_test,
    delay_notes,
    find_pairs,
    find_riding,
    light_wheels,
)
from telemetry.bike import (
    Bike,
    DamperUse,
    bike_warnings,
    damper_use,
    knows_leverage,
    leverage_curve,
    open_geometry,
    stroke_mm,
    value_at,
    wheel_stroke_mm,
)
from telemetry.damping import Oscillation, find_oscillation
from telemetry.decimals import without
from telemetry.errors import ChannelError
from telemetry.findings import as_far_as_measured, findings, verdict_sentences
from telemetry.laps import (
    PHASES,
    Circuit,
    Lap,
    Track,
    find_track,
    is_moving,
    laps_at_pace,
    passing_times_s,
    places_at,
)
from telemetry.logs import RawLog, with_rate
from telemetry.motion import (
    AtPlaces,
    EndSummary,
    LapPlace,
    Motion,
    PackingEvent,
    PlaceUse,
    StopEvent,
    Sums,
    Turns,
    at_places,
    at_the_shaft,
    find_packing,
    find_stops,
    find_sums,
    find_turns,
    frequencies,
    lap_places,
    not_judged,
    stop_notes,
    strokes,
    summarise_laps,
    to_motion,
    use_by_place,
)
from telemetry.notes import QualityNote
from telemetry.review.columns import KEYS, settled, telling_columns
from telemetry.review.cut import WHOLE, Cut, cut_log, leave_out_laps
from telemetry.signals import CONDITIONS, Run, SensorSetup, noise_notes, to_run
from telemetry.summary import (
    TRACE_COLUMNS,
    FittedDamper,
    LapSummary,
    LoggedCondition,
    RunInfo,
    Summary,
    Traces,
    shaft_words,
    trends,
)

# Rows of the way from wheel to shaft travel, about 1 mm apart: the curve between them is good to a micrometre.
WHEEL_TABLE_ROWS = 101
# An end that is measured a moment later than the ride begins was measured from the start.
WORTH_SAYING_S = 1.0


@dataclass(frozen=True)
class Measured:
    """Everything measured before the verdicts: the run on one clock, its motion, its laps, and the notes on faults."""

    run: Run
    motion: Motion
    track: Track
    quality: tuple[QualityNote, ...]


@dataclass(frozen=True)
class Review:
    """A review with everything it rests on: ``summary`` and ``traces`` are what is shown and stored."""

    summary: Summary
    run: Run
    motion: Motion
    track: Track

    @cached_property
    def traces(self) -> Traces:
        """The run sample by sample, arranged when it is first asked for."""
        return _traces(self.run, self.motion, self.track)

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        return self.summary._repr_html_()


def measure(
    log: RawLog,
    bike: Bike,
    *,
    start_line: tuple[float, float] | None = None,
    circuit: Circuit | None = None,
    cut: Cut = WHOLE,
    last_use: bool = False,
) -> Measured:
    """The first half of a review: from the log to motion and laps, with every fault found on the way.

    Parameters
    ----------
    log, bike, circuit, cut, last_use
        As of `review`.
    start_line : tuple of float, optional
        Latitude and longitude. [deg]

    Raises
    ------
    BothEndsError
        As of `review`.
    """
    run, motion = motion_of(log, bike, cut)
    if last_use:
        log.let_go()
    track = find_track(run, start_line=start_line, circuit=circuit)
    if last_use:
        run = replace(
            run, channels=without(run.channels, "latitude_deg", "longitude_deg", "lap", "beacon")
        )  # the track's from here
    track = leave_out_laps(track, cut.leave_out, run.source, cut.why)
    doubts = (QualityNote("warning", "bike_file", sentence) for sentence in bike_warnings(bike))
    noise = _noise_notes(run, track)
    return Measured(
        run,
        motion,
        track,
        (*doubts, *run.notes, *noise, *motion.notes, *track.notes, *delay_notes(motion, track)),
    )


def _noise_notes(run: Run, track: Track) -> list[QualityNote]:
    """Travel sensors that are noisy beside what the wheels do while riding; standing still every sensor is."""
    riding = is_moving(track)
    return [
        note
        for end, travel in run.shaft_travel_mm.items()
        for note in noise_notes(end, travel, run.sensor_noise_mm[end], run.sample_rate_hz, riding)
    ]


def review(
    log: RawLog,
    bike: Bike,
    *,
    start_line: tuple[float, float] | None = None,
    circuit: Circuit | None = None,
    cut: Cut = WHOLE,
    last_use: bool = False,
) -> Review:
    """Review one log of one bike.

    Parameters
    ----------
    log : RawLog
        From `telemetry.logs.read_log`.
    bike : Bike
        From `telemetry.bike.load_bike`; needs at least one of ``[front.sensor]`` and ``[rear.sensor]``.
    start_line : tuple of float, optional
        Latitude and longitude of the middle of the start line, for a log with GPS but no lap channel. [deg]
    circuit : Circuit, optional
        From an earlier run on it: places, corner numbers and names are then those of the circuit.
    cut : Cut
        What of the log counts; all of it by default.
    last_use : bool
        Nobody reads the numbers of ``log``, or the run's positions, after this: they are let go as soon as they are
        placed, to save memory.

    Raises
    ------
    BothEndsError
        One of its kinds, saying what of the log or bike file cannot be used and what to do.
    """
    measured = measure(log, bike, start_line=start_line, circuit=circuit, cut=cut, last_use=last_use)
    run, motion, track, quality = measured.run, measured.motion, measured.track, measured.quality
    riding = is_moving(track)
    # what counts; each lap has its own numbers all the same
    moving = riding & ~np.isin(track.lap, cut.leave_out) if cut.leave_out else riding
    stops = _placed_stops(motion, track, riding)
    quality = (*quality, *stop_notes(stops, run.sample_rate_hz))
    turns = {name: find_turns(end, moving) for name, end in motion.ends.items()}
    packing = _placed_packing(motion, track, moving, turns)
    pairs = find_pairs(motion, track)
    oscillation = find_oscillation(motion, track, bike)
    rows = [slice(*np.searchsorted(motion.t_s, (lap.start_s, lap.end_s)).tolist()) for lap in track.laps]
    sums = find_sums(motion, (track.phase, track.corner, riding, moving), rows)
    ends, ends_of_laps = _end_summaries(motion, track, rows, riding, moving, stops, cut, bike)
    at, places = _places(motion, track, rows, riding, moving, sums, ends, ends_of_laps)
    laps = _lap_summaries(motion, track, rows, riding, ends_of_laps, lap_places(at, bike), pairs, sums)
    ends = {name: _with_shaft_words(end, run, track, moving, bike, name) for name, end in ends.items()}
    oscillation = as_far_as_measured(oscillation, ends)
    shifts = trends(laps)
    ridden = find_riding(track, run.sample_rate_hz, run)
    sound = _sound(motion, oscillation)
    whole_balance = balance(motion, track, moving, pairs, bike, sound, ridden, sums)
    bike_values = _bike_values(bike)
    info = _run_info(run, bike, track)
    summary = Summary(
        run=info,
        verdicts=verdict_sentences(info, laps, quality, ends, whole_balance, oscillation),
        quality=quality,
        laps=laps,
        corners=track.corners,
        ends=ends,
        balance=whole_balance,
        oscillation=oscillation,
        findings=findings(
            laps,
            ends,
            whole_balance,
            oscillation,
            packing=packing,
            trends=shifts,
            clicks=bike_values,
            sized=_sized(bike),
        ),
        history=run.history,
        damper_work=_damper_work(motion, bike, moving, track.laps),
        bike_values=bike_values,
        places=places,
        strokes={name: strokes(end, moving, turns[name]) for name, end in motion.ends.items()},
        packing=packing,
        frequencies=frequencies(motion, moving, bike),
        trends=shifts,
        dampers=_dampers(bike),
        conditions=_conditions(log, bike, run, track, moving),
        light=light_wheels(motion, track, bike, ridden, moving),
    )
    return Review(summary=summary, run=run, motion=motion, track=track)


def _run_info(run: Run, bike: Bike, track: Track) -> RunInfo:
    return RunInfo(
        source=run.source,
        bike=bike.name,
        duration_s=run.duration_s,
        sample_rate_hz=run.sample_rate_hz,
        distance_m=sum(lap.distance_m or 0.0 for lap in track.laps) or None,
        lap_source=track.lap_source,
        phase_sources=track.phase_sources,
    )


def _with_shaft_words(
    end: EndSummary, run: Run, track: Track, moving: BoolArray, bike: Bike, name: End
) -> EndSummary:
    """Reason why a rear of unknown leverage is not judged, with what the shock's stroke shows."""
    if end.judged or name not in run.shaft_travel_mm or knows_leverage(bike) or name != "rear":
        return end
    shock = at_the_shaft(run, bike, name)
    used = shock.shaft_travel_mm[moving & shock.valid]
    if not len(used):
        return end
    stops = find_stops(shock, run.t_s, moving)
    laps = [
        int(track.lap[round(stop.time_s * run.sample_rate_hz)]) for stop in stops if stop.kind == "bottomed"
    ]
    return replace(end, reason=f"{end.reason} {shaft_words(used, shock.stroke_mm, laps)}")


def motion_of(log: RawLog, bike: Bike, cut: Cut = WHOLE) -> tuple[Run, Motion]:
    """The first steps of a review: one clock, mm, travel and speed of both ends; all a bounce test needs.

    Parameters
    ----------
    cut : Cut
        From when to when.

    Returns
    -------
    Run, Motion

    Raises
    ------
    BothEndsError
        As `review` does.
    """
    bike, log = settled(bike, log)
    if bike.channels.rate_hz is not None:
        log = with_rate(log, bike.channels.rate_hz, bike.channels.time)
    log = cut_log(log, cut, bike.channels.time)
    run = to_run(log, sensors=sensors(bike), channels=channels(bike), time_channel=bike.channels.time)
    return run, to_motion(run, bike)


def sensors(bike: Bike) -> Mapping[End, SensorSetup]:
    """Travel sensors of a bike file in the form `to_run` takes; `ChannelError` if it describes none."""
    found: dict[End, SensorSetup] = {}
    for end in ENDS:
        sensor = bike.end(end).sensor
        if sensor is not None:
            found[end] = SensorSetup(
                sensor.channel,
                sensor.points,
                float(np.nan_to_num(stroke_mm(bike, end), nan=np.inf)),
                sensor.zero,
                bike.source,
                shape=sensor.shape,
                zero_interval_s=sensor.zero_interval_s,
                zero_topped_out=sensor.zero_topped_out,
                supply=sensor.supply,
                supply_reference=sensor.supply_reference,
                to_shaft=_wheel_to_shaft(bike, end) if sensor.measures == "wheel" else (),
            )
    if not found:
        raise ChannelError(
            f"{bike.source}: has neither [front.sensor] nor [rear.sensor]; add at least one with its channel "
            "(a column of the log) and two or more points [[signal, mm], ...]."
        )
    return found


def _wheel_to_shaft(bike: Bike, end: End) -> tuple[tuple[float, float], ...]:
    """Wheel travel and the shaft travel it goes with, over the stroke, for a sensor that measures the wheel."""
    curve = leverage_curve(bike, end)
    shaft = np.linspace(0.0, curve.shaft_mm[-1], WHEEL_TABLE_ROWS)
    wheel = curve.wheel_travel_mm(shaft)
    return tuple((float(w), float(s)) for w, s in zip(wheel, shaft, strict=True))


def channels(bike: Bike) -> Mapping[str, str]:
    """Columns of the other channels by what they mean, as the bike file names them."""
    named: Mapping[str, str | None] = bike.channels.model_dump(exclude={"time", "rate_hz"})
    named = {**named, **bike.conditions.model_dump()}
    return {meaning: column for meaning, column in named.items() if column}


def _placed_stops(motion: Motion, track: Track, moving: BoolArray) -> tuple[StopEvent, ...]:
    found = [stop for end in motion.ends.values() for stop in find_stops(end, motion.t_s, moving)]
    places = _places_at(motion, track, [stop.time_s for stop in found])
    return tuple(replace(stop, **place) for stop, place in zip(found, places, strict=True))


def _placed_packing(
    motion: Motion, track: Track, moving: BoolArray, turns: Mapping[End, Sequence[Turns]]
) -> tuple[PackingEvent, ...]:
    found = find_packing(motion, moving, track.speed_m_s, turns)
    places = _places_at(motion, track, [event.start_s for event in found])
    return tuple(replace(event, **place) for event, place in zip(found, places, strict=True))


def _places_at(motion: Motion, track: Track, times_s: Sequence[float]) -> list[dict[str, Any]]:
    """Lap, distance, corner and phase at some times."""
    samples = np.rint(np.array(times_s) * motion.sample_rate_hz).astype(np.int64)
    return [vars(place) for place in places_at(track, samples)]


def _places(
    motion: Motion,
    track: Track,
    rows: Sequence[slice],
    riding: BoolArray,
    moving: BoolArray,
    sums: Sums,
    ends: Mapping[End, EndSummary],
    ends_of_laps: Sequence[Mapping[End, EndSummary]],
) -> tuple[AtPlaces, dict[End, tuple[PlaceUse, ...]]]:
    """Both ends by phase and corner of each complete lap, and over those at pace; of the run where there is none."""
    complete = [i for i, lap in enumerate(track.laps) if lap.complete]
    laps, selected, whole, counted = [slice(0, len(motion.t_s))], moving, [ends], [0]
    if complete:
        at_pace = laps_at_pace(track.laps)
        laps, selected, whole = [rows[i] for i in complete], riding, [ends_of_laps[i] for i in complete]
        counted = [row for row, i in enumerate(complete) if track.laps[i] in at_pace]
    at = at_places(motion, laps, selected, track.corner, track.phase, PHASES, sums, whole)
    return at, {name: use_by_place(end, at, counted) for name, end in motion.ends.items()}


def _end_summaries(
    motion: Motion,
    track: Track,
    rows: Sequence[slice],
    riding: BoolArray,
    moving: BoolArray,
    stops: tuple[StopEvent, ...],
    cut: Cut,
    bike: Bike,
) -> tuple[dict[End, EndSummary], list[dict[End, EndSummary]]]:
    """Both ends over the run, and over each lap."""
    counted = tuple(stop for stop in stops if stop.lap not in cut.leave_out)
    laps = [
        (here, tuple(stop for stop in stops if lap.start_s <= stop.time_s < lap.end_s))
        for lap, here in zip(track.laps, rows, strict=True)
    ]
    found: dict[End, EndSummary] = {}
    of_laps: list[dict[End, EndSummary]] = [{} for _ in laps]
    for name in ENDS:
        end = motion.ends.get(name)
        each: Sequence[EndSummary | None] = [None] * len(laps)
        whole = None
        if end is not None:
            each, whole = summarise_laps(end, laps, riding, moving, counted)
        nothing = "Nothing usable was measured while riding."
        found[name] = _as_judged(motion, name, whole, moving, slice(None), bike, nothing)
        for lap, here, summary in zip(of_laps, rows, each, strict=True):
            nothing = "Nothing usable was measured on this lap."
            lap[name] = _as_judged(motion, name, summary, riding, here, bike, nothing)
    return found, of_laps


def _as_judged(
    motion: Motion,
    name: End,
    summary: EndSummary | None,
    selected: BoolArray,
    rows: slice,
    bike: Bike,
    nothing: str,
) -> EndSummary:
    """A summary with when it was measured; one without usable travel is not judged, ``nothing`` says why."""
    if summary is None or not summary.valid_share:
        reason = motion.not_judged.get(name, nothing)
        return not_judged(stroke_mm(bike, name), wheel_stroke_mm(bike, name), reason)
    from_s, until_s = _measured_when(motion.t_s[rows], selected[rows], motion.ends[name].valid[rows])
    return replace(summary, measured_from_s=from_s, measured_until_s=until_s)


def _measured_when(
    t_s: FloatArray, selected: BoolArray, valid: BoolArray
) -> tuple[float | None, float | None]:
    """When the first and the last usable travel was, where that is not where the selection starts and ends. [s]"""
    (start, stop), (first, last) = (t_s[_ends_of(mask)].tolist() for mask in (selected, selected & valid))
    return first if first - start > WORTH_SAYING_S else None, last if stop - last > WORTH_SAYING_S else None


def _ends_of(mask: BoolArray) -> list[int]:
    """First and last sample of a mask that holds one."""
    flags = mask.tobytes()  # looked through from behind at once, other than an array
    return [flags.find(1), flags.rfind(1)]


def _lap_summaries(
    motion: Motion,
    track: Track,
    rows: Sequence[slice],
    riding: BoolArray,
    ends: Sequence[dict[End, EndSummary]],
    places: Sequence[tuple[LapPlace, ...]],
    pairs: BumpPairs | None,
    sums: Sums,
) -> tuple[LapSummary, ...]:
    """Summaries of all laps; ``places`` are of the complete ones."""
    found = []
    of_complete = iter(places)
    for lap, here, ends_of_lap in zip(track.laps, rows, ends, strict=True):
        # cut first: masks over the whole run would cost laps times samples
        own, ridden = motion.during(here), track.during(here)
        bumps = None if pairs is None else pairs.during(here.start, here.stop)
        found.append(
            LapSummary(
                lap=lap.lap,
                start_s=lap.start_s,
                end_s=lap.end_s,
                time_s=lap.time_s,
                distance_m=lap.distance_m,
                complete=lap.complete,
                kind=lap.kind,
                stopped_s=lap.stopped_s,
                masked_share={
                    name: np.count_nonzero(~end.valid) / max(len(end.valid), 1)
                    for name, end in own.ends.items()
                },
                ends=ends_of_lap,
                balance=balance(own, ridden, riding[here], bumps, sums=sums.during(here)),
                passing_s=passing_times_s(lap, own.t_s, ridden.distance_m),
                places=next(of_complete) if lap.complete else (),
            )
        )
    return tuple(found)


def _sound(motion: Motion, oscillation: Oscillation) -> BoolArray:
    """Where neither wheel is suspected of having rung as if hardly damped."""
    sound = np.ones(len(motion.t_s), dtype=bool)
    for event in (*oscillation.events, *oscillation.front_events):
        sound[slice(*np.searchsorted(motion.t_s, (event.start_s, event.end_s)).tolist())] = False
    return sound


def _damper_work(
    motion: Motion, bike: Bike, moving: BoolArray, laps: tuple[Lap, ...]
) -> dict[End, DamperUse]:
    """Force, power and heat of the dampers that the bike file describes, over moving time and complete laps."""
    whole = [(lap.start_s, lap.end_s) for lap in laps if lap.complete]
    work: dict[End, DamperUse] = {}
    for name, end in motion.ends.items():
        damper = bike.end(name).damper
        use = moving & end.valid
        if damper is not None and use.any():
            split, speed = end.speed_split_mm_s, end.shaft_speed_mm_s
            work[name] = damper_use(damper, speed, motion.sample_rate_hz, split, whole, use)
    return work


def _dampers(bike: Bike) -> dict[End, FittedDamper]:
    """The dampers that the bike file names."""
    named = {"front": bike.front.fitted, "rear": bike.rear.fitted}
    return {
        end: FittedDamper(fitted.id, "" if fitted.serviced is None else fitted.serviced.isoformat())
        for end in ENDS
        if (fitted := named[end]) is not None
    }


def _conditions(
    log: RawLog, bike: Bike, run: Run, track: Track, moving: BoolArray
) -> dict[str, LoggedCondition]:
    """Means of the logged conditions over the complete laps, or over the whole ride where there is none."""
    riding = moving.copy()
    if complete := [lap.lap for lap in track.laps if lap.complete]:
        riding &= np.isin(track.lap, complete)
    found = {}
    for name in CONDITIONS:
        values = run.channels.get(name)
        if values is not None and np.isfinite(values[riding]).any():
            column = log.called(getattr(bike.conditions, name) or "")
            unit = log.units.get(column, "") if column else ""
            found[name] = LoggedCondition(float(np.nanmean(values[riding])), unit)
    return found


def _sized(bike: Bike) -> frozenset[str]:
    """Keys of the bike file that a finding may advise to change and whose effect on the laps can be computed."""
    if open_geometry(bike):  # nothing is ridden again then
        return frozenset()
    clicks = [
        f"{end}.{side}_clicks"
        for end in ENDS
        if value_at(bike, f"{end}.damper.dyno") is not None
        for side in ("compression", "rebound")
    ]
    late = ("front.spring.air.oil_level_mm", "rear.spring.bump_stop.force_n")
    return frozenset(
        key
        for key in (*clicks, *late)
        if all(
            value_at(bike, name) is not None
            for name in (
                key,
                *(f"{key.split('.')[0]}.{one}" for one in ("spring_rate_n_per_mm", "preload_mm")),
            )
        )
    )


def _bike_values(bike: Bike) -> dict[str, float]:
    """The bike-file values that the numbers rest on, as far as the file gives them."""
    both = ("spring_rate_n_per_mm", "preload_mm", "speed_split_mm_s", "tyre_radius_mm", "tyre_rate_n_per_mm",
            "unsprung_mass_kg", "compression_clicks", "rebound_clicks")  # fmt: skip
    keys = [
        "wheelbase_mm",
        *(f"front.{key}" for key in ("stroke_mm", "rake_deg", "fork_offset_mm", "fork_height_mm", *both)),
        *(f"rear.{key}" for key in ("shock_stroke_mm", "shock_length_mm", "axle_back_mm", *both)),
        "chassis.sprung_mass_kg",
        *(
            f"{end}.damper.{side}.{key}"
            for end in ("front", "rear")
            for side in ("compression", "rebound")
            for key in ("low_n_s_per_mm", "high_n_s_per_mm", "knee_mm_s")
        ),
    ]
    given = {key: value for key in keys if (value := value_at(bike, key)) is not None}
    values = {key: float(value) for key, value in given.items()}
    if np.isfinite(stroke := wheel_stroke_mm(bike, "rear")):
        values["rear.wheel_stroke_mm"] = stroke
        values["rear.ratio_extended"] = leverage_curve(bike, "rear").ratio_at(0.0)
    for end, setup in sensors(bike).items():
        (low, low_mm), (high, high_mm) = min(setup.points), max(setup.points)
        values[f"{end}.sensor.mm_per_unit"] = (high_mm - low_mm) / (high - low)
    return values


def _traces(run: Run, motion: Motion, track: Track) -> Traces:
    unknown = np.full(len(run.t_s), np.nan)
    columns = {
        "t_s": run.t_s[:],
        "lap": track.lap.astype(np.float64),
        "distance_m": track.distance_m[:],
        "speed_m_s": track.speed_m_s[:],
        "pitch_deg": motion.pitch_deg[:],
        "phase": track.phase.astype(np.float64),
        "corner": track.corner.astype(np.float64),
    }
    for name in ENDS:
        end = motion.ends.get(name)
        columns[f"{name}_shaft_mm"] = end.shaft_travel_mm if end else unknown
        columns[f"{name}_wheel_mm"] = end.wheel_travel_mm if end else unknown
        columns[f"{name}_shaft_mm_s"] = end.shaft_speed_mm_s if end else unknown
        columns[f"{name}_wheel_mm_s"] = end.wheel_speed_mm_s if end else unknown
        columns[f"{name}_valid"] = end.valid.astype(np.float64) if end else np.zeros(len(run.t_s))
    if track.x_m is not None and track.y_m is not None:
        columns["x_m"], columns["y_m"] = track.x_m[:], track.y_m[:]
    columns |= {
        name: run.channels[name] for name in ("throttle_pct", "brake", "lean_deg") if name in run.channels
    }
    return Traces({name: columns[name] for name in TRACE_COLUMNS if name in columns})


def pushes_of(log: RawLog, bike: Bike) -> tuple[BounceTest, tuple[QualityNote, ...]]:
    """The bounce test of a log, and notes on the log.

    Raises
    ------
    BothEndsError
        One of its kinds, if its sensors cannot be read.
    """
    # a bike on the stand logs no speed: the columns of riding are not missed
    none = dict.fromkeys((key for key in KEYS if key != "time"), "")
    bike = bike.model_copy(update={"channels": bike.channels.model_copy(update=none)})
    with telling_columns(bike, log):
        run, motion = motion_of(log, bike)
    return bounce_test(motion, bike.name), (*run.notes, *motion.notes)
