"""From a raw log to a run: the order of steps of this room."""

from collections.abc import Mapping

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.errors import CalibrationError, ChannelError, StrokeExceededError
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.calibrate import LINEAR_WITHIN_MM, Calibration, fit_calibration, through_curve
from telemetry.signals.channels import Channel, read_channel
from telemetry.signals.clean import OUTSIDE_MM, Cleaning, Place, clean
from telemetry.signals.clock import Grid, even_grid
from telemetry.signals.lookup import find_column, find_numbers
from telemetry.signals.noise import sensor_noise_mm
from telemetry.signals.place import place_on_grid
from telemetry.signals.rates import OTHER_RATE
from telemetry.signals.resample import resample
from telemetry.signals.run import Run, SensorSetup
from telemetry.signals.sanity import check_riding, swap_hint
from telemetry.signals.stamps import check_repeated, in_order, read_stamps
from telemetry.signals.supply import at_bench_supply
from telemetry.signals.zero import check_zero, zero_mm

# A share of samples outside the bench points that is worth a word.
BEYOND_POINTS_SHARE = 0.01


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
    log : RawLog
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
        An end whose sensor logged nothing is left out, with a note, if the other end has something.

    Raises
    ------
    ChannelError
        If the column of time or of travel is not in the log or holds no numbers, or a column is in a unit of
        something else. Of the other channels each that is missing is a note.
    CalibrationError
        If sensor points make no calibration, or travel lies far below full extension.
    StrokeExceededError
        If travel beyond the stroke is more than isolated.
    LogError
        If the clock cannot be used.
    """
    log = in_order(log, time_channel, [setup.channel for setup in sensors.values()])
    notes = list(log.notes)
    history = list(log.history)
    signals = _signals(log, sensors, notes)
    stamps = read_stamps(log, time_channel, tuple(signals.values()))
    notes += stamps.notes
    wanted = np.logical_or.reduce([np.isfinite(signal) for signal in signals.values()])
    grid = even_grid(stamps.t_s, wanted, source=log.source)
    notes += _clock_notes(log, grid)
    history.append(Step("even_clock", {"sample_rate_hz": grid.sample_rate_hz, "even": grid.even}))
    travel: dict[End, FloatArray] = {}
    row_t_s = stamps.t_s - grid.start_s
    for end, signal in signals.items():
        if not grid.is_row_by_row(log.n_rows):
            notes += check_repeated(log, sensors[end].channel, signal, stamps.t_s)
        on_grid = place_on_grid(signal, stamps.t_s, grid)
        on_grid, step, found = at_bench_supply(on_grid, log, end, sensors[end], row_t_s, grid)
        notes += found
        history += [] if step is None else [step]
        travel[end] = _calibrated(on_grid, end, sensors[end], grid.sample_rate_hz, notes, history)
    others = _other_channels(log, channels, row_t_s, grid, notes)
    speed = next((channel.values for channel in others if channel.name == "speed_m_s"), None)
    try:
        cleaned = {end: _clean(log, grid, travel, end, sensors[end], speed) for end in travel}
    except (StrokeExceededError, CalibrationError) as error:
        raise type(error)(f"{error}{swap_hint(signals, sensors)}") from None
    travel = {end: work.travel_mm for end, work in cleaned.items()}
    for end, work in cleaned.items():
        zeros, drift = check_zero(work.unheld_mm, grid.sample_rate_hz, end, sensors[end])
        notes += [*work.notes, *drift]
        history += [*work.history, *zeros]
    notes += check_riding(travel, sensors, {c.name: c.values for c in others}, grid.sample_rate_hz)
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
        notes=tuple(notes),
        history=tuple(history),
    )


def _key(end: End, setup: SensorSetup) -> str:
    return f"{setup.source}: [{end}.sensor]"


def _signals(
    log: RawLog, sensors: Mapping[End, SensorSetup], notes: list[QualityNote]
) -> dict[End, FloatArray]:
    """The travel columns; one without numbers is left out if the other has some."""
    names = {end: find_column(log, setup.channel, meaning=f"{end} travel") for end, setup in sensors.items()}
    signals = {end: log.columns[name] for end, name in names.items() if np.isfinite(log.columns[name]).any()}
    for end, name in names.items():
        if not signals:
            find_numbers(log, name, meaning=f"{end} travel")
        if end not in signals:
            message = f"Column {name!r} holds no numbers: the {end} cannot be judged. Check the sensor and its wiring."
            notes.append(QualityNote("refused", "empty_channel", message, channel=name))
    if not signals:
        raise ChannelError(f"{log.source}: no travel sensor is given; add [front.sensor] or [rear.sensor].")
    return signals


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
    return [*notes, QualityNote("warning", "uneven_clock", message)]


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


def _calibrated(
    signal: FloatArray,
    end: End,
    setup: SensorSetup,
    sample_rate_hz: float,
    notes: list[QualityNote],
    history: list[Step],
) -> FloatArray:
    """Shaft travel of a signal: by its bench points, its zero, and the way from what it measures to the shaft."""
    calibration = fit_calibration(setup.points, setup.zero, shape=setup.shape, key=_key(end, setup))
    measured = calibration.travel_mm(signal)
    zero = zero_mm(measured, sample_rate_hz, setup, key=_key(end, setup))
    history.append(_calibration_step(end, setup, calibration, zero))
    measured = measured - zero if zero else measured
    travel = through_curve(measured, setup.to_shaft) if setup.to_shaft else measured
    notes += _beyond_points(signal, travel, calibration, setup)
    notes += _not_linear(end, calibration, setup)
    return travel


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
    beyond = (signal < calibration.lowest) | (signal > calibration.highest)
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


def _clean(
    log: RawLog,
    grid: Grid,
    travel: Mapping[End, FloatArray],
    end: End,
    setup: SensorSetup,
    speed_m_s: FloatArray | None,
) -> Cleaning:
    place = Place(
        log.source,
        end,
        setup,
        grid.sample_rate_hz,
        lambda sample: log.first_row + grid.row_of(sample),
        grid.gaps,
    )
    other = next((values for name, values in travel.items() if name != end), None)
    return clean(travel[end], place, other, speed_m_s)


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
