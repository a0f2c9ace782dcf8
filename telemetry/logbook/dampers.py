"""The history of one damper over the runs of a logbook."""

from telemetry.errors import LogbookError
from telemetry.logbook.logbook import Logbook
from telemetry.setup import DamperRun, damper_history


def history_of_damper(logbook: Logbook, damper: str) -> tuple[DamperRun, ...]:
    """Outings of a damper in a logbook, oldest first.

    Parameters
    ----------
    logbook : Logbook
    damper : str
        ``id`` of [front.damper] or [rear.damper] in the bike files.

    Returns
    -------
    tuple of DamperRun

    Raises
    ------
    LogbookError
        If no run has it; the message names those there are.
    """
    oldest_first = sorted(logbook.runs(), key=lambda entry: (entry.date, entry.added_at))
    runs = [(entry, logbook.summary(entry.run_id)) for entry in oldest_first]
    found = damper_history(
        damper, ((entry.run_id, entry.name, entry.date, summary) for entry, summary in runs)
    )
    if not found:
        named = sorted({fitted.id for _, summary in runs for fitted in summary.dampers.values()})
        there = f"there are {', '.join(named)}" if named else "no bike file names one"
        raise LogbookError(
            f"{logbook.path}: no run has a damper with the id {damper!r} ({there}); it is written as id in "
            "[front.damper] or [rear.damper] of the bike file."
        )
    return found
