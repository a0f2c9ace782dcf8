"""The demo logs and a few simulated outings, reviewed once for every test that asks."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.bike import load_bike
from telemetry.logs import read_log
from telemetry.review import Review, review
from telemetry.simulate import SCENARIOS, write_scenario

FIXTURES = Path(__file__).parents[1] / "fixtures"
# Other seeds and fewer laps of the demo's scenarios; without its sensor the front is not judged.
SIMULATED = {
    "soft fork, other seed": ("vellmoor-soft-fork", 1401, True),
    "lost damping, other seed": ("vellmoor-lost-damping", 1402, True),
    "rear alone": ("vellmoor-clean", 1403, False),
}


@cache
def demo_review(name: str) -> Review:
    """The review of a demo log, by the name of its scenario."""
    scenario = SCENARIOS[name]
    return review(read_log(FIXTURES / scenario.file_name), load_bike(FIXTURES / scenario.bike_file))


@cache
def simulated_review(name: str) -> Review:
    """The review of one of `SIMULATED`."""
    base, seed, both = SIMULATED[name]
    scenario = SCENARIOS[base]
    scenario = replace(scenario, laps=2, seed=seed, file_name="log.csv")
    with TemporaryDirectory() as place:
        write_scenario(scenario, place)
        bike = load_bike(Path(place) / scenario.bike_file)
        log = read_log(Path(place) / scenario.file_name)
    return review(
        log,
        bike if both else bike.model_copy(update={"front": bike.front.model_copy(update={"sensor": None})}),
    )
