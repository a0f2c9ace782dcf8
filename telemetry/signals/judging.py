"""Which ends of a log can be judged: what is wrong with a sensor costs that end, and the other one goes on."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.errors import BothEndsError, CalibrationError, StrokeExceededError
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote
from telemetry.signals.clean import Cleaning, Place, clean
from telemetry.signals.clock import Grid
from telemetry.signals.diagnose import Fault, diagnose, is_ridden
from telemetry.signals.gaps import runs
from telemetry.signals.reading import Reading, read_sensor
from telemetry.signals.run import SensorSetup
from telemetry.signals.sanity import check_riding, moves_as_the_other, swap_hint

# Faults that the other end's column would show as well.
OUT_OF_STROKE = ("scale", "sign", "calibration")
# With less than this left of it an end is not judged.
LEAST_S, LEAST_SHARE = 1.0, 0.1


@dataclass(frozen=True)
class Judged:
    """The ends that can be judged, cleaned; why the others cannot; and what is doubtful all the same."""

    cleaned: Mapping[End, Cleaning]
    faults: Mapping[End, Fault]
    doubts: tuple[QualityNote, ...]


def judge_ends(
    log: RawLog,
    grid: Grid,
    read: Mapping[End, Reading],
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray],
) -> Judged:
    """Travel of each end without its faults; an end that is nothing but a fault is left out, with the reason.

    Parameters
    ----------
    channels : mapping of str to ndarray of shape (n_samples,)
        As in `Run.channels`.
    """
    faults = {end: fault for end in read if (fault := _fault(grid, read, end, sensors, channels, {}))}
    cleaned: dict[End, Cleaning] = {}
    for end in (end for end in read if end not in faults):
        try:
            work = _clean(log, grid, read, end, sensors[end], faults, channels.get("speed_m_s"))
        except (StrokeExceededError, CalibrationError) as error:
            named = _fault(grid, read, end, sensors, channels, faults, doubted=True)
            faults[end] = named or fault_of(error, log, sensors[end])
            continue
        left = np.count_nonzero(np.isfinite(work.travel_mm))
        if left < min(LEAST_S * grid.sample_rate_hz, LEAST_SHARE * grid.n_samples):
            faults[end] = _nothing_left(end, work, sensors[end])
        else:
            cleaned[end] = work
    faults |= _other_way_about(read, cleaned, sensors, channels, grid, faults)
    travel = {end: work.travel_mm for end, work in cleaned.items() if end not in faults}
    against, doubts = check_riding(travel, sensors, channels, grid.sample_rate_hz)
    faults |= against
    return Judged({end: work for end, work in cleaned.items() if end not in faults}, faults, doubts)


def fault_of(error: BothEndsError, log: RawLog, setup: SensorSetup) -> Fault:
    """What was raised for one end, as the fault of that end; the log need not be named with each."""
    words = str(error).removeprefix(f"{log.source}: ").removeprefix(f"{log.source}, ")
    return Fault("calibration", words, setup.channel, error=type(error))


def _other_mm(read: Mapping[End, Reading], end: End, faults: Mapping[End, Fault]) -> FloatArray | None:
    """Travel of the other end, if that is any."""
    return next((r.travel_mm for e, r in read.items() if e != end and e not in faults), None)


def _fault(
    grid: Grid,
    read: Mapping[End, Reading],
    end: End,
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray],
    faults: Mapping[End, Fault],
    *,
    doubted: bool = False,
) -> Fault | None:
    """What is wrong with one sensor as a whole."""
    reading, setup, rate = read[end], sensors[end], grid.sample_rate_hz
    ridden = is_ridden(_other_mm(read, end, faults), channels.get("speed_m_s"), rate)
    by = partial(_travel_by, end=end, grid=grid)
    if not np.isfinite(reading.signal).any():  # still outside the stroke all through
        return diagnose(end, reading.logged, setup, by, ridden=ridden, doubted=True)
    fault = diagnose(end, reading.signal, setup, by, ridden=ridden, doubted=doubted)
    if doubted or (fault is not None and fault.code in OUT_OF_STROKE):
        # a sensor the wrong way round may read too much or too little; under brakes it shows which way it moves
        against, _ = check_riding({end: reading.travel_mm}, sensors, channels, rate)
        return against.get(end, fault)
    return fault


def _travel_by(setup: SensorSetup, signal: FloatArray, *, end: End, grid: Grid) -> FloatArray | None:
    """Shaft travel by another setup; None where it makes none."""
    try:
        return read_sensor(signal, end, setup, grid).logged_mm
    except CalibrationError:
        return None


def _nothing_left(end: End, work: Cleaning, setup: SensorSetup) -> Fault:
    """Why an end has no travel left once its faults are masked: what masked most of it."""
    said = max(work.notes, key=lambda note: (note.end_s or 0.0) - (note.start_s or 0.0), default=None)
    why = f" {said.message}" if said is not None else " Check the sensor and its wiring."
    return Fault("no_travel", f"Nothing of {setup.channel!r} is usable {end} travel.{why}", setup.channel)


def _other_way_about(
    read: Mapping[End, Reading],
    cleaned: Mapping[End, Cleaning],
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray],
    grid: Grid,
    faults: Mapping[End, Fault],
) -> dict[End, Fault]:
    """Faults where one end cannot be judged and both columns fit the other way about.

    The ends are swapped where the end that is left moves under brakes as the other does. Where nothing tells, that end
    is judged, and the hint goes with the reason of the other.
    """
    if len(read) < 2 or not any(fault.code in OUT_OF_STROKE for fault in faults.values()):
        return {}
    hint = swap_hint({end: reading.signal for end, reading in read.items()}, sensors)
    if not hint:
        return {}
    rate = grid.sample_rate_hz
    if not cleaned or any(
        moves_as_the_other(end, w.travel_mm, sensors[end], channels, rate) for end, w in cleaned.items()
    ):
        return {end: Fault("swapped_ends", hint, sensors[end].channel) for end in read}
    return {end: replace(fault, message=f"{fault.message} {hint}") for end, fault in faults.items()}


def _clean(
    log: RawLog,
    grid: Grid,
    read: Mapping[End, Reading],
    end: End,
    setup: SensorSetup,
    faults: Mapping[End, Fault],
    speed_m_s: FloatArray | None,
) -> Cleaning:
    def row_of(sample: int) -> int:
        return log.first_row + grid.row_of(sample)

    reading = read[end]
    starts, ends = runs(reading.wire_off)
    told = (*grid.gaps, *zip(starts.tolist(), ends.tolist(), strict=True))  # by notes of their own
    place = Place(log.source, end, setup, grid.sample_rate_hz, row_of, told, grid.even)
    work = clean(reading.travel_mm, place, _other_mm(read, end, faults), speed_m_s)
    if len(starts):
        work.note(
            reading.wire_off,
            "wire_off",
            "stands still outside the stroke in {places}: an open wire, or no supply; {count} samples are left out. "
            "Check the wiring.",
        )
        work.notes.insert(0, work.notes.pop())  # it costs the most
    return work
