"""Predicted changes against rides of known truth, beside three simple methods.

    python -m tests.benchmarks.prediction.run --bikes 4

Every bike is drawn; it is ridden by `telemetry.simulate` as it is and with one change, all else the same: circuit,
road, rider and sensors. Each method sees the first log only, and with `--file-errors` a bike file with random errors.
Printed: RMS error of the change at the end that was changed, travel in mm, all else in % of the value, on seeds that
tuned nothing; how often sign and size are right. Nothing is asserted.
"""

import argparse
import os
import tempfile
from collections import defaultdict
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy import signal

from telemetry.bike import leverage_curve, spring_of, static_sag
from telemetry.logs import read_log
from telemetry.prediction import predict, prepare
from telemetry.prediction._kernel import wheel_forces_n
from telemetry.prediction.model import difference_model, shaft_grid_mm, spring_table_n, with_shaft
from telemetry.prediction.values import ride_values
from telemetry.review import measure
from telemetry.simulate import simulate_outing, write_log
from telemetry.stand import apply_changes, parse_change
from tests.randomised.bikes import random_bike

TEST_SEEDS = 600_000  # what was tuned was tuned on lower seeds
SLOW_HZ = 1.0
ENDS = ("front", "rear")


def changes_of(bike):
    """Names, and changes as typed: springs, preload and dampers of both ends."""
    for end, preload in (("front", 4), ("rear", 3)):
        section = getattr(bike, end)
        yield end, [f"{end}.spring_rate_n_per_mm=+{0.1 * section.spring_rate_n_per_mm:.6f}"]
        yield end, [f"{end}.preload_mm=+{preload}"]
        for side in ("compression", "rebound"):
            damper = getattr(section.damper, side)
            yield (
                end,
                [
                    f"{end}.damper.{side}.{name}={1.25 * getattr(damper, name):.6f}"
                    for name in ("low_n_s_per_mm", "high_n_s_per_mm")
                ],
            )


def with_errors(bike, seed):
    """The bike file as it may be off: factors with the standard deviations that a bench leaves open.

    Common practice, no source: masses 3 %, tyres 7 %, dampers 10 %, friction 40 %, springs 1.5 %, rubber and top-out
    20 %, inertia 12 %, place of the centre of mass 1.5 %, tyre damping 40 %.
    """
    rng = np.random.default_rng(seed)

    def off(section, **spreads):
        given = {name: getattr(section, name) for name in spreads}
        update = {name: value * np.exp(spreads[name] * rng.standard_normal())
                  for name, value in given.items() if value is not None}  # fmt: skip
        return section.model_copy(update=update)

    def side(section):
        factor = np.exp(0.1 * rng.standard_normal())
        names = ("low_n_s_per_mm", "high_n_s_per_mm")
        return section.model_copy(update={name: factor * getattr(section, name) for name in names})

    update = {
        "chassis": off(bike.chassis, sprung_mass_kg=0.03, pitch_inertia_kg_m2=0.12, com_to_rear_axle_mm=0.015)
    }
    for end in ENDS:
        section = off(getattr(bike, end), unsprung_mass_kg=0.03, tyre_rate_n_per_mm=0.07,
                      tyre_damping_n_s_per_mm=0.4, spring_rate_n_per_mm=0.015)  # fmt: skip
        damper = off(section.damper, friction_n=0.4)
        damper = damper.model_copy(
            update={"compression": side(damper.compression), "rebound": side(damper.rebound)}
        )
        parts = section.spring
        if parts is not None:
            wrong = {
                "top_out": {"rate_n_per_mm": 0.2},
                "bump_stop": {"force_n": 0.2},
                "air": {"bore_mm": 0.075},
            }
            found = {name: off(getattr(parts, name), **spreads)
                     for name, spreads in wrong.items() if getattr(parts, name) is not None}  # fmt: skip
            parts = parts.model_copy(update=found)
        update[end] = section.model_copy(update={"damper": damper, "spring": parts})
    return bike.model_copy(update=update)


def ridden(bike, seed, folder):
    """The log of an outing, measured."""
    outing = simulate_outing(bike, seed=seed, laps=1, log_rate_hz=200.0)
    path = folder / "log.csv"
    write_log(outing, path)
    return measure(read_log(path), bike)


def sag_shift(laps, old, new):
    """Travel moved by what the static sag moves."""
    before, after = static_sag(old), static_sag(new)
    return {
        end: laps.before.ends[end].shaft_travel_mm + after[end].shaft_mm - before[end].shaft_mm
        for end in ENDS
    }


def slow_part(laps, old, new):
    """The slow part of travel to where the new spring carries the same force."""
    grid, found = shaft_grid_mm(old), {}
    sos = signal.butter(2, SLOW_HZ, fs=laps.before.sample_rate_hz, output="sos")
    for end in ENDS:
        travel = laps.before.ends[end].shaft_travel_mm
        slow = signal.sosfiltfilt(sos, np.where(np.isfinite(travel), travel, np.nanmedian(travel)))
        tables = [spring_table_n(spring_of(bike, end), grid) for bike in (old, new)]
        found[end] = travel + np.interp(np.interp(slow, grid, tables[0]), tables[1], grid) - slow
    return found


