"""MATLAB .mat up to version 7, read by SciPy: vectors side by side, in structs, or a struct for each channel."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import LogError
from telemetry.logs.apart import Content, FileChannel, load_apart, log_from_channels, numbers_of
from telemetry.logs.rawlog import RawLog, find_unit, split_unit, to_unit

NAME = "MATLAB"

_TIME = ("time", "t", "timestamp", "timestamps", "x")
_VALUES = ("value", "values", "data", "samples", "signal", "y")
_UNIT = ("unit", "units")
_NAMES = ("names", "channels", "columns", "header", "labels", "channel_names")


def recognises(path: Path) -> bool:
    """Whether the file starts as a .mat file does."""
    with path.open("rb") as file:
        return file.read(7) == b"MATLAB "


def read(path: Path) -> RawLog:
    """Read a .mat file of version 5 to 7; `LogError` if it is 7.3, damaged, or has no vectors of numbers.

    Layouts, at any depth: vectors beside a vector ``time``; a struct or an array of structs for each channel, with
    ``time``, ``value`` (or ``data``, ...), ``unit``, ``name``; a matrix ``data`` with column names in ``names``.
    """
    with path.open("rb") as file:
        head = file.read(124)
    if head.startswith(b"MATLAB 7.3"):
        raise LogError(
            f"{path}: is a MATLAB file of version 7.3 (HDF5), which is not read; save it with -v7, or as CSV."
        )
    content = load_apart(__name__, path)
    return log_from_channels(content.channels, source=str(path), reader=NAME, metadata=content.metadata)


def load(path: Path) -> Content:
    """The channels of a file, as SciPy reads them; call it by `load_apart`."""
    from scipy.io import loadmat

    variables = loadmat(path, simplify_cells=True)
    variables = {name: value for name, value in variables.items() if not name.startswith("__")}
    return Content(list(_channels(variables, None, {})), _metadata(variables), [])


def _channels(
    node: Mapping[str, Any], clock: FloatArray | None, units: Mapping[str, Any]
) -> Iterator[FileChannel]:
    """The channels in a struct and the structs in it. ``clock`` and ``units`` are those of the struct around it."""
    node = _columns_apart(node)
    t_s = _clock(node)
    t_s = clock if t_s is None else t_s
    inner_units = next((node[k] for k in node if k.lower() in _UNIT and isinstance(node[k], Mapping)), units)
    for name, value in node.items():
        if name.lower() in _UNIT or _is_clock(name):
            continue
        if isinstance(value, Mapping):
            yield from _struct(name, value, t_s, inner_units)
        elif (structs := _structs(value)) is not None:
            for number, struct in enumerate(structs, start=1):
                yield from _struct(str(struct.get("name", f"{name} {number}")), struct, t_s, inner_units)
        elif (values := _vector(value)) is not None:
            yield _channel(name, inner_units.get(name, ""), values, t_s)


def _struct(
    name: str, struct: Mapping[str, Any], clock: FloatArray | None, units: Mapping[str, Any]
) -> Iterator[FileChannel]:
    """Channel of a struct that has values, else the channels of a group."""
    key = next((key for key in struct if key.lower() in _VALUES), None)
    values = _vector(struct[key]) if key is not None else None
    if values is None:
        yield from _channels(struct, clock, units)
        return
    t_s = _clock(struct)
    unit = next((struct[key] for key in struct if key.lower() in _UNIT), units.get(name, ""))
    written = struct.get("name")
    yield _channel(
        written if isinstance(written, str) and written else name, unit, values, clock if t_s is None else t_s
    )


def _channel(name: str, unit: Any, values: FloatArray, t_s: FloatArray | None) -> FileChannel:
    same = t_s is not None and len(t_s) == len(values)
    return FileChannel(name, unit if isinstance(unit, str) else "", values, t_s if same else None)


def _is_clock(key: str) -> bool:
    """Whether a name is that of time: ``time``, ``time [ms]``, ``time_ms``."""
    name, unit = split_unit(key)
    return name.lower().removesuffix(f"_{unit.lower()}") in _TIME


def _clock(node: Mapping[str, Any]) -> FloatArray | None:
    """The vector of time of a struct, in seconds by its unit; taken for seconds where it has none."""
    for key, value in node.items():
        if not _is_clock(key):
            continue
        unit = split_unit(key)[1]
        units: Mapping[str, Any] = next(
            (node[k] for k in node if k.lower() in _UNIT and isinstance(node[k], Mapping)), {}
        )
        if isinstance(value, Mapping):
            unit = str(next((value[k] for k in value if k.lower() in _UNIT), unit))
            value = next((value[k] for k in value if k.lower() in _VALUES), None)
        if (t := _vector(value)) is not None:
            known = find_unit(unit or str(units.get(key, "")))
            return to_unit(t, known.symbol, "s") if known and known.quantity == "time" else t
    return None


def _columns_apart(node: Mapping[str, Any]) -> Mapping[str, Any]:
    """A struct of a matrix and the names of its columns, as a vector for each column."""
    names = _texts(next((node[key] for key in node if key.lower() in _NAMES), None))
    for key, value in node.items():
        if names and isinstance(value, np.ndarray) and value.ndim == 2 and value.shape[1] == len(names):
            apart: dict[str, Any] = {**node, **dict(zip(names, value.T, strict=True))}
            del apart[key]
            for unit_key in (k for k in node if k.lower() in _UNIT):
                units = _texts(node[unit_key])
                if len(units) == len(names):
                    apart[unit_key] = dict(zip(names, units, strict=True))
            return apart
    return node


def _texts(value: Any) -> list[str]:
    """A cell array of texts, empty where it is something else."""
    items = list(value) if isinstance(value, np.ndarray) and value.ndim == 1 else []
    return [str(item).strip() for item in items] if all(isinstance(item, str) for item in items) else []


def _structs(value: Any) -> list[Mapping[str, Any]] | None:
    """The structs of an array of structs."""
    items = list(value) if isinstance(value, list | tuple) or _is_objects(value) else []
    return items if items and all(isinstance(item, Mapping) for item in items) else None


def _is_objects(value: Any) -> bool:
    return isinstance(value, np.ndarray) and value.dtype == object and value.ndim == 1


def _vector(value: Any) -> FloatArray | None:
    """A row or column of numbers; a single number is a setting, not a channel."""
    if not isinstance(value, np.ndarray) or value.dtype.kind not in "fiub":
        return None
    if value.ndim == 0 or value.size < 2 or value.size != max(value.shape):
        return None
    return numbers_of(value.reshape(-1))


def _metadata(content: Mapping[str, Any]) -> dict[str, str]:
    """Texts and single numbers at the top of the file."""
    return {
        name: str(value)
        for name, value in content.items()
        if isinstance(value, str | int | float) and not isinstance(value, bool)
    }
