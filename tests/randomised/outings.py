"""Random outings with known losses of damping: bike, circuit, road, fault and used sensors.

::

    ridden = random_outing(7, fault="void", hop_hz=14.0, rate_hz=200.0)
    ridden.outing.log_columns, ridden.outing.units        # what was logged; `log_text` writes it
    ridden.full, ridden.minimum                           # the bike file with and without masses, tyres, dampers
    [(loss.start_s, loss.end_s, loss.damping_left, loss.hop_ratio, loss.clear) for loss in ridden.losses]
    ridden.left_by_lap["rear"]                            # for what is lost slowly
"""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from scipy.signal import butter, sosfiltfilt

from telemetry.arrays import End, FloatArray
from telemetry.bike import Bike
from telemetry.simulate.circuit import CLASS_MEAN_M3, Circuit, KerbRidges, Road
from telemetry.simulate.faults import (
    BracketResonance,
    ChannelClock,
    Fade,
    Fault,
    Foaming,
    From,
    GasLeak,
    LoggerClock,
    OilLeak,
    Overheating,
    SensorBow,
    SensorPlay,
    SensorTone,
    StuckGasPiston,
    StuckValve,
    TyreRunout,
    WeakDamper,
    WheelImbalance,
)
from telemetry.simulate.outing import Outing, Truth, damping_left, simulate_outing
from telemetry.simulate.riding import Riding
from telemetry.simulate.sensors import Sensors
from telemetry.simulate.vehicle import DamperPhysics, DamperTrace, Vehicle
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit, random_road

FaultKind = Literal[
    "sound",
    "scaled force",
    "void",
    "stuck compression",
    "stuck rebound",
    "stuck both",
    "scaled fade",
    "recovering",
    "heat",
    "foam",
    "leak",
    "void for good",
    "stuck both for good",
]
FAULT_KINDS: tuple[FaultKind, ...] = get_args(FaultKind)
SUDDEN: tuple[FaultKind, ...] = ("scaled force", "void", "stuck compression", "stuck rebound", "stuck both")
SLOW: tuple[FaultKind, ...] = ("scaled fade", "heat", "foam", "leak")
Crowd = Literal["kerbs", "rear kerbs", "tone", "imbalance", "used sensors", "compliant damper", "stick-slip"]
CROWD: tuple[Crowd, ...] = get_args(Crowd)

HOP_HZ = (12.0, 21.0)
HOP_BAND_HZ = (10.0, 22.0)  # of what is called hop amplitude
CLEAR_RATIO = 2.0  # hop amplitude over that of a sound twin from which a loss is called clear
STEP_S = 1 / 2000


@dataclass(frozen=True)
class Loss:
    """A loss of rear damping as it truly was.

    Parameters
    ----------
    start_s, end_s : float
        When the fault acted. [s]
    lap : int
        In which it began; 0 before the first crossing of the line.
    damping_left : float
        Work of the damper over that of a sound twin on the same stroke.
    hop_ratio : float
        RMS of rear wheel travel from 10 to 22 Hz over that of the same ride with a sound damper.
    hop_mm : float
        That RMS. [mm]
    """

    kind: str
    start_s: float
    end_s: float
    lap: int
    damping_left: float
    hop_ratio: float
    hop_mm: float

    @property
    def clear(self) -> bool:
        """Whether the wheel hopped at least twice as much as with a sound damper."""
        return self.hop_ratio >= CLEAR_RATIO


@dataclass(frozen=True)
class RandomOuting:
    """An outing, the bike files that may be had for it, and what was lost.

    Parameters
    ----------
    outing : Outing
        ``outing.log_columns`` and ``outing.units`` are the log, ``outing.truth`` the true motion.
    full, minimum : Bike
        With everything; and without [chassis], masses, tyre rates and dampers.
    fault : str
        One of `FAULT_KINDS`.
    crowd : tuple of str
        What else was there, of `CROWD`.
    hop_hz : float
        Undamped hop of the rear wheel. [Hz]
    losses : tuple of Loss
        Sudden ones; one stretch to the end of the log for what is lost for good.
    left_by_lap : dict of end to ndarray of shape (laps,)
        Work of a damper over that of a sound twin on the same stroke, each timed lap.
    hop_ratio_by_lap : ndarray of shape (laps,)
        Hop amplitude over that of the ride with a sound damper, each timed lap.
    """

    outing: Outing
    full: Bike
    minimum: Bike
    fault: FaultKind
    crowd: tuple[Crowd, ...]
    hop_hz: float
    faults: tuple[Fault, ...]
    losses: tuple[Loss, ...]
    left_by_lap: dict[End, FloatArray]
    hop_ratio_by_lap: FloatArray


