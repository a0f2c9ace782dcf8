"""Outings whose places are known, without the suspension's integration: laps need none of it."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.bike import Bike
from telemetry.logs.rawlog import RawLog
from telemetry.review.steps import channels as channels_of
from telemetry.review.steps import sensors as sensors_of
from telemetry.signals import Run, to_run
from telemetry.simulate import Circuit, Riding, Sensors, Vehicle
from telemetry.simulate.riding import Ride, ride_circuit
from telemetry.simulate.sensors import LINE_LATITUDE_DEG, LINE_LONGITUDE_DEG, log_columns
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit
from tests.randomised.phases import true_phases

LINE = (LINE_LATITUDE_DEG, LINE_LONGITUDE_DEG)


@dataclass(frozen=True)
class Ridden:
    """A run as logged, with the truth at its samples."""

    run: Run
    circuit: Circuit
    ride: Ride

    def true(self, values):
        """One of the ride's arrays at the run's samples."""
        return np.interp(self.run.t_s, self.ride.t_s, values)

    @property
    def place_m(self):
        """True lap distance."""
        return self.true(self.ride.distance_m) % self.circuit.length_m

    @property
    def phase(self):
        """True phase."""
        row = np.clip(np.round(self.run.t_s / self.ride.step_s).astype(int), 0, len(self.ride.speed_m_s) - 1)
        return true_phases(self.ride, self.circuit)[row]


def ridden(
    seed: int,
    *,
    laps: int = 4,
    log_rate_hz: float = 200.0,
    sensors: Sensors | None = None,
    riding: Riding | None = None,
    faults=(),
    circuit: Circuit | None = None,
    circuit_seed: int | None = None,
    only: tuple[str, ...] | None = None,
) -> Ridden:
    """An outing of a random machine on a random circuit.

    ``only`` keeps these of the channels beside travel. The circuit is that of ``seed`` unless another is named.
    """
    bike = random_bike(seed)
    sensors = sensors or Sensors(lap_signal="none")
    circuit = circuit or random_circuit(seed if circuit_seed is None else circuit_seed)
    ride = ride_circuit(circuit, Vehicle(bike), riding or Riding(), laps, np.random.default_rng([seed, 2]))
    columns, units = logged(ride, circuit, bike, sensors, faults, log_rate_hz, seed)
    return Ridden(run_of(columns, units, bike, sensors, only), circuit, ride)


def logged(ride: Ride, circuit: Circuit, bike: Bike, sensors: Sensors, faults, log_rate_hz: float, seed: int):
    """Columns and units of the log of a ride whose travel only sways."""
    t = np.arange(0.0, ride.t_s[-1], 1.0 / log_rate_hz)
    travel = {end: 40.0 + 5.0 * np.sin(10.0 * t) for end in ("front", "rear")}
    speed = {end: 50.0 * np.cos(10.0 * t) for end in travel}
    return log_columns(
        travel, speed, t, ride, circuit, bike, sensors, faults, np.random.default_rng([seed, 3])
    )


def run_and_columns(seed: int, *, laps: int, log_rate_hz: float) -> tuple[Run, dict[str, np.ndarray]]:
    """A long outing as the run, and as the columns of its log."""
    bike, circuit, sensors = random_bike(seed), random_circuit(seed), Sensors(lap_signal="none")
    ride = ride_circuit(circuit, Vehicle(bike), Riding(), laps, np.random.default_rng([seed, 2]))
    columns, units = logged(ride, circuit, bike, sensors, (), log_rate_hz, seed)
    return run_of(columns, units, bike, sensors), columns


def run_of(columns, units, bike: Bike, sensors: Sensors, only=None) -> Run:
    """The run of a log's columns."""
    signals = {name: name if name == sensors.lap_signal else None for name in ("lap", "beacon")}
    bike = bike.model_copy(update={"channels": bike.channels.model_copy(update=signals)})
    known = {name: column for name, column in channels_of(bike).items() if column in columns}
    if only is not None:
        known = {name: column for name, column in known.items() if name in only}
    log = RawLog("simulated", columns, units)
    run = to_run(log, sensors=sensors_of(bike), channels=known, time_channel=bike.channels.time)
    return replace(run, notes=())


def with_pause(first: Run, second: Run, pause_s: float, *, seed: int = 0, moved_deg: float = 0.0) -> Run:
    """Two runs in one log, standing still between them with the position's noise going on.

    ``moved_deg`` puts the second elsewhere, by so much in latitude.
    """
    n, rate = round(pause_s * first.sample_rate_hz), first.sample_rate_hz
    noise = np.random.default_rng(seed).normal(0.0, 3e-6, round(pause_s * 10) + 2)
    standing = np.interp(np.arange(n) / rate * 10, np.arange(len(noise)), noise)

    def joined(name: str) -> np.ndarray:
        before, after = first.channels[name], second.channels[name]
        if name == "lap":
            after = after + np.nanmax(before)
            return np.concatenate((before, np.full(n, before[-1]), np.maximum(after, before[-1])))
        if name in ("latitude_deg", "longitude_deg"):
            after = after + (moved_deg if name == "latitude_deg" else 0.0)
            last = before[np.isfinite(before)][-1]
            return np.concatenate((before, last + standing, after))
        return np.concatenate((before, np.zeros(n), after))

    channels = {name: joined(name) for name in first.channels}
    count = len(first.t_s) + n + len(second.t_s)
    return replace(first, t_s=np.arange(count) / rate, channels=channels)
