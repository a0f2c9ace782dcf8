"""Raw log to run: the processing order of this package."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.decimals import Column, Columns, Numbers, as_column
from telemetry.errors import BothEndsError, CalibrationError, ChannelError, StrokeExceededError
from telemetry.logs import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.calibrate import (
    LINEAR_WITHIN_MM,
    Calibration,
    check_zero,
    fit_calibration,
    through_curve,
    zero_mm,
)
from telemetry.signals.channels import Channel, Run, SensorSetup, at_bench_supply, read_channel
from telemetry.signals.clean import EDGE_MM, OUTSIDE_MM, Cleaning, SignalOrigin, clean
from telemetry.signals.clock import (
    OTHER_RATE,
    Grid,
    even_grid,
    place_on_grid,
    resample,
    runs,
    steady_grid,
)
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
from telemetry.signals.stamps import RowStamps, check_repeated, in_order, row_stamps, similar_hint

# Share of samples outside the bench points above which a note is added.
BEYOND_POINTS_SHARE = 0.01

# Faults that swapped columns can cause.
OUT_OF_STROKE = ("scale", "sign", "calibration")
# Least valid travel of a judged end: the smaller of this time and this share of the run.
LEAST_S, LEAST_SHARE = 1.0, 0.1

# Jitter below this share of a sample step is an info, not a warning: each row keeps its time stamp.
# Own choice.
MUCH_JITTER = 0.3


@dataclass(frozen=True)
class Reading:
    """One sensor on the run's clock: its signal and its calibrated shaft travel. [mm]"""

    signal: Column  # NaN where the wire is off
    travel_mm: FloatArray  # at the shaft; NaN where the wire is off
    wire_off: BoolArray  # stretches at a level that cannot be travel
    calibration: Calibration
    zero_mm: float
    logged: Column  # as ``signal``, complete
    logged_mm: FloatArray  # as ``travel_mm``, complete
    notes: tuple[QualityNote, ...] = ()
    steps: tuple[Step, ...] = ()

    def step(self, end: End, setup: SensorSetup) -> Step:
        """Processing step that records the calibration."""
        return _calibration_step(end, setup, self.calibration, self.zero_mm)

    def notes_of_points(self, end: End, setup: SensorSetup) -> list[QualityNote]:
        """Notes on the bench points: too short a range, or off the requested line."""
        return [
            *_beyond_points(self.signal, self.travel_mm, self.calibration, setup),
            *_not_linear(end, self.calibration, setup),
        ]


def _key(end: End, setup: SensorSetup) -> str:
    return f"{setup.source}: [{end}.sensor]"


def read_sensor(signal: FloatArray | Column, end: End, setup: SensorSetup, grid: Grid) -> Reading:
    """Shaft travel of a signal: bench points, zero, and conversion to the shaft."""
    rate, signal = grid.sample_rate_hz, as_column(signal)
    calibration = fit_calibration(setup.points, setup.zero, shape=setup.shape, key=_key(end, setup))
    measured = np.empty(len(signal))
    for rows, values in signal.blocks():
        measured[rows] = calibration.travel_mm(values)
    off = np.zeros(len(signal), dtype=bool)
    if setup.zero_interval_s is not None or setup.zero_topped_out:
        # the zero is taken from the log, without open-wire stretches
        bench = [mm for _, mm in setup.points]
        off = wire_off(measured, (min(bench) - OUTSIDE_BENCH_MM, max(bench) + OUTSIDE_BENCH_MM), rate)
        measured = np.where(off, np.nan, measured)
    zero = zero_mm(measured, rate, setup, key=_key(end, setup))
    measured = measured - zero if zero else measured
    travel = through_curve(measured, setup.to_shaft) if setup.to_shaft else measured
    off |= wire_off(travel, (-STILL_OUTSIDE_MM, setup.stroke_mm + STILL_OUTSIDE_MM), rate)
    if not off.any():
        return Reading(signal, travel, off, calibration, zero, signal, travel)
    return Reading(signal.blanked(off), np.where(off, np.nan, travel), off, calibration, zero, signal, travel)


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
    if len(setup.points) > 2:  # two points always lie on a line
        settings |= {
            "largest_residual_mm": line.largest_residual,
            "linearity_pct": calibration.linearity_pct,
            "residual_sd_mm": line.residual_sd,
        }
    return Step("calibrate", settings)


