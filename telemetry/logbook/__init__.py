"""The store: original logs byte for byte, their reviews, and the catalogue."""

from telemetry.logbook.entry import RunEntry
from telemetry.logbook.logbook import Logbook

__all__ = ["Logbook", "RunEntry"]
