"""Balance: both ends against each other. All ratios are rear over front, at the wheel."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Ratio:
    """A ratio with its 95 % interval; None where it cannot be told."""

    value: float | None
    ci95: tuple[float, float] | None = None


@dataclass(frozen=True)
class SpeedRatio:
    """RMS wheel speed, rear over front, by direction."""

    compression: float | None
    rebound: float | None


@dataclass(frozen=True)
class SameBump:
    """Bumps that both ends met: peak wheel speeds of the rear over the front, wheelbase / speed apart."""

    pairs: int
    compression_ratio: float | None
    compression_ratio_ci95: tuple[float, float] | None
    rebound_ratio: float | None
    rebound_ratio_ci95: tuple[float, float] | None
    delay_residual_ms: float | None

    @property
    def compression(self) -> Ratio:
        """Compression ratio with its interval."""
        return Ratio(self.compression_ratio, self.compression_ratio_ci95)

    @property
    def rebound(self) -> Ratio:
        """Rebound ratio with its interval."""
        return Ratio(self.rebound_ratio, self.rebound_ratio_ci95)


@dataclass(frozen=True)
class PitchSummary:
    """Pitch from the wheel travels, positive nose down. [deg, deg/s]"""

    mean_deg: float | None
    min_deg: float | None
    max_deg: float | None
    rms_rate_deg_s: float | None


@dataclass(frozen=True)
class PhaseBalance:
    """Speed balance and pitch in one corner phase."""

    phase: str
    time_share: float
    compression_ratio: float | None
    rebound_ratio: float | None
    front_mean_mm: float | None
    rear_mean_mm: float | None
    pitch_mean_deg: float | None


@dataclass(frozen=True)
class Balance:
    """Balance over a run or a lap; ``reason`` says why it cannot be told, "" when it can."""

    speed_ratio: SpeedRatio
    same_bump: SameBump | None
    pitch: PitchSummary
    per_phase: tuple[PhaseBalance, ...]
    reason: str = ""
