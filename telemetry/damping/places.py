"""Events at one place of the lap, gathered over the laps into one."""

from collections.abc import Sequence

import numpy as np

from telemetry.damping.oscillation import LostPlace, OscillationEvent
from telemetry.laps import SharedPlace, along_the_lap, by_place


def gather(events: Sequence[OscillationEvent], lap_length_m: float | None) -> tuple[LostPlace, ...]:
    """Gather events by place.

    Parameters
    ----------
    lap_length_m : float or None
        As of `telemetry.laps.by_place`. [m]

    Returns
    -------
    tuple of LostPlace
        The place with the most seconds first. Frequency and ratio are means weighted by length, the ratio's of
        its logarithm, with the interval narrowed as independent stretches allow.
    """
    places = (_lost_place(events, place) for place in by_place(events, lap_length_m))
    return tuple(sorted(places, key=lambda place: -place.seconds))


def clearest(events: Sequence[OscillationEvent], lap_length_m: float | None) -> tuple[OscillationEvent, ...]:
    """The clearest event of each place, the place with the most seconds first.

    Parameters
    ----------
    lap_length_m : float or None
        [m]
    """
    return tuple(
        max((events[i] for i in place.events), key=lambda event: (event.confidence, event.amplitude_mm))
        for place in gather(events, lap_length_m)
    )


def stretches_of_road(distance_m: Sequence[float | None]) -> list[list[int]]:
    """Indices of events on one stretch of road, which one ridge may have caused; an unknown one stands alone.

    A corner may hold several ridges, so corner numbers do not count here.

    Parameters
    ----------
    distance_m : sequence of float or None
        [m]

    Returns
    -------
    list of list of int
        Along the lap, the unknown ones last.
    """
    known = [i for i, at in enumerate(distance_m) if at is not None]
    groups = along_the_lap([at for at in distance_m if at is not None], None)
    return [
        *([known[i] for i in group] for group in groups),
        *([i] for i, at in enumerate(distance_m) if at is None),
    ]


def _lost_place(events: Sequence[OscillationEvent], place: SharedPlace) -> LostPlace:
    here = [events[i] for i in place.events]
    seconds = np.array([event.end_s - event.start_s for event in here])
    share = seconds / seconds.sum()
    log_ratio = float(share @ np.log([event.damping_ratio for event in here]))
    spread = np.log([event.damping_ratio_ci95[1] / event.damping_ratio for event in here])
    half = float(np.sqrt((share**2) @ spread**2))
    return LostPlace(
        corner=place.corner,
        phase=place.phase,
        distance_m=place.distance_m,
        laps=place.laps,
        events=place.events,
        seconds=float(seconds.sum()),
        frequency_hz=float(share @ [event.frequency_hz for event in here]),
        damping_ratio=float(np.exp(log_ratio)),
        damping_ratio_ci95=(float(np.exp(log_ratio - half)), float(np.exp(log_ratio + half))),
    )
