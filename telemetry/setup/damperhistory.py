"""What one damper has been through: its outings in order, how each was damped, and the heat since its last service."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.damping.oscillation import LapDamping
from telemetry.setup.damper import LEAST_LAPS, doubt_words
from telemetry.summary import Summary


@dataclass(frozen=True)
class DamperRun:
    """One outing of a damper.

    ``damping_ratio`` is the geometric mean over the laps with its 95 % interval; ``heat_kj`` the work of its oil, None
    where the bike file has no curve of it; ``since_service_*`` are sums with the outings before, from the last service
    on. Texts are "" where not known. [km, kJ]
    """

    run_id: str
    name: str
    date: str
    end: End
    serviced: str
    laps: int
    damping_ratio: float | None
    ci95: tuple[float, float] | None
    distance_km: float | None
    heat_kj: float | None
    since_service_km: float
    since_service_kj: float
    doubt: str


def damper_history(damper: str, outings: Iterable[tuple[str, str, str, Summary]]) -> tuple[DamperRun, ...]:
    """The outings of one damper, oldest first.

    Parameters
    ----------
    damper : str
        ``id`` of the bike file.
    outings : iterable of (run id, name, date, Summary)
        In the order they were ridden.
    """
    found: list[DamperRun] = []
    for run_id, name, date, summary in outings:
        for end in ENDS:
            fitted = summary.dampers.get(end)
            if fitted is None or fitted.id != damper:
                continue
            before = found[-1] if found and found[-1].serviced == fitted.serviced else None
            work = summary.damper_work.get(end)
            heat_kj = None if work is None or not np.isfinite(work.work_j) else work.work_j / 1e3
            distance_km = None if summary.run.distance_m is None else summary.run.distance_m / 1e3
            course = summary.oscillation.course.get(end)
            ratio, ci95 = _mean(() if course is None else course.laps)
            found.append(
                DamperRun(
                    run_id,
                    name,
                    date,
                    end,
                    fitted.serviced,
                    0 if course is None else sum(lap.damping_ratio is not None for lap in course.laps),
                    ratio,
                    ci95,
                    distance_km,
                    heat_kj,
                    (before.since_service_km if before else 0.0) + (distance_km or 0.0),
                    (before.since_service_kj if before else 0.0) + (heat_kj or 0.0),
                    doubt_words(summary.oscillation, end),
                )
            )
    return tuple(found)


def _mean(laps: tuple[LapDamping, ...]) -> tuple[float | None, tuple[float, float] | None]:
    """Geometric mean over laps and its 95 % interval by Student's t; None with too few laps."""
    from scipy.special import stdtrit

    logs = np.log([lap.damping_ratio for lap in laps if lap.damping_ratio])
    if not len(logs):
        return None, None
    mean = float(logs.mean())
    if len(logs) < LEAST_LAPS:
        return float(np.exp(mean)), None
    half = float(stdtrit(len(logs) - 1, 0.975)) * float(logs.std(ddof=1)) / np.sqrt(len(logs))
    return float(np.exp(mean)), (float(np.exp(mean - half)), float(np.exp(mean + half)))
