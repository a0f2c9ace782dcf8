"""Laps, places, corners and phases on invented circuits, against the truth of the simulation; and what they cost.

    python -m tests.benchmarks.laps.run [--circuits 20] [--first 5100] [--jobs 2] [--sensors 10-hz] [--cost 20]

Per circuit: two runs of a machine drawn at random, four timed laps each, another day's positions. Bars of the project:
lap starts within 0.02 s, distance within 0.2 %, 95 % of corners with no extra and the same numbers in the second run,
phases right for 90 % of the time, place of an event within 5 m. Nothing is asserted here; tests/laps does it for a few.
"""

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from telemetry.laps import Track, find_track
from telemetry.simulate import Sensors
from tests.benchmarks.laps.outings import LINE, Ridden, ridden

TUNED_SEEDS = (900, 901, 902)  # used while this was built, for no figure
SENSORS = {
    "10-hz": Sensors(lap_signal="none"),
    "10-hz-late": Sensors(
        lap_signal="none", gps_delay_s=0.25, speed_gain=1.03, growth_per_100_m_s=0.02, gps_noise_m=0.3
    ),
    "5-hz-noisy": Sensors(lap_signal="none", gps_hz=5.0, gps_noise_m=0.6, gps_wander_m=1.0),
    "1-hz-noisy": Sensors(lap_signal="none", gps_hz=1.0, gps_noise_m=1.0, gps_wander_m=1.0),
    "lap-only": Sensors(lap_signal="lap", gps=False),
}
COLUMNS = (
    "start s",
    "dist %",
    "corners",
    "found",
    "extra",
    "same no.",
    "phase %",
    "place m",
    "p99 m",
    "cost s",
)


def measure(seed: int, sensors: Sensors) -> dict[str, float]:
    """Figures of one circuit: the worse of its two runs."""
    rows, tracks, spent = [], [], 0.0
    for day in (0, 1):
        made = ridden(seed + 50_000 * day, circuit_seed=seed, sensors=sensors)
        start = time.process_time()
        track = find_track(made.run, start_line=LINE if sensors.gps else None)
        spent += time.process_time() - start
        rows.append(errors(made, track))
        tracks.append(track)
    worst = {key: (min if key in ("found", "phase %") else max)(row[key] for row in rows) for key in rows[0]}
    worst["same no."] = float(same_numbers(*tracks))
    worst["cost s"] = spent
    return worst


def errors(made: Ridden, track: Track) -> dict[str, float]:
    """How far a track is from the truth."""
    starts, true_starts = np.array([lap.start_s for lap in track.laps[1:]]), made.ride.lap_start_s
    off = np.max(np.abs(starts - true_starts)) if len(starts) == len(true_starts) else np.inf
    lengths = np.array([lap.distance_m for lap in track.laps if lap.complete], dtype=float)
    place = place_error_m(made, track)
    found, extra = matched_corners(made, track)
    return {
        "start s": float(off),
        "dist %": 100 * float(np.max(np.abs(lengths / made.circuit.length_m - 1), initial=0.0)),
        "corners": len(made.circuit.corners),
        "found": found,
        "extra": extra,
        "phase %": 100 * float(np.mean(track.phase == made.phase)),
        "place m": float(np.nanmax(place)),
        "p99 m": float(np.nanpercentile(place, 99)),
    }


def place_error_m(made: Ridden, track: Track) -> np.ndarray:
    """Distance along the lap from where the motorcycle was, at every sample of the timed laps."""
    length = made.circuit.length_m
    timed = (made.run.t_s >= made.ride.lap_start_s[0]) & (made.run.t_s < made.ride.lap_start_s[-1])
    return np.abs((track.distance_m - made.place_m + length / 2) % length - length / 2)[timed]


def matched_corners(made: Ridden, track: Track) -> tuple[int, int]:
    """True corners that one corner of the right direction overlaps with its apex inside; corners that none has."""
    length, left = made.circuit.length_m, list(track.corners)
    found = 0
    for true in made.circuit.corners:
        middle, half = 0.5 * (true.start_m + true.end_m), 0.5 * (true.end_m - true.start_m)
        mine = [
            corner
            for corner in left
            if abs((corner.apex_m - middle + length / 2) % length - length / 2) <= half
            and corner.direction in (true.direction, 0)
        ]
        if mine:
            found += 1
            left.remove(mine[0])
    return found, len(left)


def same_numbers(first: Track, second: Track) -> bool:
    """Whether two runs number the same corners alike."""
    pairs = zip(first.corners, second.corners, strict=False)
    return len(first.corners) == len(second.corners) and all(
        a.number == b.number and a.direction == b.direction and abs(a.apex_m - b.apex_m) < 20.0
        for a, b in pairs
    )


def table(results: dict[int, dict[str, float]]) -> list[str]:
    """One line a circuit, and the worst of each column."""
    lines = [f"{'circuit':>8}" + "".join(f"{name:>10}" for name in COLUMNS)]
    for seed, row in results.items():
        lines.append(f"{seed:>8}" + "".join(f"{row[name]:>10.3g}" for name in COLUMNS))
    total = {name: max(row[name] for row in results.values()) for name in COLUMNS}
    for name in ("corners", "found", "extra", "same no.", "cost s"):
        total[name] = sum(row[name] for row in results.values())
    total["phase %"] = min(row["phase %"] for row in results.values())
    lines.append(f"{'all':>8}" + "".join(f"{total[name]:>10.4g}" for name in COLUMNS))
    return lines


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--circuits", type=int, default=20)
    parser.add_argument("--first", type=int, default=5100, help="seed of the first circuit")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--sensors", choices=SENSORS, action="append")
    parser.add_argument(
        "--cost", type=float, metavar="MINUTES", help="also the cost of a log of so many minutes at 1 kHz"
    )
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.circuits)
    for name in asked.sensors or ["10-hz"]:
        work = partial(measure, sensors=SENSORS[name])
        if asked.jobs > 1:
            with ProcessPoolExecutor(asked.jobs) as pool:
                rows = list(pool.map(work, seeds))
        else:
            rows = [work(seed) for seed in seeds]
        print(f"{name}: two runs of four timed laps on each of {len(rows)} circuits; the worse of the two")
        print("\n".join(table(dict(zip(seeds, rows, strict=True)))))
    if asked.cost:
        from tests.benchmarks.laps.cost import print_cost

        print_cost(asked.cost)


if __name__ == "__main__":
    main()
