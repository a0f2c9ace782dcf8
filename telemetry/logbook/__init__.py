"""The store: original logs byte for byte, their runs and reviews, and the catalogue."""

from typing import TYPE_CHECKING, Any

from telemetry.logbook.draft import Draft, Drafts, own_logbook_path
from telemetry.logbook.exchange import Damage, Verification, export, is_export, take_in_export, verify
from telemetry.logbook.logbook import Logbook, damper_histories, history_of_damper
from telemetry.logbook.rider import FELT, MOST_LETTERS, RiderWord, by_place
from telemetry.logbook.run import RunEntry, Words, file_sha256, outings_of, read_given

if TYPE_CHECKING:
    from telemetry.logbook.plans import (
        CameOut,
        KeptPrediction,
        Outcome,
        TrackRecord,
        keep_prediction,
        plan_for_the_day,
        prediction_of,
        predictions,
        set_state,
        track_record,
        with_own_history,
    )

__all__ = [
    "CameOut", "Damage", "Draft", "Drafts", "FELT", "KeptPrediction", "Logbook", "MOST_LETTERS", "Outcome",
    "RiderWord", "RunEntry", "TrackRecord", "Verification", "Words", "by_place", "damper_histories", "export",
    "file_sha256", "history_of_damper", "is_export", "keep_prediction", "outings_of", "own_logbook_path",
    "plan_for_the_day", "prediction_of", "predictions", "read_given", "set_state", "take_in_export",
    "track_record", "verify", "with_own_history",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in __all__:  # of `plans`: the prediction compiles, so it is imported when a change is tried
        from telemetry.logbook import plans

        return getattr(plans, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
