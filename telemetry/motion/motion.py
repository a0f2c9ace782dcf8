"""Motion: travel and speed of both ends, at the shaft and at the wheel."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.notes import QualityNote


@dataclass(frozen=True)
class EndMotion:
    """One end of the motorcycle over a run; all arrays of shape (n_samples,), NaN where invalid.

    Compression is positive. Shaft is along the damper, wheel is vertical at the axle relative to the chassis.
    ``travel_noise_mm`` is the sensor's at the shaft; ``static_sag_mm`` is the wheel's, standing with the rider, by
    the bike file (NaN where it has no masses).
    """

    end: End
    stroke_mm: float
    wheel_stroke_mm: float
    shaft_travel_mm: FloatArray
    shaft_speed_mm_s: FloatArray
    wheel_travel_mm: FloatArray
    wheel_speed_mm_s: FloatArray
    valid: BoolArray
    shaft_noise_mm_s: float
    wheel_noise_mm_s: float
    bandwidth_hz: float
    speed_split_mm_s: float
    travel_noise_mm: float = 0.0
    static_sag_mm: float = float("nan")

    def during(self, rows: slice) -> "EndMotion":
        """The same end over some of the samples; nothing is copied."""
        return replace(
            self,
            shaft_travel_mm=self.shaft_travel_mm[rows],
            shaft_speed_mm_s=self.shaft_speed_mm_s[rows],
            wheel_travel_mm=self.wheel_travel_mm[rows],
            wheel_speed_mm_s=self.wheel_speed_mm_s[rows],
            valid=self.valid[rows],
        )


@dataclass(frozen=True)
class Motion:
    """Both ends on one clock, with pitch. An end that was not judged is not in ``ends``; ``not_judged`` says why.

    ``pitch_deg`` is from the wheel travels, positive nose down, NaN where either end is invalid or absent.
    """

    source: str
    t_s: FloatArray
    sample_rate_hz: float
    ends: Mapping[End, EndMotion]
    pitch_deg: FloatArray
    wheelbase_mm: float
    notes: tuple[QualityNote, ...] = ()
    not_judged: Mapping[End, str] = field(default_factory=dict)

    def during(self, rows: slice) -> "Motion":
        """The same motion over some of the samples; nothing is copied."""
        return replace(
            self,
            t_s=self.t_s[rows],
            ends={name: end.during(rows) for name, end in self.ends.items()},
            pitch_deg=self.pitch_deg[rows],
        )
