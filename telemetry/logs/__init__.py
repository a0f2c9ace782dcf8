"""Reading a log: formats, dialects, units."""

from telemetry.logs.rawlog import RawLog, stated_rate_hz, to_unit, with_rate
from telemetry.logs.readers import READERS, read_log

__all__ = ["READERS", "RawLog", "read_log", "stated_rate_hz", "to_unit", "with_rate"]