def _not_linear(end: End, calibration: Calibration, setup: SensorSetup) -> list[QualityNote]:
    """Note for a requested line from which the bench points deviate."""
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
    signal: FloatArray | Column, travel: FloatArray, calibration: Calibration, setup: SensorSetup
) -> list[QualityNote]:
    signal = as_column(signal)
    noise = EDGE_MM / abs(calibration.line.slope)  # an end may rest at the last point, and its stop yields
    first, last = calibration.lowest - noise, calibration.highest + noise
    low, high = signal.limits or (first, last)
    if first <= low and high <= last:
        return []
    values = signal.values
    beyond = (values < first) | (values > last)
    if np.count_nonzero(beyond) <= BEYOND_POINTS_SHARE * len(signal):
        return []
    beyond &= (travel > -OUTSIDE_MM) & (
        travel < setup.stroke_mm + OUTSIDE_MM
    )  # open wires have their own fault
    share = float(beyond.sum() / max(1, np.count_nonzero(signal.known())))
    if share <= BEYOND_POINTS_SHARE:
        return []
    message = (
        f"{100 * share:.0f} % of {setup.channel!r} lies beyond the bench points, where the calibration is extrapolated "
        f"linearly. Measure points nearer to both ends of the stroke."
    )
    return [QualityNote("info", "beyond_points", message, channel=setup.channel)]


@dataclass(frozen=True)
class Judged:
    """Cleaned travel of the judged ends, faults of the others, and notes on doubtful values."""

    cleaned: Mapping[End, Cleaning]
    faults: Mapping[End, Fault]
    doubts: tuple[QualityNote, ...]


def judge_ends(
    log: RawLog,
    grid: Grid,
    read: Mapping[End, Reading],
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray | Numbers],
) -> Judged:
    """Cleaned travel of each end; an end whose readings are not travel is left out, with its fault."""
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
            faults[end] = _no_travel(end, work, sensors[end])
        else:
            cleaned[end] = work
    faults |= _swapped_columns(read, cleaned, sensors, channels, grid, faults)
    travel = {end: work.travel_mm for end, work in cleaned.items() if end not in faults}
    against, doubts = check_riding(travel, sensors, channels, grid.sample_rate_hz)
    faults |= against
    return Judged({end: work for end, work in cleaned.items() if end not in faults}, faults, doubts)


def fault_of(error: BothEndsError, log: RawLog, setup: SensorSetup) -> Fault:
    """Fault of one end from its exception; the message without the log's name."""
    words = str(error).removeprefix(f"{log.source}: ").removeprefix(f"{log.source}, ")
    return Fault("calibration", words, setup.channel, error=type(error))


def _other_mm(read: Mapping[End, Reading], end: End, faults: Mapping[End, Fault]) -> FloatArray | None:
    """Travel of the other end, None if it has none."""
    return next((r.travel_mm for e, r in read.items() if e != end and e not in faults), None)


def _fault(
    grid: Grid,
    read: Mapping[End, Reading],
    end: End,
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray | Numbers],
    faults: Mapping[End, Fault],
    *,
    doubted: bool = False,
) -> Fault | None:
    """Fault that makes a whole sensor unusable, None if there is none."""
    reading, setup, rate = read[end], sensors[end], grid.sample_rate_hz
    ridden = is_ridden(_other_mm(read, end, faults), channels.get("speed_m_s"), rate)
    by = partial(_travel_by, end=end, grid=grid, known=(setup, reading))
    if not reading.signal.any_known:  # constant outside the stroke for the whole log
        return diagnose(end, reading.logged, setup, by, ridden=ridden, doubted=True)
    fault = diagnose(end, reading.signal, setup, by, ridden=ridden, doubted=doubted)
    if doubted or (fault is not None and fault.code in OUT_OF_STROKE):
        # an inverted sensor may read too much or too little; braking shows its direction
        against, _ = check_riding({end: reading.travel_mm}, sensors, channels, rate)
        return against.get(end, fault)
    return fault


