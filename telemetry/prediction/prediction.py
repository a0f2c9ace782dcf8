"""The laps of a log with a changed set-up: every number before and after, with its interval. The door of the room."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance import BumpPairs, find_pairs
from telemetry.bike import Bike, open_geometry
from telemetry.damping import Oscillation, find_oscillation
from telemetry.errors import PredictionError
from telemetry.laps import PHASES, Circuit, Track, is_moving, laps_at_pace
from telemetry.logs import RawLog
from telemetry.motion import Motion
from telemetry.prediction.checks import (
    ForkCheck,
    Refusal,
    changed_ends,
    check_change,
    check_fork,
    check_log,
    clicks_only,
    direction_bike,
    refusals,
)
from telemetry.prediction.model import (
    EXACT,
    DifferenceModel,
    FileError,
    OldRide,
    assumed,
    difference_model,
    draw_errors,
    old_ride,
    ride_again,
    spring_lacks,
    tyre_loads_n,
    with_shaft,
    with_usual_rubber,
)
from telemetry.prediction.results import PlaceChange, Prediction, Tried, TryRow
from telemetry.prediction.values import (
    COUNT,
    DEEPEST,
    FULL_MM,
    FULL_SPEED_SHARE,
    KEYS,
    NAMES,
    contact_values,
    during,
    end_values,
    half_widths,
    hop_damping,
    next_deepest_half,
    next_outing_half,
    ride_values,
)
from telemetry.review import Measured, measure
from telemetry.stand import Change, Changed, apply_changes, parse_change

SENTENCE = "The same laps, same road and riding, with the new set-up."
CAUTION = (
    "A computed expectation, not a measurement. Change one thing at a time, stay inside the makers' limits, check what "
    "'bothends stand' lists, and log again before relying on it."
)
DRAWS = 16
DRAWN_RIDING_S = 60.0  # time used for the draws: the effect of a file's errors is the same on every lap
MANY_CONTACTS = 10  # new contacts with the stop beyond which only "more than" is said
DEEP_PLACES = 6
FEWEST_S = 0.5  # of riding in a place


@dataclass(frozen=True)
class Laps:
    """A log ready to be ridden again with any change: what does not depend on the change is done once.

    ``bike`` is the ``file`` with usual rubber at the end of the strokes, and usual air in a fork that has the coil
    only.
    """

    measured: Measured
    file: Bike
    bike: Bike
    assumed: tuple[str, ...]  # what usual or fitted values stand in for
    ends: tuple[End, ...]  # logged and with a spring
    before: Motion  # only what can be ridden again
    selected: BoolArray  # shape (n_samples,): the complete laps at pace, while riding; else the whole ride
    laps: tuple[int, ...]
    ride: OldRide
    load_n: FloatArray  # of the tyres, shape (2, n) [N]
    bumps: BumpPairs | None  # that both ends met on the ride that was logged
    values: Mapping[str, float]  # before a change
    lap_values: tuple[Mapping[str, float], ...]  # the same, lap by lap
    fork: ForkCheck | None
    error: FileError = EXACT  # the likeliest of the bike file, by what the log says of it
    corner: int | None = None  # of the laps that the numbers are taken in; None for whole laps

    @property
    def track(self) -> Track:
        """Lap, place and phase of every sample."""
        return self.measured.track


def prepare(measured: Measured, bike: Bike, oscillation: Oscillation | None = None) -> Laps:
    """The part of a prediction that is the same for every change; ``bike`` is that of the log.

    `PredictionError` if no change can be predicted on the log.
    """
    motion, track = measured.motion, measured.track
    of_the_rear = ("rear.shock_stroke_mm", "rear.leverage_table_mm")
    if lacking := [key for key in open_geometry(bike) if key not in of_the_rear or "rear" in motion.ends]:
        raise PredictionError(f"{bike.source}: leaves {', '.join(lacking)} open; a prediction needs it.")
    ends = tuple(end for end in ENDS if end in motion.ends and not spring_lacks(bike, end))
    selected, laps = _selected(track)
    check_log(motion, selected, oscillation)
    if not ends:
        keys = [key for end in motion.ends for key in spring_lacks(bike, end)]
        raise PredictionError(f"{bike.source}: lacks {', '.join(keys)}; a prediction needs it.")
    file, lacks = bike, assumed(bike)
    fork: ForkCheck | None = None
    if "front" in ends:
        fork = check_fork(measured.run, motion, track, selected, bike, lacks)
        bike = fork.bike
        if _air(bike) and not _air(file):
            lacks = (*lacks, "front.air")
    bike = with_usual_rubber(bike)
    ride = old_ride(_only(motion, ends), 0, len(motion.t_s))
    fitted = None if fork is None else fork.fitted
    error = EXACT if fitted is None else fitted.error()
    load = tyre_loads_n(ride, difference_model(bike, bike, error, ends))
    before = _motion(measured, bike, ends, _measured_mm(ride))
    bumps = find_pairs(before, track)
    values = ride_values(before, track, selected, bumps)
    lap_values = tuple(_lap_values(before, selected & (track.lap == lap)) for lap in laps)
    return Laps(
        measured,
        file,
        bike,
        lacks,
        ends,
        before,
        selected,
        laps,
        ride,
        load,
        bumps,
        values,
        lap_values,
        fork,
        error,
    )


def at_corner(laps: Laps, number: int) -> Laps:
    """The same laps, all numbers taken in one corner of them only.

    `PredictionError` if the laps have no such corner, or hold less than half a second of it.
    """
    known = [corner.number for corner in laps.track.corners]
    if number not in known:
        there = f"there are {known[0]} to {known[-1]}" if known else "no corner was found"
        raise PredictionError(f"{laps.measured.run.source}: has no corner {number}; {there}.")
    selected = laps.selected & (laps.track.corner == number)
    if np.count_nonzero(selected) < FEWEST_S * laps.before.sample_rate_hz:
        raise PredictionError(f"{laps.measured.run.source}: holds too little riding in corner {number}.")
    by_lap = tuple(_lap_values(laps.before, selected & (laps.track.lap == lap)) for lap in laps.laps)
    values = ride_values(laps.before, laps.track, selected, laps.bumps)
    return replace(laps, selected=selected, values=values, lap_values=by_lap, corner=number)


def _air(bike: Bike) -> bool:
    return bike.front.spring is not None and bike.front.spring.air is not None


def _selected(track: Track) -> tuple[BoolArray, tuple[int, ...]]:
    riding = is_moving(track)
    counted = tuple(lap.lap for lap in laps_at_pace(track.laps))
    return (riding & np.isin(track.lap, counted), counted) if counted else (riding, ())


def _only(motion: Motion, ends: Sequence[End]) -> Motion:
    return replace(motion, ends={end: motion.ends[end] for end in ends})


def _measured_mm(ride: OldRide) -> FloatArray:
    """The measured travel where it can be ridden again, of shape (2, n_counting). [mm]"""
    return np.asarray(np.where(ride.usable, 1e3 * ride.shaft_m, np.nan)[:, ride.lead :])


def _motion(measured: Measured, bike: Bike, ends: Sequence[End], shaft_mm: FloatArray) -> Motion:
    """Both ends of a ride over the whole run, from shaft travel of shape (2, n_samples)."""
    return with_shaft(measured.run, bike, {end: shaft_mm[k] for k, end in enumerate(ENDS) if end in ends})


def _lap_values(motion: Motion, inside: BoolArray) -> dict[str, float]:
    """Numbers of one lap by key."""
    values_by_key: dict[str, float] = {}
    rows = np.flatnonzero(inside)
    part = slice(int(rows[0]), int(rows[-1]) + 1) if len(rows) else slice(0, 0)
    lap = motion.during(part)
    for end in lap.ends.values():
        values = end_values(end, inside[part])
        values_by_key |= values
        if values:
            values_by_key |= contact_values(lap, end, inside[part])
    for side in ("compression", "rebound"):
        front, rear = (values_by_key.get(f"{end}.speed.{side}.rms_mm_s") for end in ENDS)
        if front and rear:
            values_by_key[f"balance.speed_ratio.{side}"] = rear / front
    if all(end in lap.ends for end in ENDS):
        pitch = lap.pitch_deg[inside[part]]
        if np.isfinite(pitch).any():
            values_by_key["balance.pitch.mean_deg"] = float(np.nanmean(pitch))
    return values_by_key


def _hops(before: Motion, after: Motion, selected: BoolArray, model: DifferenceModel) -> dict[str, float]:
    """New damping of both wheel hops over the old, by key."""
    old = hop_damping(before, selected, model.body, model.old)
    new = hop_damping(after, selected, model.body, model.new)
    return {f"{end}.hop_damping_ratio": new[end] / old[end] for end in old if end in new}


def _ridden(laps: Laps, new: Bike) -> tuple[Motion, dict[str, float], FloatArray]:
    """The new ride, its numbers and its shaft travel."""
    model = difference_model(laps.bike, new, laps.error, laps.ends)
    shaft = ride_again(laps.ride, model, laps.load_n)
    after = _motion(laps.measured, new, laps.ends, shaft)
    values = ride_values(after, laps.track, laps.selected, laps.bumps)
    return after, values | _hops(laps.before, after, laps.selected, model), shaft


def ridden_values(laps: Laps, changes: Sequence[Change]) -> dict[str, float]:
    """Every number of the laps with a change, without intervals."""
    return _ridden(laps, apply_changes(laps.bike, changes)[0])[1]


def predict(laps: Laps, changes: Sequence[Change], *, draws: int = DRAWS) -> Tried:
    """Ride the laps again with a change; ``draws`` of the bike file's errors, 0 for the model's own error alone.

    `PredictionError` or `BikeFileError` if a change cannot be predicted, cannot be, or passes a limit.
    """
    new, changed = apply_changes(laps.bike, changes)
    check_change(laps.file, laps.measured.motion, changed)
    clicks = clicks_only(laps.bike, changed)
    refused = refusals(laps.file, laps.measured.motion, laps.selected, changed, laps.fork)
    after, values, shaft = _ridden(laps, direction_bike(new, changed) if clicks else new)
    before = {**laps.values, **{key: 1.0 for key in values if key.endswith("hop_damping_ratio")}}
    moved = _moved(laps, after, shaft)
    errors = draw_errors(
        laps.assumed, 0 if clicks else draws, None if laps.fork is None else laps.fork.fitted
    )
    half = half_widths(before, _drawn_changes(laps, new, errors), moved)
    rows = tuple(
        _row(key, before, values, half, laps, refused, direction_only=bool(clicks))
        for key in KEYS
        if key in before
    )
    places = () if clicks else _places(laps, after, refused)
    prediction = Prediction(
        source=laps.measured.run.source,
        bike=laps.bike.name,
        sentence=SENTENCE,
        changed=changed,
        rows=rows,
        places=places,
        laps=laps.laps,
        riding_s=float(np.count_nonzero(laps.selected)) / laps.before.sample_rate_hz,
        fork_check=laps.fork.state if laps.fork is not None else "unchecked",
        fork_ratio=laps.fork.ratio if laps.fork is not None else None,
        assumed=laps.assumed,
        notes=_notes(laps, changed, refused, rows),
        caution=CAUTION,
        corner=laps.corner,
    )
    return Tried(prediction, laps.before, after, laps.track, laps.selected)


def _moved(laps: Laps, after: Motion, shaft_mm: FloatArray) -> dict[str, float]:
    """Size of the difference between the rides, 0 to 1, by end and for both: the larger of travel and speed."""
    shares: dict[str, float] = {}
    for end in laps.ends:
        old, new = laps.before.ends[end], after.ends[end]
        use = laps.selected & old.valid & new.valid
        travel = float(np.sqrt(np.mean((new.wheel_travel_mm[use] - old.wheel_travel_mm[use]) ** 2)))
        speed = float(np.sqrt(np.mean((new.wheel_speed_mm_s[use] - old.wheel_speed_mm_s[use]) ** 2)))
        whole = float(np.sqrt(np.mean(old.wheel_speed_mm_s[use] ** 2)))
        shares[end] = min(1.0, max(travel / FULL_MM, speed / (FULL_SPEED_SHARE * whole) if whole else 0.0))
    shares["balance"] = max(shares.values(), default=0.0)
    return {**dict.fromkeys(ENDS, 0.0), **shares}


def _drawn_changes(laps: Laps, new: Bike, errors: Sequence[FileError]) -> list[dict[str, float]]:
    """Change of every number for each draw of errors, on some laps of a long outing: errors do the same on all."""
    if not errors:
        return []
    first, stop = _drawn_span(laps)
    inside = np.zeros(len(laps.selected), dtype=bool)
    inside[first:stop] = laps.selected[first:stop]
    ride = old_ride(_only(laps.measured.motion, laps.ends), first, stop)
    load = tyre_loads_n(ride, difference_model(laps.bike, laps.bike, laps.error, laps.ends))
    rows = slice(first, stop)
    track, selected = laps.track.during(rows), inside[rows]
    run = laps.measured.run
    run = replace(
        run,
        t_s=run.t_s[rows],
        shaft_travel_mm={end: values[rows] for end, values in run.shaft_travel_mm.items()},
    )
    before = laps.before.during(rows)
    bumps = None if laps.bumps is None else laps.bumps.during(first, stop)
    counted = ride_values(before, track, selected, bumps)
    found = []
    for error in errors:
        model = difference_model(laps.bike, new, error, laps.ends)
        shaft = ride_again(ride, model, load)
        after = with_shaft(run, new, {end: shaft[k] for k, end in enumerate(ENDS) if end in laps.ends})
        values = ride_values(after, track, selected, bumps)
        hops = _hops(before, after, selected, model)
        change = {key: values[key] - counted[key] for key in values if key in counted}
        found.append(change | {key: value - 1.0 for key, value in hops.items()})
    share = float(np.count_nonzero(laps.selected)) / max(1.0, float(np.count_nonzero(inside)))
    return [
        {key: value * (share if NAMES[key][1] == COUNT else 1.0) for key, value in change.items()}
        for change in found
    ]


def _drawn_span(laps: Laps) -> tuple[int, int]:
    """Samples that the draws ride: the whole of a short outing, else so many laps from its middle."""
    rows = np.flatnonzero(laps.selected)
    most = DRAWN_RIDING_S * laps.before.sample_rate_hz
    first, stop = int(rows[0]), int(rows[-1]) + 1
    if stop - first <= most or len(laps.laps) < 2:
        return first, stop
    count = 0
    for lap in laps.laps[len(laps.laps) // 2 :]:
        inside: IntArray = np.flatnonzero(laps.selected & (laps.track.lap == lap))
        if not len(inside):
            continue
        first, stop = (int(inside[0]) if count == 0 else first), int(inside[-1]) + 1
        count += 1
        if stop - first >= most:
            break
    return first, stop


def _row(
    key: str,
    before: Mapping[str, float],
    values: Mapping[str, float],
    half: Mapping[str, float],
    laps: Laps,
    refused: Sequence[Refusal],
    *,
    direction_only: bool,
) -> TryRow:
    name, unit = NAMES[key]
    by_lap = [lap[key] for lap in laps.lap_values if key in lap]
    spread = float(np.std(by_lap, ddof=1)) if len(by_lap) > 1 else None
    old, new = before[key], values.get(key)
    reason = next((refusal.reason for refusal in refused if refusal.covers(key)), "")
    if new is None and not reason:
        reason = "It cannot be computed for the new ride."
    if reason or new is None:
        shown = direction_only and new is not None and abs(new - old) > 1e-3 * max(abs(old), 1.0)
        direction = ("more" if new > old else "less") if shown and new is not None else ""
        return TryRow(key, name, unit, old, lap_spread=spread, direction=direction, reason=reason)
    change, wide = new - old, half[key]
    if key.endswith("stop_contacts") and change > MANY_CONTACTS:
        return TryRow(
            key,
            name,
            unit,
            old,
            lap_spread=spread,
            direction="more",
            reason=f"More than {MANY_CONTACTS} new contacts with the stop: how many is not known, since the log does "
            f"not see what happens in it.",
        )
    least = -old if unit == COUNT else -np.inf  # a count is never below 0
    following = (
        next_deepest_half(wide, _peaks(laps, key))
        if key.endswith(DEEPEST)
        else next_outing_half(key, wide, by_lap, old, new)
    )
    return TryRow(
        key,
        name,
        unit,
        old,
        new,
        change,
        max(change - wide, least),
        change + wide,
        None if following is None else max(change - following, least),
        None if following is None else change + following,
        spread,
        spread is not None and abs(change) < spread,
    )


def _peaks(laps: Laps, key: str) -> list[list[float]]:
    """Peaks of every lap at the places where an end goes deepest; a place is a corner, or a straight between two."""
    own = laps.before.ends["front" if key.startswith("front") else "rear"]
    track, counted = laps.track, np.array(laps.laps)
    rows = np.flatnonzero(laps.selected & own.valid & np.isin(track.lap[:], counted))
    corners, corner = np.unique(track.corner[rows], return_inverse=True)
    order = np.argsort(counted)
    lap = order[np.searchsorted(counted, track.lap[rows], sorter=order)]
    deepest = np.full((len(corners), len(counted)), -np.inf)  # where a lap misses a place it stays so
    np.maximum.at(deepest, (corner, lap), own.wheel_travel_mm[rows])
    peaks = [place[place > -np.inf].tolist() for place in deepest]
    return sorted(peaks, reverse=True, key=lambda place: float(np.mean(place)))[:DEEP_PLACES]


def _places(laps: Laps, after: Motion, refused: Sequence[Refusal]) -> tuple[PlaceChange, ...]:
    """Every number of both ends by lap, corner and phase."""
    track, found = laps.track, []
    kinds: list[tuple[str, list[tuple[str, BoolArray]]]] = [
        ("lap", [(str(lap), track.lap == lap) for lap in laps.laps]),
        ("corner", [(str(corner.number), track.corner == corner.number) for corner in track.corners]),
        ("phase", [(phase, track.phase == index) for index, phase in enumerate(PHASES)]),
    ]
    fewest = FEWEST_S * laps.before.sample_rate_hz
    for kind, places in kinds:
        for name, where in places:
            rows = np.flatnonzero(laps.selected & where)
            if len(rows) < fewest:
                continue
            everything = np.ones(len(rows), dtype=bool)
            for end in laps.ends:
                old = end_values(during(laps.before.ends[end], rows), everything)
                new = end_values(during(after.ends[end], rows), everything)
                found += [
                    PlaceChange(kind, name, key, old[key], new[key], new[key] - old[key])
                    for key in old
                    if key in new and not any(refusal.covers(key) for refusal in refused)
                ]
    return tuple(found)


def _notes(
    laps: Laps, changed: Sequence[Changed], refused: Sequence[Refusal], rows: Sequence[TryRow]
) -> tuple[str, ...]:
    notes = [refusal.reason for refusal in refused]
    if laps.fork is not None and "front" in changed_ends(changed):
        notes.append(laps.fork.words)
    if lacks := laps.assumed:
        notes.append(
            f"The bike file lacks {', '.join(name.replace('_', ' ') for name in lacks)}: usual values stand in, and "
            f"the intervals are wider."
        )
    if "balance.same_bump.compression_ratio" in laps.values:
        notes.append(
            "Same bump: over the bumps that stand clear of the road on the logged ride, before and after. A review of "
            "another outing chooses its own, and where there are few that alone moves its answer."
        )
    if len(laps.ends) < len(ENDS):
        notes.append(f"Only the {laps.ends[0]} is ridden again: each end is a quarter vehicle of its own.")
    if any(change.key == "rear.shock_length_mm" for change in changed):
        notes.append(
            "Of the shock length only the move along the leverage curve is included; for its effect on rake, trail and "
            "weight distribution use 'bothends stand'."
        )
    if len(laps.laps) < 2:
        notes.append("Fewer than two complete laps at pace: no interval for the next outing.")
    elif wide := _wider(rows):
        notes.append(wide)
    for end in laps.ends:
        if changed and end not in changed_ends(changed):
            notes.append(f"At the {end} nothing is changed: what moves there is small, and known least.")
    return tuple(dict.fromkeys(notes))


def _wider(rows: Sequence[TryRow]) -> str:
    """Which uncertainty of the row that changes most is the larger one."""
    known = [
        row
        for row in rows
        if row.change and abs(row.change) > 1e-6 and row.high is not None and row.next_high is not None
    ]
    if not known:
        return ""
    most = max(
        known, key=lambda row: abs(row.change or 0.0) / max((row.high or 0.0) - (row.change or 0.0), 1e-9)
    )
    file, both = (most.high or 0.0) - (most.change or 0.0), (most.next_high or 0.0) - (most.change or 0.0)
    laps = float(np.sqrt(max(both**2 - file**2, 0.0)))
    return f"Largest uncertainty of the next outing: {'the laps themselves' if laps > file else 'the bike file'}."


def predict_log(
    log: RawLog,
    bike: Bike,
    changes: Sequence[str],
    *,
    start_line: tuple[float, float] | None = None,
    circuit: Circuit | None = None,
    draws: int = DRAWS,
) -> Tried:
    """A log ridden again with changes such as "rear.preload_mm=+2", in one step; the bike as it was logged.

    ``start_line`` and ``circuit`` as of `telemetry.review.review`, ``draws`` as of `predict`; raises what these raise.
    """
    measured = measure(log, bike, start_line=start_line, circuit=circuit)
    laps = prepare(measured, bike, find_oscillation(measured.motion, measured.track, bike))
    return predict(laps, [parse_change(text) for text in changes], draws=draws)
