"""Add a log: what its columns look like and probably mean, then from the answers to the bike file and the run."""

from collections.abc import Mapping
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast

import numpy as np

from dashboard.desk.jobs import Progress
from telemetry.arrays import ENDS, FloatArray
from telemetry.batch import run_here
from telemetry.bike import load_bike
from telemetry.errors import BothEndsError, LogError
from telemetry.logbook import Draft, Logbook, RunEntry, Words
from telemetry.logs import LIKELY, MEANINGS, STRONG, RawLog, compression_fits, read_log, remember
from telemetry.numeric import finite
from telemetry.report import check_log, thinned
from telemetry.review import KEYS, NewBike, column_meanings, new_bike
from telemetry.signals import read_stamps

# A small trace is drawn this wide and high; enough to see braking from standing still in an outing.
TRACE_WIDTH, TRACE_HEIGHT = 600, 40
_POINTS = 600
# From this size on a process of its own starts faster than it reads. Own choice.
LARGE_BYTES = 100 * 1024**2


def preview_apart(path: Path) -> dict[str, Any]:
    """`preview_of`; of a large log in another process, which gives its memory back when it ends. Raises likewise."""
    if path.stat().st_size < LARGE_BYTES:
        return preview_of(path)
    with closing(run_here([path], _preview_or_fault, _lost, workers=1)) as done:
        ((_, found),) = done
    if isinstance(found, str):
        raise LogError(found)
    return found


def _preview_or_fault(path: Path) -> dict[str, Any] | str:
    try:
        return preview_of(path)
    except BothEndsError as error:
        return str(error)


def _lost(path: Path) -> str:
    return f"{path.name}: there is not enough memory to read it; cut the log and bring its parts in."


def preview_of(path: Path) -> dict[str, Any]:
    """Read a log and say what is in it, as JSON values.

    Raises
    ------
    BothEndsError
        One of its kinds, if the log cannot be read.
    """
    log = read_log(path)
    meanings = column_meanings(log, {}, None)
    check = check_log(log, meanings=meanings)
    at, duration_s = _times(log, next((p.column for p in meanings if p.meaning == "time"), None))
    columns = {p.meaning: p.column for p in meanings}
    ends = {end: columns[end] for end in ENDS if end in columns}
    fits = compression_fits(log, ends, columns["speed"]) if "speed" in columns else {}
    return {
        "rows": check.rows,
        "compression": {end: finite(fit) for end, fit in fits.items()},
        "duration_s": duration_s,
        "dialect": check.dialect,
        "columns": [
            {
                "name": column.name,
                "unit": column.unit,
                "rate_hz": column.rate_hz,
                "least": finite(column.least),
                "most": finite(column.most),
                "blank_share": column.blank_share,
                "trace": _trace(at, log.columns[column.name]),
            }
            for column in check.columns
        ],
        "meanings": [
            {
                "meaning": p.meaning,
                "column": p.column,
                "reasons": list(p.reasons),
                "said": p.confidence == 1,
                "likely": p.confidence >= LIKELY,
            }
            for p in meanings
        ],
        "notes": [asdict(note) for note in check.quality],
    }


def _times(log: RawLog, column: str | None) -> tuple[FloatArray, float | None]:
    """Where each row lies from 0 to 1, by the clock where there is one; and how long the log is. [s]"""
    even = np.linspace(0.0, 1.0, max(log.n_rows, 1))
    if column is None:
        return even, None
    try:
        t_s = read_stamps(log, column).t_s
    except BothEndsError:
        return even, None
    good = np.isfinite(t_s)
    if np.count_nonzero(good) < 2 or np.nanmax(t_s) <= np.nanmin(t_s):
        return even, None
    t_s = np.maximum.accumulate(np.interp(np.arange(len(t_s)), np.flatnonzero(good), t_s[good]))
    return (t_s - t_s[0]) / (t_s[-1] - t_s[0]), float(t_s[-1] - t_s[0])


