import pytest

from telemetry.logs import read_log
from telemetry.review import review
from telemetry.simulate import SCENARIOS, simulate_scenario, write_log


@pytest.fixture(scope="session")
def reviewed(tmp_path_factory):
    """Review of one simulated lap with both ends, GPS and a lap channel."""
    scenario = SCENARIOS["vellmoor-plain"]
    outing = simulate_scenario(scenario)
    path = tmp_path_factory.mktemp("report") / "lap.csv"
    write_log(outing, path)
    return review(read_log(path), scenario.bike())
