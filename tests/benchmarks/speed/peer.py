"""The peer of a review: what a practitioner writes in a notebook with pandas and scipy, on whole columns.

    python peer.py LOG.csv OUT.json

Median filter, calibration, a shape-preserving leverage curve, low-pass filter and gradient, laps, statistics and
histograms by lap, a table of phases, two spectra. It computes far less than a review.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator
from scipy.signal import butter, filtfilt, medfilt, welch

KNOTS_MM = np.linspace(0, 70, 14)
WHEEL_MM = KNOTS_MM * (2.0 - 0.003 * KNOTS_MM)
RANGES_MM = {"front": 150.0, "rear": 150.0}
LOW_SPEED_MM_S = 100.0


def statistics(x: pd.Series, v: pd.Series, range_mm: float) -> dict:
    """Numbers of one end over one lap."""
    compression, rebound = v[v > 0], v[v < 0]
    return {
        "min": float(x.min()),
        "max": float(x.max()),
        "mean": float(x.mean()),
        "std": float(x.std(ddof=0)),
        "quantiles": x.quantile([0.01, 0.05, 0.5, 0.95, 0.99]).tolist(),
        "compression": float(compression.mean()),
        "rebound": float(rebound.mean()),
        "slow_compression": float((compression < LOW_SPEED_MM_S).mean()),
        "slow_rebound": float((rebound > -LOW_SPEED_MM_S).mean()),
        "speed_quantiles": v.quantile([0.01, 0.05, 0.95, 0.99]).tolist(),
        "position": np.histogram(x, 50, (0, range_mm))[0].tolist(),
        "speed": np.histogram(v, 80, (-2000, 2000))[0].tolist(),
    }


def main(log: str, out: str) -> None:
    """Read, compute, write."""
    data = pd.read_csv(log)
    data.columns = [name.partition(" [")[0] for name in data.columns]
    data["front"] = (medfilt(data["fork"].to_numpy(float), 5) - 0.312) * 30.43
    shock_mm = pd.Series((medfilt(data["shock"].to_numpy(float), 5) - 0.405) * 20.23).clip(0, 70)
    data["rear"] = PchipInterpolator(KNOTS_MM, WHEEL_MM)(shock_mm)
    rate_hz = 1 / np.median(np.diff(data["time"]))
    b, a = butter(4, min(50.0, 0.4 * rate_hz), fs=rate_hz)
    for end in RANGES_MM:
        data[f"{end}_v"] = np.gradient(filtfilt(b, a, data[end]), data["time"])
    data["phase"] = np.select(
        [data["brake"] > 1, data["lean"].abs() > 25, data["throttle"] > 20],
        ["brake", "lean", "drive"],
        "rest",
    )
    result: dict = {"laps": {}}
    for lap, group in data.groupby("lap"):
        result["laps"][int(lap)] = {
            "time_s": float(group["time"].iloc[-1] - group["time"].iloc[0]),
            **{end: statistics(group[end], group[f"{end}_v"], top) for end, top in RANGES_MM.items()},
        }
    columns = ["front", "rear", "front_v", "rear_v"]
    table = data.groupby(["lap", "phase"])[columns].agg(["mean", "std", "max"])
    result["phases"] = {
        "/".join(map(str, key)): row.tolist() for key, row in zip(table.index, table.to_numpy(), strict=True)
    }
    for end in RANGES_MM:
        result[f"{end}_psd"] = welch(data[end].to_numpy(), rate_hz, nperseg=4096)[1].tolist()
    Path(out).write_text(json.dumps(result), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