def _travel_by(
    setup: SensorSetup,
    signal: FloatArray | Column,
    *,
    end: End,
    grid: Grid,
    known: tuple[SensorSetup, Reading],
) -> FloatArray | None:
    """Shaft travel with another setup than the ``known`` one, or as that; None if that is no calibration."""
    own, reading = known
    if setup is own and signal is reading.signal:
        return reading.travel_mm
    try:
        return read_sensor(signal, end, setup, grid).logged_mm
    except CalibrationError:
        return None


def _no_travel(end: End, work: Cleaning, setup: SensorSetup) -> Fault:
    """Fault of an end without valid travel after cleaning, with the note that masks the longest stretch."""
    longest = max(work.notes, key=lambda note: (note.end_s or 0.0) - (note.start_s or 0.0), default=None)
    why = f" {longest.message}" if longest is not None else " Check the sensor and its wiring."
    return Fault("no_travel", f"Nothing of {setup.channel!r} is usable {end} travel.{why}", setup.channel)


def _swapped_columns(
    read: Mapping[End, Reading],
    cleaned: Mapping[End, Cleaning],
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, FloatArray | Numbers],
    grid: Grid,
    faults: Mapping[End, Fault],
) -> dict[End, Fault]:
    """Faults of swapped columns, if one end cannot be judged and each column fits the other end's calibration.

    Both ends are refused if the judged end moves under brakes as the other end does; else only the other gets the hint.
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
    speed_m_s: FloatArray | Numbers | None,
) -> Cleaning:
    def row_of(sample: int) -> int:
        return log.first_row + grid.row_of(sample)

    reading = read[end]
    starts, ends = runs(reading.wire_off)
    noted = (*grid.gaps, *zip(starts.tolist(), ends.tolist(), strict=True))  # already noted elsewhere
    place = SignalOrigin(log.source, end, setup, grid.sample_rate_hz, row_of, noted, grid.even)
    work = clean(reading.travel_mm, place, _other_mm(read, end, faults), speed_m_s)
    if len(starts):
        work.note(
            reading.wire_off,
            "wire_off",
            "stands still outside the stroke in {places}: an open wire, or no supply; {count} samples are left out. "
            "Check the wiring.",
        )
        work.notes.insert(0, work.notes.pop())  # first, because it masks the most
    return work


def to_run(
    log: RawLog,
    *,
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, str],
    time_channel: str,
    resample_hz: float | None = None,
) -> Run:
    """Run of a log: calibrated travel and the other channels on one even clock.

    Parameters
    ----------
    sensors : mapping of end to SensorSetup
        At least one.
    channels : mapping of str to str
        Columns of the log by meaning: speed, latitude, longitude, throttle, brake, lean, lap, beacon.
    time_channel : str
        Column of time.
    resample_hz : float, optional
        Rate of the run; default: the log's rate, or the slowest of its rates. [Hz]

    Returns
    -------
    Run
        An end without usable travel is left out, with the reason in ``not_judged``, if the other end is usable.

    Raises
    ------
    ChannelError, CalibrationError, StrokeExceededError
        If no end can be judged; the class is that of the first end's fault. A ChannelError also if the time column is
        missing or holds no numbers. Other missing channels are notes.
    LogError
        If the clock cannot be used.
    """
    log = in_order(log, time_channel, [setup.channel for setup in sensors.values()])
    notes = list(log.notes)
    history = list(log.history)
    faults: dict[End, Fault] = {}
    signals = _signals(log, sensors, faults)
    _require_an_end(log, sensors, faults)
    stamps = row_stamps(log, time_channel, tuple(signals.values()))
    notes += stamps.notes
    grid = _grid(log, stamps, tuple(signals.values()))
    notes += _clock_notes(log, grid)
    history.append(Step("even_clock", {"sample_rate_hz": grid.sample_rate_hz, "even": grid.even}))
    row_t_s = stamps.seconds.less(grid.start_s)
    read: dict[End, Reading] = {}
    for end, signal in signals.items():
        if not grid.is_row_by_row(log.n_rows):
            notes += check_repeated(log, sensors[end].channel, signal.values, stamps.seconds.values)
        try:
            on_grid = signal
            if not grid.is_row_by_row(log.n_rows):
                on_grid = Column(place_on_grid(signal.values, stamps.seconds.values, grid))
            on_grid, step, supply_notes = at_bench_supply(on_grid, log, end, sensors[end], row_t_s, grid)
            read[end] = replace(
                read_sensor(on_grid, end, sensors[end], grid),
                notes=supply_notes,
                steps=() if step is None else (step,),
            )
        except (ChannelError, CalibrationError) as error:
            faults[end] = fault_of(error, log, sensors[end])
    others = _other_channels(log, channels, row_t_s, grid, notes)
    values_by_name = {channel.name: channel.values for channel in others}
    judged = judge_ends(log, grid, read, sensors, values_by_name)
    faults |= judged.faults
    _require_an_end(log, sensors, faults)
    for end in judged.cleaned:
        notes += [*read[end].notes, *read[end].notes_of_points(end, sensors[end])]
        history += [*read[end].steps, read[end].step(end, sensors[end])]
    read.clear()  # the signals are not needed any more, and what follows takes the most memory
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
        channels=Columns({channel.name: channel.values for channel in others}),
        channel_rate_hz={channel.name: channel.rate_hz for channel in others},
        sensor_noise_mm={end: sensor_noise_mm(values) for end, values in travel.items()},
        masked_share={end: float(np.mean(np.isnan(values))) for end, values in travel.items()},
        not_judged={end: fault.message for end, fault in faults.items()},
        notes=tuple(notes),
        history=tuple(history),
    )


def _grid(log: RawLog, stamps: RowStamps, signals: Sequence[Column]) -> Grid:
    """Clock of the rows with travel."""
    if stamps.steady is not None and not all(signal.missing for signal in signals):
        return steady_grid(stamps.seconds, stamps.steady)
    wanted = np.logical_or.reduce([signal.known() for signal in signals])
    if stamps.steady is not None and wanted.all():
        return steady_grid(stamps.seconds, stamps.steady)
    return even_grid(stamps.seconds.values, wanted, source=log.source)


def _signals(log: RawLog, sensors: Mapping[End, SensorSetup], faults: dict[End, Fault]) -> dict[End, Column]:
    """Travel columns of the log that hold numbers; faults for the others."""
    signals: dict[End, Column] = {}
    for end, setup in sensors.items():
        name = log.called(setup.channel)
        if name is None:
            hint = similar_hint(log, setup.channel, but={log.called(s.channel) for s in sensors.values()})
            words = (
                f"The log has no column {setup.channel!r} ({end} travel).{hint} Its columns are "
                f"{', '.join(log.columns)}. Name it with --channels {end}=COLUMN."
            )
            faults[end] = Fault("absent_channel", words, setup.channel, error=ChannelError)
        elif not log.column(name).any_known:
            words = f"Column {name!r} holds no numbers: the {end} cannot be judged. Check the sensor and its wiring."
            faults[end] = Fault("empty_channel", words, name, error=ChannelError)
        else:
            signals[end] = log.column(name)
    return signals


def _require_an_end(log: RawLog, sensors: Mapping[End, SensorSetup], faults: Mapping[End, Fault]) -> None:
    """Raise an error if no end can be judged, with the reason of each."""
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
        "These gaps are not filled; check why the logger paused."
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
    log: RawLog, channels: Mapping[str, str], row_t_s: Column, grid: Grid, notes: list[QualityNote]
) -> list[Channel]:
    present = []
    for meaning, column in channels.items():
        channel = read_channel(log, meaning, column, row_t_s, grid)
        if isinstance(channel, QualityNote):
            notes.append(channel)
        else:
            notes += channel.notes
            present.append(channel)
    return present
