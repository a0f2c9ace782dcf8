"""The machines of the demo data, invented: QB-6 and QB-3 of Team Quillback."""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from telemetry.bike import Bike, parse_bike
from telemetry.errors import BikeFileError
from telemetry.simulate.circuit import VELLMOOR_ROAD_SEED
from telemetry.simulate.faults import Fault, LostDamping
from telemetry.simulate.outing import Outing, simulate_outing, write_log
from telemetry.simulate.riding import Riding
from telemetry.simulate.sensors import Sensors

DEMO_BIKE_TOML = """\
# Demo data: an invented motorcycle. Lengths mm, rates N/mm, damper rates N s/mm, masses kg.
name = "QB-6, Team Quillback (demo)"
wheelbase_mm = 1410

[front]
stroke_mm = 125
rake_deg = 24.0
fork_offset_mm = 30
tyre_radius_mm = 300
spring_rate_n_per_mm = 19.0      # both legs
preload_mm = 12
tyre_rate_n_per_mm = 170
tyre_damping_n_s_per_mm = 0.15
unsprung_mass_kg = 15

[front.damper]                   # both legs, along the legs
friction_n = 18
compression = { low_n_s_per_mm = 0.75, high_n_s_per_mm = 0.42, knee_mm_s = 150 }
rebound = { low_n_s_per_mm = 1.25, high_n_s_per_mm = 0.70, knee_mm_s = 150 }

[front.spring]                   # the bump stop stands in for the air above the oil as well
top_out = { length_mm = 12, rate_n_per_mm = 20 }
bump_stop = { length_mm = 40, force_n = 600, power = 2.5 }

[front.sensor]                   # bench points: volts, mm of fork travel
channel = "fork"
points = [[0.312, 0.0], [1.298, 30.0], [2.284, 60.0], [3.270, 90.0], [4.420, 125.0]]

[rear]
shock_stroke_mm = 70
leverage_table_mm = [
    [0.0, 0.000], [10.0, 19.694], [20.0, 38.776], [30.0, 57.245], [40.0, 75.102],
    [50.0, 92.347], [60.0, 108.980], [70.0, 125.000],
]
tyre_radius_mm = 320
spring_rate_n_per_mm = 70
preload_mm = 12
tyre_rate_n_per_mm = 180
tyre_damping_n_s_per_mm = 0.20
unsprung_mass_kg = 20

[rear.damper]                    # along the shock
friction_n = 15
compression = { low_n_s_per_mm = 3.8, high_n_s_per_mm = 2.4, knee_mm_s = 80 }
rebound = { low_n_s_per_mm = 6.8, high_n_s_per_mm = 3.9, knee_mm_s = 80 }

[rear.spring]
top_out = { length_mm = 7, rate_n_per_mm = 115 }
bump_stop = { length_mm = 12, force_n = 3000, power = 2 }

[rear.sensor]                    # bench points: volts, mm of shock travel
channel = "shock"
points = [[0.405, 0.0], [2.135, 35.0], [3.865, 70.0]]

[chassis]                        # sprung part with rider
sprung_mass_kg = 212
com_to_rear_axle_mm = 700
com_height_mm = 610
pitch_inertia_kg_m2 = 26

[channels]
time = "time"
speed = "speed"
latitude = "latitude"
longitude = "longitude"
throttle = "throttle"
brake = "brake"
lean = "lean"
lap = "lap"
"""


SECOND_BIKE_TOML = """\
# Demo data: an invented, lighter motorcycle with another logger.
# Lengths mm, rates N/mm, damper rates N s/mm, masses kg.
name = "QB-3, Team Quillback (demo)"
wheelbase_mm = 1375

[front]
stroke_mm = 120
rake_deg = 23.5
fork_offset_mm = 28
tyre_radius_mm = 295
spring_rate_n_per_mm = 16.5
preload_mm = 9
tyre_rate_n_per_mm = 155
tyre_damping_n_s_per_mm = 0.14
unsprung_mass_kg = 13

[front.damper]
friction_n = 22
compression = { low_n_s_per_mm = 0.70, high_n_s_per_mm = 0.40, knee_mm_s = 150 }
rebound = { low_n_s_per_mm = 1.05, high_n_s_per_mm = 0.60, knee_mm_s = 150 }

[front.spring]
top_out = { length_mm = 12, rate_n_per_mm = 15 }
bump_stop = { length_mm = 40, force_n = 500, power = 2.5 }

[front.sensor]                   # counts of a 12-bit converter, mounted upside down
channel = "adc1"
points = [[3890, 0.0], [520, 120.0]]

[rear]
shock_stroke_mm = 66
leverage_table_mm = [
    [0.0, 0.000], [11.0, 21.912], [22.0, 43.091], [33.0, 63.537],
    [44.0, 83.250], [55.0, 102.230], [66.0, 120.477],
]
tyre_radius_mm = 312
spring_rate_n_per_mm = 68
preload_mm = 9.5
tyre_rate_n_per_mm = 165
tyre_damping_n_s_per_mm = 0.18
unsprung_mass_kg = 17

[rear.damper]
friction_n = 12
compression = { low_n_s_per_mm = 4.2, high_n_s_per_mm = 2.8, knee_mm_s = 80 }
rebound = { low_n_s_per_mm = 6.8, high_n_s_per_mm = 4.2, knee_mm_s = 80 }

[rear.spring]
top_out = { length_mm = 7, rate_n_per_mm = 90 }
bump_stop = { length_mm = 12, force_n = 2500, power = 2 }

[rear.sensor]
channel = "adc2"
points = [[310, 0.0], [3715, 66.0]]

[chassis]
sprung_mass_kg = 181
com_to_rear_axle_mm = 690
com_height_mm = 600
pitch_inertia_kg_m2 = 22

[channels]
time = "t"
speed = "vwheel"
latitude = "lat"
longitude = "lon"
beacon = "beacon"
"""


