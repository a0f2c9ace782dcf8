"""Events at one place of the lap, gathered over the laps into one."""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from telemetry.damping.oscillation import LostPlace, OscillationEvent

SAME_PLACE_M = 80.0  # events whose starts lie closer than this belong together; a choice of ours


def gather(events: tuple[OscillationEvent, ...]) -> tuple[LostPlace, ...]:
    """Gather events by place.

    Parameters
    ----------
    events : tuple of OscillationEvent

    Returns
    -------
    tuple of LostPlace
        The place with the most seconds first. Frequency and ratio are means weighted by length, the ratio's of
        its logarithm, with the interval narrowed as independent stretches allow.
    """
    groups = near_each_other([event.distance_m for event in events])
    unknown: dict[int | None, list[int]] = defaultdict(list)
    for group in [group for group in groups if events[group[0]].distance_m is None]:
        groups.remove(group)
        unknown[events[group[0]].corner] += group
    return tuple(
        sorted((_place(events, group) for group in (*groups, *unknown.values())), key=lambda p: -p.seconds)
    )


def clearest(events: tuple[OscillationEvent, ...]) -> tuple[OscillationEvent, ...]:
    """The clearest event of each place, the place with the most seconds first.

    Parameters
    ----------
    events : tuple of OscillationEvent

    Returns
    -------
    tuple of OscillationEvent
    """
    return tuple(
        max((events[i] for i in place.events), key=lambda event: (event.confidence, event.amplitude_mm))
        for place in gather(events)
    )


def near_each_other(distance_m: Sequence[float | None]) -> list[list[int]]:
    """Indices of places gathered: neighbours along the lap closer than `SAME_PLACE_M`; an unknown one stands alone.

    Parameters
    ----------
    distance_m : sequence of float or None
        [m]

    Returns
    -------
    list of list of int
        Along the lap, the unknown ones last.
    """
    groups: list[list[int]] = []
    before = -float("inf")
    known = [(at, i) for i, at in enumerate(distance_m) if at is not None]
    for at, i in sorted(known):
        if at - before < SAME_PLACE_M:
            groups[-1].append(i)
        else:
            groups.append([i])
        before = at
    return [*groups, *([i] for i, at in enumerate(distance_m) if at is None)]


def _place(events: tuple[OscillationEvent, ...], group: list[int]) -> LostPlace:
    here = [events[i] for i in sorted(group)]
    seconds = np.array([event.end_s - event.start_s for event in here])
    share = seconds / seconds.sum()
    log_ratio = float(share @ np.log([event.damping_ratio for event in here]))
    spread = np.log([event.damping_ratio_ci95[1] / event.damping_ratio for event in here])
    half = float(np.sqrt((share**2) @ spread**2))
    longest = here[int(np.argmax(seconds))]
    distances = [event.distance_m for event in here if event.distance_m is not None]
    return LostPlace(
        corner=longest.corner,
        phase=longest.phase,
        distance_m=float(np.median(distances)) if distances else None,
        laps=tuple(sorted({event.lap for event in here if event.lap is not None})),
        events=tuple(sorted(group)),
        seconds=float(seconds.sum()),
        frequency_hz=float(share @ [event.frequency_hz for event in here]),
        damping_ratio=float(np.exp(log_ratio)),
        damping_ratio_ci95=(float(np.exp(log_ratio - half)), float(np.exp(log_ratio + half))),
    )
