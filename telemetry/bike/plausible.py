"""What looks wrong in a bike file although it can be computed with: units, limits, sags that were measured."""

from collections.abc import Mapping

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.bike.bikefile import Bike, value_at
from telemetry.bike.leverage import leverage_curve, stroke_mm
from telemetry.bike.springs import GRAVITY_M_S2, sprung_load_n

# Natural frequency of the sprung mass on a motorcycle's spring, about 1.8 to 2.6 Hz in road racing (common
# practice, no source); a unit slip by 9.8 moves it by 3.1, one by 25.4 by 5.0, so half and double are told apart.
BODY_HZ = (1.2, 4.0)
_USUAL_HZ = 2.2
_USUAL_LOAD_N = 1050.0  # sprung load of an end with rider where the file has no [chassis]; common practice
_UNITS: Mapping[str, float] = {  # what a wrong unit multiplies the number by
    "kgf/mm": 1.0 / GRAVITY_M_S2,
    "N/in": 25.4,
    "lbf/in": 25.4 / 4.4482216152605,  # 1 lbf = 4.4482216152605 N, exact
    "N/cm": 10.0,
    "kgf/in": 25.4 / GRAVITY_M_S2,
}


def _body_hz(bike: Bike, end: End, rate_n_per_mm: float) -> float:
    load_n = sprung_load_n(bike, end) if bike.chassis else _USUAL_LOAD_N
    ratio = float(leverage_curve(bike, end).ratio(np.array([0.3 * stroke_mm(bike, end)]))[0])
    rate_n_m = 1e3 * rate_n_per_mm / ratio**2
    if load_n <= 0.0:  # the masses are placed beyond the axles: nothing to compare with
        return _USUAL_HZ
    return float(np.sqrt(rate_n_m * GRAVITY_M_S2 / load_n) / (2 * np.pi))


def unit_hint(bike: Bike, end: End) -> str:
    """Which unit a spring rate was probably written in, where N/mm is not plausible; "" where it is.

    Parameters
    ----------
    end : {"front", "rear"}

    Returns
    -------
    str
        Without a full stop.
    """
    rate = (bike.front if end == "front" else bike.rear).spring_rate_n_per_mm
    if rate is None:
        return ""
    body_hz = _body_hz(bike, end, rate)
    if BODY_HZ[0] <= body_hz <= BODY_HZ[1]:
        return ""
    unit, factor = min(_UNITS.items(), key=lambda item: abs(np.log(body_hz / np.sqrt(item[1]) / _USUAL_HZ)))
    corrected = rate / factor
    if not BODY_HZ[0] <= body_hz / np.sqrt(factor) <= BODY_HZ[1]:
        return (
            f"{rate:g} N/mm under this load is far from any motorcycle spring; check the rate and the masses"
        )
    times = factor if factor > 1 else 1 / factor
    return (
        f"{rate:g} looks like {unit} (a factor {times:.2f} {'too high' if factor > 1 else 'too low'}); "
        f"in N/mm it would be {corrected:.3g}"
    )


def bike_warnings(bike: Bike) -> tuple[str, ...]:
    """What looks wrong in a bike file, a sentence each, naming the file and key."""
    found = [
        f"{bike.source}: {end}.spring_rate_n_per_mm: {hint}."
        for end in ENDS
        if (hint := unit_hint(bike, end))
    ]
    found += [f"{bike.source}: {words}" for words in beyond_limits(bike)]
    return tuple(found)


def beyond_limit(bike: Bike, key: str, value: float) -> str:
    """How a value passes its limit in [adjusters]; "" where it does not, or has none.

    Parameters
    ----------
    value : float
        In the unit of the key.

    Returns
    -------
    str
        A sentence.
    """
    adjuster = bike.adjusters.get(key)
    if adjuster is not None and adjuster.max is not None and value > adjuster.max + 1e-9:
        return f"{key} = {value:g} is past its maximum of {adjuster.max:g}."
    if adjuster is not None and adjuster.min is not None and value < adjuster.min - 1e-9:
        return f"{key} = {value:g} is below its minimum of {adjuster.min:g}."
    return ""


def beyond_limits(bike: Bike) -> list[str]:
    """Values past the limits in [adjusters], a sentence each."""
    found = (beyond_limit(bike, key, value_at(bike, key)) for key in bike.adjusters)
    return [words for words in found if words]
