"""Reading a log: formats, dialects, units."""

from telemetry.logs.rawlog import RawLog

__all__ = ["RawLog"]
