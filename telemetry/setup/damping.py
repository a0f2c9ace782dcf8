"""Damping ratios of both ends over whole runs, as rows of a comparison."""

from telemetry.arrays import ENDS
from telemetry.metrics import Metric
from telemetry.setup.evidence import Variance
from telemetry.setup.laps import LapValues
from telemetry.setup.rows import Row
from telemetry.summary import Summary

# A few degrees of oil change the damping of one outing against another by this share (standard deviation). Common
# practice, no source.
OUTING_SHARE = 0.03


def damping_rows(a: Summary, b: Summary) -> tuple[Row, ...]:
    """Damping ratio of each end in compression and rebound, where both runs tell it.

    Returns
    -------
    tuple of Row
        Their variance is that of the two estimates and of what outings differ by.
    """
    one, other = (run.balance.damping for run in (a, b))
    if one is None or other is None:
        return ()
    rows = []
    for end in ENDS:
        if end not in one.ends or end not in other.ends:
            continue
        for direction in ("compression", "rebound"):
            values = [float(getattr(side.ends[end], direction)) for side in (one, other)]
            sds = [float(getattr(side.ends[end], f"{direction}_log_sd")) for side in (one, other)]
            variance = sum(
                value**2 * (sd**2 + OUTING_SHARE**2) for value, sd in zip(values, sds, strict=True)
            )
            metric = Metric(
                f"{end}.damping.{direction}", f"{end} damping ratio, {direction}", "", (), lambda lap: None
            )
            before, after = (LapValues((), (), value, None) for value in values)
            rows.append(Row(metric, before, after, given=Variance(variance, float("inf"))))
    return tuple(rows)
