"""What a number of a bike file can plausibly be, in its unit, and which slip explains one that cannot.

The ranges hold every road-race motorcycle and test rig we can think of, from a 50 cm3 class to a rig with one wheel;
a number outside is a slip of the unit or of the pen. They are common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from pydantic_core import PydanticCustomError

GRAVITY = 9.80665  # N of one kgf, exact
POUND_KG = 0.45359237  # exact
POUND_N_PER_INCH = POUND_KG * GRAVITY / 25.4  # N/mm of one lbf/in

Conversion = Callable[[float], float]


@dataclass(frozen=True)
class Range:
    """Least and largest plausible value, and their unit."""

    low: float
    high: float
    unit: str

    @property
    def middle(self) -> float:
        """The geometric mean where zero is no part of the range, else the mean."""
        return (self.low * self.high) ** 0.5 if self.low > 0 else 0.5 * (self.low + self.high)

    def holds(self, value: float) -> bool:
        """Whether a value lies within, both ends included."""
        return self.low <= value <= self.high


_PLACE = Range(-3000, 3000, "mm")  # of a point in the chassis frame
_ANGLE = Range(-360, 360, "deg")
_CLICKS = Range(0, 100, "clicks")
_DAMPER = Range(0.01, 60, "N s/mm")
_TRAVEL = Range(-20, 500, "mm")
_SAG = Range(0, 250, "mm")

# By key; the section before it where a key means something else there.
RANGES: Mapping[str, Range] = {
    "wheelbase_mm": Range(900, 2000, "mm"),
    "stroke_mm": Range(20, 350, "mm"),
    "shock_stroke_mm": Range(10, 350, "mm"),
    "rake_deg": Range(5, 50, "deg"),
    "fork_offset_mm": Range(-30, 120, "mm"),
    "fork_height_mm": Range(-50, 100, "mm"),
    "tyre_radius_mm": Range(150, 450, "mm"),
    "front_tyre_radius_mm": Range(150, 450, "mm"),
    "rear_tyre_radius_mm": Range(150, 450, "mm"),
    "front.spring_rate_n_per_mm": Range(5, 70, "N/mm"),
    "rear.spring_rate_n_per_mm": Range(12, 350, "N/mm"),
    "second_rate_n_per_mm": Range(3, 600, "N/mm"),
    "second_from_mm": Range(1, 300, "mm"),
    "preload_mm": Range(0, 80, "mm"),
    "tyre_rate_n_per_mm": Range(40, 600, "N/mm"),
    "tyre_damping_n_s_per_mm": Range(0, 5, "N s/mm"),
    "unsprung_mass_kg": Range(3, 60, "kg"),
    "speed_split_mm_s": Range(5, 1000, "mm/s"),
    "compression_clicks": _CLICKS,
    "rebound_clicks": _CLICKS,
    "high_speed_compression_clicks": _CLICKS,
    "high_speed_rebound_clicks": _CLICKS,
    "low_n_s_per_mm": _DAMPER,
    "high_n_s_per_mm": _DAMPER,
    "knee_mm_s": Range(2, 3000, "mm/s"),
    "friction_n": Range(0, 1000, "N"),
    "dyno.clicks": _CLICKS,
    "dyno.speed_mm_s": Range(-6000, 6000, "mm/s"),
    "dyno.force_n": Range(-30000, 30000, "N"),
    "gas_force_n": Range(0, 1500, "N"),
    "oil_level_mm": Range(5, 400, "mm"),
    "bore_mm": Range(10, 80, "mm"),
    "displacing_mm": Range(5, 80, "mm"),
    "pressure_bar": Range(0, 30, "bar"),
    "exponent": Range(1.0, 1.7, ""),
    "length_mm": Range(0.5, 200, "mm"),
    "rate_n_per_mm": Range(0.5, 1000, "N/mm"),
    "force_n": Range(10, 50000, "N"),
    "power": Range(1, 8, ""),
    "leverage_table_mm": _TRAVEL,
    "leverage_points_mm": _TRAVEL,
    "shock_length_mm": Range(100, 700, "mm"),
    "axle_back_mm": Range(-100, 100, "mm"),
    **dict.fromkeys(
        ("pivot_mm", "axle_mm", "shock_frame_mm", "shock_swingarm_mm", "rocker_pivot_mm", "rod_rocker_mm",
         "rod_swingarm_mm", "rod_frame_mm", "shock_rocker_mm", "front_sprocket_mm", "frame_mm", "swingarm_mm"),
        _PLACE,
    ),
    "offset_mm": Range(-60, 60, "mm"),
    "radius_mm": Range(0.5, 100, "mm"),
    "angle_deg": _ANGLE,
    "eccentric_deg": _ANGLE,
    "pitch_mm": Range(6, 26, "mm"),
    "points.mm": Range(-150, 1500, "mm"),
    "rate_hz": Range(1, 100000, "Hz"),
    "sprung_mass_kg": Range(30, 600, "kg"),
    "mass_kg": Range(0.1, 600, "kg"),
    "pitch_inertia_kg_m2": Range(1, 200, "kg m2"),
    "chassis.com_to_rear_axle_mm": Range(100, 1600, "mm"),
    "chassis.com_height_mm": Range(150, 1200, "mm"),
    "com_to_rear_axle_mm": Range(-500, 2000, "mm"),  # of rider and fuel
    "com_height_mm": Range(100, 2000, "mm"),
    "free_sag_mm": _SAG,
    "static_sag_mm": _SAG,
    "rider_sag_mm": _SAG,
    "per_turn": Range(0.01, 20, "of its unit"),
    "per_click": Range(0.001, 20, "of its unit"),
    # of a setup sheet only
    "tyre_pressure_bar": Range(0.3, 6, "bar"),
    "tyre_temperature_c": Range(-40, 200, "deg C"),
    "oil_temperature_c": Range(-40, 250, "deg C"),
    "top_out_spring_mm": Range(0, 200, "mm"),
    "ride_height_mm": Range(-500, 1500, "mm"),
    "swingarm_length_mm": Range(200, 1000, "mm"),
    "air_temperature_c": Range(-40, 70, "deg C"),
    "track_temperature_c": Range(-40, 100, "deg C"),
    "fuel_l": Range(0, 60, "l"),
}  # fmt: skip
# Any number can be right: signals and times of the log, and limits, which have the range of the key they limit.
ANY_NUMBER = frozenset(("zero", "zero_interval_s", "supply_reference", "mm_per_unit", "min", "max"))
_COLUMNS: Mapping[str, tuple[str | None, ...]] = {  # of tables whose columns are different quantities
    "points": (None, "points.mm"),
    "dyno": ("dyno.clicks", "dyno.speed_mm_s", "dyno.force_n"),
}
# What the number may have been meant in, and what it is then in the unit of the key.
_SLIPS: Mapping[str, tuple[tuple[str, Conversion], ...]] = {
    "mm": (("metres", lambda x: 1e3 * x), ("centimetres", lambda x: 10 * x), ("inches", lambda x: 25.4 * x)),
    "N/mm": (
        ("N/m", lambda x: 1e-3 * x),
        ("kgf/mm", lambda x: GRAVITY * x),
        ("lbf/in", lambda x: POUND_N_PER_INCH * x),
        ("N/in", lambda x: x / 25.4),
        ("N/cm", lambda x: 0.1 * x),
    ),
    "deg": (("radians", lambda x: 57.29577951308232 * x),),
    "kg": (("newtons", lambda x: x / GRAVITY), ("pounds", lambda x: POUND_KG * x), ("grams", lambda x: 1e-3 * x)),
    "N s/mm": (("N s/m", lambda x: 1e-3 * x),),
    "mm/s": (("m/s", lambda x: 1e3 * x),),
    "N": (("kN", lambda x: 1e3 * x), ("kgf", lambda x: GRAVITY * x)),
    "bar": (("psi", lambda x: 0.0689476 * x), ("kPa", lambda x: 1e-2 * x), ("Pa", lambda x: 1e-5 * x)),
    "kg m2": (("kg cm2", lambda x: 1e-4 * x), ("kg mm2", lambda x: 1e-6 * x)),
}  # fmt: skip
_FROM_THE_HORIZONTAL = ("rake_deg", lambda x: 90 - x)


def range_of(name: str, section: str = "") -> Range | None:
    """The plausible range of a key, None where any number can be right.

    Parameters
    ----------
    name : str
        The last part of a key: ``spring_rate_n_per_mm``.
    section : str
        Such as "front" or "rear", where the key means something else there.
    """
    return RANGES.get(f"{section}.{name}") or RANGES.get(name)


def slip(name: str, value: float, limits: Range) -> str:
    """A question after the unit in which an implausible value would make sense; "" where there is none.

    Examples
    --------
    >>> slip("wheelbase_mm", 1.42, RANGES["wheelbase_mm"])
    'In metres? Then write 1420'
    >>> slip("wheelbase_mm", -3.0, RANGES["wheelbase_mm"])
    ''
    """
    ways = [(f"In {unit}", convert(value)) for unit, convert in _SLIPS.get(limits.unit, ())]
    if name == _FROM_THE_HORIZONTAL[0]:
        ways.append(("From the horizontal", _FROM_THE_HORIZONTAL[1](value)))
    ways.append(("With the wrong sign", -value))
    fitting = [(words, meant) for words, meant in ways if limits.holds(meant)]
    if not fitting or value == 0:
        return ""
    words, meant = min(fitting, key=lambda way: abs(way[1] - limits.middle))
    return f"{words}? Then write {meant:.4g}"


def implausible(name: str, value: float, section: str = "") -> str:
    """What is wrong with a number that is not plausible; "" where it is.

    Parameters
    ----------
    name : str
        As of `range_of`.

    Returns
    -------
    str
        Begins with the value, so that the key can stand before it; without a full stop.
    """
    limits = range_of(name, section)
    if limits is None or limits.holds(value):
        return ""
    unit = f" {limits.unit}" if limits.unit else ""
    meant = slip(name, value, limits)
    return (
        f"= {value:g} is not between {limits.low:g} and {limits.high:g}{unit}{'. ' if meant else ''}{meant}"
    )


def check_plausible(name: str, value: object, section: str = "") -> None:
    """Refuse a number of a bike file or setup sheet that is not plausible; in a table, the first of them.

    Parameters
    ----------
    name : str
        The key.
    value : object
        What is no number passes.
    section : str
        Such as "front" or "rear", where the key means something else there.

    Raises
    ------
    PydanticCustomError
        Of type "implausible".
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        _refuse(implausible(name, value, section))
    elif isinstance(value, tuple) and value and isinstance(value[0], tuple):
        for row, cells in enumerate(value, start=1):
            for column, cell in zip(_COLUMNS.get(name, (name,) * len(cells)), cells, strict=False):
                if column is not None and isinstance(cell, int | float):
                    _refuse(implausible(column, cell, section), f"row {row} ")
    elif isinstance(value, tuple):
        for cell in value:
            if isinstance(cell, int | float):
                _refuse(implausible(name, cell, section))


def _refuse(words: str, where: str = "") -> None:
    if words:
        text = f"{where}{words}".replace("{", "(").replace("}", ")")
        raise PydanticCustomError("implausible", text)
