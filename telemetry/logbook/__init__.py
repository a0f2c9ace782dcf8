"""The store: original logs byte for byte, their runs and reviews, and the catalogue."""

from telemetry.logbook.build import read_given
from telemetry.logbook.dampers import damper_histories, history_of_damper
from telemetry.logbook.draft import Draft, Drafts, own_logbook_path
from telemetry.logbook.entry import RunEntry, Words, file_sha256, outings_of
from telemetry.logbook.export import export
from telemetry.logbook.logbook import Logbook
from telemetry.logbook.rider import FELT, RiderWord, by_place
from telemetry.logbook.verify import Damage, Verification, verify

__all__ = [
    "Damage",
    "Draft",
    "Drafts",
    "FELT",
    "Logbook",
    "RiderWord",
    "RunEntry",
    "Verification",
    "Words",
    "by_place",
    "damper_histories",
    "export",
    "file_sha256",
    "history_of_damper",
    "outings_of",
    "own_logbook_path",
    "read_given",
    "verify",
]
