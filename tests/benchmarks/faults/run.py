"""Faults with known places, put into logs cut from simulated outings: how many are found, and what is found besides.

    python -m tests.benchmarks.faults.run [--logs 1000] [--seed 17000] [--rates 200,500,1000]

Outings of random bikes on random circuits at the given rates, in 10, 12 or 14 bits; each log is a minute of one.
A fault counts as found when every one of its samples is invalid, or is bridged or stands within 0.5 mm of the truth
(which only a bridge or a held value that was right can do: the faults are larger). At 100 Hz a wheel itself bends
by up to 5 mm from one sample to the next, so that smaller spikes are not told from motion there.
A false find is a stretch that was masked or changed in the same minutes without faults. The travel error is over all
samples that are called valid.
Seeds from 17000 on were looked at after the last change only.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from telemetry.errors import BothEndsError
from telemetry.logs import RawLog
from telemetry.review.steps import channels, sensors
from telemetry.signals import Run, to_run
from telemetry.signals.clock import runs
from telemetry.simulate import Outing, Sensors, simulate_outing
from tests.benchmarks.faults.inject import FaultyLog, Injected, inject
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit

LOG_S = 60.0
NEAR_MM = 0.5


class Score(Counter[str]):
    """Counts of one or more logs."""


def outing_of(seed: int, rates_hz: tuple[float, ...]) -> Outing:
    """One outing; a third each in 10, 12 and 14 bits, with noise between 0.02 and 0.06 mm."""
    rng = np.random.default_rng([seed, 77])
    noise = Sensors(bits=int(rng.choice([10, 12, 14])), noise_mm=float(rng.uniform(0.02, 0.06)))
    return simulate_outing(
        random_bike(seed),
        seed=seed,
        laps=2,
        log_rate_hz=rates_hz[seed % len(rates_hz)],
        circuit=random_circuit(seed),
        sensors=noise,
    )


def run_of(outing: Outing, columns: dict[str, np.ndarray]) -> Run:
    """The run of some rows of an outing's log."""
    log = RawLog(outing.bike.source, columns, outing.units)
    named = {key: name for key, name in channels(outing.bike).items() if name in columns}
    return to_run(log, sensors=sensors(outing.bike), channels=named, time_channel=outing.bike.channels.time)


def judge(outing: Outing, start: int, stop: int, rng: np.random.Generator) -> Score:
    """Put faults into some rows, clean them, and count."""
    rate = outing.log_rate_hz
    columns = {name: values[start:stop].copy() for name, values in outing.log_columns.items()}
    names = {end: setup.channel for end, setup in sensors(outing.bike).items()}
    points = {end: np.array(setup.points) for end, setup in sensors(outing.bike).items()}
    per_mm = {end: float(np.polyfit(p[:, 1], p[:, 0], 1)[0]) for end, p in points.items()}
    truth = {end: getattr(outing.truth, f"{end}_shaft_mm")[start:stop] for end in names}
    score = Score(logs=1)

    clean = run_of(outing, columns)
    for end in names:
        line = np.polyfit(points[end][:, 0], points[end][:, 1], 1)
        kept = np.abs(np.polyval(line, columns[names[end]]) - clean.shaft_travel_mm[end]) < 1e-6
        found = len(runs(~kept)[0])
        score["false"] += found
        if found:
            codes = sorted({note.code for note in clean.notes if note.channel == names[end]})
            print(f"  false: {clean.source}, {rate:g} Hz, {end}: {found} by {', '.join(codes)}")
    score["clean_ms"] = round(1e3 * (stop - start) / rate)

    faulty = inject({e: columns[n] for e, n in names.items()}, per_mm, (0.0, 5.0), rate, rng)
    for end, name in names.items():
        columns[name] = faulty.signal[end]
    written = {name: values[faulty.written] for name, values in columns.items()}
    try:
        run = run_of(outing, written)
    except BothEndsError as error:
        print(f"  refused: {error}")
        score["refused"] += 1
        return score
    for fault in faulty.faults:
        count(score, run, fault, truth[fault.end])
    for end in names:
        travel = run.shaft_travel_mm[end]
        error = travel - truth[end][: len(travel)]
        score["squares"] += round(1e6 * float(np.nansum(error**2)))
        score["valid"] += int(np.isfinite(error).sum())
        score["masked_besides"] += besides(run, faulty, end)
    return score


