"""From columns to calibrated travel on one clock; differentiation, spectra, decay. No motorcycle in it."""

from telemetry.signals.build import to_run
from telemetry.signals.calibrate import calibrate
from telemetry.signals.clock import runs
from telemetry.signals.differentiate import Derivative, differentiate
from telemetry.signals.run import Run, SensorSetup

__all__ = ["Derivative", "Run", "SensorSetup", "calibrate", "differentiate", "runs", "to_run"]
