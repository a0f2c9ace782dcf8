"""One simulated lap to keep, and its review made once."""

from pathlib import Path

import pytest

__all__ = ["kept_files", "kept_review", "quick"]
FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="session")
def kept_files(tmp_path_factory):
    """Log, bike file and setup sheet of one simulated lap."""
    sheet = tmp_path_factory.mktemp("sheet") / "sheet.toml"
    sheet.write_text(
        'name = "Friday"\ndate = 2026-05-01\nplace = "Vellmoor Ring"\nouting = 2\n[rear]\npreload_mm = 9\n'
    )
    return FIXTURES / "vellmoor-plain.csv", FIXTURES / "qb-6.toml", sheet


@pytest.fixture(scope="session")
def kept_review(kept_files):
    """The review of that log, made once."""
    from telemetry.bike import load_bike
    from telemetry.logs import read_log
    from telemetry.review import review

    return review(read_log(kept_files[0]), load_bike(kept_files[1]))


@pytest.fixture
def quick(monkeypatch, kept_review):
    """Let `Logbook.add` take the review that is there, where the test is about storing."""
    monkeypatch.setattr("telemetry.logbook.logbook.review_log", lambda log, bike, circuit, cut: kept_review)
