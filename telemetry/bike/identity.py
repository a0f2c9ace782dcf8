"""Which damper is fitted, and when it was last serviced: `id` and `serviced` of [front.damper] and [rear.damper]."""

from datetime import date
from typing import Annotated, Any

from pydantic import Field, ValidationError, model_validator

from telemetry.bike.sections import Section

_KEYS = ("id", "serviced")
_CURVE = ("compression", "rebound", "dyno", "dyno_file")


class DamperIdentity(Section):
    """The damper that is fitted: what is engraved on it or written on its label, and the day of its last service."""

    id: Annotated[str, Field(min_length=1)]
    serviced: date | None = None


class WithIdentity(Section):
    """An end whose damper has an identity, with or without its curve.

    In the file ``id`` and ``serviced`` stand in the damper's section; here they are in ``fitted``, so that a damper
    without a curve has one as well.
    """

    fitted: DamperIdentity | None = None

    @model_validator(mode="before")
    @classmethod
    def _identity_of_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict) or not set(_KEYS) & set(damper):
            return data
        if "id" not in damper:
            raise ValueError("damper.serviced needs damper.id as well: which damper was it?")
        try:
            identity = DamperIdentity(**{key: damper[key] for key in _KEYS if key in damper})
        except ValidationError as error:
            wrong = error.errors()[0]["loc"][0]
            needed = "a name" if wrong == "id" else "a date such as 2026-05-01"
            raise ValueError(f"damper.{wrong} must be {needed}, not {damper[str(wrong)]!r}") from None
        rest = {key: value for key, value in damper.items() if key not in _KEYS}
        has_curve = any(key in rest for key in _CURVE)
        return {**data, "fitted": identity, "damper": rest if has_curve else None}
