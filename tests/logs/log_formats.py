"""The same log in every format, written by other libraries: Arrow, asammdf, SciPy."""

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.feather as feather
import pyarrow.parquet as pq
from asammdf import MDF, Signal
from scipy.io import savemat

COLUMNS = {
    "time": np.arange(200) / 100,
    "fork": np.round(40 + 30 * np.sin(np.arange(200) / 9), 3),
    "speed": np.where(np.arange(200) % 10 == 0, 30.0 + np.arange(200) / 7, np.nan),
}
UNITS = {"time": "s", "fork": "mm", "speed": "m/s"}


def arrow_table():
    fields = [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in UNITS.items()]
    arrays = [pa.array(values, from_pandas=True) for values in COLUMNS.values()]
    return pa.table(arrays, schema=pa.schema(fields))


def write_delimited(path):
    table = pa.table(
        {f"{name} [{UNITS[name]}]": pa.array(v, from_pandas=True) for name, v in COLUMNS.items()}
    )
    arrow_csv.write_csv(table, path)


def write_parquet(path):
    pq.write_table(arrow_table(), path)


def write_arrow(path):
    feather.write_feather(arrow_table(), str(path))


def at_own_rate(name):
    """Time stamps and values of a channel where it was logged."""
    there = np.isfinite(COLUMNS[name])
    return COLUMNS["time"][there], COLUMNS[name][there]


def write_mdf(path):
    with MDF(version="4.10") as file:
        for name in ("fork", "speed"):
            t_s, values = at_own_rate(name)
            file.append([Signal(samples=values, timestamps=t_s, name=name, unit=UNITS[name])])
        saved = file.save(path.with_suffix(".mf4"))
    saved.rename(path)


def write_matlab(path):
    structs = {}
    for name in ("fork", "speed"):
        t_s, values = at_own_rate(name)
        structs[name] = {"time": t_s, "value": values, "unit": UNITS[name]}
    with path.open("wb") as file:
        savemat(file, structs)


# By the name of the reader. A format with names of its own returns the columns and units that it wrote.
WRITERS = {
    "delimited text": write_delimited,
    "Parquet": write_parquet,
    "Arrow IPC": write_arrow,
    "ASAM MDF": write_mdf,
    "MATLAB": write_matlab,
}
