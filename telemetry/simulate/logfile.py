"""Write a simulated log as a logger would: delimited text, plain or gzip."""

import gzip
import io
from pathlib import Path

import numpy as np

from telemetry.simulate.outing import Outing

# Decimals by unit; what is not listed gets 4.
DECIMALS = {"s": 4, "V": 4, "counts": 0, "mm": 3, "km/h": 2, "m/s": 3, "%": 1, "bar": 2, "deg": 2, "": 0}
POSITION_DECIMALS = 7  # of a degree: about a centimetre


def log_text(
    outing: Outing,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    units_row: bool = True,
    comment: str | None = None,
) -> str:
    """The log as delimited text.

    Parameters
    ----------
    units_row : bool
        Whether a row of units follows the header.
    comment : str, optional
        A first line before the header, written after "# ".

    Returns
    -------
    str
        Lines end with a line feed; blank cells are empty.
    """
    import pandas as pd

    bike, columns = outing.bike.channels, {}
    for name, values in outing.log_columns.items():
        position = name in (bike.latitude, bike.longitude)
        decimals = POSITION_DECIMALS if position else DECIMALS.get(outing.units[name], 4)
        rounded = pd.Series(np.round(values, decimals) + 0.0)
        columns[name] = rounded.astype("Int64") if decimals == 0 else rounded
    head = f"# {comment}\n" if comment else ""
    head += delimiter.join(columns) + "\n"
    if units_row:
        head += delimiter.join(outing.units[name] for name in columns) + "\n"
    body = io.StringIO()
    pd.DataFrame(columns).to_csv(
        body, sep=delimiter, decimal=decimal, header=False, index=False, lineterminator="\n"
    )
    return head + body.getvalue()


def write_log(
    outing: Outing,
    path: str | Path,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    units_row: bool = True,
    comment: str | None = None,
) -> None:
    """Write the log of an outing; the same outing gives the same bytes.

    Parameters
    ----------
    path : str or Path
        Compressed when it ends in ``.gz``.
    units_row : bool
        Whether a row of units follows the header.
    comment : str, optional
        A first line before the header, written after "# ".
    """
    path = Path(path)
    text = log_text(outing, delimiter=delimiter, decimal=decimal, units_row=units_row, comment=comment)
    data = text.encode("utf-8")
    path.write_bytes(gzip.compress(data, compresslevel=9, mtime=0) if path.suffix == ".gz" else data)
