"""The bike file that shows every key does."""

from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from telemetry.bike import Bike

SHOWS = (Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml").read_text(encoding="utf-8")


def models(kind: Any):
    """Every model that a type is made of."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield kind
    else:
        for part in get_args(kind):
            yield from models(part)


def keys(model: type[BaseModel], seen: set[type]) -> set[str]:
    """Names of all keys of a model and of what stands in it."""
    if model in seen:
        return set()
    seen.add(model)
    found = set()
    for name, field in model.model_fields.items():
        found.add(field.alias or name)
        for inner in models(field.annotation):
            found |= keys(inner, seen)
    return found


def test_the_file_that_shows_every_key_shows_every_key():
    every = keys(Bike, set()) - {"source"}  # where the file was read from
    assert {"wheelbase_mm", "measures", "rate_hz", "pivot_mm", "per_turn"} <= every
    assert sorted(key for key in every if key not in SHOWS) == []
