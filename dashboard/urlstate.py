"""What is on the screen, as a frozen value, and as the query string of the address.

Query strings are typed, pasted and made up by strangers: `parse` takes any text and never raises. It says
nothing of whether a run or a lap exists; a page finds that out by asking the logbook.
"""

import math
import re
from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qs, urlencode

from telemetry.plaintext import plain
from telemetry.report import Against
from telemetry.season import GROUPS, GroupBy
from telemetry.summary import Plane

LapChoice = int | Literal["worst", "whole"]

# Ids are made by the logbook; anything else in the address is not one and is not looked up.
_MOST_LETTERS = 200
# Runs of a comparison beside the two it is of; more lines on one picture are not told apart.
MOST_ALSO = 6
_RUN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")

# Keys of the bike file with numbers, each with the letter that says what is done with it.
_STAND = re.compile(r"(?:[cmt]:[a-z_.]{1,60}=[+-]?[0-9.]{1,12},?){0,30}")


@dataclass(frozen=True)
class View:
    """One state of a page.

    Parameters
    ----------
    run : str
        Run id, "" when none is chosen.
    other : str
        The run it is compared with, "" when none.
    also : tuple of str
        Further runs of a comparison.
    lap : int, "worst" or "whole"
        A lap by its number, the one with the worst event (the quickest where there is none), or the whole run.
    plane : {"wheel", "shaft"}
        Where travel and speed are taken.
    against : {"distance", "time"}
        What a lap is drawn against; a whole run is always drawn against time.
    zoom : (float, float) or None
        Shown stretch of the horizontal axis, in its unit, rising; None is all of it. [m or s]
    draft : str
        A log that is being brought in, or a prediction, "" when none.
    stand : str
        What is asked of the stand: changes, measured sags and targets, such as ``c:rear.preload_mm=+2,m:...``.
    metric : str
        Key of the number of a season, "" for the first.
    by : {"circuit", "bike", "date"}
        What the runs of a season are put together by.
    bike : str
        Only runs of this bike in a season, "" for all.
    """

    run: str = ""
    other: str = ""
    also: tuple[str, ...] = ()
    lap: LapChoice = "worst"
    plane: Plane = "wheel"
    against: Against = "distance"
    zoom: tuple[float, float] | None = None
    draft: str = ""
    stand: str = ""
    metric: str = ""
    by: GroupBy = "circuit"
    bike: str = ""


def parse(search: str | None) -> View:
    """Read the query of an address; whatever cannot be understood is left at its default.

    Parameters
    ----------
    search : str or None
        With or without the leading question mark. Of a repeated name the first value counts.
    """
    try:
        query = parse_qs((search or "").removeprefix("?"), max_num_fields=50)
    except ValueError:
        return View()
    values = {name: found[0] for name, found in query.items()}
    return View(
        run=_run_id(values.get("run", "")),
        other=_run_id(values.get("other", "")),
        also=_run_ids(values.get("also", "")),
        lap=_lap(values.get("lap", "")),
        plane="shaft" if values.get("at") == "shaft" else "wheel",
        against="time" if values.get("against") == "time" else "distance",
        zoom=_zoom(values.get("from", ""), values.get("to", "")),
        draft=_run_id(values.get("draft", "")),
        stand=text if _STAND.fullmatch(text := values.get("stand", "")) else "",
        metric=plain(values.get("metric", ""))[:_MOST_LETTERS],
        by=next((by for by in GROUPS if values.get("by") == by), GROUPS[0]),
        bike=plain(values.get("bike", ""))[:_MOST_LETTERS],
    )


def to_query(view: View) -> str:
    """The query of an address, with its question mark; "" for a view at its defaults."""
    pairs: list[tuple[str, str]] = []
    if view.run:
        pairs.append(("run", view.run))
    if view.other:
        pairs.append(("other", view.other))
    if view.also:
        pairs.append(("also", ",".join(view.also)))
    if view.lap != "worst":
        pairs.append(("lap", str(view.lap)))
    if view.plane != "wheel":
        pairs.append(("at", view.plane))
    if view.against != "distance":
        pairs.append(("against", view.against))
    if view.zoom is not None:
        pairs += [("from", repr(view.zoom[0])), ("to", repr(view.zoom[1]))]
    if view.draft:
        pairs.append(("draft", view.draft))
    if view.stand:
        pairs.append(("stand", view.stand))
    if view.metric:
        pairs.append(("metric", view.metric))
    if view.by != GROUPS[0]:
        pairs.append(("by", view.by))
    if view.bike:
        pairs.append(("bike", view.bike))
    return "?" + urlencode(pairs) if pairs else ""


def _run_id(text: str) -> str:
    return text if _RUN_ID.fullmatch(text) else ""


def _run_ids(text: str) -> tuple[str, ...]:
    found = dict.fromkeys(run for part in text.split(",") if (run := _run_id(part)))
    return tuple(found)[:MOST_ALSO]


def _lap(text: str) -> LapChoice:
    if text == "whole":
        return "whole"
    return int(text) if re.fullmatch(r"[0-9]{1,4}", text, re.ASCII) else "worst"


def _zoom(start: str, end: str) -> tuple[float, float] | None:
    try:
        low, high = float(start), float(end)
    except ValueError:
        return None
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        return None
    return low, high
