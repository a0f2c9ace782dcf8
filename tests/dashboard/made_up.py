"""Made-up runs for the dashboard's tests: smooth motion with stops and a ringing rear at known places.

Not a motorcycle: `telemetry.simulate` makes those. Here every place is known beforehand, so that a test can say
where a mark has to be. Summaries are made by the real functions of `telemetry`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from telemetry.balance.measure import balance
from telemetry.damping.verdict import Oscillation, OscillationEvent
from telemetry.errors import LogbookError
from telemetry.findings import damper_answer, findings, verdict_sentences
from telemetry.laps.lap import PHASES, Corner, Lap, Track
from telemetry.logbook import RunEntry
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.stops import find_stops
from telemetry.motion.summary import not_judged
from telemetry.motion.use import summarise_end
from telemetry.notes import QualityNote, Step
from telemetry.season import RunRecord, record_of
from telemetry.setup import SetupSheet
from telemetry.summary import LapSummary, RunInfo, Summary, Traces

RATE_HZ = 200.0
LAP_S = 40.0
LAP_M = 1600.0
FRONT_STROKE_MM, REAR_STROKE_MM = 125.0, 70.0
RAKE_DEG = 24.0
# Start, apex and end of each corner along the lap. [m]
CORNERS = ((150.0, 220.0, 300.0), (500.0, 590.0, 700.0), (1050.0, 1120.0, 1200.0), (1350.0, 1400.0, 1450.0))
BOTTOM_AT_M = {"front": 160.0, "rear": 620.0}
RING_AT_M = (1205.0, 1290.0)
LEVERAGE = 1.8


@dataclass(frozen=True)
class MadeUp:
    """A run as a logbook holds it."""

    entry: RunEntry
    summary: Summary
    traces: Traces
    sheet: SetupSheet | None = None


class MadeUpLogbook:
    """The questions of a logbook, answered from memory."""

    def __init__(self, *runs: MadeUp) -> None:
        self._runs = {run.entry.run_id: run for run in runs}

    @contextmanager
    def holding(self, *runs: MadeUp) -> Iterator[None]:
        """Answers from other runs for a while; their ids must differ, for a shelf remembers what it read."""
        kept, self._runs = self._runs, {run.entry.run_id: run for run in runs}
        try:
            yield
        finally:
            self._runs = kept

    def runs(self) -> tuple[RunEntry, ...]:
        return tuple(run.entry for run in self._runs.values())

    def _run(self, run_id: str) -> MadeUp:
        if run_id not in self._runs:
            raise LogbookError(f"made-up: has no run {run_id!r}; it has {len(self._runs)} others.")
        return self._runs[run_id]

    def left_out(self) -> tuple[Path, ...]:
        return ()

    def summary(self, run_id: str) -> Summary:
        return self._run(run_id).summary

    def traces(self, run_id: str, columns: tuple[str, ...] | None = None) -> Traces:
        found = self._run(run_id).traces.columns
        return Traces({name: found[name] for name in columns or tuple(found) if name in found})

    def sheet(self, run_id: str) -> SetupSheet | None:
        return self._run(run_id).sheet

    def season(self) -> tuple[RunRecord, ...]:
        return tuple(
            replace(
                record_of(run.summary, run.entry.log_name, name=run.entry.name, date=run.entry.date),
                circuit=run.entry.place, bike=run.entry.bike, run_id=run.entry.run_id, log_sha256=run.entry.run_id,
            )
            for run in self._runs.values()
        )  # fmt: skip

    def measured(self, run_id: str):
        raise LogbookError(f"{self._run(run_id).entry.run_id}: keeps no log.")


def made_up(
    run_id: str = "made-up",
    *,
    laps: int = 3,
    gps: bool = True,
    distance: bool = True,
    ends: tuple[str, ...] = ("front", "rear"),
    oscillation: str = "yes",
    masked: bool = True,
    deeper_mm: float = 0.0,
    seed: int = 1,
    sheet: SetupSheet | None = None,
    name: str = "Made-up run",
) -> MadeUp:
    """A run of ``laps`` complete laps between a part lap at either end; no laps at all for 0."""
    rng = np.random.default_rng(seed)
    duration_s = (laps + 1) * LAP_S if laps else LAP_S
    t_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    track = _track(t_s, laps, gps, distance)
    along = (t_s - LAP_S / 2) % LAP_S * LAP_M / LAP_S
    motion = _motion(t_s, along, ends, masked, deeper_mm, rng)
    moving = np.ones(len(t_s), bool)
    stops = tuple(
        _placed(stop, track) for end in motion.ends.values() for stop in find_stops(end, t_s, moving)
    )
    answer = _oscillation(oscillation, track, ends)
    quality = _quality(masked, gps)
    summaries = tuple(_lap_summary(lap, motion, track, stops) for lap in track.laps)
    found = _ends(motion, moving, stops)
    whole = balance(motion, track, moving, None)
    info = RunInfo(
        source=f"{run_id}.csv",
        bike="QB-6",
        duration_s=duration_s,
        sample_rate_hz=RATE_HZ,
        distance_m=LAP_M * laps if distance else None,
        lap_source=track.lap_source,
        phase_sources=track.phase_sources,
    )
    summary = Summary(
        run=info,
        verdicts=verdict_sentences(info, summaries, quality, found, whole, answer),
        quality=quality,
        laps=summaries,
        corners=track.corners,
        ends=found,
        balance=whole,
        oscillation=answer,
        findings=findings(summaries, found, whole, answer),
        history=(Step("calibrate", {"channel": "front_pot", "points": 2}), Step("differentiate")),
        bike_values={"wheelbase_mm": 1440.0, "front.stroke_mm": FRONT_STROKE_MM},
    )
    entry = RunEntry(
        run_id=run_id,
        name=name,
        date="2026-05-09",
        bike="QB-6",
        place="Vellmoor Ring",
        rider="rider 1",
        outing="2",
        notes="",
        added_at="2026-05-09T10:00:00+00:00",
        log_name=f"{run_id}.csv",
        log_sha256="0" * 64,
        laps=laps,
        quickest_lap_s=LAP_S if laps else None,
        oscillation=answer.verdict,
        rear_damper=damper_answer(summary.oscillation, "rear"),
        front_damper=damper_answer(summary.oscillation, "front"),
    )
    return MadeUp(entry, summary, _traces(motion, track, gps), sheet)


def _track(t_s: np.ndarray, laps: int, gps: bool, distance: bool) -> Track:
    phase_in_lap = (t_s - LAP_S / 2) / LAP_S
    along = phase_in_lap % 1.0 * LAP_M
    edges = [0.0, *(LAP_S / 2 + LAP_S * np.arange(laps + 1)), t_s[-1]] if laps else []
    found = tuple(
        Lap(
            lap=index,
            start_s=float(a),
            end_s=float(b),
            distance_m=LAP_M if distance else None,
            complete=0 < index <= laps,
        )
        for index, (a, b) in enumerate(zip(edges[:-1], edges[1:], strict=True))
    )
    angle = 2 * np.pi * along / LAP_M
    radius = 230 * (1 + 0.28 * np.cos(2 * angle) + 0.12 * np.sin(3 * angle))
    speed = 40 + 12 * np.cos(2 * np.pi * along / 400)
    phase = np.full(len(t_s), PHASES.index("straight"))
    corner = np.zeros(len(t_s), dtype=np.int64)
    for number, (start, apex, end) in enumerate(CORNERS, 1):
        for a, b, what in (
            (start - 60, start, "braking"),
            (start, apex - 15, "entry"),
            (apex - 15, apex + 15, "mid-corner"),
            (apex + 15, end + 110, "drive"),
        ):
            inside = (along >= a) & (along < b)
            phase[inside], corner[inside] = PHASES.index(what), number
    known = bool(laps)
    return Track(
        laps=found,
        lap_source="gps line" if known and gps else "lap channel" if known else "none",
        lap=np.clip(np.floor(phase_in_lap) + 1, 0, laps + 1).astype(np.int64)
        if known
        else np.zeros(len(t_s), int),
        distance_m=along if distance and known else np.full(len(t_s), np.nan),
        x_m=radius * np.cos(angle) if gps else None,
        y_m=radius * np.sin(angle) if gps else None,
        speed_m_s=speed if distance else np.full(len(t_s), np.nan),
        phase=phase if known else np.full(len(t_s), -1),
        corner=corner if known else np.zeros(len(t_s), int),
        corners=tuple(Corner(number, *edges_m, direction=1) for number, edges_m in enumerate(CORNERS, 1))
        if known and distance
        else (),
        phase_sources=("speed",) if distance else (),
    )


def _motion(
    t_s: np.ndarray,
    along: np.ndarray,
    ends: tuple[str, ...],
    masked: bool,
    deeper_mm: float,
    rng: np.random.Generator,
) -> Motion:
    def bump(at_m: float, width_m: float, height_mm: float) -> np.ndarray:
        return height_mm * np.exp(-(((along - at_m) / width_m) ** 2))

    rough = np.cumsum(rng.normal(0, 1.0, (2, len(t_s))), axis=1)
    rough -= np.stack([np.convolve(r, np.ones(101) / 101, "same") for r in rough])
    rough = np.clip(rough, -7, 7)
    lap_to_lap = 1 + 0.03 * np.sin(2.3 * np.floor(t_s / LAP_S) + rng.uniform(0, 6))
    front = 38 + 2.0 * rough[0] + deeper_mm
    rear = 20 + 0.9 * rough[1]
    for start, apex, end in CORNERS:
        front = front + lap_to_lap * (bump(start - 20, 45, 48) + bump(apex, 50, 20)) - bump(end + 60, 60, 18)
        rear = rear + bump(apex, 60, 14) + bump(end + 40, 70, 12) - bump(start - 20, 45, 12)
    front = front + bump(BOTTOM_AT_M["front"], 6, 90)
    rear = rear + bump(BOTTOM_AT_M["rear"], 5, 80)
    ring = (along > RING_AT_M[0]) & (along < RING_AT_M[1])
    rear = rear + 1.8 * np.sin(2 * np.pi * 16 * t_s) * ring
    found = {}
    for end, shaft, stroke_mm, ratio in (
        ("front", front, FRONT_STROKE_MM, np.cos(np.radians(RAKE_DEG))),
        ("rear", rear, REAR_STROKE_MM, LEVERAGE),
    ):
        if end not in ends:
            continue
        shaft = np.clip(shaft, 0.0, stroke_mm)
        valid = np.ones(len(t_s), bool)
        if masked and end == "rear":
            valid[(along > 800) & (along < 830)] = False
        shaft = np.where(valid, shaft, np.nan)
        speed = np.gradient(shaft, t_s)
        found[end] = EndMotion(
            end=end,
            stroke_mm=stroke_mm,
            wheel_stroke_mm=stroke_mm * ratio,
            shaft_travel_mm=shaft,
            shaft_speed_mm_s=speed,
            wheel_travel_mm=ratio * shaft,
            wheel_speed_mm_s=ratio * speed,
            valid=valid & np.isfinite(speed),
            shaft_noise_mm_s=4.0,
            wheel_noise_mm_s=4.0 * ratio,
            bandwidth_hz=45.0,
            speed_split_mm_s=150.0,
        )
    both = len(found) == 2
    pitch = (
        np.degrees((found["front"].wheel_travel_mm - found["rear"].wheel_travel_mm) / 1440.0)
        if both
        else np.full(len(t_s), np.nan)
    )
    return Motion("made-up", t_s, RATE_HZ, found, pitch, 1440.0)


def _placed(stop, track: Track):
    at = min(round(stop.time_s * RATE_HZ), len(track.lap) - 1)
    distance = float(track.distance_m[at])
    return replace(
        stop,
        lap=int(track.lap[at]) if track.laps else None,
        distance_m=distance if np.isfinite(distance) else None,
        corner=int(track.corner[at]) or None,
        phase=PHASES[track.phase[at]] if track.phase[at] >= 0 else None,
    )


def _oscillation(verdict: str, track: Track, ends: tuple[str, ...]) -> Oscillation:
    if verdict != "yes":
        reason = (
            "the log is slower than 100 Hz." if verdict == "cannot_tell" else "the rear hop stays damped."
        )
        return Oscillation(verdict, reason)
    seconds_per_m = LAP_S / LAP_M
    events = tuple(
        OscillationEvent(
            start_s=lap.start_s + RING_AT_M[0] * seconds_per_m,
            end_s=lap.start_s + RING_AT_M[1] * seconds_per_m,
            lap=lap.lap,
            distance_m=RING_AT_M[0],
            corner=3,
            phase="drive",
            frequency_hz=16.0,
            damping_ratio=0.05,
            damping_ratio_ci95=(0.02, 0.09),
            amplitude_mm=2.3,
            shaft_amplitude_mm=1.3,
            confidence=0.9,
            evidence="The front was quiet.",
        )
        for lap in track.laps
        if lap.complete
    )
    return Oscillation("yes", f"{len(events)} stretches ring out of corner 3.", events)


def _quality(masked: bool, gps: bool) -> tuple[QualityNote, ...]:
    notes = []
    if masked:
        notes.append(
            QualityNote(
                "warning", "spikes", "The rear reads a rail value for 3 s: masked.", "rear_pot", 40.0, 43.0
            )
        )
    if not gps:
        notes.append(QualityNote("info", "no_gps", "The log has no position."))
    return tuple(notes)


def _ends(motion: Motion, inside, stops: tuple) -> dict:
    why = "The bike file has no [{}.sensor]."
    return {
        name: summarise_end(motion.ends[name], inside, stops)
        if name in motion.ends
        else not_judged(FRONT_STROKE_MM, FRONT_STROKE_MM, why.format(name))
        for name in ("front", "rear")
    }


def _lap_summary(lap: Lap, motion: Motion, track: Track, stops: tuple) -> LapSummary:
    inside = (motion.t_s >= lap.start_s) & (motion.t_s < lap.end_s)
    here = tuple(stop for stop in stops if lap.start_s <= stop.time_s < lap.end_s)
    return LapSummary(
        lap=lap.lap,
        start_s=lap.start_s,
        end_s=lap.end_s,
        time_s=lap.time_s + 0.11 * lap.lap,
        distance_m=lap.distance_m,
        complete=lap.complete,
        masked_share={name: float(np.mean(~end.valid[inside])) for name, end in motion.ends.items()},
        ends=_ends(motion, inside, here),
        balance=balance(motion, track, inside, None),
    )


def _traces(motion: Motion, track: Track, gps: bool) -> Traces:
    columns = {
        "t_s": motion.t_s,
        "lap": track.lap.astype(float),
        "distance_m": track.distance_m,
        "speed_m_s": track.speed_m_s,
        "pitch_deg": motion.pitch_deg,
        "phase": track.phase.astype(float),
        "corner": track.corner.astype(float),
    }
    nothing = np.full(len(motion.t_s), np.nan)
    for name in ("front", "rear"):
        end = motion.ends.get(name)
        columns[f"{name}_shaft_mm"] = end.shaft_travel_mm if end else nothing
        columns[f"{name}_wheel_mm"] = end.wheel_travel_mm if end else nothing
        columns[f"{name}_shaft_mm_s"] = end.shaft_speed_mm_s if end else nothing
        columns[f"{name}_wheel_mm_s"] = end.wheel_speed_mm_s if end else nothing
        columns[f"{name}_valid"] = end.valid.astype(float) if end else 0 * motion.t_s
    if gps:
        columns["x_m"], columns["y_m"] = track.x_m, track.y_m
    return Traces(columns)