def _trace(at: FloatArray, values: FloatArray) -> str:
    """Path of a column's trace in a box of `TRACE_WIDTH` by `TRACE_HEIGHT`, "" where it holds no number."""
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return ""
    x, y = thinned(at[good], values[good], _POINTS)
    low, high = float(y.min()), float(y.max())
    share = (y - low) / (high - low) if high > low else np.full(len(y), 0.5)
    places = zip(TRACE_WIDTH * x, 2 + (TRACE_HEIGHT - 4) * (1 - share), strict=True)
    return "M" + " ".join(f"{a:.0f},{b:.0f}" for a, b in places)


NEW_BIKE, BIKE_FILE = "new", "file"
RUN_WORDS = tuple(Words.__annotations__)
# Words of units that a sensor which is in mm already has in the log.
_ALREADY_MM = ("mm",)


class Faults(BothEndsError):
    """What a form holds that cannot be used, by name of the field; "" for the form as a whole."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__("; ".join(faults.values()))
        self.faults = dict(faults)


def known_bikes(logbook: Logbook) -> dict[str, RunEntry]:
    """The newest run of each motorcycle in a logbook, by the motorcycle's name."""
    found: dict[str, RunEntry] = {}
    for entry in logbook.runs():
        found.setdefault(entry.bike, entry)
    return found


def first_answers(preview: Mapping[str, Any], bikes: Mapping[str, RunEntry]) -> dict[str, str]:
    """What a form begins with: the likely columns, and the newest motorcycle where the logbook knows one."""
    columns = [column["name"] for column in preview["columns"]]
    said = {f"meaning.{columns.index(p['column'])}": p["meaning"] for p in preview["meanings"]}
    units = {
        p["meaning"]: preview["columns"][columns.index(p["column"])]["unit"] for p in preview["meanings"]
    }
    said["bike"] = next((entry.run_id for entry in bikes.values()), NEW_BIKE)
    for end in ENDS:
        said[f"{end}.calibration"] = "sheet"
        if (preview.get("compression", {}).get(end) or 0.0) < -STRONG:
            said[f"{end}.falls"] = "yes"
        if units.get(end) in _ALREADY_MM:
            said |= {f"{end}.sensor.mm_per_unit": "1", f"{end}.sensor.zero": "0"}
    said["rear.leverage"] = "table"
    return said


def proposals(preview: Mapping[str, Any]) -> dict[str, tuple[str, str]]:
    """Proposed column and the reasons for it, by meaning."""
    return {p["meaning"]: (p["column"], "; ".join(p["reasons"])) for p in preview["meanings"]}


def columns_said(said: Mapping[str, str], names: list[str]) -> dict[str, str]:
    """Column by meaning. Raises `Faults` where one meaning is given to two columns, or no end is."""
    found: dict[str, str] = {}
    faults: dict[str, str] = {}
    for place, name in enumerate(names):
        meaning = said.get(f"meaning.{place}", "")
        if not meaning:
            continue
        if meaning not in MEANINGS:
            faults[f"meaning.{place}"] = "is no meaning that a column can have."
        elif meaning in found:
            faults[f"meaning.{place}"] = f"{found[meaning]!r} is this already; only one column can be."
        else:
            found[meaning] = name
    if not faults and not found.keys() & set(ENDS):
        faults["meaning"] = (
            "Say which column is the travel of fork or shock: without one there is nothing to review."
        )
    if not faults and "time" not in found and not said.get("channels.rate_hz", "").strip():
        faults["channels.rate_hz"] = (
            "No column is the time: choose it, or say how many samples there are in a second."
        )
    if faults:
        raise Faults(faults)
    return found


