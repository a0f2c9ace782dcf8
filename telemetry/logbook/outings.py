"""Outings of one motorcycle in a logbook, in the form a comparison takes them."""

from collections.abc import Callable, Sequence

from telemetry.errors import BothEndsError
from telemetry.logbook.entry import RunEntry
from telemetry.setup import Outing, SetupSheet
from telemetry.summary import Summary

# So many runs of a bike are looked at for repeats of a set-up: reading a review takes a moment. A choice, no source.
MOST_OUTINGS = 30


def outings_of(
    bike: str,
    runs: Sequence[RunEntry],
    summary: Callable[[str], Summary],
    sheet: Callable[[str], SetupSheet | None],
) -> tuple[Outing, ...]:
    """Newest runs of a bike that have a setup sheet, `MOST_OUTINGS` at most.

    Parameters
    ----------
    bike : str
        Its name in the bike file.
    runs : sequence of RunEntry
        Newest first.
    summary, sheet : callable
        Review and setup sheet by run id.

    Returns
    -------
    tuple of Outing
        Without runs whose review or sheet cannot be read.
    """
    found: list[Outing] = []
    for entry in runs:
        if entry.bike != bike or len(found) == MOST_OUTINGS:
            continue
        try:
            written = sheet(entry.run_id)
            if written is not None:
                found.append(Outing(summary(entry.run_id), written))
        except BothEndsError:  # the comparison does not depend on it; `logbook verify` names it
            continue
    return tuple(found)
