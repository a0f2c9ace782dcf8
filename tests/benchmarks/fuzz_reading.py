"""Damaged logs through `read_log`: a log or the documented error, never anything else.

Run ``python -m tests.benchmarks.fuzz_reading --inputs 100000``. Seeds are logs in every format that is read; each input
is a seed with bytes flipped, cut, doubled, swapped or put in. Batches run in processes of their own, so that a crash
of a parser is seen and located; every input can be made again from its number.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

BATCH = 5000
SHARE = {"delimited text": 60, "Parquet": 40, "Arrow IPC": 40, "ASAM MDF": 1, "MATLAB": 1}
TEXTS = (b",", b";", b"\t", b"\n", b"\r\n", b'"', b"NaN", b"-", b"1e400", b"#", b"time", b"[mm]", b"12:00:00", b"\0",
         b"\xff\xfe", b"2026-05-01T24:00:00Z", b"inf", b"\xc3", b"=", b"\xef\xbb\xbf")  # fmt: skip


def seeds() -> list[tuple[str, bytes]]:
    """Small logs in every format, as (kind, bytes).

    Text comes most often, since it is what most loggers write; of ASAM MDF and MATLAB, which are parsed in a process
    of their own, only one input in some hundred.
    """
    import gzip

    from tests.logs.log_formats import WRITERS

    found = []
    with tempfile.TemporaryDirectory() as directory:
        for name, write in WRITERS.items():
            path = Path(directory) / "seed"
            write(path)
            found += [(name, path.read_bytes())] * SHARE.get(name, 10)
            path.unlink()
    rows = [
        f"{i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d},5;{i % 7};{i * 0.5}".replace(".", ",")
        for i in range(40)
    ]
    german = "Fahrer: eins\n\nZeit;Gabel;Weg\n;mV;mm\n" + "\n".join(rows)
    iso = "# made up\nstamp\tfork (V)\n" + "\n".join(
        f'"2026-05-01T12:00:{i:02d}.5+02:00"\t{i}' for i in range(50)
    )
    plain = "time,fork,shock,\n" + "".join(f"{i / 100},{i % 9},,\n" for i in range(40))
    texts = [
        german.encode("latin-1"),
        german.encode("utf-16"),
        iso.encode(),
        plain.encode(),
        plain.encode("utf-8-sig"),
    ]
    found += [("delimited text", text) for text in texts] * 60
    return [*found, *[("compressed", gzip.compress(plain.encode()))] * 40]


def damaged(seed: bytes, dice: random.Random) -> bytes:
    """A seed with one to eight things done to it."""
    data = bytearray(seed)
    for _ in range(dice.choice((1, 1, 2, 3, 8))):
        if not data:
            break
        at = dice.randrange(len(data))
        length = min(dice.choice((1, 2, 8, 64)), len(data) - at)
        kind = dice.randrange(7)
        if kind == 0:
            data[at] ^= 1 << dice.randrange(8)
        elif kind == 1:
            data[at] = dice.randrange(256)
        elif kind == 2:
            del data[at : at + length]
        elif kind == 3:
            data[at:at] = data[at : at + length]
        elif kind == 4:
            data[at:at] = dice.choice(TEXTS)
        elif kind == 5:
            del data[at:]
        else:
            data[at : at + length] = dice.randbytes(length)
    return bytes(data)


def run_one(number: int, pool: list[tuple[str, bytes]], path: Path) -> tuple[str, str]:
    """Kind of the input and what came of it: "log", "refused", or what was wrong."""
    from telemetry.errors import LogError
    from telemetry.logs import read_log

    dice = random.Random(number)
    kind, seed = dice.choice(pool)
    path.write_bytes(damaged(seed, dice))
    try:
        log = read_log(path)
    except LogError as error:
        return kind, "refused" if str(path) in str(error) and "\n" not in str(error) else f"words: {error!r}"
    except Exception as error:  # anything else is what this looks for
        return kind, f"crash: {type(error).__name__}: {error}"
    if any(len(v) != log.n_rows or v.dtype != np.float64 or np.isinf(v).any() for v in log.columns.values()):
        return kind, "crash: columns are not as promised"
    return kind, "log"


def run_batch(first: int, last: int) -> int:
    """Inputs of one batch; prints a line for each that went wrong, then the counts."""
    warnings.simplefilter("ignore")
    pool, counts, wrong = seeds(), {}, 0
    with tempfile.TemporaryDirectory() as directory:
        for number in range(first, last):
            print(f"at {number}", file=sys.stderr, flush=True)
            kind, outcome = run_one(number, pool, Path(directory) / "input")
            if outcome not in ("log", "refused"):
                wrong += 1
                print(f"WRONG {number} ({kind}): {outcome}", flush=True)
            counts[kind, outcome.split(":")[0]] = counts.get((kind, outcome.split(":")[0]), 0) + 1
    for (kind, outcome), count in counts.items():
        print(f"COUNT\t{kind}\t{outcome}\t{count}")
    return wrong


def main() -> int:
    """Run all batches, print the counts; the exit code says whether anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--batch", nargs=2, type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.batch:
        run_batch(*arguments.batch)
        return 0
    totals: dict[tuple[str, str], int] = {}
    wrong, start = 0, time.monotonic()
    end = arguments.first + arguments.inputs
    first = arguments.first
    while first < end:
        batch = (first, min(first + BATCH, end))
        first = batch[1]
        command = [sys.executable, __file__, "--batch", *map(str, batch)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        if done.returncode != 0:
            wrong += 1
            print(f"WRONG batch {batch}: exit {done.returncode}; {done.stderr[-200:]}", flush=True)
        for line in done.stdout.splitlines():
            if line.startswith("COUNT"):
                _, kind, outcome, count = line.split("\t")
                totals[kind, outcome] = totals.get((kind, outcome), 0) + int(count)
            else:
                wrong += 1
                print(line, flush=True)
    for (kind, outcome), count in sorted(totals.items()):
        print(f"{kind:15s} {outcome:8s} {count:7d}")
    print(f"{sum(totals.values())} inputs, {wrong} wrong, {time.monotonic() - start:.0f} s")
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main())
