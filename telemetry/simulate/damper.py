"""A damper as oil, gas and seals: what is added to the bike file's curve when it is to fail as dampers do.

The valves are the bike file's. In series with them lies the stretch q of oil, hose and void (Maxwell's model, after
which one element takes what the other does not):

    q' = v - w(F),   F = k q   between the forces at which a void opens,

v the speed of the shaft, w(F) the oil's speed through the valves, the inverse of the bike file's curve. Compression
draws on the oil behind the piston: where its pressure would fall to that at which gas comes out of the oil, a void
opens and F can grow no more. What q gains from there on is the void; on the way back it has to collapse before there is
any other force (J. C. Dixon, The Shock Absorber Handbook, 2nd ed., 2007, on cavitation, on gas in the oil and on
temperature). `telemetry.simulate._kernel` solves it.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.bike import damper_force_n
from telemetry.bike.bikefile import Damper
from telemetry.simulate import _kernel as kernel

ZERO_C_K = 273.15
FLOW_ROWS, FASTEST_MM_S = 2048, 2500.0  # of the table of flow against force; straight on beyond
STUCK_AT_M_S = 0.25  # shaft speed at which `stuck_share` is meant


@dataclass(frozen=True)
class DamperPhysics:
    """Oil, gas and seals of a damper. The values are such as a rear shock has (common practice, no source).

    Parameters
    ----------
    stiffness_n_per_mm : float
        Of oil, hose and walls in series with the valves, along the shaft. 8000 is stiff; a long hose or a softly
        held piston ring give 800 to 3000. [N/mm]
    area_mm2, chamber_mm : float
        Of the piston on the rod's side; length of the oil column that bubbles make soft. [mm2, mm]
    gas_bar : float
        Absolute pressure of the gas, warm. [bar]
    vapour_bar, vapour_growth_k : float
        Absolute pressure at which gas comes out of the warm oil, and the rise of temperature that makes it e times
        as high. [bar, K]
    reservoir_share : float
        Share of the compression force made on the way to the reservoir; it holds up the pressure behind the piston.
    refill_share : float
        Share of the rebound force made on the way back from the reservoir; it draws the pressure before the piston
        down. 0 of a monotube: there, rebound makes no void.
    warm_c, ambient_c, start_c : float
        Oil temperature at which the bike file's curve holds; of the air; at the start. [deg C]
    heat_capacity_j_k, cooling_w_k : float
        Their quotient is the time constant of the temperature.
    thinning_1_k : float
        Force lost per kelvin as the oil thins: about 0.02 for force that is all viscous, little for orifices. [1/K]
    start_foam, foam_most : float
        Gas in the oil by volume at the start (and at rest), and at the most.
    foam_work_kj, foam_growth_k, foam_recovery_s : float
        Work that beats gas into the warm oil to 1 - 1/e of the most; kelvins that make it e times as fast; how slowly
        it comes out again. [kJ, K, s]
    gas_half_life_s : float
        Of the gas, by a leak through a seal; one way. [s]
    oil_lost_ml_min, gas_ml : float
        Oil lost through a seal, which the gas takes the room of: p V stays the same. Gas at the start. [ml/min, ml]
    stuck_share : float
        Force that is left at 0.25 m/s, about, where the valve of a side is held open. What is left grows with speed.
    presliding_mm : float
        Travel over which friction comes in (its bristles bend); 0: friction follows a smooth curve of speed. [mm]
    breakaway : float
        Friction on breaking away over friction when sliding.
    stribeck_mm_s : float
        Speed over which it falls. [mm/s]
    """

    stiffness_n_per_mm: float = 8000.0
    area_mm2: float = 900.0
    chamber_mm: float = 40.0
    gas_bar: float = 12.0
    vapour_bar: float = 0.3
    vapour_growth_k: float = 25.0
    reservoir_share: float = 0.4
    refill_share: float = 0.0
    warm_c: float = 60.0
    ambient_c: float = 25.0
    start_c: float = 50.0
    heat_capacity_j_k: float = 1500.0
    cooling_w_k: float = 5.0
    thinning_1_k: float = 0.003
    start_foam: float = 0.0
    foam_most: float = 0.0
    foam_work_kj: float = 20.0
    foam_growth_k: float = 30.0
    foam_recovery_s: float = 900.0
    gas_half_life_s: float = np.inf
    oil_lost_ml_min: float = 0.0
    gas_ml: float = 40.0
    stuck_share: float = 0.04
    presliding_mm: float = 0.0
    breakaway: float = 1.0
    stribeck_mm_s: float = 10.0


def damper_constants(damper: Damper, physics: DamperPhysics | None) -> kernel.DamperConstants:
    """The numbers of a damper in SI units, for the inner loop.

    Parameters
    ----------
    damper : Damper
        Of the bike file.
    """
    given = physics or DamperPhysics()
    speed = np.linspace(0.0, FASTEST_MM_S, 20 * FLOW_ROWS)
    compression, rebound = damper_force_n(speed, damper), -damper_force_n(-speed, damper)
    force = np.linspace(0.0, min(compression[-1], rebound[-1]), FLOW_ROWS)
    at = np.array([1e3 * STUCK_AT_M_S])
    stuck_n = given.stuck_share * 0.5 * float((damper_force_n(at, damper) - damper_force_n(-at, damper))[0])
    presliding_m = given.presliding_mm / 1e3
    bristle = damper.friction_n / presliding_m if presliding_m > 0.0 else 0.0
    return kernel.DamperConstants(
        physical=float(physics is not None),
        area_m2=given.area_mm2 / 1e6,
        chamber_m=given.chamber_mm / 1e3,
        stiffness_n_m=1e3 * given.stiffness_n_per_mm,
        gas_pa=1e5 * given.gas_bar,
        vapour_pa=1e5 * given.vapour_bar,
        vapour_growth_k=given.vapour_growth_k,
        reservoir_share=given.reservoir_share,
        refill_share=given.refill_share,
        warm_k=given.warm_c + ZERO_C_K,
        ambient_k=given.ambient_c + ZERO_C_K,
        start_k=given.start_c + ZERO_C_K,
        heat_capacity_j_k=given.heat_capacity_j_k,
        cooling_w_k=given.cooling_w_k,
        thinning_1_k=given.thinning_1_k,
        start_foam=given.start_foam,
        foam_most=given.foam_most,
        foam_work_j=1e3 * given.foam_work_kj,
        foam_recovery_s=given.foam_recovery_s,
        foam_growth_k=given.foam_growth_k,
        gas_lost_1_s=float(np.log(2.0)) / given.gas_half_life_s,
        oil_lost_1_s=given.oil_lost_ml_min / 60.0 / given.gas_ml,
        stuck_n_s2_m2=stuck_n / STUCK_AT_M_S**2,
        bristle_n_m=bristle,
        # of the bristles themselves: a little, so that sticking dies away
        bristle_n_s_m=0.3 * damper.friction_n * (1.0 if bristle else 0.0),
        breakaway_n=given.breakaway * damper.friction_n,
        stribeck_m_s=given.stribeck_mm_s / 1e3,
        flow_step_n=float(force[1]),
        compression_flow_m_s=np.interp(force, compression, speed) / 1e3,
        rebound_flow_m_s=np.interp(force, rebound, speed) / 1e3,
    )
