"""Damper curves from a dynamometer table: several clicks, interpolation across them, the digressive curve in them."""

import csv
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import AfterValidator, Field

from telemetry.arrays import FloatArray
from telemetry.errors import BikeFileError

_COLUMNS = ("clicks", "speed_mm_s", "force_n")
_FEWEST = 4  # rows of one side at one click setting: three numbers are fitted to them

Rows = tuple[tuple[float, float, float], ...]


def _checked(rows: Rows) -> Rows:
    for clicks, speed, force in rows:
        if speed * force < 0:
            raise ValueError(
                f"dyno row [{clicks:g}, {speed:g}, {force:g}]: force and speed must have one sign, compression positive"
            )
    for sign, side in ((1, "compression"), (-1, "rebound")):
        for clicks in sorted({row[0] for row in rows if row[1] * sign > 0}):
            count = sum(row[0] == clicks and row[1] * sign > 0 for row in rows)
            if count < _FEWEST:
                raise ValueError(
                    f"dyno: {count} rows of {side} at {clicks:g} clicks; at least {_FEWEST} are needed"
                )
        if not any(row[1] * sign > 0 for row in rows):
            raise ValueError(f"dyno: has no row of {side} (speed {'above' if sign > 0 else 'below'} 0)")
    return rows


Dyno = Annotated[Rows, Field(min_length=2 * _FEWEST), AfterValidator(_checked)]


def read_dyno(path: Path) -> Rows:
    """Rows of a CSV with the columns clicks, speed_mm_s and force_n; `BikeFileError` names file and row."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [name for name in _COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                raise BikeFileError(f"{path}: lacks the column {missing[0]}; it needs {', '.join(_COLUMNS)}.")
            rows = []
            for row in reader:
                try:
                    clicks, speed, force = (float(row[name]) for name in _COLUMNS)
                except (TypeError, ValueError):
                    raise BikeFileError(f"{path}, line {reader.line_num}: is not three numbers.") from None
                rows.append((clicks, speed, force))
    except OSError as error:
        raise BikeFileError(
            f"{path}: cannot be read ({error.strerror}); see dyno_file in the bike file."
        ) from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a dyno table is CSV in UTF-8.") from None
    return tuple(rows)


def dyno_force_n(
    rows: Rows, speed_mm_s: FloatArray, compression_clicks: float, rebound_clicks: float
) -> FloatArray:
    """Force from the table, linear along curves and between clicks (from fully closed), 0 at rest. [N]

    Beyond the fastest row the last slope goes on; `BikeFileError` outside the clicks measured.
    """
    speed = np.asarray(speed_mm_s, dtype=np.float64)
    push = _side_n(rows, np.maximum(speed, 0.0), compression_clicks, 1.0)
    pull = _side_n(rows, np.maximum(-speed, 0.0), rebound_clicks, -1.0)
    return np.where(speed >= 0, push, -pull)


def _side_n(rows: Rows, speed: FloatArray, clicks: float, sign: float) -> FloatArray:
    """Magnitude of the force of one side at a magnitude of speed. [N]"""
    measured = sorted({row[0] for row in rows if row[1] * sign > 0})
    name = "compression" if sign > 0 else "rebound"
    if not measured[0] <= clicks <= measured[-1]:
        raise BikeFileError(
            f"{name}_clicks = {clicks:g} was not on the dyno; its table has {measured[0]:g} to {measured[-1]:g}."
        )
    curves = [_curve_n(rows, speed, setting, sign) for setting in measured]
    if len(curves) == 1:
        return curves[0]
    above = max(int(np.searchsorted(measured, clicks)), 1)
    share = (clicks - measured[above - 1]) / (measured[above] - measured[above - 1])
    return (1.0 - share) * curves[above - 1] + share * curves[above]


def _curve_n(rows: Rows, speed: FloatArray, clicks: float, sign: float) -> FloatArray:
    points = sorted((abs(v), abs(f)) for c, v, f in rows if c == clicks and v * sign > 0)
    v, f = (np.concatenate([[0.0], column]) for column in zip(*points, strict=True))
    last = (f[-1] - f[-2]) / (v[-1] - v[-2])
    return np.asarray(np.interp(speed, v, f) + last * np.maximum(speed - v[-1], 0.0))


def dyno_clicks(
    rows: Rows, compression_clicks: float | None, rebound_clicks: float | None
) -> tuple[float, float]:
    """Clicks of both sides; if not given, the only measured setting (`ValueError` if there are several)."""
    clicks_of_sides = []
    for name, sign, clicks in (("compression", 1.0, compression_clicks), ("rebound", -1.0, rebound_clicks)):
        measured = sorted({row[0] for row in rows if row[1] * sign > 0})
        if clicks is None and len(measured) > 1:
            raise ValueError(
                f"{name}_clicks: is needed, as the dyno table has several ({measured[0]:g} to {measured[-1]:g})"
            )
        clicks_of_sides.append(measured[0] if clicks is None else float(clicks))
    return clicks_of_sides[0], clicks_of_sides[1]


def fitted_sides(data: Any, compression_clicks: Any, rebound_clicks: Any) -> dict[str, dict[str, float]]:
    """Digressive curves (``compression``, ``rebound``) fitted by least squares to rows of clicks, speed and force.

    `ValueError` if the table cannot be used, or clicks are missing or outside the settings measured.
    """
    try:
        rows: Rows = tuple((float(c), float(v), float(f)) for c, v, f in data)
    except (TypeError, ValueError):
        raise ValueError("dyno: rows are [clicks, speed_mm_s, force_n]") from None
    compression, rebound = dyno_clicks(_checked(rows), compression_clicks, rebound_clicks)
    try:
        return {"compression": _fit_side(rows, compression, 1.0), "rebound": _fit_side(rows, rebound, -1.0)}
    except BikeFileError as error:
        raise ValueError(str(error).removesuffix(".")) from None


@lru_cache(maxsize=64)
def _fit_side(rows: Rows, clicks: float, sign: float) -> dict[str, float]:
    from scipy.optimize import least_squares

    speed = np.array(sorted({abs(row[1]) for row in rows if row[1] * sign > 0}))
    force = _side_n(rows, speed, clicks, sign)

    def misfit(log_values: FloatArray) -> FloatArray:
        low, high, knee = np.exp(log_values)
        return np.asarray(high * speed + (low - high) * knee * np.tanh(speed / knee) - force)

    slope = force / speed
    start = np.log([slope[0], max(0.5 * slope[-1], 1e-3), 0.5 * speed[-1]])
    low, high, knee = np.exp(least_squares(misfit, start, method="lm").x)
    return {"low_n_s_per_mm": float(low), "high_n_s_per_mm": float(high), "knee_mm_s": float(knee)}
