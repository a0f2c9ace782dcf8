import pytest

from telemetry.simulate import SCENARIOS, write_scenario


@pytest.fixture(scope="session")
def files(tmp_path_factory):
    """Log, bike file and setup sheet of one simulated lap."""
    folder = tmp_path_factory.mktemp("outing")
    scenario = SCENARIOS["vellmoor-plain"]
    write_scenario(scenario, folder)
    sheet = folder / "sheet.toml"
    sheet.write_text(
        'name = "Friday"\ndate = 2026-05-01\nplace = "Vellmoor Ring"\nouting = 2\n[rear]\npreload_mm = 9\n'
    )
    return folder / scenario.file_name, folder / scenario.bike_file, sheet


@pytest.fixture(scope="session")
def reviewed(files):
    """The review of that log, made once."""
    from telemetry.bike import load_bike
    from telemetry.logs import read_log
    from telemetry.review import review

    return review(read_log(files[0]), load_bike(files[1]))


@pytest.fixture
def quick(monkeypatch, reviewed):
    """Let `Logbook.add` take the review that is there, where the test is about storing."""
    monkeypatch.setattr("telemetry.logbook.logbook.review_log", lambda log, bike: reviewed)
