"""ASAM MDF: channel groups with a clock each, read by asammdf (optional: the extra ``mdf``)."""

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import LogError
from telemetry.logs.apart import Content, FileChannel, load_apart, log_from_channels, numbers_of
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote

NAME = "ASAM MDF"


def recognises(path: Path) -> bool:
    """Whether the file starts as MDF does, closed properly or not."""
    with path.open("rb") as file:
        return file.read(8) in (b"MDF     ", b"UnFinMF ")


def read(path: Path) -> RawLog:
    """Read every number channel of ASAM MDF, as logged; `LogError` without asammdf or channels, or if damaged."""
    if find_spec("asammdf") is None:
        raise LogError(
            f"{path}: is an ASAM MDF file; to read it, install asammdf (pip install 'bothends[mdf]')."
        )
    content = load_apart(__name__, path)
    return log_from_channels(
        content.channels, source=str(path), reader=NAME, metadata=content.metadata, notes=content.notes
    )


def load(path: Path) -> Content:
    """The channels of a file, as asammdf reads them; call it by `load_apart`."""
    sys.modules["sympy"] = None  # type: ignore[assignment]  # asammdf would have it run the formulas of a file
    import asammdf

    _forbid_formulas()
    notes: list[QualityNote] = []
    with asammdf.MDF(path) as file:
        channels = [c for group in range(len(file.groups)) for c in _group(file, group, notes)]
        return Content(channels, {"start": file.start_time.isoformat()}, notes)


def _group(file: Any, group: int, notes: list[QualityNote]) -> list[FileChannel]:
    """The channels of one group; they share its time stamps."""
    master = file.masters_db.get(group)
    t_s = np.asarray(file.get_master(group), dtype=np.float64) if master is not None else None
    found = []
    for index, described in enumerate(file.groups[group].channels):
        if index == master:
            continue
        try:
            signal = file.get(group=group, index=index, ignore_invalidation_bits=True)
        except FormulaError as error:
            message = f"Column {described.name!r} {error}; it is not used."
            notes.append(QualityNote("warning", "formula", message, channel=described.name))
            continue
        values = _numbers(signal)
        if values is None:
            message = f"Column {described.name!r} holds {signal.samples.dtype}, not numbers; it is not used."
            notes.append(QualityNote("info", "words", message, channel=described.name))
        else:
            if signal.invalidation_bits is not None:
                values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
            found.append(FileChannel(described.name, signal.unit or "", values, t_s))
    return found


class FormulaError(Exception):
    """Values of a file are given by a formula, whose text would have to be run."""


def _forbid_formulas() -> None:
    """Make asammdf raise an error for text formulas: a log must not run code."""
    from asammdf.blocks import v2_v3_blocks, v4_blocks
    from asammdf.blocks.v2_v3_constants import CONVERSION_TYPE_FORMULA
    from asammdf.blocks.v4_constants import CONVERSION_TYPE_ALG

    for module, formula in ((v2_v3_blocks, CONVERSION_TYPE_FORMULA), (v4_blocks, CONVERSION_TYPE_ALG)):
        _guard(module.ChannelConversion, formula)


def _guard(conversion: Any, formula: int) -> None:
    convert = conversion.convert

    def without_formula(self: Any, *values: Any, **options: Any) -> Any:
        if self.conversion_type == formula:
            raise FormulaError(
                "is given by a formula, which is never run: export it with its values, or as CSV"
            )
        return convert(self, *values, **options)

    conversion.convert = without_formula


def _numbers(signal: Any) -> FloatArray | None:
    """The samples as numbers; None if they are none."""
    if signal.samples.ndim != 1 or signal.samples.dtype.kind not in "fiub":
        return None
    return numbers_of(signal.samples)
