"""How each travel sensor was calibrated, read from the history of a run."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from telemetry.notes import Step
from telemetry.report.blocks import Column, words_columns
from telemetry.wording import UNKNOWN, number

HEADINGS = (
    *words_columns("", "column", "fit"), Column("mm/unit"), Column("off line [mm]"), Column("of span [%]"),
    Column("zero from", words=True), Column("tops out [mm]"), Column("drift [mm]"),
)  # fmt: skip


@dataclass(frozen=True)
class SensorCheck:
    """One travel sensor.

    Parameters
    ----------
    fit : str
        ``line`` or ``curve``, and through how many bench points.
    mm_per_signal : float
        Slope of the best line.
    largest_residual_mm, linearity_pct : float
        Farthest bench point from the best line, in mm and as a share of the span; None for two points, which any
        line goes through. [mm, %]
    zero_from : str
        bench, signal, log interval or topped out.
    topped_out_mm : float or None
        Where the end tops out, by the log; 0 if the zero is right. [mm]
    drift_mm : float or None
        How much higher its lowest reading is in the last third of the run than in the first. [mm]
    """

    end: str
    column: str
    fit: str
    mm_per_signal: float
    largest_residual_mm: float | None
    linearity_pct: float | None
    zero_from: str
    topped_out_mm: float | None
    drift_mm: float | None


def sensor_checks(history: Sequence[Step]) -> tuple[SensorCheck, ...]:
    """The travel sensors of a run; none for a history without calibration."""
    zeros = {step.settings["end"]: step.settings for step in history if step.name == "zero"}
    return tuple(
        _sensor(step.settings, zeros.get(step.settings["end"], {}))
        for step in history
        if step.name == "calibrate" and "zero_from" in step.settings
    )


def _sensor(
    calibration: dict[str, float | int | str | bool], zero: dict[str, float | int | str | bool]
) -> SensorCheck:
    points = calibration["points"]

    def misfit(key: str) -> float | None:
        return float(calibration[key]) if int(points) > 2 else None

    return SensorCheck(
        end=str(calibration["end"]),
        column=str(calibration["channel"]),
        fit=f"{calibration['kind']}, {points} points",
        mm_per_signal=float(calibration["mm_per_signal"]),
        largest_residual_mm=misfit("largest_residual_mm"),
        linearity_pct=misfit("linearity_pct"),
        zero_from=str(calibration["zero_from"]),
        topped_out_mm=float(zero["topped_out_mm"]) if "topped_out_mm" in zero else None,
        drift_mm=float(zero["drift_mm"]) if "drift_mm" in zero else None,
    )


def sensor_rows(sensors: Iterable[SensorCheck]) -> list[tuple[str, ...]]:
    """Cells of a table under `HEADINGS`."""
    return [
        (
            sensor.end,
            sensor.column,
            sensor.fit,
            f"{sensor.mm_per_signal:.4g}",
            number(sensor.largest_residual_mm, 2),
            number(sensor.linearity_pct, 2),
            sensor.zero_from,
            UNKNOWN if sensor.topped_out_mm is None else number(sensor.topped_out_mm, 1),
            UNKNOWN if sensor.drift_mm is None else number(sensor.drift_mm, 1),
        )
        for sensor in sensors
    ]
