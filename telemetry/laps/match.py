"""A run on a circuit that is known: by its positions, or by how the speed and the lean go round the lap."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps.centreline import STEP_M, CentreLine
from telemetry.laps.corners import MeanLap
from telemetry.laps.gps import radii_m, to_plane_m
from telemetry.laps.lap import Circuit

# The pattern of the mean lap must agree this well (correlation) to be the circuit's. A choice of ours.
SAME_PATTERN = 0.75
# The length by the wheels may differ so much from the circuit's: wrong tyre, slip.
SAME_LENGTH = 0.06
# The lap signal of another day stands within so much of the start line. [m]
SEARCH_LINE_M = 100.0
# Around each of these places the two laps are laid over one another: nodes this far apart, compared over so much to
# either side, moved by at most this. [m]
NODE_M, WINDOW_M, MOVE_M = 60.0, 150, 40


def line_on_plane(circuit: Circuit, origin_deg: tuple[float, float]) -> CentreLine | None:
    """The circuit's centre line on a run's plane; None when it has none.

    Parameters
    ----------
    origin_deg : tuple of float
        Of the run's plane. [deg]
    """
    if circuit.latitude_deg is None or circuit.longitude_deg is None:
        return None
    from scipy.interpolate import CubicSpline

    east, north = to_plane_m(circuit.latitude_deg, circuit.longitude_deg, origin_deg)
    points = np.column_stack((np.append(east, east[0]), np.append(north, north[0])))
    n = max(round(circuit.length_m / STEP_M), 8)
    fine = CubicSpline(np.linspace(0.0, 1.0, len(points)), points, bc_type="periodic")(np.arange(n) / n)
    return CentreLine(fine[:, 0].copy(), fine[:, 1].copy(), circuit.length_m)


def to_degrees(line: CentreLine, origin_deg: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of a line on the plane of an origin: the way back from `to_plane_m`. [deg]"""
    meridian, normal = radii_m(origin_deg[0])
    across = normal * np.cos(np.radians(origin_deg[0]))
    return origin_deg[0] + np.degrees(line.y_m / meridian), origin_deg[1] + np.degrees(line.x_m / across)


def match_by_pattern(circuit: Circuit, lap: MeanLap, *, line_known: bool) -> tuple[FloatArray, float] | None:
    """Where on a circuit the places of a mean lap are, found without positions.

    Parameters
    ----------
    lap : MeanLap
        Of the run, by the wheels.
    line_known : bool
        The run's laps start about at the start line, by a lap channel or a beacon.

    Returns
    -------
    place_m : ndarray of shape (n_nodes + 1,)
        Place on the circuit of places evenly apart along the run's lap, both ends included; it may begin before 0. [m]
    agreement : float
        Correlation of the two laps. None for both when it is not the same circuit.
    """
    if lap.speed_m_s is None or circuit.speed_m_s is None:
        return None
    if abs(lap.length_m / circuit.length_m - 1.0) > SAME_LENGTH:
        return None
    n = round(circuit.length_m / STEP_M)
    pairs = [(circuit.speed_m_s, lap.speed_m_s)]
    if circuit.lean_deg is not None and lap.lean_deg is not None:
        pairs.append((circuit.lean_deg, lap.lean_deg))
    theirs, ours = (np.array([_standard(pair[side], n) for pair in pairs]) for side in (0, 1))
    # ours at place s looks like theirs at s + shift
    spectrum = np.fft.rfft(theirs, axis=1) * np.conj(np.fft.rfft(ours, axis=1))
    agreement = np.fft.irfft(spectrum.sum(axis=0), n) / (n * len(pairs))
    near = np.minimum(np.arange(n), n - np.arange(n)) * STEP_M <= SEARCH_LINE_M
    shift = int(np.argmax(np.where(near, agreement, -1.0) if line_known else agreement))
    if agreement[shift] < SAME_PATTERN:
        return None
    shift -= n if shift > n // 2 else 0
    nodes = max(round(circuit.length_m / NODE_M), 4)
    at = np.round(np.arange(nodes) * n / nodes).astype(np.int64)
    moved = np.array([_best_move(theirs, ours, int(node), shift) for node in at])
    # neighbours share their windows: an average over three takes out a lone slip
    moved = (np.roll(moved, 1) + moved + np.roll(moved, -1)) / 3.0
    place = (at + shift + moved) * circuit.length_m / n
    return np.append(place, place[0] + circuit.length_m), float(agreement[shift])


def _standard(values: FloatArray, n: int) -> FloatArray:
    """Values round a lap at n places, mean 0 and standard deviation 1."""
    cells = len(values)
    at = np.interp((np.arange(n) + 0.5) / n * cells - 0.5, np.arange(cells), values, period=cells)
    return np.asarray((at - at.mean()) / max(float(at.std()), 1e-9))


def _best_move(theirs: FloatArray, ours: FloatArray, node: int, shift: int) -> float:
    """How far our lap must be moved on around a place to lie best over theirs. [steps]"""
    n = theirs.shape[1]
    around = np.arange(node - WINDOW_M, node + WINDOW_M + 1)
    moves = np.arange(-MOVE_M, MOVE_M + 1)
    mine = ours[:, around % n]
    miss = np.array([np.sum((theirs[:, (around + shift + move) % n] - mine) ** 2) for move in moves])
    # of nearly equal ones the smallest: on a straight at one speed any would do
    return float(moves[np.argmin(miss + miss.mean() * 1e-3 * np.abs(moves))])
