"""Quality notes (what was found in the data) and processing steps (what was done to it), kept with the values."""

from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["info", "warning", "refused"]


@dataclass(frozen=True)
class QualityNote:
    """One fault or limit of a log, named and located.

    Parameters
    ----------
    severity : {"info", "warning", "refused"}
        refused: something cannot be judged because of it.
    code : str
        Short stable name, such as ``"spikes"``; for programs and tests.
    message : str
        One sentence for a person: what, how much, what to do.
    channel : str
        Column of the log, or "" when the note is about the whole log.
    start_s, end_s : float or None
        Where, in seconds on the run's clock; None for the whole log.
    """

    severity: Severity
    code: str
    message: str
    channel: str = ""
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True)
class Step:
    """One thing that was done to the data, with the settings it was done with."""

    name: str
    settings: dict[str, float | int | str | bool] = field(default_factory=dict)