def minimum_bike(bike: Bike) -> Bike:
    """The least that a person knows of a motorcycle: strokes, springs, linkage, sensors."""
    unknown = {
        "tyre_rate_n_per_mm": None,
        "unsprung_mass_kg": None,
        "damper": None,
        "spring": None,
    }
    return bike.model_copy(
        update={
            "front": bike.front.model_copy(update=unknown),
            "rear": bike.rear.model_copy(update=unknown),
            "chassis": None,
        }
    )


def hop_mm(outing: Outing) -> FloatArray:
    """Rear wheel travel in the band of the hop, shape (n_samples,). [mm]"""
    band = butter(4, HOP_BAND_HZ, btype="bandpass", output="sos", fs=outing.log_rate_hz)
    return np.asarray(sosfiltfilt(band, outing.truth.rear_wheel_mm))


def _rms(values: FloatArray, inside: slice) -> float:
    return float(np.sqrt(np.mean(values[inside] ** 2))) if inside.stop > inside.start else np.nan


def _sudden(fault: FaultKind, circuit: Circuit, laps: int, rng: np.random.Generator) -> list[Fault]:
    """Losses of 0.6 to 2.5 s at the exits of two to four corners, on most laps."""
    found: list[Fault] = []
    exits = rng.choice(
        len(circuit.corners), min(int(rng.integers(2, 5)), len(circuit.corners)), replace=False
    )
    for number in exits:
        corner = circuit.corners[int(number)]
        for lap in range(1, laps + 1):
            if rng.random() < 0.15:
                continue
            at = corner.apex_m + rng.uniform(0.4, 1.0) * (corner.end_m - corner.apex_m)
            when = From(float(at % circuit.length_m), float(rng.uniform(0.6, 2.5)), (lap,))
            if fault == "scaled force":
                found.append(WeakDamper(when, float(rng.choice([0.02, 0.05, 0.1, 0.15, 0.3]))))
            elif fault == "void":
                found.append(StuckGasPiston(when, float(rng.uniform(0.0, 0.08))))
            else:
                side = {"stuck compression": "compression", "stuck rebound": "rebound", "stuck both": "both"}
                found.append(StuckValve(when, side[fault], float(rng.uniform(0.7, 1.0))))  # type: ignore[arg-type]
    return found


@dataclass(frozen=True)
class _Use:
    """Work and force of an intact damper on the same ride, used to scale a slow fault."""

    seconds: float
    work_j: float
    compression_n: float  # RMS


def _use(twin: Outing, end: End) -> _Use:
    damper, seconds = _damper(twin.truth, end), float(twin.truth.t_s[-1])
    pushed = damper.force_n[damper.force_n > 0.0]
    return _Use(seconds, float(damper.sound_work_j[-1]), float(np.sqrt(np.mean(pushed**2))))


def _damper(truth: Truth, end: End) -> DamperTrace:
    return truth.front_damper if end == "front" else truth.rear_damper


def _leak(use: _Use, physics: DamperPhysics, end: End, rng: np.random.Generator) -> GasLeak | OilLeak:
    """A leak of gas or oil that ends where a void opens at a part of the usual compression force."""
    held_n = float(rng.uniform(0.1, 0.5)) * use.compression_n
    end_bar = physics.vapour_bar + held_n * (1.0 - physics.reservoir_share) / physics.area_mm2 * 10.0
    fall = physics.gas_bar / max(end_bar, 1.02)
    if rng.random() < 0.5:
        return GasLeak(use.seconds / float(np.log2(fall)), end)
    return OilLeak(physics.gas_ml * (fall - 1.0) / (use.seconds / 60.0), end)


def _overheating(use: _Use, end: End, rng: np.random.Generator) -> Overheating:
    """Heat that takes the damper to 0.7 to 0.35 of its force by the end."""
    thinning = float(rng.uniform(0.014, 0.025))
    warming_k = float(rng.uniform(0.36, 1.05)) / thinning
    capacity = 0.75 * use.work_j / warming_k  # the rest has gone to the air
    return Overheating(thinning, capacity, capacity / (1.5 * use.seconds), end)