def quarter_car(laps, old, new):
    """Every frequency by the ratio of two linear quarter vehicles, the dampers those of the same power."""
    model, found = difference_model(old, new), {}
    rate = laps.before.sample_rate_hz
    for k, end in enumerate(ENDS):
        own = laps.before.ends[end]
        travel = np.where(
            np.isfinite(own.shaft_travel_mm), own.shaft_travel_mm, np.nanmedian(own.shaft_travel_mm)
        )
        speed = np.nan_to_num(own.shaft_speed_mm_s) / 1e3
        middle = float(np.median(travel))
        ratio = float(leverage_curve(old, end).ratio(np.array([middle]))[0])
        w = 2 * np.pi * np.fft.rfftfreq(len(travel), 1 / rate)
        w[0] = w[1]  # a free mass at rest; set apart below
        m = model.body.mass_kg * float(model.body.arm_m[1 - k] / model.body.arm_m.sum())
        g = -1 / (m * w**2) + 1 / (
            model.body.tyre_n_m[k] + 1j * w * model.body.tyre_n_s_m[k] - model.body.unsprung_kg[k] * w**2
        )
        loop = []
        for bike, tables in ((old, model.old), (new, model.new)):
            rate_n_m = 1e3 * spring_of(bike, end).rate_n_per_mm(middle)
            still, moving = np.tile(np.array([[middle], [middle]]) / 1e3, len(speed)), np.tile(speed, (2, 1))
            force = np.empty_like(moving)
            wheel_forces_n(tables, still, moving, force)
            rest = np.empty((2, 1))
            wheel_forces_n(tables, still[:, :1], np.zeros((2, 1)), rest)
            damping = ratio * float(np.sum((force[k] - rest[k]) * speed) / np.sum(speed**2))
            loop.append(1 + g * (rate_n_m + 1j * w * damping) / ratio**2)
        transfer = loop[0] / loop[1]
        transfer[0] = 1.0
        moved = np.fft.irfft(np.fft.rfft(travel - middle) * transfer, len(travel))
        sag = static_sag(new)[end].shaft_mm - static_sag(old)[end].shaft_mm
        found[end] = moved + middle + sag
    return found


PEERS = {"sag shift": sag_shift, "slow part": slow_part, "quarter car": quarter_car}


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bikes", type=int, default=3)
    parser.add_argument("--seed", type=int, default=TEST_SEEDS)
    parser.add_argument("--file-errors", action="store_true")
    arguments = parser.parse_args()
    errors = defaultdict(lambda: defaultdict(list))
    held = defaultdict(list)
    sign, size = [], []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(arguments.seed, arguments.seed + arguments.bikes):
            bike = random_bike(seed)
            file = with_errors(bike, seed) if arguments.file_errors else bike
            laps = prepare(ridden(bike, seed, Path(folder)), file)
            print(f"{seed}: fork {laps.fork.state} {laps.fork.ratio or float('nan'):.3f}", flush=True)
            for (end, typed), (_, in_file) in zip(changes_of(bike), changes_of(file), strict=True):
                changes = [parse_change(text) for text in in_file]
                new, _ = apply_changes(laps.bike, changes)
                done = apply_changes(bike, [parse_change(text) for text in typed])[0]
                true = ridden(done, seed, Path(folder))
                truth = ride_values(true.motion, true.track, laps.selected, laps.bumps)
                rows = predict(laps, changes, draws=8).prediction.rows
                ways = {"difference": {row.key: row.after for row in rows if row.after is not None}}
                for name, peer in PEERS.items():
                    motion = with_shaft(laps.measured.run, new, peer(laps, laps.bike, new))
                    ways[name] = ride_values(motion, laps.track, laps.selected, laps.bumps)
                for row in rows:
                    key = row.key
                    if key not in truth or row.after is None or not key.startswith((end, "balance")):
                        continue
                    scale = 1.0 if row.unit in ("mm", "times", "deg") else 100.0 / abs(row.before)
                    short = key.removeprefix(f"{end}.")
                    errors[short]["change"].append(scale * (truth[key] - row.before))
                    for name, values in ways.items():
                        errors[short][name].append(scale * (values[key] - truth[key]))
                    held[short].append(row.low <= truth[key] - row.before <= row.high)
                    really, said = scale * (truth[key] - row.before), scale * row.change
                    least = (1.0 if end == "front" else 0.5) if row.unit == "mm" else 2.0
                    if row.unit not in ("times", "deg") and abs(really) >= least:
                        sign.append(said * really > 0)
                        allowed = 0.12 * abs(really) + (0.3 if row.unit == "mm" else 0.6)
                        size.append(abs(said - really) <= allowed)
    columns = ("change", *PEERS, "difference")
    print(f"{'RMS':34s}" + "".join(f"{name:>13s}" for name in columns) + "   90 % holds")
    for key, found in errors.items():
        cells = "".join(f"{np.sqrt(np.mean(np.square(found[name]))):13.3f}" for name in columns)
        print(f"{key:34s}{cells}   {np.mean(held[key]):.2f} ({len(held[key])})")
    print(f"worth telling {len(sign)}: sign right {np.mean(sign):.3f}, size right {np.mean(size):.3f}")


if __name__ == "__main__":
    main()
