"""The two ends of the bike file, [front] and [rear]: strokes, springs, dampers, sensors, leverage."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, ClassVar, Self

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.bike.dyno import Dyno, fitted_sides
from telemetry.bike.leverage import BEYOND_MM, LeverageCurve
from telemetry.bike.sections import (
    RANGES,
    Chain,
    Eccentric,
    Linkage,
    Measured,
    MountInsert,
    Section,
    Sensor,
    SpringParts,
    Swingarm,
)

LEVERAGES = ("leverage_table_mm", "leverage_points_mm", "linkage")  # a rear has one of these
_KEYS = ("id", "serviced")
_CURVE = ("compression", "rebound", "dyno", "dyno_file")

# Low/high speed split of damper speed at the shaft: a setting of the bike file. Common practice, no source.
FRONT_SPEED_SPLIT_MM_S = 150.0
REAR_SPEED_SPLIT_MM_S = 100.0
# Largest wheel travel of a table at full extension; a larger one has another zero. Own choice.
_EXTENDED_WITHIN_MM = 1.0
# Mean leverage ratio over the stroke: about 1 with the shock at the axle, 4 with one near the pivot; common practice,
# no source.
LEVERAGE = (0.9, 6.0)
DAMPER_CLICKS = ("compression_clicks", "rebound_clicks")

# At a road-race rear the wheel moves 1.6 to 2.1 times as far as the shock (common practice); wider here, for other
# linkages. A ratio below 1 throughout whose inverse lies within is a table with its columns the other way about.
USUAL_RATIO = (1.2, 3.5)
LEAST_RATIO = 0.9
# No shock is so short. [mm]
LEAST_STROKE_MM = 1.0
# No damper of a motorcycle is longer; a leverage curve goes so far where the stroke is open. [mm]
LONGEST_STROKE_MM = RANGES["stroke_mm"].high


class DamperIdentity(Section):
    """Identity of the fitted damper: its engraved or written id, and the date of its last service."""

    id: Annotated[str, Field(min_length=1)]
    serviced: date | None = None


class WithIdentity(Section):
    """An end whose damper has an identity (``id``, ``serviced`` in the file), with or without its curve."""

    fitted: DamperIdentity | None = None

    @model_validator(mode="before")
    @classmethod
    def _identity_of_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict) or not set(_KEYS) & set(damper):
            return data
        if "id" not in damper:
            raise ValueError("damper.serviced needs damper.id as well: which damper was it?")
        try:
            identity = DamperIdentity(**{key: damper[key] for key in _KEYS if key in damper})
        except ValidationError as error:
            wrong = error.errors()[0]["loc"][0]
            needed = "a name" if wrong == "id" else "a date such as 2026-05-01"
            raise ValueError(f"damper.{wrong} must be {needed}, not {damper[str(wrong)]!r}") from None
        rest = {key: value for key, value in damper.items() if key not in _KEYS}
        has_curve = any(key in rest for key in _CURVE)
        return {**data, "fitted": identity, "damper": rest if has_curve else None}


class DamperSide(Section):
    """One direction of a digressive damper: steep up to the knee, flatter above.

    F(v) = high v + (low - high) knee tanh(v / knee), with v the shaft speed.
    """

    low_n_s_per_mm: float
    high_n_s_per_mm: float
    knee_mm_s: float = 120.0


class Damper(Section):
    """Damper force, compression and rebound apart, and the friction of the seals.

    Instead of the two sides a dynamometer table: ``dyno`` with rows [clicks, speed mm/s, force N], or
    ``dyno_file`` with the columns clicks, speed_mm_s, force_n beside the bike file. Compression is positive in
    speed and force; clicks are those of the side that the speed's sign names, from fully closed. The two sides
    are then fitted to the table at ``compression_clicks`` and ``rebound_clicks``, which are written in [front] and
    [rear], as in a setup sheet; in [front.damper] and [rear.damper] they are understood as well.
    """

    compression: DamperSide
    rebound: DamperSide
    friction_n: float = 0.0
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    dyno: Dyno | None = None

    @model_validator(mode="before")
    @classmethod
    def _sides_from_dyno(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("dyno") is not None:
            return {
                **data,
                **fitted_sides(data["dyno"], data.get("compression_clicks"), data.get("rebound_clicks")),
            }
        return data


class _EndSection(WithIdentity):
    """Keys of either end; travel and speed need none of these. Clicks are counted from fully closed."""

    tyre_radius_mm: float | None = None
    spring_rate_n_per_mm: float | None = None
    preload_mm: float | None = None
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    high_speed_compression_clicks: float | None = None
    high_speed_rebound_clicks: float | None = None
    tyre_rate_n_per_mm: float | None = None
    tyre_damping_n_s_per_mm: float = 0.15
    unsprung_mass_kg: float | None = None
    damper: Damper | None = None
    sensor: Sensor | None = None
    spring: SpringParts | None = None
    measured: Measured | None = None

    @model_validator(mode="before")
    @classmethod
    def _clicks_also_for_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict):
            return data
        clicks = {key: data.get(key, damper.get(key)) for key in DAMPER_CLICKS}
        given = {key: value for key, value in clicks.items() if value is not None}
        return {**data, **given, "damper": {**damper, **given}}

    @model_validator(mode="before")
    @classmethod
    def _radius_from_circumference(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("tyre_circumference_mm") is None:
            return data
        data = dict(data)
        around = data.pop("tyre_circumference_mm")
        if "tyre_radius_mm" in data:
            raise ValueError("give tyre_radius_mm or tyre_circumference_mm, not both")
        return {**data, "tyre_radius_mm": around / (2 * np.pi) if isinstance(around, int | float) else around}

    @model_validator(mode="after")
    def _fits_its_stroke(self) -> Self:
        stroke_mm: float | None = getattr(self, "stroke_mm" if self.section == "front" else "shock_stroke_mm")
        if self.preload_mm is not None and stroke_mm is not None and self.preload_mm > stroke_mm:
            raise ValueError(
                f"preload_mm = {self.preload_mm:g} is more than the {stroke_mm:g} mm stroke: no spring is clamped by "
                f"more than its damper moves"
            )
        return self


class Front(_EndSection):
    """The fork: stroke along the legs, rake from the vertical, offset of the axle from the steering axis.

    ``fork_height_mm`` is how far the legs stand out above the upper clamp: more lowers the front.
    """

    section: ClassVar[str] = "front"
    stroke_mm: float | None = None
    rake_deg: float | None = None
    fork_offset_mm: float | None = None
    fork_height_mm: float = 0.0
    speed_split_mm_s: float = FRONT_SPEED_SPLIT_MM_S


class Rear(_EndSection):
    """The rear: shock stroke, and one of three descriptions of its leverage, or none.

    ``leverage_table_mm`` are exact pairs (shock travel, vertical wheel travel), extrapolated straight past its ends;
    ``leverage_points_mm`` pairs as measured by hand, to which a smooth monotone curve is fitted; else [rear.linkage]
    with [rear.swingarm]. ``shock_length_mm`` is eye to eye at full extension, ``axle_back_mm`` the axle's place in the
    chain adjuster, positive to the rear along the swingarm.
    """

    section: ClassVar[str] = "rear"
    shock_stroke_mm: float | None = None
    leverage_table_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)] | None = None
    leverage_points_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=5)] | None = None
    swingarm: Swingarm | None = None
    linkage: Linkage | None = None
    shock_length_mm: float | None = None
    axle_back_mm: float = 0.0
    mount_insert: MountInsert | None = None
    eccentric: Eccentric | None = None
    chain: Chain | None = None
    speed_split_mm_s: float = REAR_SPEED_SPLIT_MM_S

    @model_validator(mode="after")
    def _one_description_of_the_leverage(self) -> Self:
        given = [name for name in LEVERAGES if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"needs only one of {', '.join(LEVERAGES)} (given: {', '.join(given)})")
        if self.linkage is not None and self.shock_stroke_mm is None:
            raise ValueError("linkage needs shock_stroke_mm as well")
        for name, needed in (("linkage", "swingarm"), ("chain", "swingarm"), ("mount_insert", "linkage"),
                             ("eccentric", "swingarm")):  # fmt: skip
            if getattr(self, name) is not None and getattr(self, needed) is None:
                raise ValueError(f"{name} needs [rear.{needed}] as well")
        if self.eccentric and self.eccentric.moves == "pivot_mm" and self.linkage is None:
            raise ValueError("eccentric.moves = 'pivot_mm' needs [rear.linkage] as well")
        return self

    @model_validator(mode="after")
    def _columns_are_shock_and_wheel(self) -> Self:
        for name in ("leverage_table_mm", "leverage_points_mm"):
            if hint := table_mistake(getattr(self, name) or ()):
                raise ValueError(f"{name}: {hint}")
        return self

    @model_validator(mode="after")
    def _table_rises_through_full_extension(self) -> Self:
        pairs = self.leverage_table_mm
        if pairs is None:
            return self
        for row, ((s0, w0), (s1, w1)) in enumerate(zip(pairs, pairs[1:], strict=False), start=2):
            if s1 <= s0 or w1 <= w0:
                raise ValueError(
                    f"leverage_table_mm row {row}: [{s1:g}, {w1:g}] does not rise above [{s0:g}, {w0:g}]; "
                    f"both columns must rise strictly (measured with noise? call it leverage_points_mm)"
                )
        shaft, wheel = np.array(pairs).T
        stroke_mm = shaft[-1] if self.shock_stroke_mm is None else self.shock_stroke_mm
        if shaft[0] > BEYOND_MM or shaft[-1] < 0.5 * stroke_mm:
            raise ValueError(
                f"leverage_table_mm goes from {shaft[0]:g} to {shaft[-1]:g} mm of shock travel, but shock_stroke_mm "
                f"is {stroke_mm:g}; measure the table over the whole stroke, in mm"
            )
        extended = float(LeverageCurve(tuple(shaft), tuple(wheel)).wheel_travel_mm(np.zeros(1))[0])
        if abs(extended) > _EXTENDED_WITHIN_MM:
            raise ValueError(
                f"leverage_table_mm must go through [0, 0] (full extension), but gives {extended:.1f} mm of wheel "
                f"travel at 0 mm of shock travel; count both columns from full extension"
            )
        return self


def table_mistake(pairs: Sequence[tuple[float, float]]) -> str:
    """Probable mistake in an impossible leverage table of (shock, wheel) [mm], "" if the table is possible."""
    if not pairs:
        return ""
    shock, wheel = (abs(pairs[-1][k] - pairs[0][k]) for k in (0, 1))
    if 0.0 < max(shock, wheel) < LEAST_STROKE_MM:
        return (
            f"its last row is [{pairs[-1][0]:g}, {pairs[-1][1]:g}]: this looks like metres; write millimetres"
        )
    if (
        shock > 0.0
        and wheel > 0.0
        and wheel / shock < LEAST_RATIO
        and USUAL_RATIO[0] < shock / wheel < USUAL_RATIO[1]
    ):
        return (
            f"its wheel travel is only {wheel / shock:.2f} times its shock travel, where {USUAL_RATIO[0]:g} to "
            f"{USUAL_RATIO[1]:g} is usual: the columns are probably the other way about. Write [shock, wheel]"
        )
    return ""
