"""The review of one simulated lap with both ends, GPS and a lap channel."""

from pathlib import Path

import pytest

__all__ = ["reviewed"]
FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="session")
def reviewed():
    """Review, made once."""
    from telemetry.bike import load_bike
    from telemetry.logs import read_log
    from telemetry.review import review

    return review(read_log(FIXTURES / "vellmoor-plain.csv"), load_bike(FIXTURES / "qb-6.toml"))