def bike_of(
    said: Mapping[str, str], columns: Mapping[str, str], proposed: Mapping[str, tuple[str, str]]
) -> NewBike:
    """The new bike file of a form: `telemetry.review.new_bike` on its answers and its columns.

    Parameters
    ----------
    columns : mapping of str to str
        By meaning.
    proposed : mapping of str to (column, reasons)
        By meaning: one that was taken back is written down as none.
    """
    answers = {key: text for key, text in said.items() if not key.startswith(("meaning.", "run.", "bike"))}
    why = dict[str, str]()
    for meaning in (*KEYS, *ENDS):
        key = f"{meaning}.sensor.channel" if meaning in ENDS else f"channels.{meaning}"
        if meaning in columns:
            column, reasons = proposed.get(meaning, ("", ""))
            answers[key], why[key] = columns[meaning], reasons if column == columns[meaning] else ""
        elif meaning in ENDS:
            answers[f"{meaning}.calibration"] = "none"
        elif meaning in proposed and meaning != "time":
            answers[key], why[key] = "", f"the log has none; {proposed[meaning][0]!r} is something else"
    return new_bike(answers, why)


@dataclass(frozen=True)
class Addition:
    """A draft that is ready to be reviewed: everything checked that can be checked before."""

    bike_text: str
    bike_run: str
    columns: dict[str, str]
    rate_hz: str
    words: Words


def ready(said: Mapping[str, str], preview: Mapping[str, Any], logbook: Logbook) -> Addition:
    """What a form says, checked. Raises `Faults`."""
    columns = columns_said(said, [column["name"] for column in preview["columns"]])
    words = cast(
        Words, {word: text.strip() for word in RUN_WORDS if (text := said.get(f"run.{word}", "")).strip()}
    )
    rate_hz = said.get("channels.rate_hz", "").strip() if "time" not in columns else ""
    bike = said.get("bike", NEW_BIKE)
    if bike == NEW_BIKE:
        made = bike_of(said, columns, proposals(preview))
        if made.bike is None:
            raise Faults(made.faults)
        return Addition(made.text, "", columns, rate_hz, words)
    if bike == BIKE_FILE:
        text = said.get("bike.text", "")
        try:
            with TemporaryDirectory(prefix="bothends-") as place:
                path = Path(place) / "bike.toml"
                path.write_text(text, encoding="utf-8")
                load_bike(path, beside=True)
        except BothEndsError as error:
            said_of = getattr(error, "faults", ()) or (str(error).partition(": ")[2] or str(error),)
            raise Faults({"bike.text": " ".join(said_of)}) from None
        return Addition(text, "", columns, rate_hz, words)
    return Addition("", logbook.entry(bike).run_id, columns, rate_hz, words)


def add(logbook: Logbook, draft: Draft, addition: Addition, progress: Progress) -> str:
    """Review a draft's log and keep it; its columns are remembered for logs of this shape. Returns the run id."""
    with TemporaryDirectory(prefix="bothends-", dir=draft.log.parent.parent) as place:
        bike_path = Path(place) / "bike.toml"
        if addition.bike_run:
            bike_path = logbook.store.bike(addition.bike_run)
        else:
            bike_path.write_text(addition.bike_text, encoding="utf-8")
        run_id = logbook.add(
            draft.log, bike_path, channels=_channels(addition, bike_path), progress=progress, **addition.words
        )
    remember(logbook.log(run_id), addition.columns)
    return run_id


def _channels(addition: Addition, bike_path: Path) -> dict[str, str]:
    """Columns to say beside the bike file: none for one that was just made of them."""
    if not addition.bike_run and addition.bike_text.startswith("# A motorcycle for bothends."):
        return {}
    bike = load_bike(bike_path)
    said = {key: addition.columns.get(key, "") for key in KEYS}
    said |= {
        end: addition.columns[end]
        for end in ENDS
        if end in addition.columns and bike.end(end).sensor is not None
    }
    if addition.rate_hz:
        said = {"rate_hz": addition.rate_hz, **{key: name for key, name in said.items() if key != "time"}}
    return said
