"""Which column means what, on the demo logs, whose columns are known; remembered in one step."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.logs import read_log
from telemetry.logs.mapping import MEANINGS, config_directory, propose, recall, remember, shape
from telemetry.logs.rawlog import RawLog

FIXTURES = Path(__file__).parents[2] / "fixtures"
TRUTH = {meaning: meaning for meaning in MEANINGS if meaning not in ("beacon", "acceleration")} | {
    "front": "fork",
    "rear": "shock",
}


@pytest.fixture(scope="module")
def clean():
    return read_log(FIXTURES / "vellmoor-clean.csv.gz")


def renamed(log, names, *, units=True):
    return replace(
        log,
        columns={names.get(n, n): values for n, values in log.columns.items()},
        units={names.get(n, n): unit for n, unit in log.units.items()} if units else {},
    )


def found(log):
    return {proposal.meaning: proposal.column for proposal in propose(log)}


def test_names_units_and_behaviour_together(clean):
    assert found(clean) == TRUTH
    assert all(proposal.confidence > 0.75 for proposal in propose(clean))
    reasons = {proposal.meaning: "; ".join(proposal.reasons) for proposal in propose(clean)}
    assert "rises when speed falls" in reasons["front"] and "named 'fork'" in reasons["front"]
    assert "rises when speed rises" in reasons["rear"]
    assert "goes as the position moves" in reasons["speed"]


@pytest.mark.parametrize("log", ["vellmoor-clean.csv.gz", "vellmoor-before.csv.gz", "vellmoor-lost-damping.csv.gz",
                                 "vellmoor-plain.csv"])  # fmt: skip
def test_behaviour_alone(log):
    # no names, no units, and the columns in another order
    named = read_log(FIXTURES / log)
    order = sorted(named.columns, key=lambda name: name[::-1])
    hidden = {name: f"A{number}" for number, name in enumerate(order)}
    anonymous = renamed(replace(named, columns={n: named.columns[n] for n in order}), hidden, units=False)
    proposals = {proposal.meaning: proposal for proposal in propose(anonymous)}
    places = {hidden["latitude"], hidden["longitude"]}
    for meaning, name in TRUTH.items():
        if meaning in ("latitude", "longitude"):  # nothing in the values says which is which
            assert proposals[meaning].column in places
        else:
            assert proposals[meaning].column == hidden[name], meaning
    assert all(proposal.confidence < 0.5 for proposal in proposals.values())  # guesses, and said to be


@pytest.mark.parametrize(("name", "unit", "scale"), [("long acc", "g", 1 / 9.80665), ("A12", "", 1.0)])
def test_acceleration_along_the_motorcycle(clean, name, unit, scale):
    speed_m_s = clean.columns["speed"] / 3.6
    rows = np.flatnonzero(np.isfinite(speed_m_s))
    t_s = clean.columns["time"]
    along = np.interp(t_s, t_s[rows], np.gradient(speed_m_s[rows], t_s[rows])) * scale
    log = replace(clean, columns={**clean.columns, name: along}, units={**clean.units, name: unit})
    proposals = {proposal.meaning: proposal for proposal in propose(log)}
    assert proposals["acceleration"].column == name
    assert "goes as speed gains and falls" in "; ".join(proposals["acceleration"].reasons)
    assert {m: p.column for m, p in proposals.items() if m != "acceleration"} == TRUTH


def test_swapped_names_lower_the_confidence(clean):
    proposals = {p.meaning: p for p in propose(renamed(clean, {"fork": "shock", "shock": "fork"}))}
    assert proposals["front"].confidence < 0.75 and proposals["rear"].confidence < 0.75


def test_a_sensor_upside_down_is_said_not_guessed_away():
    log = read_log(FIXTURES / "qb3-semicolon.csv")
    proposals = {p.meaning: p for p in propose(log)}
    assert (proposals["front"].column, proposals["rear"].column) == ("adc1", "adc2")
    assert proposals["front"].confidence <= 0.3
    assert "upside down" in proposals["front"].reasons[0]


def test_units_of_something_else_rule_a_column_out(clean):
    log = replace(clean, units={**clean.units, "fork": "degC"})
    assert found(log)["front"] != "fork" if "front" in found(log) else True


def test_no_evidence_no_proposal():
    rng = np.random.default_rng(5)
    log = RawLog("noise.csv", {f"A{i}": rng.standard_normal(5000) for i in range(4)}, {})
    assert {p.meaning for p in propose(log)} <= {"front", "rear", "lean"}
    assert all(p.confidence < 0.5 for p in propose(log))


@pytest.fixture
def config(tmp_path, monkeypatch):
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "config"))
    return tmp_path / "config"


def test_what_was_confirmed_is_remembered_for_the_same_shape(clean, config):
    assert recall(clean) == {}
    assert remember(clean, {"front": "fork"}) == config / "channels.json"
    remember(clean, {"rear": "shock"})
    another_day = replace(clean, columns={n: v[:100] for n, v in reversed(list(clean.columns.items()))})
    assert recall(another_day) == {"front": "fork", "rear": "shock"}
    assert recall(renamed(clean, {"fork": "pot"})) == {}
    assert shape(replace(clean, units={**clean.units, "fork": "mV"})) != shape(clean)
    assert [path.name for path in config.iterdir()] == ["channels.json"]


@pytest.mark.parametrize("content", ["", "[1]", "{", '{"x": 3}', "\udcff"])
def test_a_damaged_memory_is_no_memory(clean, config, content):
    config.mkdir()
    (config / "channels.json").write_bytes(content.encode("utf-8", "surrogateescape"))
    assert recall(clean) == {}
    remember(clean, {"front": "fork"})
    assert recall(clean) == {"front": "fork"}
    json.loads((config / "channels.json").read_text())


def test_no_place_to_remember_is_no_failure(clean, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "file" / "below"))
    assert remember(clean, {"front": "fork"}) is None and recall(clean) == {}


def test_the_directory_follows_the_systems_custom(monkeypatch):
    monkeypatch.delenv("BOTHENDS_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", "/somewhere")
    monkeypatch.setattr("sys.platform", "linux")
    assert config_directory() == Path("/somewhere/bothends")  # XDG Base Directory Specification
    monkeypatch.setattr("sys.platform", "darwin")
    assert config_directory().parts[-3:] == ("Library", "Application Support", "bothends")
