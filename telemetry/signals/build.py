"""From a raw log to a run: the order of steps of this room."""

from collections.abc import Mapping

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.errors import ChannelError
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.calibrate import Calibration, fit_calibration
from telemetry.signals.channels import Channel, empty_note, read_channel
from telemetry.signals.clean import Cleaning, Place, clean
from telemetry.signals.clock import Grid, even_grid
from telemetry.signals.lookup import find_column, find_numbers
from telemetry.signals.noise import sensor_noise_mm
from telemetry.signals.place import place_on_grid
from telemetry.signals.run import Run, SensorSetup
from telemetry.signals.stamps import check_repeated, read_stamps

# A share of samples outside the bench points that is worth a word.
BEYOND_POINTS_SHARE = 0.01


def to_run(
    log: RawLog,
    *,
    sensors: Mapping[End, SensorSetup],
    channels: Mapping[str, str],
    time_channel: str,
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

    Returns
    -------
    Run
        An end whose sensor logged nothing is left out, with a note, if the other end has something.

    Raises
    ------
    ChannelError
        If a column is not in the log, holds no numbers, or is in a unit of something else.
    CalibrationError
        If sensor points make no calibration, or travel lies far below full extension.
    StrokeExceededError
        If travel beyond the stroke is more than isolated.
    LogError
        If the clock cannot be used.
    """
    stamps = read_stamps(log, time_channel)
    notes = [*log.notes, *stamps.notes]
    history = list(log.history)
    signals = _signals(log, sensors, notes)
    wanted = np.logical_or.reduce([np.isfinite(signal) for signal in signals.values()])
    grid = even_grid(stamps.t_s, wanted, source=log.source)
    notes += _clock_notes(log, grid)
    history.append(Step("even_clock", {"sample_rate_hz": grid.sample_rate_hz, "even": grid.even}))
    travel: dict[End, FloatArray] = {}
    for end, signal in signals.items():
        calibration = fit_calibration(sensors[end].points, sensors[end].zero, key=_key(end, sensors[end]))
        if not grid.is_row_by_row(log.n_rows):
            notes += check_repeated(log, sensors[end].channel, signal, stamps.t_s)
        on_grid = place_on_grid(signal, stamps.t_s, grid)
        history.append(_calibration_step(end, sensors[end], calibration))
        notes += _beyond_points(on_grid, calibration, sensors[end])
        travel[end] = calibration.travel_mm(on_grid)
    cleaned = {end: _clean(log, grid, travel, end, sensors[end]) for end in travel}
    for work in cleaned.values():
        notes += work.notes
        history += work.history
    others = _other_channels(log, channels, stamps.t_s - grid.start_s, grid, notes)
    return Run(
        source=log.source,
        t_s=grid.t_s,
        sample_rate_hz=grid.sample_rate_hz,
        shaft_travel_mm={end: work.travel_mm for end, work in cleaned.items()},
        channels={channel.name: channel.values for channel in others},
        channel_rate_hz={channel.name: channel.rate_hz for channel in others},
        sensor_noise_mm={end: sensor_noise_mm(work.travel_mm) for end, work in cleaned.items()},
        masked_share={end: float(np.mean(np.isnan(work.travel_mm))) for end, work in cleaned.items()},
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
    if grid.even:
        return []
    message = (
        f"Time stamps are uneven (standard deviation {1e3 * grid.jitter_s:.2f} ms at {grid.sample_rate_hz:.1f} Hz): "
        f"travel is interpolated onto an even clock."
    )
    return [QualityNote("warning", "uneven_clock", message)]


def _calibration_step(end: End, setup: SensorSetup, calibration: Calibration) -> Step:
    return Step(
        "calibrate",
        {
            "end": end,
            "channel": setup.channel,
            "kind": calibration.kind,
            "points": len(setup.points),
            "mm_per_signal": calibration.line.slope,
            "largest_residual_mm": calibration.line.largest_residual,
            "zeroed": setup.zero is not None,
        },
    )


def _beyond_points(signal: FloatArray, calibration: Calibration, setup: SensorSetup) -> list[QualityNote]:
    beyond = (signal < calibration.lowest) | (signal > calibration.highest)
    share = float(beyond.sum() / max(1, np.isfinite(signal).sum()))
    if share <= BEYOND_POINTS_SHARE:
        return []
    message = (
        f"{100 * share:.0f} % of {setup.channel!r} lies beyond the bench points; there the calibration goes straight "
        f"on. Measure points nearer to both ends of the stroke."
    )
    return [QualityNote("info", "beyond_points", message, channel=setup.channel)]


def _clean(
    log: RawLog, grid: Grid, travel: Mapping[End, FloatArray], end: End, setup: SensorSetup
) -> Cleaning:
    place = Place(
        log.source, end, setup, grid.sample_rate_hz, lambda sample: log.first_row + grid.row_of(sample)
    )
    other = next((values for name, values in travel.items() if name != end), None)
    return clean(travel[end], place, other)


def _other_channels(
    log: RawLog, channels: Mapping[str, str], row_t_s: FloatArray, grid: Grid, notes: list[QualityNote]
) -> list[Channel]:
    found = []
    for meaning, column in channels.items():
        channel = read_channel(log, meaning, column, row_t_s, grid)
        if channel is None:
            notes.append(empty_note(meaning, column))
        else:
            notes += channel.notes
            found.append(channel)
    return found
