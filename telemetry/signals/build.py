"""From a raw log to a run: the order of steps of this room."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.errors import BothEndsError, CalibrationError, ChannelError, StrokeExceededError
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.calibrate import (
    LINEAR_WITHIN_MM,
    Calibration,
    check_zero,
    fit_calibration,
    through_curve,
    zero_mm,
)
from telemetry.signals.channels import Channel, at_bench_supply, read_channel
from telemetry.signals.clean import EDGE_MM, OUTSIDE_MM, Cleaning, Place, clean
from telemetry.signals.clock import OTHER_RATE, Grid, even_grid, place_on_grid, resample, runs
from telemetry.signals.run import Run, SensorSetup
from telemetry.signals.sanity import (
    OUTSIDE_BENCH_MM,
    STILL_OUTSIDE_MM,
    Fault,
    check_riding,
    diagnose,
    is_ridden,
    moves_as_the_other,
    swap_hint,
    wire_off,
)
from telemetry.signals.spectra import sensor_noise_mm
from telemetry.signals.stamps import check_repeated, in_order, read_stamps, similar_hint

# A share of samples outside the bench points that is worth a word.
BEYOND_POINTS_SHARE = 0.01


@dataclass(frozen=True)
class Reading:
    """What one sensor reads on the run's clock, and the shaft travel that its bench points make of it.

    ``wire_off`` is where it reads a level that is no travel for so long that its wire must be off; ``signal`` and
    travel are NaN there, ``logged`` and ``logged_mm`` have it all.
    """

    signal: FloatArray
    travel_mm: FloatArray
    wire_off: BoolArray
    calibration: Calibration
    zero_mm: float
    logged: FloatArray
    logged_mm: FloatArray
    notes: tuple[QualityNote, ...] = ()
    steps: tuple[Step, ...] = ()

    def step(self, end: End, setup: SensorSetup) -> Step:
        """How it was calibrated."""
        return _calibration_step(end, setup, self.calibration, self.zero_mm)

    def notes_of_points(self, end: End, setup: SensorSetup) -> list[QualityNote]:
        """What the log shows of the bench points: too few of them, or off the line that was asked for."""
        return [
            *_beyond_points(self.signal, self.travel_mm, self.calibration, setup),
            *_not_linear(end, self.calibration, setup),
        ]


def _key(end: End, setup: SensorSetup) -> str:
    return f"{setup.source}: [{end}.sensor]"


def read_sensor(signal: FloatArray, end: End, setup: SensorSetup, grid: Grid) -> Reading:
    """Shaft travel of a signal: by its bench points, its zero, and the way from what it measures to the shaft."""
    rate = grid.sample_rate_hz
    calibration = fit_calibration(setup.points, setup.zero, shape=setup.shape, key=_key(end, setup))
    measured = calibration.travel_mm(signal)
    off = np.zeros(len(signal), dtype=bool)
    if setup.zero_interval_s is not None or setup.zero_topped_out:
        # the zero is read off the log: not off a wire that is open
        bench = [mm for _, mm in setup.points]
        off = wire_off(measured, (min(bench) - OUTSIDE_BENCH_MM, max(bench) + OUTSIDE_BENCH_MM), rate)
        measured = np.where(off, np.nan, measured)
    zero = zero_mm(measured, rate, setup, key=_key(end, setup))
    measured = measured - zero if zero else measured
    travel = through_curve(measured, setup.to_shaft) if setup.to_shaft else measured
    off |= wire_off(travel, (-STILL_OUTSIDE_MM, setup.stroke_mm + STILL_OUTSIDE_MM), rate)
    if not off.any():
        return Reading(signal, travel, off, calibration, zero, signal, travel)
    used, usable = (np.where(off, np.nan, values) for values in (signal, travel))
    return Reading(used, usable, off, calibration, zero, signal, travel)


def _calibration_step(end: End, setup: SensorSetup, calibration: Calibration, zero: float) -> Step:
    zeros = {"log interval": setup.zero_interval_s is not None, "topped out": setup.zero_topped_out,
             "signal": setup.zero is not None, "bench": True}  # fmt: skip
    line = calibration.line
    settings: dict[str, float | int | str | bool] = {
        "end": end,
        "channel": setup.channel,
        "kind": calibration.kind,
        "points": len(setup.points),
        "mm_per_signal": line.slope,
        "zero_from": next(name for name, given in zeros.items() if given),
        "zero_moved_mm": zero,
        "measures": "another travel" if setup.to_shaft else "shaft",
    }
    if len(setup.points) > 2:  # any line goes through two
        settings |= {
            "largest_residual_mm": line.largest_residual,
            "linearity_pct": calibration.linearity_pct,
            "residual_sd_mm": line.residual_sd,
        }
    return Step("calibrate", settings)


def _not_linear(end: End, calibration: Calibration, setup: SensorSetup) -> list[QualityNote]:
    """A line that was insisted on where the points do not lie on one."""
    residual = calibration.line.largest_residual
    if calibration.kind == "curve" or residual <= LINEAR_WITHIN_MM:
        return []
    message = (
        f"{end.capitalize()} bench points lie up to {residual:.1f} mm ({calibration.linearity_pct:.1f} % of the span) "
        f"off the line that shape asks for: travel is wrong by as much. Take shape out of [{end}.sensor], or measure "
        f"again."
    )
    return [QualityNote("warning", "not_linear", message, channel=setup.channel)]


def _beyond_points(
    signal: FloatArray, travel: FloatArray, calibration: Calibration, setup: SensorSetup
) -> list[QualityNote]:
    noise = EDGE_MM / abs(calibration.line.slope)  # at the last point an end may rest, and give a little
    beyond = (signal < calibration.lowest - noise) | (signal > calibration.highest + noise)
    if np.count_nonzero(beyond) <= BEYOND_POINTS_SHARE * len(signal):
        return []
    beyond &= (travel > -OUTSIDE_MM) & (
        travel < setup.stroke_mm + OUTSIDE_MM
    )  # an open wire is another fault
    share = float(beyond.sum() / max(1, np.isfinite(signal).sum()))
    if share <= BEYOND_POINTS_SHARE:
        return []
    message = (
        f"{100 * share:.0f} % of {setup.channel!r} lies beyond the bench points; there the calibration goes straight "
        f"on. Measure points nearer to both ends of the stroke."
    )
    return [QualityNote("info", "beyond_points", message, channel=setup.channel)]


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


# Stamps off an even clock by less than this share of a step cost nothing worth a warning: each row keeps its own time.
# A choice of ours.
MUCH_JITTER = 0.3


def to_run(
    log: RawLog,
    *,
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, str],
    time_channel: str,
    resample_hz: float | None = None,
) -> Run:
    """Calibrated travel and the other channels of a log, on one even clock.

    Parameters
    ----------
    sensors : mapping of end to SensorSetup
        At least one.
    channels : mapping of str to str
        Columns of the log by meaning: speed, latitude, longitude, throttle, brake, lean, lap, beacon.
    time_channel : str
        Column of time.
    resample_hz : float, optional
        Rate of the run; otherwise that of the log, or of its slowest part if it changes. [Hz]

    Returns
    -------
    Run
        An end whose sensor logged no travel is left out and stands in ``not_judged`` with the reason, if the other
        end has some.

    Raises
    ------
    ChannelError, CalibrationError, StrokeExceededError
        If no end can be judged: the one that the first end's fault is. A ChannelError also if the column of time is
        not in the log or holds no numbers, or a column is in a unit of something else. Of the other channels each
        that is missing is a note.
    LogError
        If the clock cannot be used.
    """
    log = in_order(log, time_channel, [setup.channel for setup in sensors.values()])
    notes = list(log.notes)
    history = list(log.history)
    faults: dict[End, Fault] = {}
    signals = _signals(log, sensors, faults)
    _one_must_be_left(log, sensors, faults)
    stamps = read_stamps(log, time_channel, tuple(signals.values()))
    notes += stamps.notes
    wanted = np.logical_or.reduce([np.isfinite(signal) for signal in signals.values()])
    grid = even_grid(stamps.t_s, wanted, source=log.source)
    notes += _clock_notes(log, grid)
    history.append(Step("even_clock", {"sample_rate_hz": grid.sample_rate_hz, "even": grid.even}))
    row_t_s = stamps.t_s - grid.start_s
    read: dict[End, Reading] = {}
    for end, signal in signals.items():
        if not grid.is_row_by_row(log.n_rows):
            notes += check_repeated(log, sensors[end].channel, signal, stamps.t_s)
        try:
            on_grid = place_on_grid(signal, stamps.t_s, grid)
            on_grid, step, found = at_bench_supply(on_grid, log, end, sensors[end], row_t_s, grid)
            read[end] = replace(
                read_sensor(on_grid, end, sensors[end], grid),
                notes=found,
                steps=() if step is None else (step,),
            )
        except (ChannelError, CalibrationError) as error:
            faults[end] = fault_of(error, log, sensors[end])
    others = _other_channels(log, channels, row_t_s, grid, notes)
    known = {channel.name: channel.values for channel in others}
    judged = judge_ends(log, grid, read, sensors, known)
    faults |= judged.faults
    _one_must_be_left(log, sensors, faults)
    for end in judged.cleaned:
        notes += [*read[end].notes, *read[end].notes_of_points(end, sensors[end])]
        history += [*read[end].steps, read[end].step(end, sensors[end])]
    for end, work in judged.cleaned.items():
        zeros, drift = check_zero(work.travel_mm, grid.sample_rate_hz, end, sensors[end])
        notes += [*work.notes, *drift]
        history += [*work.history, *zeros]
    notes += [*(_refused(fault) for fault in faults.values()), *judged.doubts]
    travel = {end: work.travel_mm for end, work in judged.cleaned.items()}
    if resample_hz is not None:
        travel = {end: resample(values, grid.sample_rate_hz, resample_hz) for end, values in travel.items()}
        grid = grid.at_rate(resample_hz)
        others = _other_channels(log, channels, row_t_s, grid, [])
        history.append(Step("resample", {"sample_rate_hz": resample_hz}))
    return Run(
        source=log.source,
        t_s=grid.t_s,
        sample_rate_hz=grid.sample_rate_hz,
        shaft_travel_mm=travel,
        channels={channel.name: channel.values for channel in others},
        channel_rate_hz={channel.name: channel.rate_hz for channel in others},
        sensor_noise_mm={end: sensor_noise_mm(values) for end, values in travel.items()},
        masked_share={end: float(np.mean(np.isnan(values))) for end, values in travel.items()},
        not_judged={end: fault.message for end, fault in faults.items()},
        notes=tuple(notes),
        history=tuple(history),
    )


def _signals(
    log: RawLog, sensors: Mapping[End, SensorSetup], faults: dict[End, Fault]
) -> dict[End, FloatArray]:
    """The travel columns that the log has and that hold numbers."""
    signals: dict[End, FloatArray] = {}
    for end, setup in sensors.items():
        name = log.called(setup.channel)
        if name is None:
            hint = similar_hint(log, setup.channel, but={log.called(s.channel) for s in sensors.values()})
            words = (
                f"The log has no column {setup.channel!r} ({end} travel).{hint} Its columns are "
                f"{', '.join(log.columns)}. Say which it is with --channels {end}=COLUMN."
            )
            faults[end] = Fault("absent_channel", words, setup.channel, error=ChannelError)
        elif not np.isfinite(log.columns[name]).any():
            words = f"Column {name!r} holds no numbers: the {end} cannot be judged. Check the sensor and its wiring."
            faults[end] = Fault("empty_channel", words, name, error=ChannelError)
        else:
            signals[end] = log.columns[name]
    return signals


def _one_must_be_left(log: RawLog, sensors: Mapping[End, SensorSetup], faults: Mapping[End, Fault]) -> None:
    """Refuse a log of which no end can be judged, with the reason of each in one line."""
    if not sensors:
        raise ChannelError(f"{log.source}: no travel sensor is given; add [front.sensor] or [rear.sensor].")
    if len(faults) < len(sensors):
        return
    reasons = {end: fault.message for end, fault in faults.items()}
    first, *more = faults.values()
    if not more or more[0].message == first.message:
        raise first.error(f"{log.source}: {first.message}")
    raise first.error(
        f"{log.source}: neither end can be judged. Front: {reasons['front']} Rear: {reasons['rear']}"
    )


def _refused(fault: Fault) -> QualityNote:
    return QualityNote(
        "refused", fault.code, fault.message, channel=fault.channel, start_s=fault.start_s, end_s=fault.end_s
    )


def _clock_notes(log: RawLog, grid: Grid) -> list[QualityNote]:
    notes = [_gap_note(log, grid)] if grid.gaps else []
    if grid.parts:
        return [*notes, _rate_note(log, grid)]
    if grid.even:
        return notes
    message = (
        f"Time stamps are uneven (standard deviation {1e3 * grid.jitter_s:.2f} ms at {grid.sample_rate_hz:.1f} Hz): "
        f"travel is interpolated onto an even clock."
    )
    uneven = grid.jitter_s * grid.sample_rate_hz > MUCH_JITTER
    return [*notes, QualityNote("warning" if uneven else "info", "uneven_clock", message)]


def _gap_note(log: RawLog, grid: Grid) -> QualityNote:
    rate = grid.sample_rate_hz
    lost_s = sum(end - start for start, end in grid.gaps) / rate
    start = grid.gaps[0][0]
    row = log.first_row + grid.row_of(start)
    where = f"before row {row} (t = {start / rate:.3f} s)"
    where = f"in {len(grid.gaps)} places, first {where}" if len(grid.gaps) > 1 else where
    message = (
        f"The clock has gaps {where}: {lost_s:.2f} s without a row, {lost_s * rate / grid.n_samples:.1%} of the log. "
        "Nothing is filled in there; see why the logger paused."
    )
    return QualityNote("warning", "clock_gap", message, start_s=start / rate, end_s=grid.gaps[-1][1] / rate)


def _rate_note(log: RawLog, grid: Grid) -> QualityNote:
    rates = ", ".join(f"{part.sample_rate_hz:.0f}" for part in grid.parts[:6])
    slow = [part for part in grid.parts if part.sample_rate_hz < grid.sample_rate_hz / OTHER_RATE]
    left_out = f"; {sum(part.t_s[-1] for part in slow):.1f} s logged slower are left out" if slow else ""
    second = grid.parts[1]
    message = (
        f"The rate changes inside the log ({rates} Hz; first at row {log.first_row + int(second.rows[0])}): travel is "
        f"brought to {grid.sample_rate_hz:.0f} Hz, filtered where it was faster{left_out}. Log at one rate."
    )
    start_s, end_s = second.start_s - grid.start_s, float(grid.t_s[-1])
    return QualityNote("warning", "rate_changes", message, start_s=start_s, end_s=end_s)


def _other_channels(
    log: RawLog, channels: Mapping[str, str], row_t_s: FloatArray, grid: Grid, notes: list[QualityNote]
) -> list[Channel]:
    found = []
    for meaning, column in channels.items():
        channel = read_channel(log, meaning, column, row_t_s, grid)
        if isinstance(channel, QualityNote):
            notes.append(channel)
        else:
            notes += channel.notes
            found.append(channel)
    return found
