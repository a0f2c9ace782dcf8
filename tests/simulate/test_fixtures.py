"""The committed demo logs are what the scenarios make."""

import gzip
from pathlib import Path

import numpy as np
import pytest

from telemetry.bike import load_bike
from telemetry.setup import load_sheet
from telemetry.simulate import SCENARIOS, Vehicle, demo_bike, vellmoor_ring, write_scenario
from telemetry.simulate.faults import damper_drives
from telemetry.simulate.riding import ride_circuit

FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.mark.parametrize("name", ["vellmoor-clean", "qb3-semicolon"])
def test_made_again_bit_for_bit(name, tmp_path):
    scenario = SCENARIOS[name]
    write_scenario(scenario, tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert scenario.file_name in made
    for file in made:
        new, old = (tmp_path / file).read_bytes(), (FIXTURES / file).read_bytes()
        if file.endswith(".gz"):
            # the text bit for bit; how gzip packs it is up to the zlib at hand
            new, old = gzip.decompress(new), gzip.decompress(old)
        assert new == old, file


def test_every_scenario_is_there_small_and_described():
    about = (FIXTURES / "README.md").read_text()
    for scenario in SCENARIOS.values():
        size = (FIXTURES / scenario.file_name).stat().st_size
        assert size < 2e6
        assert f"`{scenario.file_name}`" in about
        assert f"`{scenario.bike_file}`" in about
        assert (FIXTURES / scenario.bike_file).read_text() == scenario.bike_toml
    assert sum(path.stat().st_size for path in FIXTURES.iterdir() if path.is_file()) < 15e6


def test_bike_files_and_sheets_are_valid():
    for scenario in SCENARIOS.values():
        assert load_bike(FIXTURES / scenario.bike_file).chassis is not None
        if scenario.sheet_toml is not None:
            sheet = load_sheet(FIXTURES / scenario.sheet_file)
            assert sheet.front.rebound_clicks in (5, 12)


def test_the_lost_damping_log_loses_it_out_of_two_corners():
    scenario, ring = SCENARIOS["vellmoor-lost-damping"], vellmoor_ring()
    # ridden as the outing is ridden, without working out how the motorcycle moved
    ridden = ride_circuit(
        ring, Vehicle(demo_bike()), scenario.riding, scenario.laps, np.random.default_rng(0)
    )
    _, stretches = damper_drives(scenario.faults, ridden, ring.length_m)
    assert len(stretches) == 8
    ends = {corner.number: corner.end_m for corner in ring.corners}
    for stretch in stretches:
        assert stretch.end == "rear"
        assert 1.5 < stretch.end_s - stretch.start_s < 2.5
        place = np.interp(stretch.start_s, ridden.t_s, ridden.distance_m) % ring.length_m
        assert min(abs(place - ends[2]), abs(place - ends[11])) < 15.0
