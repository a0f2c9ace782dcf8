"""Events at one place of the lap, gathered over the laps into one."""

from collections import defaultdict

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
    groups: list[list[int]] = []
    known = [i for i, event in enumerate(events) if event.distance_m is not None]
    for i in sorted(known, key=lambda i: events[i].distance_m or 0.0):
        at = events[i].distance_m or 0.0
        if groups and at - (events[groups[-1][-1]].distance_m or 0.0) < SAME_PLACE_M:
            groups[-1].append(i)
        else:
            groups.append([i])
    unknown: dict[int | None, list[int]] = defaultdict(list)
    for i, event in enumerate(events):
        if event.distance_m is None:
            unknown[event.corner].append(i)
    return tuple(
        sorted((_place(events, group) for group in (*groups, *unknown.values())), key=lambda p: -p.seconds)
    )


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