def _fault(
    fault: FaultKind,
    circuit: Circuit,
    laps: int,
    use: _Use,
    physics: DamperPhysics,
    end: End,
    rng: np.random.Generator,
) -> list[Fault]:
    if fault in SUDDEN:
        return _sudden(fault, circuit, laps, rng)
    if fault == "scaled fade":
        return [Fade(float(rng.uniform(0.4, 0.7)), end=end)]
    if fault == "recovering":
        return [Fade(1.0, float(rng.uniform(0.4, 0.7)), end)]
    if fault == "heat":
        return [_overheating(use, end, rng)]
    if fault == "foam":
        return [
            Foaming(float(rng.uniform(0.15, 0.35)), float(rng.uniform(0.5, 2.0)) * use.work_j / 1e3, end=end)
        ]
    if fault == "leak":
        return [_leak(use, physics, end, rng)]
    from_here = From(float(rng.uniform(0.0, circuit.length_m)), laps=(int(rng.integers(1, max(2, laps))),))
    if fault == "void for good":
        return [StuckGasPiston(from_here, float(rng.uniform(0.0, 0.08)))]
    if fault == "stuck both for good":
        return [StuckValve(from_here, "both", float(rng.uniform(0.7, 1.0)))]
    return []


def _used_sensors(rng: np.random.Generator) -> list[Fault]:
    found: list[Fault] = [LoggerClock(float(rng.normal(0.0, 100.0)))]
    for end in ("front", "rear"):
        found += [
            SensorPlay(float(rng.uniform(0.0, 0.15)), end),
            SensorBow(float(rng.uniform(-1.5, 1.5)), end),
            ChannelClock(float(rng.uniform(0.0, 0.004)), float(rng.normal(0.0, 20.0)), end),
        ]
        if rng.random() < 0.5:
            found.append(
                BracketResonance(
                    float(rng.uniform(35.0, 120.0)),
                    float(rng.uniform(0.02, 0.06)),
                    float(rng.uniform(0.02, 0.1)),
                    end,
                )
            )
    return found


def _crowd(
    crowd: tuple[Crowd, ...], circuit: Circuit, rng: np.random.Generator
) -> tuple[list[Fault], tuple[KerbRidges, ...]]:
    """Faults that are no loss of damping, and kerbs."""
    found: list[Fault] = []
    kerbs: list[KerbRidges] = []
    for rear_only in [word == "rear kerbs" for word in crowd if word in ("kerbs", "rear kerbs")]:
        for number in rng.choice(len(circuit.corners), 3, replace=False):
            corner = circuit.corners[int(number)]
            spacing = float(rng.uniform(0.9, 2.8))
            start = float(corner.end_m - rng.uniform(0.0, 20.0))
            kerbs.append(
                KerbRidges(
                    start % circuit.length_m,
                    start % circuit.length_m + float(rng.uniform(8.0, 20.0)) * spacing,
                    float(rng.uniform(2.0, 9.0)),
                    spacing,
                    rear_only,
                )
            )
    if "tone" in crowd:
        found.append(SensorTone(float(rng.uniform(30.0, 210.0)), float(rng.uniform(0.05, 0.3))))
    if "imbalance" in crowd:
        found += [WheelImbalance(float(rng.uniform(0.003, 0.015))), TyreRunout(float(rng.uniform(0.05, 0.3)))]
    if "used sensors" in crowd:
        found += _used_sensors(rng)
    return found, tuple(kerbs)


def sound_physics(rng: np.random.Generator, *, compliant: bool, stick_slip: bool) -> DamperPhysics:
    """A sound damper with oil, gas and seals, drawn at random.

    ``compliant``: soft in series with its valves (800 to 3000 N/mm for 4000 to 12 000); ``stick_slip``: friction that
    comes in over travel.
    """
    return DamperPhysics(
        stiffness_n_per_mm=float(rng.uniform(800.0, 3000.0) if compliant else rng.uniform(4000.0, 12000.0)),
        area_mm2=float(rng.uniform(800.0, 1100.0)),
        gas_bar=float(rng.uniform(10.0, 16.0)),
        reservoir_share=float(rng.uniform(0.3, 0.5)),
        refill_share=float(rng.uniform(0.0, 0.15)),
        thinning_1_k=float(rng.uniform(0.001, 0.004)),
        start_c=float(rng.uniform(35.0, 60.0)),
        presliding_mm=float(rng.uniform(0.05, 0.3)) if stick_slip else 0.0,
        breakaway=float(rng.uniform(1.1, 1.6)),
    )


def sound_fork(rng: np.random.Generator) -> DamperPhysics:
    """A sound fork, soft in series with its valves and with friction that comes in over travel, drawn at random."""
    return DamperPhysics(
        stiffness_n_per_mm=float(rng.uniform(300.0, 1200.0)),
        area_mm2=float(rng.uniform(800.0, 1200.0)),
        thinning_1_k=float(rng.uniform(0.001, 0.004)),
        presliding_mm=float(rng.uniform(0.1, 0.5)),
        breakaway=float(rng.uniform(1.1, 1.5)),
    )


