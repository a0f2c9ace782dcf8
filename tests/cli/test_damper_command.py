"""``bothends damper`` on two logs."""

from pathlib import Path

from telemetry.cli import main

FIXTURES = Path(__file__).parents[2] / "fixtures"


def test_two_logs_are_compared_without_a_logbook(capsys):
    # it ended with "something went wrong": the command had no --line and --circuit, which finding laps asks for
    log, bike = str(FIXTURES / "vellmoor-lost-damping.csv.gz"), str(FIXTURES / "qb-6.toml")
    assert main(["damper", log, log, "--bike", bike]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "all speeds" in said and "1.00 (" in said
    assert "suspected of lost damping" in said  # in both outings: no all-clear


def test_what_only_logs_have_is_no_option_of_a_logbook(capsys, tmp_path):
    assert main(["damper", "a", "b", "--logbook", str(tmp_path), "--line", "47.1,8.5"]) == 2
    assert "are for logs" in capsys.readouterr().err
