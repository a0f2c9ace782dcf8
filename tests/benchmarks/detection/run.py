"""Benchmark of the detector for lost rear damping on outings it was not tuned on.

    .venv/bin/python -m tests.benchmarks.detection.run --outings 145 --fades 160 --cost --write

Every outing has a bike, a circuit and a road of its own; every second bike file gives masses and tyre rate. Test
seeds start at `TEST_SEEDS`; what was tuned was tuned on lower ones. (They began at 700 000 until the fading of the
front was worked on, with those outings looked at.) ``--write`` puts the tables into RESULTS.md beside this file.
"""

import argparse
import os
import pickle
import time
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process per core is the faster way

from pathlib import Path

ROOT = Path(__file__).parents[3]

import numpy as np  # noqa: E402

from telemetry.damping import find_oscillation  # noqa: E402
from telemetry.damping.detect import assess  # noqa: E402
from telemetry.damping.detector_model import fit_detector_model  # noqa: E402
from telemetry.damping.judge import judge  # noqa: E402
from tests.benchmarks.detection import tables  # noqa: E402
from tests.benchmarks.detection.inputs import bike_of, motion_of, track_of  # noqa: E402
from tests.benchmarks.detection.outings import ALIKE, CONFOUNDERS, FAULTS, Plan, make  # noqa: E402
from tests.benchmarks.detection.score import MARGINS, Card, score  # noqa: E402

TEST_SEEDS = 800_000
RATES_HZ = (200.0, 500.0, 1000.0, 100.0, 200.0, 500.0)
LOSSES = {
    "loss_scales": (0.02, 0.05, 0.10, 0.15, 0.30),
    "loss_seconds": (0.4, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5),
    "losses_per_lap": 2.5,
}
KINDS = {
    "healthy, clean": {},
    "healthy, confounders": {"confounders": CONFOUNDERS + ALIKE},
    "losses": LOSSES,
    "losses, confounders": {"confounders": CONFOUNDERS, **LOSSES},
}
ANY_HOP_HZ = (12.0, 21.0)
FAILING = ("failing", "sound, any hop")
LAPS = {
    "failing": 3,
    "sound, any hop": 5,
    "healthy, clean": 5,
    "healthy, confounders": 5,
    "losses": 3,
    "losses, confounders": 3,
}
BEGIN = "<!-- written by the benchmark -->\n"
WELCH_SEGMENT = 4096


def one(job: tuple[str, int]) -> Card:
    """An outing of this kind and seed, scored."""
    kind, seed = job
    outing = make(_plan(kind, seed))
    motion, track, bike = motion_of(outing), track_of(outing), bike_of(outing, with_masses=seed % 2 == 0)
    model = fit_detector_model(motion, track, bike)
    assert model is not None, "an outing of minutes has enough riding"
    at_lower_threshold = judge(model, motion, track, bike, threshold_offset=-MARGINS[0]).events
    return score(kind, outing, assess(model, motion, track, bike), at_lower_threshold)