def random_outing(
    seed: int,
    *,
    fault: FaultKind = "sound",
    hop_hz: float | None = None,
    rate_hz: float = 200.0,
    sensors: Sensors | None = None,
    laps: int = 2,
    crowd: tuple[Crowd, ...] = (),
    psd_m3: float | None = None,
    slow_end: End = "rear",
) -> RandomOuting:
    """Ride an outing with a fault of a damper, and the same with a sound one to compare with.

    Parameters
    ----------
    seed : int
        Of bike, circuit, road, rider, fault and sensors. The same call gives the same outing.
    fault : str
        One of `FAULT_KINDS`. `SUDDEN` ones last 0.6 to 2.5 s at corner exits on most laps, `SLOW` ones come over the
        outing (give five laps or more), those for good come once and stay.
    hop_hz : float, optional
        Undamped hop of the rear wheel, 12 to 21; drawn when not given. [Hz]
    rate_hz : float
        Of the log. [Hz]
    laps : int
        Timed laps, of 1 to 1.5 min each.
    crowd : tuple of str
        What else is there, of `CROWD`. The damper has oil, gas and seals in every outing.
    psd_m3 : float, optional
        Unevenness of the road, Gd(0.1 cycles/m); between ISO 8608 classes A and B when not given. [m3]
    slow_end : {"front", "rear"}
        Whose damper is lost slowly or recovers; sudden losses are the rear's.

    Raises
    ------
    ValueError
        If ``fault`` or ``crowd`` holds a word that is none of these.
    """
    wrong = [word for word in crowd if word not in CROWD] + ([] if fault in FAULT_KINDS else [fault])
    if wrong:
        raise ValueError(
            f"{', '.join(wrong)}: not known; fault is one of {FAULT_KINDS}, crowd some of {CROWD}."
        )
    rng = np.random.default_rng([seed, 0x10055])
    hop = float(rng.uniform(*HOP_HZ)) if hop_hz is None else hop_hz
    bike, circuit = random_bike(seed, hop_hz=hop), random_circuit(seed)
    plain = random_road(circuit, seed)
    level = (
        float(np.exp(rng.uniform(np.log(0.4), np.log(3.0)))) * CLASS_MEAN_M3["A"]
        if psd_m3 is None
        else psd_m3
    )
    others, kerbs = _crowd(crowd, circuit, rng)
    features = tuple(f for f in plain.features if not isinstance(f, KerbRidges)) + kerbs
    road = Road(psd_m3=level, features=features)
    physics = sound_physics(rng, compliant="compliant damper" in crowd, stick_slip="stick-slip" in crowd)
    fork = sound_fork(rng) if {"compliant damper", "stick-slip"} & set(crowd) else None
    if slow_end == "front":
        fork = fork or sound_fork(rng)
    vehicle = Vehicle(bike, front_damper=fork, rear_damper=physics)
    riding = Riding(out_lap_m=400.0, in_lap_m=200.0)

    def ridden(faults: tuple[Fault, ...]) -> Outing:
        return simulate_outing(
            bike,
            circuit=circuit,
            seed=seed,
            laps=laps,
            log_rate_hz=rate_hz,
            road=road,
            riding=riding,
            faults=faults,
            sensors=sensors,
            vehicle=vehicle,
            step_s=STEP_S,
        )

    twin = ridden(tuple(others))
    failing = fork if slow_end == "front" and fork is not None else physics
    lost = _fault(fault, circuit, laps, _use(twin, slow_end), failing, slow_end, rng)
    outing = ridden((*lost, *others)) if lost else twin
    hop_here, hop_sound = hop_mm(outing), hop_mm(twin)
    truth = outing.truth

    def rows(start_s: float, end_s: float) -> slice:
        first, last = np.searchsorted(truth.t_s, [start_s, end_s])
        return slice(int(first), int(last))

    losses = []
    for stretch in truth.lost_damping:
        inside = rows(stretch.start_s, stretch.end_s)
        losses.append(
            Loss(
                stretch.kind,
                stretch.start_s,
                stretch.end_s,
                int(np.searchsorted(truth.lap_start_s, stretch.start_s, side="right")),
                stretch.damping_left,
                _rms(hop_here, inside) / _rms(hop_sound, inside),
                _rms(hop_here, inside),
            )
        )
    spans = list(zip(truth.lap_start_s[:-1], truth.lap_start_s[1:], strict=True))
    return RandomOuting(
        outing,
        bike,
        minimum_bike(bike),
        fault,
        crowd,
        hop,
        (*lost, *others),
        tuple(losses),
        {
            end: np.array([damping_left(_damper(truth, end), truth.t_s, a, b) for a, b in spans])
            for end in get_args(End)
        },
        np.array([_rms(hop_here, rows(a, b)) / _rms(hop_sound, rows(a, b)) for a, b in spans]),
    )
