"""The demo bike at the stand, and as a dictionary to change."""

from pathlib import Path

from telemetry.bike import load_bike, parse_bike

STAND_BIKE = Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml"


def stand_bike():
    return load_bike(STAND_BIKE)


def stand_bike_data():
    return stand_bike().model_dump(exclude_none=True)


def with_values(**changes):
    """The demo bike with values set at keys written with two underscores for the dot."""
    data = stand_bike_data()
    for key, value in changes.items():
        *path, name = key.split("__")
        place = data
        for part in path:
            place = place.setdefault(part, {})
        if value is None:
            place.pop(name, None)
        else:
            place[name] = value
    return parse_bike(data, source="bike.toml")
