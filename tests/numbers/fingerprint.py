"""What a result holds, as a flat table: for every path the number of values, their mean, trend, least and greatest."""

import enum
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from pydantic import BaseModel

from telemetry.decimals import Numbers

DIGITS = 8


def fingerprint(result: object) -> dict[str, str]:
    """Numbers and texts of a result by path; what differs only by its place in a list shares a path.

    Returns
    -------
    dict of str to str
        Numbers: ``n mean trend least greatest``, the trend weighted from -1 (first) to 1 (last), for the order shows in
        it. Texts: ``n checksum``. Values that are missing: ``n none``.
    """
    found: dict[str, list[Any]] = {}
    for path, value in _walk("", result):
        found.setdefault(f"{path} {_kind(value)}", []).append(value)
    return {path: _statistics(values) for path, values in sorted(found.items())}


def each(*results: Any) -> dict[str, Any]:
    """Results under a path each: what is in one list shares its path, and a small number beside a large one is lost."""
    return {str(number): result for number, result in enumerate(results)}


def _kind(value: Any) -> str:
    return "text" if isinstance(value, str) else "none" if value is None else "numbers"


def _statistics(values: list[Any]) -> str:
    if values[0] is None:
        return str(len(values))
    if isinstance(values[0], str):
        return f"{len(values)} {crc32('|'.join(values).encode()):08x}"
    numbers = np.concatenate([np.atleast_1d(np.asarray(value, dtype=float)).ravel() for value in values])
    there = numbers[np.isfinite(numbers)]
    if not len(there):
        return f"{len(numbers)} 0"
    trend = float(
        np.nan_to_num(numbers, posinf=0.0, neginf=0.0) @ np.linspace(-1.0, 1.0, len(numbers)) / len(numbers)
    )
    row = (float(there.mean()), trend, float(there.min()), float(there.max()))
    return " ".join([str(len(numbers)), str(len(there)), *(f"{number:.{DIGITS}g}" for number in row)])


def _walk(path: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, enum.Enum):
        yield path, value.name
    elif value is None or isinstance(value, str | bool | int | float | np.generic):
        yield path, value
    elif isinstance(value, date | Path):
        yield path, str(value)
    elif isinstance(value, np.ndarray):
        if value.dtype.kind in "biuf":
            yield path, value
        else:
            yield path, "|".join(map(str, value.ravel().tolist()))
    elif isinstance(value, Numbers):
        yield path, value.values
    elif isinstance(value, BaseModel):
        yield from _walk(path, dict(value))
    elif is_dataclass(value) and not isinstance(value, type):
        for one in fields(value):
            yield from _walk(f"{path}.{one.name}" if path else one.name, getattr(value, one.name))
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _walk(f"{path}.{key}" if path else str(key), inner)
    elif isinstance(value, Set):
        yield path, " ".join(sorted(map(str, value)))
    elif isinstance(value, Sequence):
        yield f"{path} length", len(value)
        for inner in value:
            yield from _walk(f"{path}[]", inner)
    else:
        yield path, type(value).__name__


def differences(was: Mapping[str, str], now: Mapping[str, str], *, share: float) -> list[str]:
    """Paths whose values differ: numbers by more than a share of the greatest of their path, all else at all."""
    return [
        f"{path}: {was.get(path, 'not there')} -> {now.get(path, 'gone')}"
        for path in sorted({*was, *now})
        if path not in was or path not in now or not _same(path, was[path], now[path], share)
    ]


def _same(path: str, was: str, now: str, share: float) -> bool:
    if was == now or not path.endswith(" numbers"):
        return was == now
    before, after = (np.array(text.split(), dtype=float) for text in (was, now))
    if len(before) != len(after) or (before[:2] != after[:2]).any():
        return False
    return bool(np.abs(before[2:] - after[2:]).max() <= share * np.abs(before[2:]).max())
