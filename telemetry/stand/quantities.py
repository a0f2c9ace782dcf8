"""Quantities of the bike at the stand, by name: sag, height, geometry, leverage, drive, vibration."""

from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.bike import (
    LOADS,
    Attitude,
    Bike,
    LoadName,
    Mode,
    Standing,
    attitude,
    chassis_point,
    half_vehicle,
    leverage_curve,
    load_of,
    modes,
    normal_trail_mm,
    quarter_vehicle,
    rear_end,
    rollout_mm,
    sag_lacks,
    spring_end,
    squat,
    stand,
    stroke_mm,
    trail_mm,
    wheel_rate_n_per_mm,
    wheel_stroke_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.numeric import finite

Values = dict[str, float | None]


@dataclass(frozen=True)
class Quantity:
    """One number of the stand: its name, unit, and the step that a technician would notice.

    ``step`` ranks what moved most; own choice, about what a tape, a gauge or a rider tells apart.
    """

    key: str
    group: str
    name: str
    unit: str
    decimals: int
    step: float


def _both(
    group: str, key: str, name: str, unit: str, decimals: int, step: float
) -> tuple[Quantity, Quantity]:
    front, rear = (Quantity(f"{end}.{key}", group, f"{end} {name}", unit, decimals, step) for end in ENDS)
    return front, rear


SAG, HEIGHT, GEOMETRY = "Sag, at the wheel", "Ride height, with rider", "Geometry, with rider"
EXTENDED = "Geometry, both ends extended"
LEVERAGE, DRIVE, VIBRATION = "Leverage and springs", "Drive", "Vibration about rider sag"

QUANTITIES: tuple[Quantity, ...] = (
    *_both(SAG, "free_sag_mm", "free sag", "mm", 1, 1.0),
    *_both(SAG, "static_sag_mm", "static sag", "mm", 1, 1.0),
    *_both(SAG, "rider_sag_mm", "rider sag", "mm", 1, 1.0),
    Quantity("front.rider_shaft_mm", SAG, "fork travel at rider sag", "mm", 1, 1.0),
    Quantity("rear.rider_shaft_mm", SAG, "shock travel at rider sag", "mm", 1, 0.6),
    *_both(HEIGHT, "ride_height_mm", "ride height", "mm", 1, 1.0),
    Quantity("com_height_mm", HEIGHT, "centre of mass, all", "mm", 1, 2.0),
    Quantity("front.load_pct", HEIGHT, "load on the front wheel", "%", 1, 0.3),
    Quantity("pitch_deg", GEOMETRY, "pitch, nose down +", "deg", 2, 0.1),
    Quantity("rake_deg", GEOMETRY, "rake", "deg", 2, 0.1),
    Quantity("trail_mm", GEOMETRY, "trail, on the ground", "mm", 1, 0.6),
    Quantity("normal_trail_mm", GEOMETRY, "trail, normal", "mm", 1, 0.6),
    Quantity("wheelbase_mm", GEOMETRY, "wheelbase", "mm", 1, 2.0),
    Quantity("swingarm_deg", GEOMETRY, "swingarm angle", "deg", 2, 0.2),
    Quantity("extended.rake_deg", EXTENDED, "rake", "deg", 2, 0.1),
    Quantity("extended.trail_mm", EXTENDED, "trail, on the ground", "mm", 1, 0.6),
    Quantity("extended.normal_trail_mm", EXTENDED, "trail, normal", "mm", 1, 0.6),
    Quantity("extended.wheelbase_mm", EXTENDED, "wheelbase", "mm", 1, 2.0),
    Quantity("extended.swingarm_deg", EXTENDED, "swingarm angle", "deg", 2, 0.2),
    Quantity("extended.front.ride_height_mm", EXTENDED, "front ride height", "mm", 1, 1.0),
    Quantity("extended.rear.ride_height_mm", EXTENDED, "rear ride height", "mm", 1, 1.0),
    Quantity("rear.leverage_extended", LEVERAGE, "leverage, extended", "", 3, 0.02),
    Quantity("rear.leverage_at_sag", LEVERAGE, "leverage at rider sag", "", 3, 0.02),
    Quantity("rear.leverage_compressed", LEVERAGE, "leverage, full stroke", "", 3, 0.02),
    Quantity("rear.progression_pct", LEVERAGE, "progression over stroke", "%", 1, 0.5),
    Quantity("rear.wheel_stroke_mm", LEVERAGE, "rear travel, vertical", "mm", 1, 1.5),
    Quantity("rear.arc_stroke_mm", LEVERAGE, "rear travel, along arc", "mm", 1, 1.5),
    *_both(LEVERAGE, "wheel_rate_n_per_mm", "wheel rate at rider sag", "N/mm", 2, 0.3),
    *_both(LEVERAGE, "wheel_force_n", "spring force at the wheel", "N", 0, 15.0),
    Quantity("chain_deg", DRIVE, "chain line, upper run", "deg", 2, 0.2),
    Quantity("squat_deg", DRIVE, "squat line", "deg", 2, 0.3),
    Quantity("anti_squat_pct", DRIVE, "anti-squat", "%", 1, 2.0),
    Quantity("rollout_mm", DRIVE, "rollout, front sprocket turn", "mm", 0, 5.0),
    *_both(VIBRATION, "body_hz", "body", "Hz", 2, 0.03),
    *_both(VIBRATION, "body_damping", "body damping ratio", "", 3, 0.01),
    *_both(VIBRATION, "hop_hz", "wheel hop", "Hz", 2, 0.2),
    *_both(VIBRATION, "hop_damping", "hop damping ratio", "", 3, 0.01),
    Quantity("bounce_hz", VIBRATION, "bounce", "Hz", 2, 0.03),
    Quantity("bounce_damping", VIBRATION, "bounce damping ratio", "", 3, 0.01),
    Quantity("pitch_hz", VIBRATION, "pitching", "Hz", 2, 0.05),
    Quantity("pitch_damping", VIBRATION, "pitching damping ratio", "", 3, 0.01),
)
BY_KEY = {quantity.key: quantity for quantity in QUANTITIES}


def standing(bike: Bike, name: LoadName) -> Standing | None:
    """Motorcycle at rest under one of its loads, None if the bike file lacks the data."""
    if sag_lacks(bike):
        return None
    load = load_of(bike, name)
    return None if load is None else stand(bike, load)


def measure(bike: Bike) -> Values:
    """Every quantity of the stand, in the order of `QUANTITIES`, in their units.

    None where the bike file lacks what it needs, or a motion does not oscillate. Raises `BikeFileError` if a spring is
    pushed through its stroke.
    """
    values: Values = dict.fromkeys(BY_KEY)
    known = _extended_values(bike) | _curve_values(bike)  # NaN where the geometry is open
    values |= {key: None if value is None else finite(value) for key, value in known.items()}
    values["rollout_mm"] = rollout_mm(bike)
    ridden = standing(bike, "rider")
    if ridden is None:
        return values
    for name in LOADS:
        values |= _sags(ridden if name == "rider" else standing(bike, name), name)
    for group in (_attitude_values, _spring_values, _drive_values, _vibration_values):
        values |= group(bike, ridden)
    return values


def _extended_values(bike: Bike) -> Values:
    """Geometry with both ends at full extension: no load, so no masses and springs are needed."""
    values = _of_attitude(attitude(bike, 0.0, 0.0))
    return {key: values[key.removeprefix("extended.")] for key in BY_KEY if key.startswith("extended.")}


def _of_attitude(now: Attitude) -> Values:
    """Geometry and ride heights; trail is on undeflected tyres."""
    names = ("pitch_deg", "rake_deg", "trail_mm", "normal_trail_mm", "wheelbase_mm", "swingarm_deg")
    heights = {f"{end}.ride_height_mm": getattr(now, f"{end}_ride_height_mm") for end in ENDS}
    return {name: getattr(now, name) for name in names} | heights


def _sags(found: Standing | None, name: str) -> Values:
    return {f"{end}.{name}_sag_mm": found.sag[end].wheel_mm if found else None for end in ENDS}


def _attitude_values(bike: Bike, ridden: Standing) -> Values:
    """Heights and geometry."""
    ahead_mm, height_mm = _whole(bike, ridden)
    trail, normal_trail = _loaded_trails_mm(bike, ridden)
    return {
        **_of_attitude(ridden.attitude),
        **{f"{end}.rider_shaft_mm": ridden.sag[end].shaft_mm for end in ENDS},
        "com_height_mm": height_mm,
        "front.load_pct": 100.0 * ahead_mm / ridden.attitude.wheelbase_mm,
        "trail_mm": trail,
        "normal_trail_mm": normal_trail,
    }


def tyre_give_mm(bike: Bike, ridden: Standing) -> dict[End, float] | None:
    """Deflection of each tyre under its load, None if the bike file lacks a rate or a mass. [mm]"""
    give: dict[End, float] = {}
    for end in ENDS:
        section = bike.end(end)
        if section.tyre_rate_n_per_mm is None or section.unsprung_mass_kg is None:
            return None
        load_n = ridden.sag[end].sprung_load_n + GRAVITY_M_S2 * section.unsprung_mass_kg
        give[end] = load_n / section.tyre_rate_n_per_mm
    return give


def _loaded_trails_mm(bike: Bike, ridden: Standing) -> tuple[float | None, float | None]:
    """Trail and normal trail with deflected tyres; with undeflected tyres if their rates are missing. [mm]"""
    now, give = ridden.attitude, tyre_give_mm(bike, ridden)
    radius, offset = bike.front.tyre_radius_mm, bike.front.fork_offset_mm
    if give is None or radius is None or offset is None:
        return now.trail_mm, now.normal_trail_mm
    rake = now.rake_deg - float(np.degrees(np.arctan((give["front"] - give["rear"]) / now.wheelbase_mm)))
    radius -= give["front"]
    return trail_mm(radius, rake, offset), normal_trail_mm(radius, rake, offset)


def _whole(bike: Bike, ridden: Standing) -> tuple[float, float]:
    """Centre of mass of the whole motorcycle with rider, ahead of the rear contact and above the ground. [mm]"""
    load, now = ridden.load, ridden.attitude
    ahead, height = now.on_ground(chassis_point(bike, load.com_to_rear_axle_mm, load.com_height_mm))
    parts = [(load.mass_kg, ahead, height)]
    for section, axle in ((bike.front, now.front_axle_mm), (bike.rear, now.rear_axle_mm)):
        if section.unsprung_mass_kg is not None:  # taken to sit in the axle
            parts.append((section.unsprung_mass_kg, *now.on_ground(axle)))
    mass, ahead_mm, height_mm = np.array(parts).T
    return float(mass @ ahead_mm / mass.sum()), float(mass @ height_mm / mass.sum())


def _curve_values(bike: Bike) -> Values:
    """Leverage ratio, its progression and the travel, which need no load."""
    curve, rear = leverage_curve(bike, "rear"), rear_end(bike.rear, bike.measured_at)
    stroke = stroke_mm(bike, "rear")
    extended, compressed = curve.ratio_at(0.0), curve.ratio_at(stroke)
    arc = None
    if rear.pivot_mm is not None and rear.arm_mm is not None:
        angles = [
            float(np.arcsin((rear.axle_mm(s)[1] - rear.pivot_mm[1]) / rear.arm_mm)) for s in (0.0, stroke)
        ]
        arc = rear.arm_mm * (angles[1] - angles[0])
    return {
        "rear.leverage_extended": extended,
        "rear.leverage_compressed": compressed,
        "rear.progression_pct": 100.0 * (extended - compressed) / extended,
        "rear.wheel_stroke_mm": wheel_stroke_mm(bike, "rear"),
        "rear.arc_stroke_mm": arc,
    }


def _spring_values(bike: Bike, ridden: Standing) -> Values:
    """Leverage, rates and forces at the wheel where the bike sits with its rider."""
    sag = {end: ridden.sag[end].shaft_mm for end in ENDS}
    values: Values = {"rear.leverage_at_sag": leverage_curve(bike, "rear").ratio_at(sag["rear"])}
    for end in ENDS:
        values[f"{end}.wheel_rate_n_per_mm"] = wheel_rate_n_per_mm(bike, end, sag[end])
        values[f"{end}.wheel_force_n"] = ridden.sag[end].sprung_load_n
    return values


def _drive_values(bike: Bike, ridden: Standing) -> Values:
    """Chain line and squat line."""
    found = squat(bike, ridden.attitude, _whole(bike, ridden)[1])
    return asdict(found) if found else {}


def _vibration_values(bike: Bike, ridden: Standing) -> Values:
    """Body and wheel hop of each end alone, bounce and pitching of the whole; None where it does not oscillate."""
    values: Values = {}
    try:
        ends = {end: spring_end(bike, end, ridden.sag[end].shaft_mm) for end in ENDS}
    except BikeFileError:  # masses, tyre rates or dampers are not in the file
        return values
    for end in ENDS:
        sprung_kg = ridden.sag[end].sprung_load_n / GRAVITY_M_S2
        for mode in modes(quarter_vehicle(sprung_kg, ends[end])):
            name = "body" if abs(mode.shape[0]) > abs(mode.shape[1]) else "hop"
            _put(values, f"{end}.{name}", mode)
    inertia_kg_m2 = bike.chassis.pitch_inertia_kg_m2 if bike.chassis else None
    if inertia_kg_m2 is None:
        return values
    ahead, _ = ridden.attitude.on_ground(
        chassis_point(bike, ridden.load.com_to_rear_axle_mm, ridden.load.com_height_mm)
    )
    for mode in modes(
        half_vehicle(
            ridden.load.mass_kg,
            inertia_kg_m2,
            (ridden.attitude.wheelbase_mm - ahead) / 1e3,
            ahead / 1e3,
            ends["front"],
            ends["rear"],
        )
    ):
        most = int(np.argmax(np.abs(_comparable(mode, ridden))))
        if most < 2:
            _put(values, ("bounce", "pitch")[most], mode)
    return values


def _comparable(mode: Mode, ridden: Standing) -> tuple[complex, ...]:
    """The shape with pitch as its way at half the wheelbase, so that all four are metres."""
    return (mode.shape[0], mode.shape[1] * ridden.attitude.wheelbase_mm / 2e3, mode.shape[2], mode.shape[3])


def _put(values: Values, name: str, mode: Mode) -> None:
    values[f"{name}_hz"], values[f"{name}_damping"] = mode.fn_hz, mode.damping_ratio


_GROUPS: dict[str, Callable[[Bike, Standing], Values]] = {
    HEIGHT: _attitude_values,
    GEOMETRY: _attitude_values,
    LEVERAGE: _spring_values,
    DRIVE: _drive_values,
    VIBRATION: _vibration_values,
}


def value_of(bike: Bike, key: str) -> float | None:
    """One quantity of the stand, None if the bike file does not give it. [unit of the quantity]"""
    quantity = BY_KEY[key]
    for name in LOADS:
        if key.endswith(f".{name}_sag_mm"):
            return _sags(standing(bike, name), name)[key]
    if quantity.group in (EXTENDED, LEVERAGE):
        unloaded = _extended_values(bike) | _curve_values(bike)
        if key in unloaded:
            return unloaded[key]
    if key == "rollout_mm":
        return rollout_mm(bike)
    ridden = standing(bike, "rider")
    if ridden is None:
        return None
    if quantity.group == SAG:  # travel along the shaft
        return _attitude_values(bike, ridden)[key]
    return _GROUPS[quantity.group](bike, ridden).get(key)


def end_of(key: str) -> End | None:
    """The end that a key belongs to, None for the whole motorcycle."""
    return next((end for end in ENDS if f"{end}." in key), None)
