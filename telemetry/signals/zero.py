"""Full extension: from an interval with the wheels off the ground, or from where the end tops out; and its drift."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.errors import CalibrationError
from telemetry.notes import QualityNote, Step
from telemetry.signals.run import SensorSetup

# With the wheels hanging nothing moves: readings that wander more than this are not of a bike on its stand.
STILL_MM = 1.0
FEWEST_STILL_S = 0.5
# Topped out an end reads its lowest. The lowest reading of blocks this long, one for each contact.
BLOCK_S, SEPARATE_S = 0.03, 0.5
# A stop is where the lowest moments agree: so many of them, so close. Turning points of a ride scatter more.
FEWEST_TOP_OUTS, AGREE_MM = 3, 0.3
# Higher than this above the lowest reading nothing is called topped out.
NEAR_MM = 3.0
# Once calibrated an end tops out this near 0, or the lowest moments were no top-outs.
ZERO_WITHIN_MM = 3.0
# Drift is told from thirds of at least this length; below this much it is the ride and the softness of the stop:
# on simulated outings without drift the lowest readings of two thirds differ by 0.1 mm, seldom more.
SHORTEST_THIRD_S, DRIFT_MM = 60.0, 1.0


@dataclass(frozen=True)
class TopOuts:
    """Moments at which an end may have been topped out: when, and at what reading. [s, mm]"""

    time_s: FloatArray
    level_mm: FloatArray

    @property
    def stop_mm(self) -> float | None:
        """The level at which the lowest of them agree; None if they do not."""
        ranked = np.sort(self.level_mm)
        if len(ranked) < FEWEST_TOP_OUTS or ranked[FEWEST_TOP_OUTS - 1] - ranked[0] > AGREE_MM:
            return None
        return float(np.median(ranked[ranked <= ranked[0] + AGREE_MM]))

    def within(self, most_mm: float) -> "TopOuts":
        """Those at a level this near 0. [mm]"""
        near = np.abs(self.level_mm) <= most_mm
        return TopOuts(self.time_s[near], self.level_mm[near])

    def during(self, start_s: float, end_s: float) -> "TopOuts":
        """Those of a part of the run."""
        inside = (self.time_s >= start_s) & (self.time_s < end_s)
        return TopOuts(self.time_s[inside], self.level_mm[inside])


def find_top_outs(travel_mm: FloatArray, sample_rate_hz: float) -> TopOuts:
    """The lowest readings, one for each contact.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        NaN where invalid; its zero does not matter. [mm]
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    TopOuts
    """
    length = max(1, round(BLOCK_S * sample_rate_hz))
    low = travel_mm[: len(travel_mm) // length * length].reshape(-1, length).min(axis=1)  # NaN where any is
    near = np.flatnonzero(low < np.min(low, initial=np.inf, where=np.isfinite(low)) + NEAR_MM)
    if not near.size:
        return TopOuts(np.empty(0), np.empty(0))
    contact = np.cumsum(np.diff(near, prepend=near[0]) * length > SEPARATE_S * sample_rate_hz)
    lowest = np.full(contact[-1] + 1, np.inf)
    np.minimum.at(lowest, contact, low[near])
    first = np.flatnonzero(np.diff(contact, prepend=-1))
    return TopOuts(near[first] * length / sample_rate_hz, lowest)


def zero_mm(measured_mm: FloatArray, sample_rate_hz: float, setup: SensorSetup, *, key: str) -> float:
    """What the sensor reads at full extension, by the log itself.

    Parameters
    ----------
    measured_mm : ndarray of shape (n_samples,)
        By the bench points; NaN where invalid. [mm]
    sample_rate_hz : float
        [Hz]
    setup : SensorSetup
    key : str
        Where the sensor stands in the bike file, for messages.

    Returns
    -------
    float
        0 if the bench or the bike file gives the zero. [mm]

    Raises
    ------
    CalibrationError
        If the interval is not in the log or not still, or nothing in the log is topped out.
    """
    if setup.zero_interval_s is not None:
        return _still_mm(measured_mm, sample_rate_hz, setup.zero_interval_s, key)
    if setup.zero_topped_out:
        found = find_top_outs(measured_mm, sample_rate_hz).stop_mm
        if found is None:
            raise CalibrationError(
                f"{key} zero_topped_out: no level at which this end tops out was found in the log; give zero or "
                f"zero_interval_s."
            )
        return found
    return 0.0


def _still_mm(
    measured_mm: FloatArray, sample_rate_hz: float, interval_s: tuple[float, float], key: str
) -> float:
    start, end = (round(at_s * sample_rate_hz) for at_s in interval_s)
    part = measured_mm[start : end + 1]
    part = part[np.isfinite(part)]
    words = f"{key} zero_interval_s = [{interval_s[0]:g}, {interval_s[1]:g}]"
    if len(part) < FEWEST_STILL_S * sample_rate_hz:
        raise CalibrationError(
            f"{words}: the log has {len(part) / sample_rate_hz:.1f} s of readings there, and lasts "
            f"{len(measured_mm) / sample_rate_hz:.1f} s; give at least {FEWEST_STILL_S:g} s with the wheels off "
            f"the ground."
        )
    low, high = np.percentile(part, [5, 95])
    if high - low > STILL_MM:
        raise CalibrationError(
            f"{words}: travel moves by {high - low:.1f} mm there; it must be still, with the wheels off the ground."
        )
    return float(np.median(part))


def check_zero(
    travel_mm: FloatArray, sample_rate_hz: float, end: End, setup: SensorSetup
) -> tuple[tuple[Step, ...], tuple[QualityNote, ...]]:
    """Where the end tops out over a run, and how that moves from its first third to its last.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        Cleaned, but not held at 0; NaN where invalid. [mm]
    sample_rate_hz : float
        [Hz]
    end : {"front", "rear"}
    setup : SensorSetup

    Returns
    -------
    steps : tuple of Step
        One, with ``topped_out_mm`` and ``drift_mm``; none where nothing tops out.
    notes : tuple of QualityNote
    """
    found = find_top_outs(travel_mm, sample_rate_hz).within(ZERO_WITHIN_MM)
    lasts_s = len(travel_mm) / sample_rate_hz
    settings: dict[str, float | int | str | bool] = {"end": end, "top_outs": len(found.level_mm)}
    if found.stop_mm is not None:
        settings["topped_out_mm"] = found.stop_mm
    first = found.during(0.0, lasts_s / 3).level_mm
    last = found.during(2 * lasts_s / 3, lasts_s).level_mm
    if lasts_s >= 3 * SHORTEST_THIRD_S and first.size and last.size:
        settings["drift_mm"] = float(last.min() - first.min())
    drift = float(settings.get("drift_mm", 0.0))
    steps = (Step("zero", settings),) if len(settings) > 2 else ()
    if abs(drift) < DRIFT_MM:
        return steps, ()
    message = (
        f"{end.capitalize()} reads its lowest {abs(drift):.1f} mm {'higher' if drift > 0 else 'lower'} in the last "
        f"third of the run than in the first: its zero drifts. Check the sensor's mount and set the zero again."
    )
    note = QualityNote(
        "warning", "zero_drift", message, channel=setup.channel, start_s=2 * lasts_s / 3, end_s=lasts_s
    )
    return steps, (note,)


def drift_between_mm(earlier: Sequence[Step], later: Sequence[Step], end: End) -> float | None:
    """How far an end's full extension reads higher in a later run than in an earlier one.

    Parameters
    ----------
    earlier, later : sequence of Step
        The histories of the two runs.
    end : {"front", "rear"}

    Returns
    -------
    float or None
        None if either run does not tell where the end tops out. [mm]
    """
    before, after = _topped_out_mm(earlier, end), _topped_out_mm(later, end)
    return None if before is None or after is None else after - before


def _topped_out_mm(history: Sequence[Step], end: End) -> float | None:
    for step in history:
        if step.name == "zero" and step.settings.get("end") == end and "topped_out_mm" in step.settings:
            return float(step.settings["topped_out_mm"])
    return None
