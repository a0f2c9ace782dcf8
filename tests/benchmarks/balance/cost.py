"""CPU time of the whole balance of a long log against a bare parse of the same log."""

import io
import time
from dataclasses import replace

import numpy as np
import pyarrow.csv

from telemetry.balance.bumps import find_pairs
from telemetry.balance.delay import delay_notes
from telemetry.balance.measure import balance
from telemetry.decimals import Numbers
from telemetry.laps import Track
from telemetry.motion import EndMotion, Motion
from tests.benchmarks.balance.trials import Plan, make

MINUTE_S, MINUTES = 60.0, 120
PARSED_MINUTES = 10  # what is parsed; its time is taken times the length


def balance_against_parse() -> tuple[float, float]:
    """Ratio of CPU times, and that of balance [s]. A minute is ridden and repeated."""
    ride = make(Plan(1, 40.0, duration_s=MINUTE_S, rate_hz=1000.0))
    motion, track = _repeated(ride.motion, ride.track)
    start = time.process_time()
    pairs = find_pairs(motion, track)
    delay_notes(motion, track)
    balance(motion, track, np.ones(len(motion.t_s), dtype=bool), pairs, ride.bike)
    seconds = time.process_time() - start
    text = _csv(int(PARSED_MINUTES * MINUTE_S * 1000))
    options = pyarrow.csv.ReadOptions(use_threads=False)
    start = time.process_time()
    pyarrow.csv.read_csv(io.BytesIO(text), read_options=options)
    return seconds / ((time.process_time() - start) * MINUTES / PARSED_MINUTES), seconds


def _repeated(motion: Motion, track: Track) -> tuple[Motion, Track]:
    def tiled(value: object) -> object:
        return np.tile(value[:], MINUTES) if isinstance(value, (np.ndarray, Numbers)) else value

    ends = {
        end: EndMotion(**{name: tiled(value) for name, value in vars(m).items()})
        for end, m in motion.ends.items()
    }
    n = len(motion.t_s) * MINUTES
    t = np.arange(n) / motion.sample_rate_hz
    long = replace(motion, t_s=t, ends=ends, pitch_deg=np.tile(motion.pitch_deg, MINUTES))
    where = {name: tiled(value) for name, value in vars(track).items()}
    where["distance_m"] = np.cumsum(where["speed_m_s"]) / motion.sample_rate_hz
    return long, replace(track, **where)


def _csv(rows: int) -> bytes:
    """Ten columns of a log, four to seven digits each."""
    rng = np.random.default_rng(1)
    some = rng.integers(1000, 9999, (10_000, 10)) / 1000.0
    block = "\n".join(",".join(f"{value:.3f}" for value in row) for row in some) + "\n"
    return (",".join("abcdefghij") + "\n" + block * (rows // len(some))).encode()
