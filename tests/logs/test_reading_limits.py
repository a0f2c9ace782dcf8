"""Memory while a long log is read, and a slice of the fuzz run in ``tests/benchmarks/fuzz_reading.py``."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"

PEAK = """
import sys
import pyarrow.csv, telemetry.logs.mapping
from telemetry.logs import read_log
def memory(key):  # Linux's own account of this process, kB
    lines = open("/proc/self/status").read().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key))
before = memory("VmRSS")
log = read_log(sys.argv[1])
decoded = sum(values.nbytes for values in log.columns.values())
print((memory("VmHWM") - before) * 1024 / decoded)
"""


@pytest.mark.parametrize("dense", [True, False])
def test_peak_memory_is_a_small_multiple_of_the_decoded_columns(tmp_path, dense):
    path = tmp_path / "long.csv"
    rng = np.random.default_rng(1)
    line = "{:.3f},{:.4f},{:.4f},{:.2f},{:.1f},{:.2f},{:.2f},{:.7f}\n" if dense else "{:.3f},{:.4f},,,,,,\n"
    block = rng.uniform(0, 90, (50_000, 8))
    body = "".join(line.format(*row) for row in block)
    with path.open("w") as file:
        file.write("time,a,b,c,d,e,f,g\n")
        for _ in range(40):  # long enough that what does not grow with the log counts for little
            file.write(body)
    done = subprocess.run([sys.executable, "-c", PEAK, path], capture_output=True, text=True, check=True)
    ratio = float(done.stdout)
    print(f"peak above the imported process / decoded float64: {ratio:.2f}")
    assert ratio < 2.5


def test_a_slice_of_the_fuzz_run():
    command = [sys.executable, BENCHMARKS / "fuzz_reading.py", "--inputs", "400", "--first", "1000000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert re.search(r"^400 inputs, 0 wrong", done.stdout, re.MULTILINE)
