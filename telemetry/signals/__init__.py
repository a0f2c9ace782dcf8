"""From columns to calibrated travel on one clock; differentiation, spectra, decay. No motorcycle in it."""

from telemetry.signals.run import Run, SensorSetup

__all__ = ["Run", "SensorSetup"]
