"""``bothends review --save-circuit`` and ``--circuit``: what one log found, the next one uses."""

import json
import tomllib

from tests.cli.cli_fixtures import files, run  # noqa: F401


def test_a_circuit_is_saved_named_and_used(run, files, tmp_path):  # noqa: F811
    log, bike = files
    kept, out = tmp_path / "ring.toml", tmp_path / "out.json"
    code, _, _ = run("review", log, "--bike", bike, "--save-circuit", kept)
    assert code == 0
    data = tomllib.loads(kept.read_text(encoding="utf-8"))
    assert len(data["corner"]) == 11  # the Vellmoor Ring's
    text = kept.read_text(encoding="utf-8").replace('number = 1\nname = ""', 'number = 1\nname = "Quarry"')
    kept.write_text(text, encoding="utf-8")
    code, _, _ = run("review", log, "--bike", bike, "--circuit", kept, "--json", out)
    assert code == 0
    corners = json.loads(out.read_text(encoding="utf-8"))["corners"]
    assert [corner["name"] for corner in corners] == ["Quarry", *[""] * 10]


def test_a_circuit_file_that_is_missing_is_one_line(run, files, tmp_path):  # noqa: F811
    log, bike = files
    code, _, err = run("review", log, "--bike", bike, "--circuit", tmp_path / "no.toml")
    assert code == 1
    assert "no such circuit file" in err
    assert err.count("\n") == 1
