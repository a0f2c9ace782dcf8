"""Where laps are counted: a given start line and circuit, else the circuit kept for the place of the log."""

from dataclasses import dataclass

from telemetry.bike import Bike
from telemetry.laps import Circuit, is_line_of, known_circuit
from telemetry.logs import RawLog
from telemetry.review.columns import positions_deg


@dataclass(frozen=True)
class Ground:
    """Start line and circuit, as `telemetry.review.review` takes them."""

    start_line: tuple[float, float] | None = None
    circuit: Circuit | None = None


def ground_of(
    log: RawLog, bike: Bike, line: tuple[float, float] | None = None, circuit: Circuit | None = None
) -> Ground:
    """The line and circuit given; otherwise the circuit that is kept for the place of the log.

    Parameters
    ----------
    line : tuple of float, optional
        Latitude and longitude of the middle of the start line. A kept circuit with this very line is used, for the
        names of its corners; one with another line is not. [deg]
    circuit : Circuit, optional
        From a file; it comes first.
    """
    if circuit is not None:
        return Ground(line, circuit)
    positions = positions_deg(bike, log)
    known = None if positions is None else known_circuit(*positions)
    if known is None or (line is not None and not is_line_of(known, line)):
        return Ground(line)
    return Ground(None, known)
