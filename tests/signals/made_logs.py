"""Logs made by hand, with a known truth."""

import numpy as np

from telemetry.logs import RawLog
from telemetry.signals import SensorSetup, to_run

FORK = SensorSetup("fork", ((0.5, 0.0), (4.5, 120.0)), stroke_mm=120.0, source="bike.toml")
SHOCK = SensorSetup("shock", ((4.5, 0.0), (0.5, 70.0)), stroke_mm=70.0, source="bike.toml")
FIRST_ROW = 3


def travel_mm(t_s, middle, swing):
    """Something like riding: body motion, some hop, away from both ends of the stroke."""
    slow = np.sin(2 * np.pi * 0.7 * t_s) + 0.4 * np.sin(2 * np.pi * 2.1 * t_s + 1)
    return middle + swing * slow + 0.8 * np.sin(2 * np.pi * 13.7 * t_s)


def fork_mm(t_s):
    return travel_mm(t_s, 55.0, 20.0)


def shock_mm(t_s):
    return travel_mm(t_s + 0.03, 30.0, 9.0)


def make_log(*, rate_hz=500.0, duration_s=8.0, t_s=None, units=None, noise_mm=0.0, **columns):
    """A log with time, fork and shock in volts; further columns, or changed ones, as arrays or functions of time."""
    t_s = np.arange(round(duration_s * rate_hz)) / rate_hz if t_s is None else t_s
    rng = np.random.default_rng(4)
    made = {
        "time": t_s,
        "fork": 0.5 + (fork_mm(t_s) + noise_mm * rng.standard_normal(len(t_s))) / 30.0,
        "shock": 4.5 - (shock_mm(t_s) + noise_mm * rng.standard_normal(len(t_s))) * 4.0 / 70.0,
    }
    made |= {
        name: values(t_s) if callable(values) else np.asarray(values, float)
        for name, values in columns.items()
    }
    return RawLog(
        source="outing.csv",
        columns=made,
        units={"time": "s", "fork": "V", "shock": "V"} | (units or {}),
        first_row=FIRST_ROW,
    )


def volts(fork_travel_mm):
    """Fork travel as its sensor would log it."""
    return 0.5 + np.asarray(fork_travel_mm) / 30.0


def make_run(log=None, *, ends=("front", "rear"), channels=None, **kwargs):
    log = make_log(**kwargs) if log is None else log
    sensors = {"front": FORK, "rear": SHOCK}
    return to_run(
        log, sensors={end: sensors[end] for end in ends}, channels=channels or {}, time_channel="time"
    )


def codes(run):
    return [note.code for note in run.notes]
