"""The outings of the demo data: the fixtures are made from these, and so are the demo commands' logs.

Invented throughout: circuit Vellmoor Ring, Team Quillback, machines QB-6 and QB-3, rider 1.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from telemetry.bike import Bike
from telemetry.simulate.demobike import (
    DEMO_BIKE_TOML,
    SECOND_BIKE_TOML,
    SOFT_FORK_TOML,
    demo_bike,
    second_bike,
    soft_fork_bike,
    with_fork_rebound,
)
from telemetry.simulate.faults import Fault, LostDamping
from telemetry.simulate.logfile import write_log
from telemetry.simulate.outing import Outing, simulate_outing
from telemetry.simulate.riding import Riding
from telemetry.simulate.sensors import Sensors
from telemetry.simulate.vellmoor import VELLMOOR_ROAD_SEED

# Out of corners 2 and 11, from the second timed lap on: about two seconds under power each time.
OUT_OF_TWO_CORNERS = tuple(
    LostDamping(start_m, end_m, laps=(2, 3, 4, 5)) for start_m, end_m in ((922.0, 992.0), (2485.0, 2570.0))
)
REBOUND_CLICKS_BEFORE, REBOUND_CLICKS_AFTER = 5, 12


@dataclass(frozen=True)
class Dialect:
    """How a log's text looks."""

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
    """Ride a scenario, on the Vellmoor Ring as it always is."""
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
