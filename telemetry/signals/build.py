"""From a raw log to a run: the order of steps of this room."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.errors import CalibrationError, ChannelError
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.channels import Channel, read_channel
from telemetry.signals.clock import Grid, even_grid
from telemetry.signals.diagnose import Fault
from telemetry.signals.judging import fault_of, judge_ends
from telemetry.signals.lookup import similar_hint
from telemetry.signals.noise import sensor_noise_mm
from telemetry.signals.place import place_on_grid
from telemetry.signals.rates import OTHER_RATE
from telemetry.signals.reading import Reading, read_sensor
from telemetry.signals.resample import resample
from telemetry.signals.run import Run, SensorSetup
from telemetry.signals.stamps import check_repeated, in_order, read_stamps
from telemetry.signals.supply import at_bench_supply
from telemetry.signals.zero import check_zero

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