# The same machine with fork springs two steps too soft for the pace.
SOFT_FORK_TOML = DEMO_BIKE_TOML.replace("spring_rate_n_per_mm = 19.0", "spring_rate_n_per_mm = 16.0")


def soft_fork_bike() -> Bike:
    """The QB-6 with fork springs too soft for the pace."""
    return parse_bike(tomllib.loads(SOFT_FORK_TOML), source="qb-6-soft-fork.toml")


def demo_bike() -> Bike:
    """The motorcycle of the demo data: QB-6."""
    return parse_bike(tomllib.loads(DEMO_BIKE_TOML), source="qb-6.toml")


def second_bike() -> Bike:
    """A lighter motorcycle with another logger: QB-3, sensors in counts and a beacon."""
    return parse_bike(tomllib.loads(SECOND_BIKE_TOML), source="qb-3.toml")


def with_fork_rebound(
    bike: Bike, clicks: int, *, reference_clicks: int = 12, per_click: float = 0.06
) -> Bike:
    """A bike whose fork rebound stands at other clicks than the bike file's damper.

    Parameters
    ----------
    bike : Bike
        With [front.damper].
    clicks : int
        Counted from fully closed: more clicks, less damping.
    reference_clicks : int
        At which the damper is as in the bike file.
    per_click : float
        Share by which a click changes the force (invented).

    Raises
    ------
    BikeFileError
        If the bike file has no [front.damper].
    """
    damper = bike.front.damper
    if damper is None:
        raise BikeFileError(f"{bike.source}: has no [front.damper] whose rebound could be turned.")
    factor = (1.0 + per_click) ** (reference_clicks - clicks)
    rebound = damper.rebound.model_copy(
        update={
            "low_n_s_per_mm": factor * damper.rebound.low_n_s_per_mm,
            "high_n_s_per_mm": factor * damper.rebound.high_n_s_per_mm,
        }
    )
    front = bike.front.model_copy(update={"damper": damper.model_copy(update={"rebound": rebound})})
    return bike.model_copy(update={"front": front})


# Out of corners 2 and 11, from the second timed lap on: about two seconds under power each time.
OUT_OF_TWO_CORNERS = tuple(
    LostDamping(start_m, end_m, laps=(2, 3, 4, 5)) for start_m, end_m in ((922.0, 992.0), (2485.0, 2570.0))
)
REBOUND_CLICKS_BEFORE, REBOUND_CLICKS_AFTER = 5, 12


@dataclass(frozen=True)
class Dialect:
    """Text format of a log."""

    delimiter: str = ","
    decimal: str = "."
    units_row: bool = True


def _sheet(outing: str, rebound_clicks: int, notes: str) -> str:
    return f"""\
# Demo data: an invented setup sheet. Clicks are counted from fully closed.
name = "QB-6"
outing = "{outing}"
rider = "rider 1"
tyres = "same set, 6 laps old"
notes = "{notes}"

[front]
preload_mm = 12
compression_clicks = 10
rebound_clicks = {rebound_clicks}
fork_height_mm = 4

[rear]
preload_mm = 12
compression_clicks = 12
rebound_clicks = 10
shock_length_mm = 315
"""


@dataclass(frozen=True)
class Scenario:
    """One outing of the demo data.

    Parameters
    ----------
    name : str
        Of its files, without suffix.
    about : str
        What it is, in one sentence.
    file_name : str
        Of the log.
    bike_file, bike_toml : str
        Name and text of the bike file that belongs to the log.
    bike : callable
        The motorcycle as ridden.
    sheet_toml : str or None
        Text of the setup sheet, where there is one.
    """

    name: str
    about: str
    file_name: str
    seed: int
    laps: int
    log_rate_hz: float
    bike: Callable[[], Bike] = demo_bike
    bike_file: str = "qb-6.toml"
    bike_toml: str = DEMO_BIKE_TOML
    sheet_toml: str | None = None
    faults: tuple[Fault, ...] = ()
    riding: Riding = field(default_factory=Riding)
    sensors: Sensors = field(default_factory=Sensors)
    dialect: Dialect = field(default_factory=Dialect)

    @property
    def sheet_file(self) -> str:
        """Name of the setup sheet's file."""
        return f"{self.name}-sheet.toml"


