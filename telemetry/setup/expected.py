"""What a known change of the set-up should move, so that it is looked at first. Physics, no source.

More damping in one direction makes that end slower in that direction: by itself, against the other end, and against its
own other direction, which temperature, fuel and pace leave alone; and its damping ratio rises. A stiffer spring or more
preload makes that end ride higher, and so changes the pitch.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from telemetry.arrays import ENDS, End
from telemetry.setup.evidence import Variance
from telemetry.setup.rows import Expected, LapValues, Row
from telemetry.setup.sheet import SetupSheet
from telemetry.summary import Metric, Summary

# Key of a sheet or bike file: which rows of an end, and 1 when more of it is firmer, -1 when it is softer: clicks are
# counted from fully closed.
_ACTS: Mapping[str, tuple[str, int]] = {
    "compression_clicks": ("compression", -1),
    "rebound_clicks": ("rebound", -1),
    "spring_rate_n_per_mm": ("height", 1),
    "preload_mm": ("height", 1),
}
# More rows than this at once are no question of their own any more.
MOST_ROWS = 7


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
    return (
        Expected(f"balance.{what}_slope", balance),
        Expected(f"{end}.asymmetry", own),
        Expected(f"{end}.speed.{what}_mm_s", -firmer),
        Expected(f"{end}.damping.{what}", firmer),  # where both runs tell it
    )


def known_change(
    sheet_a: SetupSheet | None,
    sheet_b: SetupSheet | None,
    bike_a: Mapping[str, float],
    bike_b: Mapping[str, float],
) -> KnownChange:
    """Difference of two setup sheets or else bike files, without rows that two changes move in opposite directions."""
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


# A few degrees of oil change the damping of one outing against another by this share (standard deviation). Common
# practice, no source.
OUTING_SHARE = 0.03


def damping_rows(a: Summary, b: Summary) -> tuple[Row, ...]:
    """Damping ratio rows of each end in compression and rebound, where both runs tell it.

    Their variance is that of the two estimates and of what outings differ by.
    """
    one, other = (run.balance.damping for run in (a, b))
    if one is None or other is None:
        return ()
    rows = []
    for end in ENDS:
        if end not in one.ends or end not in other.ends:
            continue
        for direction in ("compression", "rebound"):
            values = [float(getattr(side.ends[end], direction)) for side in (one, other)]
            sds = [float(getattr(side.ends[end], f"{direction}_log_sd")) for side in (one, other)]
            variance = sum(
                value**2 * (sd**2 + OUTING_SHARE**2) for value, sd in zip(values, sds, strict=True)
            )
            metric = Metric(
                f"{end}.damping.{direction}", f"{end} damping ratio, {direction}", "", (), lambda lap: None
            )
            before, after = (LapValues((), (), value, None) for value in values)
            rows.append(Row(metric, before, after, given=Variance(variance, float("inf"))))
    return tuple(rows)
