"""Which damper is fitted: `id` and `serviced`, with or without the damper's curve."""

from datetime import date
from pathlib import Path

import pytest

from telemetry.bike import load_bike
from telemetry.errors import BikeFileError

FIXTURES = Path(__file__).parents[2] / "fixtures"


def bike_with(tmp_path, lines, *, curve=True):
    kept, inside = [], False
    for line in (FIXTURES / "qb-6.toml").read_text().splitlines():
        inside = line.startswith("[rear.damper]") or (inside and not line.startswith("["))
        if curve or not inside:
            kept.append(line)
        if line.startswith("[rear.damper]"):
            kept += ([] if curve else ["[rear.damper]"]) + [lines]
    path = tmp_path / "bike.toml"
    path.write_text("\n".join(kept))
    return load_bike(path)


def test_a_damper_without_a_curve_has_a_name_as_well(tmp_path):
    rear = bike_with(tmp_path, 'id = "QB-R1"', curve=False).rear
    assert rear.fitted.id == "QB-R1" and rear.fitted.serviced is None
    assert rear.damper is None


def test_a_damper_has_a_name_and_a_day_of_service(tmp_path):
    plain = load_bike(FIXTURES / "qb-6.toml")
    bike = bike_with(tmp_path, 'id = "QB-R1"\nserviced = 2026-05-01')
    assert (bike.rear.fitted.id, bike.rear.fitted.serviced) == ("QB-R1", date(2026, 5, 1))
    assert bike.rear.damper == plain.rear.damper  # its curve, or that there is none, stays
    assert plain.rear.fitted is None


@pytest.mark.parametrize(
    ("lines", "key"),
    [
        ("serviced = 2026-05-01", "damper.serviced needs damper.id as well"),
        ('id = ""', "damper.id must be a name, not ''"),
        ('id = "QB-R1"\nserviced = "in May"', "damper.serviced must be a date such as 2026-05-01"),
    ],
)
def test_what_is_wrong_is_named_with_its_key(tmp_path, lines, key):
    with pytest.raises(BikeFileError, match=key):
        bike_with(tmp_path, lines)
