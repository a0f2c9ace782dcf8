"""Reading a log: formats, dialects, units."""

from telemetry.logs.rawlog import RawLog, with_rate
from telemetry.logs.readers import READERS, read_log
from telemetry.logs.units import to_unit

__all__ = ["READERS", "RawLog", "read_log", "to_unit", "with_rate"]
