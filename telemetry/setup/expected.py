"""What a known change of the set-up should move, so that it is looked at first. Physics, no source.

More damping in one direction makes that end slower in that direction: against the other end, and against its own other
direction, which temperature, fuel and pace leave alone. A stiffer spring or more preload makes that end ride higher,
and so changes the pitch.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.arrays import ENDS, End
from telemetry.setup.rows import Expected
from telemetry.setup.sheet import SetupSheet

# Key of a sheet or bike file: which rows of an end, and 1 when more of it is firmer, -1 when it is softer: clicks are
# counted from fully closed.
_ACTS: Mapping[str, tuple[str, int]] = {
    "compression_clicks": ("compression", -1),
    "rebound_clicks": ("rebound", -1),
    "spring_rate_n_per_mm": ("height", 1),
    "preload_mm": ("height", 1),
}
# More rows than this at once are no question of their own any more.
MOST_ROWS = 4


@dataclass(frozen=True)
class KnownChange:
    """Rows that should move, and the ends that were changed."""

    rows: tuple[Expected, ...]
    ends: tuple[End, ...]

    def apart(self, key: str) -> bool:
        """Whether a row rests on no end that was changed."""
        if not self.ends:
            return True
        other = [end for end in ENDS if end not in self.ends]
        return key == "lap.time_s" or any(key.startswith(f"{end}.") for end in other)


NOTHING_KNOWN = KnownChange((), ())


def _moves(end: End, what: str, firmer: int) -> tuple[Expected, ...]:
    """Rows that more (1) or less (-1) of something at one end moves."""
    # rear over front, and pitch nose down: the front acts the other way round
    balance = firmer if end == "front" else -firmer
    if what == "height":
        return Expected(f"{end}.travel.median_mm", -firmer), Expected("pitch.mean_deg", -balance)
    own = -firmer if what == "compression" else firmer  # compression over rebound
    return Expected(f"balance.{what}_slope", balance), Expected(f"{end}.asymmetry", own)


def known_change(
    sheet_a: SetupSheet | None,
    sheet_b: SetupSheet | None,
    bike_a: Mapping[str, float],
    bike_b: Mapping[str, float],
) -> KnownChange:
    """What differs between two setup sheets or, where they do not say, between two bike files.

    Parameters
    ----------
    bike_a, bike_b : mapping of str to float
        ``Summary.bike_values``.

    Returns
    -------
    KnownChange
        Without rows that two changes move in opposite directions.
    """
    found: dict[str, int] = {}
    opposed: set[str] = set()
    ends: list[End] = []
    for end in ENDS:
        for key, (what, sign) in _ACTS.items():
            sides = (_value(sheet_a, bike_a, end, key), _value(sheet_b, bike_b, end, key))
            before, after = _both(*sides)
            if before is None or after is None or before == after:
                continue
            ends += [end] if end not in ends else []
            for row in _moves(end, what, sign if after > before else -sign):
                if found.setdefault(row.key, row.sign) != row.sign:
                    opposed.add(row.key)
    rows = tuple(Expected(key, sign) for key, sign in found.items() if key not in opposed)
    return KnownChange(rows if len(rows) <= MOST_ROWS else (), tuple(ends))


def _value(
    sheet: SetupSheet | None, bike: Mapping[str, float], end: End, key: str
) -> tuple[float | None, float | None]:
    """What the sheet and what the bike file say."""
    written = None if sheet is None else getattr(getattr(sheet, end), key)
    return written, bike.get(f"{end}.{key}")


def _both(
    a: tuple[float | None, float | None], b: tuple[float | None, float | None]
) -> tuple[float | None, float | None]:
    """The sheets' values where both have one, else the bike files'."""
    return (a[0], b[0]) if a[0] is not None and b[0] is not None else (a[1], b[1])
