"""Motion: travel and speed of both ends, at the shaft and at the wheel."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.bike import (
    BEYOND_MM,
    USUAL_RAKE_DEG,
    Bike,
    LeverageCurve,
    knows_leverage,
    leverage_curve,
    open_geometry,
    pitch_deg,
    static_sag,
    stroke_mm,
    wheel_stroke_mm,
    wheelbase_mm,
)
from telemetry.decimals import Column, Numbers, Rows, Times, part_of
from telemetry.errors import BikeFileError
from telemetry.notes import QualityNote
from telemetry.numeric import BLOCK
from telemetry.signals import EDGE_MM, Run, differentiate, runs

# Why an end is not judged that no key of the bike file describes.
NO_SENSOR = "The bike file has no [{}.sensor]."
NO_LEVERAGE = (
    "The bike file leaves the leverage of the rear open: give its table, or at least the wheel travel."
)
# Of an open wheelbase, for how much later the rear meets a bump: road-racing motorcycles have 1350 to 1450 mm (common
# practice, no source), and what is left of the delay is found in the log.
USUAL_WHEELBASE_MM = 1400.0


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


@dataclass(frozen=True, eq=False)
class Pitch(Numbers):
    """Pitch from the wheel travels of both ends, worked out where it is asked for; NaN without either. [deg]"""

    front_wheel_mm: FloatArray
    rear_wheel_mm: FloatArray
    wheelbase_mm: float

    def __len__(self) -> int:
        return len(self.front_wheel_mm)

    def __getitem__(self, rows: Rows) -> FloatArray:
        return pitch_deg(self.front_wheel_mm[rows], self.rear_wheel_mm[rows], self.wheelbase_mm)

    def part(self, rows: slice) -> Self:
        """The same over some rows that follow each other."""
        return replace(self, front_wheel_mm=self.front_wheel_mm[rows], rear_wheel_mm=self.rear_wheel_mm[rows])


@dataclass(frozen=True)
class Motion:
    """Both ends on one clock, arrays of shape (n_samples,). An end that was not judged is not in ``ends``."""

    source: str
    t_s: Times
    sample_rate_hz: float
    ends: Mapping[End, EndMotion]
    pitch_deg: (
        FloatArray | Pitch
    )  # from wheel travels, positive nose down; NaN where either end is invalid or absent
    wheelbase_mm: float  # a usual one where the bike file leaves it open
    notes: tuple[QualityNote, ...] = ()
    not_judged: Mapping[End, str] = field(default_factory=dict)  # the reason, by end

    def during(self, rows: slice) -> "Motion":
        """The same motion over some of the samples; nothing is copied."""
        return replace(
            self,
            t_s=part_of(self.t_s, rows),
            ends={name: end.during(rows) for name, end in self.ends.items()},
            pitch_deg=part_of(self.pitch_deg, rows),
        )


def to_motion(run: Run, bike: Bike) -> Motion:
    """Travel and speed of both ends, at the shaft and at the wheel.

    What was measured is differentiated (the shaft), then taken through the leverage curve: v_wheel = ratio(shaft
    travel) x v_shaft. Travel so far past the bike's leverage table that the curve is not known is NaN, with a note.
    [mm, mm/s]
    """
    notes = _of_open_keys(bike)
    ends: dict[End, EndMotion] = {
        end: _end_motion(run, bike, end, leverage_curve(bike, end), notes)
        for end in ENDS
        if end in run.shaft_travel_mm and (end == "front" or knows_leverage(bike))
    }
    return Motion(
        source=run.source,
        t_s=run.t_s,
        sample_rate_hz=run.sample_rate_hz,
        ends=ends,
        pitch_deg=_pitch(ends, bike, len(run.t_s)),
        wheelbase_mm=USUAL_WHEELBASE_MM if bike.wheelbase_mm is None else bike.wheelbase_mm,
        notes=tuple(notes),
        not_judged={
            end: NO_LEVERAGE if end in run.shaft_travel_mm else run.not_judged.get(end, NO_SENSOR.format(end))
            for end in ENDS
            if end not in ends
        },
    )


_ANSWERS = {
    "wheelbase_mm": f"pitch and wheelbase; how much later the rear meets a bump is taken for {USUAL_WHEELBASE_MM:g} mm",
    "front.rake_deg": f"rake and trail; wheel travel of the front is taken for {USUAL_RAKE_DEG:g} deg, right to 5 %",
    "front.stroke_mm": "what the fork has left, and whether it bottomed",
    "rear.shock_stroke_mm": "what the shock has left, and whether it bottomed",
    "rear.leverage_table_mm": "anything at the rear wheel",
}


def _of_open_keys(bike: Bike) -> list[QualityNote]:
    """Note on each key of the geometry that the bike file leaves open: what cannot be answered without it."""
    return [
        QualityNote("info", "open_key", f"The bike file leaves {key} open. Not known: {_ANSWERS[key]}.")
        for key in open_geometry(bike)
    ]


def at_the_shaft(run: Run, bike: Bike, end: End) -> EndMotion:
    """One end whose leverage is open: the wheel stands for the shaft, so its travel and stops are right and no more."""
    longest = float(np.nan_to_num(stroke_mm(bike, end), nan=1e3))  # longer than any
    return _end_motion(run, bike, end, LeverageCurve((0.0, longest), (0.0, longest)), [])


def _end_motion(run: Run, bike: Bike, end: End, curve: LeverageCurve, notes: list[QualityNote]) -> EndMotion:
    shaft = run.shaft_travel_mm[end]
    limits = Column(shaft).limits
    if limits is not None:
        notes += _past_the_table(run, end, curve, limits)
        if not curve.trusted(np.array(limits)).all():  # else the run's own array serves
            shaft = np.where(curve.trusted(shaft), shaft, np.nan)
    derivative = differentiate(shaft, run.sample_rate_hz)
    wheel = _at_the_wheel(shaft, derivative.speed_mm_s, curve)
    shaft_noise = run.sensor_noise_mm[end] * derivative.noise_gain
    return EndMotion(
        end=end,
        stroke_mm=stroke_mm(bike, end),
        wheel_stroke_mm=wheel_stroke_mm(bike, end),
        shaft_travel_mm=shaft,
        shaft_speed_mm_s=derivative.speed_mm_s,
        wheel_travel_mm=wheel.travel_mm,
        wheel_speed_mm_s=wheel.speed_mm_s,
        valid=wheel.valid,
        shaft_noise_mm_s=shaft_noise,
        wheel_noise_mm_s=shaft_noise * wheel.mean_ratio,
        bandwidth_hz=derivative.bandwidth_hz,
        speed_split_mm_s=bike.end(end).speed_split_mm_s,
        travel_noise_mm=run.sensor_noise_mm[end],
        static_sag_mm=_static_sag_mm(bike, end),
    )


@dataclass(frozen=True)
class _AtTheWheel:
    """Travel and speed at the wheel, shape (n_samples,); mean leverage ratio where both are known, else NaN."""

    travel_mm: FloatArray
    speed_mm_s: FloatArray
    valid: BoolArray
    mean_ratio: float


def _at_the_wheel(shaft_mm: FloatArray, shaft_mm_s: FloatArray, curve: LeverageCurve) -> _AtTheWheel:
    travel, speed = np.empty(len(shaft_mm)), np.empty(len(shaft_mm))
    valid = np.empty(len(shaft_mm), dtype=np.bool_)
    total, count = 0.0, 0
    for first in range(0, len(shaft_mm), BLOCK):
        rows = slice(first, first + BLOCK)
        travel[rows], ratio = curve.wheel_and_ratio(shaft_mm[rows])
        np.multiply(ratio, shaft_mm_s[rows], out=speed[rows])
        here = np.isfinite(speed[rows], out=valid[rows])
        total += float(ratio.sum(where=here))
        count += int(np.count_nonzero(here))
    return _AtTheWheel(travel, speed, valid, total / count if count else float("nan"))


def _past_the_table(
    run: Run, end: End, curve: LeverageCurve, limits_mm: tuple[float, float]
) -> list[QualityNote]:
    """Note on travel, from the least to the most of ``limits_mm``, past a leverage table shorter than the stroke."""
    if curve.measured_mm is None:
        return []
    shaft, (first, last) = run.shaft_travel_mm[end], curve.measured_mm
    if limits_mm[0] >= first - EDGE_MM and limits_mm[1] <= last + EDGE_MM:
        return []
    past = (shaft < first - EDGE_MM) | (shaft > last + EDGE_MM)
    left_out = int((np.isfinite(shaft) & ~curve.trusted(shaft)).sum())
    starts, ends = runs(past)
    start_s, end_s = starts[0] / run.sample_rate_hz, ends[-1] / run.sample_rate_hz
    message = (
        f"{end.capitalize()} travel goes past the leverage table ({first:.1f} to {last:.1f} mm of shaft travel) in "
        f"{len(starts)} places, first at t = {start_s:.3f} s; {past.sum()} samples. There the curve goes on straight"
        f"{f'; {left_out} samples more than {BEYOND_MM:g} mm past it are left out' if left_out else ''}. Measure the "
        f"table over the whole stroke."
    )
    return [QualityNote("warning", "past_table", message, start_s=float(start_s), end_s=float(end_s))]


def _static_sag_mm(bike: Bike, end: End) -> float:
    """Sag at the wheel with the rider; NaN where the bike file has no masses, or springs that do not carry them."""
    try:
        return static_sag(bike)[end].wheel_mm
    except BikeFileError:
        return float("nan")


def _pitch(ends: Mapping[End, EndMotion], bike: Bike, n_samples: int) -> FloatArray | Pitch:
    if len(ends) < len(ENDS):
        return np.full(n_samples, np.nan)
    return Pitch(ends["front"].wheel_travel_mm, ends["rear"].wheel_travel_mm, wheelbase_mm(bike))
