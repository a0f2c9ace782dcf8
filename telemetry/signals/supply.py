"""A potentiometer reads a share of its supply: the reading it would have had at the bench's supply."""

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step
from telemetry.signals.channels import on_clock
from telemetry.signals.clock import Grid
from telemetry.signals.lookup import find_numbers
from telemetry.signals.run import SensorSetup

# A supply this far from the bench's is one that failed: what the sensor reads on it means nothing. A choice of ours.
LEAST_SHARE, MOST_SHARE = 0.5, 1.5


def at_bench_supply(
    signal: FloatArray, log: RawLog, end: End, setup: SensorSetup, row_t_s: FloatArray, grid: Grid
) -> tuple[FloatArray, Step | None, tuple[QualityNote, ...]]:
    """A signal brought to the supply at which the bench points were measured.

    Parameters
    ----------
    signal : ndarray of shape (n_samples,)
        On the run's clock.
    end : {"front", "rear"}
    setup : SensorSetup
        With ``supply`` and ``supply_reference``; without, the signal stays as it is.
    row_t_s : ndarray of shape (n_rows,)
        Time of each row on the run's clock; NaN where a row has none. [s]

    Returns
    -------
    signal : ndarray of shape (n_samples,)
        NaN where the supply is unknown or has failed.

    Raises
    ------
    ChannelError
        If there is no such column, or it holds no numbers.
    """
    if setup.supply is None or setup.supply_reference is None:
        return signal, None, ()
    name, values = find_numbers(log, setup.supply, meaning=f"supply of the {end} sensor")
    found = on_clock(values, row_t_s, grid)
    share = np.full(len(signal), np.nan) if found is None else found[0] / setup.supply_reference
    usable = (share > LEAST_SHARE) & (share < MOST_SHARE)
    lost = np.isfinite(signal) & ~usable
    notes: tuple[QualityNote, ...] = ()
    if lost.any():
        at = np.flatnonzero(lost)
        message = (
            f"{end.capitalize()} travel has no usable supply ({name!r}) in {lost.sum()} samples, first at "
            f"t = {at[0] / grid.sample_rate_hz:.3f} s; they are left out. Check the sensor's wiring."
        )
        start_s, end_s = at[0] / grid.sample_rate_hz, (at[-1] + 1) / grid.sample_rate_hz
        notes = (QualityNote("warning", "supply_lost", message, name, float(start_s), float(end_s)),)
    settings: dict[str, float | int | str | bool] = {"end": end, "channel": name}
    if usable.any():
        settings |= {"least_share": float(share[usable].min()), "most_share": float(share[usable].max())}
    return signal / np.where(usable, share, np.nan), Step("supply", settings), notes
