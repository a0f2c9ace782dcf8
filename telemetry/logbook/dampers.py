"""The history of dampers over the runs of a logbook."""

from collections.abc import Callable, Iterable

from telemetry.errors import LogbookError
from telemetry.logbook.entry import RunEntry
from telemetry.logbook.logbook import Logbook
from telemetry.setup import DamperRun, damper_history
from telemetry.summary import Summary


def damper_histories(
    entries: Iterable[RunEntry], summary_of: Callable[[str], Summary]
) -> dict[str, tuple[DamperRun, ...]]:
    """Every damper that a bike file names with its outings, oldest first.

    Parameters
    ----------
    summary_of : callable
        The review of a run by its id; a run that cannot be read (`LogbookError`) is left out.

    Returns
    -------
    dict of str to tuple of DamperRun
        By the damper's ``id``, in alphabetical order.
    """
    runs = []
    for entry in sorted(entries, key=lambda entry: (entry.date, entry.added_at)):
        try:
            runs.append((entry.run_id, entry.name, entry.date, summary_of(entry.run_id)))
        except LogbookError:
            continue
    names = sorted({fitted.id for *_, summary in runs for fitted in summary.dampers.values()})
    return {name: damper_history(name, runs) for name in names}


def history_of_damper(logbook: Logbook, damper: str) -> tuple[DamperRun, ...]:
    """Outings of a damper in a logbook, oldest first.

    Parameters
    ----------
    damper : str
        ``id`` of [front.damper] or [rear.damper] in the bike files.

    Raises
    ------
    LogbookError
        If no run has it; the message names those there are.
    """
    found = damper_histories(logbook.runs(), logbook.summary)
    if damper not in found:
        there = f"there are {', '.join(found)}" if found else "no bike file names one"
        raise LogbookError(
            f"{logbook.path}: no run has a damper with the id {damper!r} ({there}); it is written as id in "
            "[front.damper] or [rear.damper] of the bike file."
        )
    return found[damper]