def besides(run: Run, faulty: FaultyLog, end: str) -> int:
    """Masked stretches that touch no fault."""
    fault = ~faulty.written
    for item in faulty.faults:
        if item.end == end:
            fault[max(0, item.start - 1) : item.stop + 1] = True
    starts, stops = runs(np.isnan(run.shaft_travel_mm[end]))
    return sum(not fault[a:b].any() for a, b in zip(starts, stops, strict=True))


def count(score: Score, run: Run, fault: Injected, truth_mm: np.ndarray) -> None:
    """Whether one fault was found: nothing of it is left in what is called valid."""
    kind = "spike" if fault.kind == "spike" else f"dropout {fault.kind}"
    if fault.kind == "spike" and fault.size < 2.0:
        return  # the converter's rail left less than 2 mm of it
    left = run.shaft_travel_mm[fault.end][fault.start : fault.stop] - truth_mm[fault.start : fault.stop]
    found = not (np.abs(left) > NEAR_MM).any()
    score[f"{kind} put in"] += 1
    score[f"{kind} found"] += found
    if not found:
        print(
            f"  missed: {run.source}, {run.sample_rate_hz:g} Hz, {fault.end} {fault.kind}, {fault.stop - fault.start} "
            f"samples, size {fault.size:.2f}, at {fault.start / run.sample_rate_hz:.3f} s, up to "
            f"{np.nanmax(np.abs(left)):.2f} mm left"
        )


def of_outing(task: tuple[int, int, tuple[float, ...]]) -> Score:
    """The score of so many logs cut from one outing."""
    seed, logs, rates_hz = task
    outing, rng, total = outing_of(seed, rates_hz), np.random.default_rng([seed, 78]), Score()
    rows = round(LOG_S * outing.log_rate_hz)
    for _ in range(logs):
        start = int(rng.integers(0, len(outing.truth.t_s) - rows))
        total.update(judge(outing, start, start + rows, rng))
    return total


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=17_000)
    parser.add_argument("--rates", default="200,500,1000", help="log rates [Hz]")
    parser.add_argument("--outings", type=int, default=40)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    rates_hz = tuple(float(rate) for rate in asked.rates.split(","))
    each = -(-asked.logs // asked.outings)
    tasks = [(asked.seed + i, min(each, asked.logs - i * each), rates_hz) for i in range(asked.outings)]
    total = Score()
    with ProcessPoolExecutor(asked.processes) as pool:
        for score in pool.map(of_outing, [task for task in tasks if task[1] > 0]):
            total.update(score)
    print(f"{total['logs']} logs of {LOG_S:g} s at {', '.join(f'{rate:g}' for rate in rates_hz)} Hz")
    kinds = sorted(key.removesuffix(" put in") for key in total if key.endswith(" put in"))
    for kind in kinds:
        print(f"{kind:18s} {total[f'{kind} found']:6d} of {total[f'{kind} put in']:6d} found")
    clean_min = total["clean_ms"] / 60_000
    per_minute = total["false"] / clean_min
    print(
        f"false finds        {total['false']:6d} in {clean_min:.0f} clean minutes: {per_minute:.3f} a minute"
    )
    print(f"masked besides     {total['masked_besides']:6d} stretches in logs with faults")
    print(f"refused logs       {total['refused']:6d}")
    print(
        f"travel error       {1e-3 * np.sqrt(total['squares'] / max(1, total['valid'])):.4f} mm RMS over valid samples"
    )


if __name__ == "__main__":
    main()