def _plan(kind: str, seed: int) -> Plan:
    """An outing of one of `KINDS`, or one of any hop: dampers that fail in every way, or are sound."""
    common = {"seed": seed, "laps": LAPS[kind], "rate_hz": RATES_HZ[seed % len(RATES_HZ)]}
    if kind in KINDS:
        return Plan(**common, **KINDS[kind])
    rng = np.random.default_rng([seed, 2])
    common |= {
        "hop_hz": float(rng.uniform(*ANY_HOP_HZ)),
        "compliant": bool(rng.random() < 0.4),
        "used_sensors": bool(rng.random() < 0.4),
        "own_road": float(rng.choice([0.0, 0.03, 0.1, 0.2])),
    }
    if kind == "failing":
        fault = (FAULTS[seed // 2 % len(FAULTS)],)
        return Plan(**common, **{**LOSSES, "loss_seconds": (0.6, 0.8, 1.0, 1.5, 2.0), "faults": fault})
    return Plan(**common, confounders=CONFOUNDERS + ALIKE if seed // 2 % 2 else ())


def fading(seed: int) -> list[tuple[str, str, str]]:
    """Ten laps, sound or with one damper fading to 40 %: (what was done, end looked at, state called)."""
    end = (None, None, "rear", "front")[seed % 4]
    fade = {} if end is None else {"fade_to": 0.4, "fade_end": end}
    crowd = CONFOUNDERS if seed // 4 % 2 else ()
    outing = make(Plan(seed=seed, laps=10, rate_hz=200.0, confounders=crowd, **fade))
    bike = bike_of(outing, with_masses=seed // 8 % 2 == 0)
    course = find_oscillation(motion_of(outing), track_of(outing), bike).course
    done = "sound" if end is None else f"{end} fades"
    return [(done, looked, course[looked].state) for looked in ("rear", "front")]


def cost(hours: float = 2.0) -> str:
    """CPU of a full detection on a long 1 kHz log against one Welch pass over its two travel channels."""
    from scipy.signal import welch

    laps = round(hours * 3600 / 84)  # this seed's lap takes 84 s
    plan = Plan(
        seed=650_001, laps=laps, rate_hz=1000.0, losses_per_lap=0.3, loss_scales=(0.05,), loss_seconds=(1.0, 2.0),
        confounders=("imbalance",),
    )  # fmt: skip
    outing = make(plan)
    motion, track, bike = motion_of(outing), track_of(outing), bike_of(outing, with_masses=True)
    travel = [end.wheel_travel_mm for end in motion.ends.values()]

    def cpu_s(run) -> float:
        begin = time.process_time()
        run()
        return time.process_time() - begin

    welch_s, detect_s = [], []
    for _ in range(3):
        welch_s.append(cpu_s(lambda: [welch(x, 1000.0, nperseg=WELCH_SEGMENT) for x in travel]))
        detect_s.append(cpu_s(lambda: find_oscillation(motion, track, bike)))
    ratios = sorted(d / w for d, w in zip(detect_s, welch_s, strict=True))
    return (
        f"Cost: full detection of {len(motion.t_s) / 3.6e6:.2f} h at 1 kHz, wheel out of balance, "
        f"{len(outing.losses)} losses: {ratios[1]:.1f} times one scipy.signal.welch pass over both channels "
        f"(segments of {WELCH_SEGMENT}; CPU, median of 3 rounds in one process, {ratios[0]:.1f} to {ratios[2]:.1f}); "
        "asked: at most 12."
    )


def main() -> None:
    """Run, print and, when asked, write the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=12, help="of each of the four kinds")
    parser.add_argument("--fades", type=int, default=0, help="outings of ten laps: half sound, half fading")
    parser.add_argument(
        "--failing", action="store_true", help="only dampers that fail in every way, at any hop"
    )
    parser.add_argument("--cost", action="store_true", help="a two-hour log against a Welch pass")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    parser.add_argument("--keep", type=Path, help="file for the scores; read instead of run where it exists")
    parser.add_argument("--write", action="store_true", help="put the tables into RESULTS.md")
    given = parser.parse_args()
    if given.keep is not None and given.keep.exists():
        cards, outcomes, price = pickle.loads(given.keep.read_bytes())
    else:
        price = cost() if given.cost else ""
        jobs = [
            (kind, given.first_seed + 10_000 * k + i)
            for i in range(given.outings)
            for k, kind in enumerate((*KINDS, *FAILING))
            if not given.failing or kind in FAILING
        ]
        fade_seeds = range(given.first_seed + 90_000, given.first_seed + 90_000 + given.fades)
        with ProcessPoolExecutor(given.jobs) as pool:
            cards = list(pool.map(one, jobs, chunksize=4))
            outcomes = [row for rows in pool.map(fading, fade_seeds) for row in rows]
        if given.keep is not None:
            given.keep.write_bytes(pickle.dumps((cards, outcomes, price)))
    usual = [card for card in cards if card.kind in KINDS]
    parts = [
        tables.report(usual) if usual else "",
        tables.failing([c for c in cards if c.kind in FAILING]),
        tables.fades(outcomes) if outcomes else "",
        price,
    ]
    text = "\n".join(part for part in parts if part)
    print(text)
    if given.write:
        page = Path(__file__).parent / "RESULTS.md"
        before = page.read_text().partition(BEGIN)[0]
        page.write_text(f"{before}{BEGIN}{text}\n")


if __name__ == "__main__":
    main()
