"""Riding the laps of a stored run again with a change, for the page that shows it."""

from collections.abc import Mapping

import numpy as np

from dashboard.desk.adding import Faults
from dashboard.desk.correcting import settings_of
from dashboard.desk.jobs import Progress
from telemetry.arrays import ENDS
from telemetry.bike import Bike
from telemetry.errors import BikeFileError
from telemetry.logbook import KeptPrediction, Logbook, keep_prediction, track_record, with_own_history
from telemetry.prediction import Tried, predict, prepare
from telemetry.review import measure, with_columns
from telemetry.stand import apply_changes, parse_change

_POINTS = 700


def keys_to_turn(bike: Bike) -> list[tuple[str, str]]:
    """What of a bike can be changed, with what it is now and its step: the bike file has a number for each."""
    return [
        (one.key, f"{end} {one.label}: now {one.of_file}{f'; {one.hint}' if one.hint else ''}")
        for end, settings in settings_of(bike).items()
        for one in settings
        if one.of_file
    ]


def changes_said(said: Mapping[str, str], bike: Bike) -> list[str]:
    """Changes of a form, as ``key=+2``, checked against the bike file. Raises `Faults`."""
    text = said.get("by", "").strip().replace(",", ".")
    try:
        by = float(text)
    except ValueError:
        raise Faults({"by": "By how much, as a number such as +2 or -1."}) from None
    if by == 0:
        raise Faults({"by": "0 changes nothing."})
    change = f"{said.get('key', '')}={by:+g}"
    try:
        apply_changes(bike, [parse_change(change)])
    except BikeFileError as error:
        words = " ".join(error.faults) or str(error)
        raise Faults({"by": words}) from None
    return [change]


def ride_again(logbook: Logbook, run_id: str, changes: list[str], progress: Progress) -> KeptPrediction:
    """Predict a change for a stored run and keep the prediction."""
    progress("reading the run")
    log = logbook.log(run_id)
    bike = with_columns(logbook.bike(run_id), log, logbook.store.channels(run_id))
    laps = prepare(
        measure(log, bike, cut=logbook.store.cut(run_id)), bike, logbook.summary(run_id).oscillation
    )
    progress("riding the laps again")
    tried = predict(laps, [parse_change(text) for text in changes])
    prediction = with_own_history(tried.prediction, track_record(logbook, logbook.entry(run_id).bike))
    return keep_prediction(logbook, run_id, changes, prediction, _lap(tried))


def _lap(tried: Tried) -> dict[str, tuple[float, ...]]:
    """One complete lap of both rides, at as many places as a screen shows."""
    laps = [lap for lap in tried.track.laps if lap.complete and lap.lap in tried.prediction.laps]
    if not laps:
        return {}
    lap = min(laps, key=lambda one: one.time_s)
    rows = np.arange(*np.searchsorted(tried.before.t_s, (lap.start_s, lap.end_s)))
    rows = rows[:: max(1, len(rows) // _POINTS)]
    along = tried.track.distance_m[rows]
    if not np.isfinite(along).any():
        along = tried.before.t_s[rows] - lap.start_s
    good = np.isfinite(along)
    found = {"distance_m": tuple(np.round(along[good], 1).tolist())}
    for when, motion in (("before", tried.before), ("after", tried.after)):
        for end in ENDS:
            if end in motion.ends:
                travel = np.nan_to_num(motion.ends[end].wheel_travel_mm[rows][good])
                found[f"{end}_{when}_mm"] = tuple(np.round(travel, 2).tolist())
    return found