_SHORT = Riding(out_lap_m=150.0, in_lap_m=100.0)

SCENARIOS: dict[str, Scenario] = {
    scenario.name: scenario
    for scenario in (
        Scenario(
            "vellmoor-clean",
            "Three laps, nothing wrong.",
            "vellmoor-clean.csv.gz",
            seed=11,
            laps=3,
            log_rate_hz=500.0,
        ),
        Scenario(
            "vellmoor-lost-damping",
            "Five laps; from the second on the rear damper is lost out of corners 2 and 11.",
            "vellmoor-lost-damping.csv.gz",
            seed=12,
            laps=5,
            log_rate_hz=250.0,
            faults=OUT_OF_TWO_CORNERS,
        ),
        Scenario(
            "vellmoor-before",
            f"Seven laps, fork rebound {REBOUND_CLICKS_BEFORE} clicks from closed.",
            "vellmoor-before.csv.gz",
            seed=13,
            laps=7,
            log_rate_hz=200.0,
            bike=lambda: with_fork_rebound(demo_bike(), REBOUND_CLICKS_BEFORE),
            sheet_toml=_sheet("1", REBOUND_CLICKS_BEFORE, "rider: front stays down between the bumps"),
        ),
        Scenario(
            "vellmoor-after",
            f"Seven laps, fork rebound {REBOUND_CLICKS_AFTER} clicks from closed, nothing else changed.",
            "vellmoor-after.csv.gz",
            seed=14,
            laps=7,
            log_rate_hz=200.0,
            bike=lambda: with_fork_rebound(demo_bike(), REBOUND_CLICKS_AFTER),
            sheet_toml=_sheet("2", REBOUND_CLICKS_AFTER, "fork rebound opened, nothing else"),
        ),
        Scenario(
            "vellmoor-soft-fork",
            "Three laps on fork springs too soft for the pace: the fork bottoms at one place, every lap.",
            "vellmoor-soft-fork.csv.gz",
            seed=17,
            laps=3,
            log_rate_hz=200.0,
            bike=soft_fork_bike,
            bike_file="qb-6-soft-fork.toml",
            bike_toml=SOFT_FORK_TOML,
        ),
        Scenario(
            "vellmoor-plain",
            "One lap as plain text with commas, no row of units, slow channels held.",
            "vellmoor-plain.csv",
            seed=15,
            laps=1,
            log_rate_hz=200.0,
            riding=_SHORT,
            sensors=Sensors(slow_cells="hold", slow_hz=20.0),
            dialect=Dialect(units_row=False),
        ),
        Scenario(
            "qb3-semicolon",
            "One lap of the second machine: semicolons, decimal commas, counts, a beacon.",
            "qb3-semicolon.csv",
            seed=16,
            laps=1,
            log_rate_hz=200.0,
            bike=second_bike,
            bike_file="qb-3.toml",
            bike_toml=SECOND_BIKE_TOML,
            riding=_SHORT,
            sensors=Sensors(travel_unit="counts", lap_signal="beacon", speed_unit="m/s"),
            dialect=Dialect(delimiter=";", decimal=","),
        ),
    )
}


def simulate_scenario(scenario: Scenario) -> Outing:
    """Simulate a scenario on the Vellmoor Ring."""
    return simulate_outing(
        scenario.bike(),
        seed=scenario.seed,
        laps=scenario.laps,
        log_rate_hz=scenario.log_rate_hz,
        riding=scenario.riding,
        faults=scenario.faults,
        sensors=scenario.sensors,
        road_seed=VELLMOOR_ROAD_SEED,
    )


def write_scenario(scenario: Scenario, folder: str | Path) -> Outing:
    """Simulate a scenario and write its log, its bike file and its setup sheet into a folder.

    Parameters
    ----------
    folder : str or Path
        Must exist.
    """
    folder, outing, dialect = Path(folder), simulate_scenario(scenario), scenario.dialect
    write_log(
        outing,
        folder / scenario.file_name,
        delimiter=dialect.delimiter,
        decimal=dialect.decimal,
        units_row=dialect.units_row,
    )
    (folder / scenario.bike_file).write_bytes(scenario.bike_toml.encode())
    if scenario.sheet_toml is not None:
        (folder / scenario.sheet_file).write_bytes(scenario.sheet_toml.encode())
    return outing
