"""Lost rear damping: what the detector says."""

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["yes", "no", "cannot_tell"]

# What is said with every suspicion.
CAUTION = (
    "Stop and have the shock inspected by a qualified technician before riding on. Gas-charged dampers are "
    "opened only by people equipped for it."
)


@dataclass(frozen=True)
class OscillationEvent:
    """A stretch in which the rear wheel hop rang as if hardly damped.

    Amplitudes are the RMS of the band-limited travel, at the wheel and at the shaft. ``evidence`` is what
    speaks for it, in words; ``confidence`` runs from 0 to 1. [s, m, Hz, mm]
    """

    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None
    frequency_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]
    amplitude_mm: float
    shaft_amplitude_mm: float
    confidence: float
    evidence: str


@dataclass(frozen=True)
class RejectedCandidate:
    """A stretch that looked like it at first, and why it is not called."""

    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    reason: str


@dataclass(frozen=True)
class LapDamping:
    """Damping ratio of the rear wheel hop over one lap; None where it cannot be told."""

    lap: int
    damping_ratio: float | None
    ci95: tuple[float, float] | None


@dataclass(frozen=True)
class DampingTrend:
    """Change of the damping ratio from lap to lap, negative when it falls. [% per lap]"""

    change_pct_per_lap: float
    ci95_pct_per_lap: tuple[float, float]


@dataclass(frozen=True)
class Oscillation:
    """The detector's answer over a run, with its reason in one sentence.

    ``trend`` is None with too few laps.
    """

    verdict: Verdict
    reason: str
    events: tuple[OscillationEvent, ...] = ()
    rejected: tuple[RejectedCandidate, ...] = ()
    fade: tuple[LapDamping, ...] = ()
    trend: DampingTrend | None = None
