"""Force, rate and energy of all that springs along one shaft: closed forms, no leverage, no damping."""

from dataclasses import dataclass

import numpy as np

from telemetry.bike.sections import AirColumn, SpringParts

ATMOSPHERE_N_PER_MM2 = 0.101325  # standard atmosphere, ISO 2533
_BAR_N_PER_MM2 = 0.1


@dataclass(frozen=True)
class ShaftSpring:
    """Springs along the shaft of one end, against travel s, 0 at full extension.

    Parameters
    ----------
    coil_n_per_mm, preload_mm : float
        Of the main coil: k (s + preload). [N/mm, mm]
    stroke_mm : float
        [mm]
    parts : SpringParts, optional
        What works beside it.
    """

    coil_n_per_mm: float
    preload_mm: float
    stroke_mm: float
    parts: SpringParts | None = None

    def force_n(self, shaft_mm: float) -> float:
        """Force that lengthens the shaft; negative where the top-out spring holds it. [N]"""
        force = self.coil_n_per_mm * (shaft_mm + self.preload_mm)
        return force if self.parts is None else force + self._beside(self.parts, shaft_mm, 0)

    def rate_n_per_mm(self, shaft_mm: float) -> float:
        """d(force)/d(travel). [N/mm]"""
        return (
            self.coil_n_per_mm
            if self.parts is None
            else self.coil_n_per_mm + self._beside(self.parts, shaft_mm, 1)
        )

    def energy_n_mm(self, shaft_mm: float) -> float:
        """Work stored from full extension on: the integral of the force. [N mm]"""
        work = 0.5 * self.coil_n_per_mm * ((shaft_mm + self.preload_mm) ** 2 - self.preload_mm**2)
        return work if self.parts is None else work + self._beside(self.parts, shaft_mm, -1)

    def _beside(self, parts: SpringParts, s: float, order: int) -> float:
        """Sum over the parts of the force (0), its derivative (1) or its integral from 0 (-1)."""
        total = parts.gas_force_n * (1.0, 0.0, s)[order]
        if parts.second_rate_n_per_mm is not None and parts.second_from_mm is not None:
            extra, start = (
                parts.second_rate_n_per_mm - self.coil_n_per_mm,
                parts.second_from_mm - self.preload_mm,
            )
            over = max(0.0, s - start)
            begun = max(0.0, -start)  # preloaded past the meeting of the rates already
            total += extra * (over, 1.0 if s > start else 0.0, 0.5 * (over**2 - begun**2))[order]
        if parts.top_out is not None:
            rate, length = parts.top_out.rate_n_per_mm, parts.top_out.length_mm
            left = max(0.0, length - s)
            total += (-rate * left, rate if left > 0 else 0.0, 0.5 * rate * (left**2 - length**2))[order]
        if parts.bump_stop is not None:
            stop = parts.bump_stop
            depth = max(0.0, s - (self.stroke_mm - stop.length_mm)) / stop.length_mm
            total += (
                stop.force_n * depth**stop.power,
                stop.force_n * stop.power * depth ** (stop.power - 1.0) / stop.length_mm
                if depth > 0
                else 0.0,
                stop.force_n * stop.length_mm * depth ** (stop.power + 1.0) / (stop.power + 1.0),
            )[order]
        if parts.air is not None:
            total += _air(parts.air, self.stroke_mm, s)[order]
        return total


def _air(air: AirColumn, stroke_mm: float, s: float) -> tuple[float, float, float]:
    """Force, rate and stored work of enclosed air against the atmosphere, p V^n constant."""
    bore = air.legs * np.pi / 4 * air.bore_mm**2
    area = bore if air.displacing_mm is None else air.legs * np.pi / 4 * air.displacing_mm**2
    full = bore * air.oil_level_mm + area * stroke_mm
    now, n = full - area * s, air.exponent
    start = ATMOSPHERE_N_PER_MM2 + _BAR_N_PER_MM2 * air.pressure_bar
    pressure = start * (full / now) ** n
    if n == 1.0:
        work = start * full * np.log(full / now)
    else:
        work = start * full / (n - 1.0) * ((full / now) ** (n - 1.0) - 1.0)
    return (
        float(area * (pressure - ATMOSPHERE_N_PER_MM2)),
        float(area**2 * n * pressure / now),
        float(work - ATMOSPHERE_N_PER_MM2 * area * s),
    )
