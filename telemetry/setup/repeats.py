"""Outings that were ridden with the same set-up: they show what differs from outing to outing without a change."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from telemetry.damping import dampers_in_doubt
from telemetry.setup.circuits import circuits_apart, other_bandwidth
from telemetry.setup.sheet import SetupSheet, bike_file_changes, settings
from telemetry.summary import Summary


@dataclass(frozen=True)
class Outing:
    """A run with its setup sheet."""

    summary: Summary
    sheet: SetupSheet | None


def repeats(of: Summary, outings: Iterable[Outing]) -> tuple[tuple[Summary, ...], ...]:
    """Set-ups that were ridden at least twice, each with its outings.

    Parameters
    ----------
    of : Summary
        A run of the comparison: only outings of its bike and circuit count, with the same speed bandwidth.
    outings : iterable of Outing
        All that there are, those of the comparison included.

    Returns
    -------
    tuple of tuple of Summary
        A set-up is the same when both sheets write down the same settings and the bike files agree. Outings without a
        setting on their sheet, or with a damper in doubt, do not count.
    """
    groups: list[list[Outing]] = []
    for outing in outings:
        if not _counts(of, outing):
            continue
        group = next((each for each in groups if _same_setup(each[0], outing)), None)
        if group is None:
            groups.append([outing])
        else:
            group.append(outing)
    return tuple(_summaries(group) for group in groups if len(group) > 1)


def _summaries(group: Sequence[Outing]) -> tuple[Summary, ...]:
    return tuple(outing.summary for outing in group)


def _counts(of: Summary, outing: Outing) -> bool:
    summary = outing.summary
    return (
        outing.sheet is not None
        and bool(settings(outing.sheet))
        and summary.run.bike == of.run.bike
        and not dampers_in_doubt(summary.oscillation)
        and not other_bandwidth(of, summary)
        and circuits_apart(of, summary)[0] == ""
    )


def _same_setup(one: Outing, other: Outing) -> bool:
    assert one.sheet is not None and other.sheet is not None
    return settings(one.sheet) == settings(other.sheet) and not bike_file_changes(
        one.summary.bike_values, other.summary.bike_values
    )
