"""Reading a log: formats, dialects, units."""

from telemetry.logs.mapping import (
    CONFIG_VARIABLE,
    LIKELY,
    MEANINGS,
    STRONG,
    Behaviour,
    Proposal,
    compression_fits,
    config_directory,
    describe,
    keep_setting,
    propose,
    recall,
    remember,
)
from telemetry.logs.rawlog import (
    UNITS,
    RawLog,
    each_column,
    find_unit,
    stated_rate_hz,
    to_unit,
    with_rate,
)
from telemetry.logs.readers import READERS, read_log

__all__ = [
    "Behaviour", "CONFIG_VARIABLE", "LIKELY", "MEANINGS", "Proposal", "READERS", "RawLog", "STRONG",
    "UNITS", "compression_fits", "config_directory", "describe", "each_column", "find_unit", "keep_setting", "propose",
    "read_log", "recall", "remember", "stated_rate_hz", "to_unit", "with_rate",
]  # fmt: skip
