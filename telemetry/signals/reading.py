"""What one travel sensor reads on the run's clock, and the shaft travel that its bench points make of it."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.notes import QualityNote, Step
from telemetry.signals.calibrate import LINEAR_WITHIN_MM, Calibration, fit_calibration, through_curve
from telemetry.signals.clean import EDGE_MM, OUTSIDE_MM
from telemetry.signals.clock import Grid
from telemetry.signals.diagnose import OUTSIDE_BENCH_MM, STILL_OUTSIDE_MM, wire_off
from telemetry.signals.run import SensorSetup
from telemetry.signals.zero import zero_mm

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
