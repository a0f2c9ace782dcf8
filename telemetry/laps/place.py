"""Where something happened: lap, distance, corner, phase."""

from dataclasses import dataclass

import numpy as np

from telemetry.laps.lap import PHASES, Track


@dataclass(frozen=True)
class Place:
    """A place on the circuit, as far as it is known."""

    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None


def place_at(track: Track, sample: int) -> Place:
    """The place of one sample of the run.

    Parameters
    ----------
    track : Track
    sample : int
        Index on the run's clock.

    Returns
    -------
    Place
    """
    lap, corner, phase = int(track.lap[sample]), int(track.corner[sample]), int(track.phase[sample])
    distance = float(track.distance_m[sample])
    return Place(
        lap=lap if track.laps else None,
        distance_m=distance if np.isfinite(distance) else None,
        corner=corner or None,
        phase=PHASES[phase] if phase >= 0 else None,
    )
