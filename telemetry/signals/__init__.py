"""From columns to calibrated travel on one clock; differentiation, spectra, decay. No motorcycle in it."""

from telemetry.signals.build import to_run
from telemetry.signals.calibrate import DRIFT_MM, drift_between_mm
from telemetry.signals.channels import CONDITIONS, Run, SensorSetup
from telemetry.signals.clean import EDGE_MM
from telemetry.signals.clock import runs
from telemetry.signals.derivative import (
    Derivative,
    correlate,
    differentiate,
    differentiator,
    differentiator_as_at,
)
from telemetry.signals.spectra import (
    NOISE_NOTE_FROM_HZ,
    Mode,
    Spectrum,
    cross_spectrum,
    damping_from_log_decrement,
    damping_scatter,
    free_decay,
    log_decrement,
    noise_notes,
    power_spectrum,
    sensor_noise_mm,
    whole_segments,
)
from telemetry.signals.stamps import STATE_RATE, read_stamps

__all__ = [
    "CONDITIONS", "DRIFT_MM", "Derivative", "EDGE_MM", "Mode", "NOISE_NOTE_FROM_HZ", "Run", "STATE_RATE",
    "SensorSetup", "Spectrum", "correlate", "cross_spectrum", "damping_from_log_decrement", "damping_scatter",
    "differentiate", "differentiator", "differentiator_as_at", "drift_between_mm", "free_decay",
    "log_decrement", "noise_notes", "power_spectrum", "read_stamps", "runs", "sensor_noise_mm", "to_run",
    "whole_segments",
]  # fmt: skip
