"""What was found held against what happened: bottoming by time and place, packing by place."""

from dataclasses import dataclass

import numpy as np

from telemetry.laps import find_track, is_moving, place_at
from telemetry.logs import RawLog
from telemetry.motion import Motion, find_packing, find_stops, to_motion
from telemetry.motion.stops import MERGE_S
from telemetry.review.steps import channels, sensors
from telemetry.signals import Run, to_run
from telemetry.simulate import Outing
from tests.benchmarks.motion.slow_rebound import Rows

# An event is right when it lies this near to a contact in time. A contact is found when it is no further from an event
# than contacts are merged over: `telemetry.motion.stops` makes one event of an end that bounces on its stop.
NEAR_S = 0.08


def motion_of(outing: Outing) -> tuple[Run, Motion]:
    """An outing as the review reads it."""
    log = RawLog("simulated", dict(outing.log_columns), dict(outing.units))
    bike = outing.bike
    run = to_run(log, sensors=sensors(bike), channels=channels(bike), time_channel=bike.channels.time)
    return run, to_motion(run, bike)


@dataclass(frozen=True)
class Stops:
    """Counts of one kind of contact: true ones, those found, events, those right, and how far off their place [m]."""

    contacts: int = 0
    found: int = 0
    events: int = 0
    right: int = 0
    away_m: tuple[float, ...] = ()

    def __add__(self, other: "Stops") -> "Stops":
        return Stops(
            self.contacts + other.contacts,
            self.found + other.found,
            self.events + other.events,
            self.right + other.right,
            (*self.away_m, *other.away_m),
        )

    @property
    def recall(self) -> float:
        return self.found / max(self.contacts, 1)

    @property
    def precision(self) -> float:
        return self.right / max(self.events, 1)


def score_stops(outing: Outing) -> dict[str, Stops]:
    """Bottomed and topped out of one outing, both ends."""
    run, motion = motion_of(outing)
    track = find_track(run)
    moving, truth, rate = is_moving(track), outing.truth, motion.sample_rate_hz
    length = outing.circuit.length_m
    total = {"bottomed": Stops(), "topped_out": Stops()}
    for name, end in motion.ends.items():
        events = find_stops(end, motion.t_s, moving)
        for kind in total:
            true = [
                contact
                for contact in truth.contacts
                if (contact.end, contact.kind) == (name, kind) and moving[round(contact.start_s * rate)]
            ]
            mine = [event for event in events if event.kind == kind]
            spans = [
                (event.time_s - event.duration_s - MERGE_S, event.time_s + event.duration_s + MERGE_S)
                for event in mine
            ]
            found = sum(any(a <= c.end_s and b >= c.start_s for a, b in spans) for c in true)
            away, right = [], 0
            for event in mine:
                hit = any(c.start_s - NEAR_S <= event.time_s <= c.end_s + NEAR_S for c in true)
                right += hit
                sample = round(event.time_s * rate)
                distance = place_at(track, sample).distance_m
                if hit and distance is not None and 1 <= truth.lap[sample] < len(truth.lap_start_s):
                    off = abs(distance - truth.lap_distance_m[sample])
                    away.append(min(off, abs(length - off)))
            total[kind] += Stops(len(true), found, len(mine), right, tuple(away))
    return total


@dataclass(frozen=True)
class Packing:
    """Passes over rows of bumps, those where packing was found, events elsewhere, laps ridden."""

    passes: int = 0
    found: int = 0
    elsewhere: int = 0
    laps: int = 0

    def __add__(self, other: "Packing") -> "Packing":
        return Packing(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))


def score_packing(rows: Rows) -> Packing:
    """Packing of one outing over rows of bumps."""
    outing = rows.outing
    run, motion = motion_of(outing)
    track = find_track(run)
    truth = outing.truth
    events = find_packing(motion, is_moving(track), track.speed_m_s)
    passes = found = 0
    explained: set[int] = set()
    laps = len(truth.lap_start_s) - 1
    for lap in range(1, laps + 1):
        for first, last in rows.spots:
            over = (
                (truth.lap == lap)
                & (truth.lap_distance_m >= first - 25)
                & (truth.lap_distance_m <= last + 10)
            )
            t = truth.t_s[over]
            if not len(t):
                continue
            passes += 1
            here = [
                i
                for i, e in enumerate(events)
                if e.end == rows.end and e.start_s <= t[-1] and e.end_s >= t[0]
            ]
            explained.update(here)
            found += bool(here)
    return Packing(passes, found, len(events) - len(explained), laps)


def worst_m(away_m: tuple[float, ...]) -> tuple[float, float]:
    """95 % below, and the most. [m]"""
    return (float(np.percentile(away_m, 95)), max(away_m)) if away_m else (float("nan"), float("nan"))
