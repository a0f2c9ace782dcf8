"""The review as a value that can be stored and read back: schema ``bothends.review/1``, and its traces.

Everything that a screen, the debrief or a comparison shows comes from these two. Rooms define the parts,
this module only puts them together, so it holds no computing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Literal

from pydantic import TypeAdapter

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance import Balance, LightWheel
from telemetry.bike import DamperUse
from telemetry.damping import Oscillation
from telemetry.errors import LogbookError
from telemetry.laps import Corner, LapKind
from telemetry.motion import (
    NAN,
    EndSummary,
    Frequencies,
    LapPlace,
    PackingEvent,
    PlaceUse,
    Strokes,
    not_judged,
)
from telemetry.notes import QualityNote, Step

SCHEMA = "bothends.review/1"

# Columns of the traces, in order; x and y only where the log has GPS.
TRACE_COLUMNS = (
    "t_s",
    "lap",
    "distance_m",
    "speed_m_s",
    "front_shaft_mm",
    "front_wheel_mm",
    "rear_shaft_mm",
    "rear_wheel_mm",
    "front_shaft_mm_s",
    "front_wheel_mm_s",
    "rear_shaft_mm_s",
    "rear_wheel_mm_s",
    "pitch_deg",
    "front_valid",
    "rear_valid",
    "phase",
    "corner",
    "x_m",
    "y_m",
    "throttle_pct",
    "brake",
    "lean_deg",
)


@dataclass(frozen=True)
class RunInfo:
    """What was reviewed. ``bike`` is the name in the bike file."""

    source: str
    bike: str
    duration_s: float
    sample_rate_hz: float
    distance_m: float | None
    lap_source: str
    phase_sources: tuple[str, ...]


@dataclass(frozen=True)
class LapSummary:
    """One lap with everything the review says of it.

    ``masked_share`` is per end; ``kind`` and ``stopped_s`` are those of `telemetry.laps.Lap`, None where not kept.
    ``passing_s`` is when a complete lap passed equal parts of its length, from its start to its end; empty where the
    distance is not known. ``places`` is how the motorcycle stood on a complete lap.
    """

    lap: int
    start_s: float
    end_s: float
    time_s: float
    distance_m: float | None
    complete: bool
    masked_share: Mapping[End, float]
    ends: Mapping[End, EndSummary]
    balance: Balance
    kind: LapKind | None = None
    stopped_s: float = 0.0
    passing_s: tuple[float, ...] = ()
    places: tuple[LapPlace, ...] = ()


@dataclass(frozen=True)
class Trend:
    """How one number a lap shifts over the outing: a straight line through the laps that count.

    Parameters
    ----------
    key, label, unit : str
        As in `telemetry.summary`.
    laps : int
        How many laps it rests on.
    first, last : float
        The line at the first and at the last of them.
    per_lap : float
        Slope.
    ci95_per_lap : tuple of float or None
        Its 95 % interval; None where the laps leave no scatter to tell it by.
    clear : bool
        Nil lies outside the interval, widened for how many numbers are looked at, and the change over the laps is
        large enough to matter.
    """

    key: str
    label: str
    unit: str
    laps: int
    first: float
    last: float
    per_lap: float
    ci95_per_lap: tuple[float, float] | None
    clear: bool


@dataclass(frozen=True)
class FittedDamper:
    """Which damper was fitted, and when it was last serviced: ISO 8601, "" where the bike file does not say."""

    id: str
    serviced: str = ""


Adjuster = Literal["support late in the stroke", "compression damping", "rebound damping"]
Direction = Literal["more", "less"]


@dataclass(frozen=True)
class Turn:
    """One change of one adjuster of one end."""

    end: End
    adjuster: Adjuster
    direction: Direction


@dataclass(frozen=True)
class LoggedCondition:
    """Mean of a logged condition over the laps, in the unit of the log ("" where it writes none)."""

    value: float
    unit: str


@dataclass(frozen=True)
class Finding:
    """One finding: title, evidence, what to try, and a caution where one is needed.

    ``rule`` is its row in `telemetry.findings.rules.RULES`, ``turns`` the changes it advises, of which one is tried;
    both are empty in reviews stored by older versions.
    """

    title: str
    evidence: str
    suggestion: str
    caution: str = ""
    rule: str = ""
    turns: tuple[Turn, ...] = ()


@dataclass(frozen=True)
class Summary:
    """The review of one run.

    ``verdicts`` are the sentences an engineer would read aloud, most important first; ``history`` is what was
    done to the data, with settings; ``damper_work`` is there for an end whose damper the bike file describes;
    ``bike_values`` are the bike-file values the numbers rest on. ``places`` are both ends by lap, phase and corner;
    ``packing`` says where an end sank over bumps; ``trends`` how each number shifts from lap to lap;
    ``dampers`` which ones were fitted, as far as the bike file says; ``conditions`` what was logged of them;
    ``light`` where a wheel carried little.
    """

    run: RunInfo
    verdicts: tuple[str, ...]
    quality: tuple[QualityNote, ...]
    laps: tuple[LapSummary, ...]
    corners: tuple[Corner, ...]
    ends: Mapping[End, EndSummary]
    balance: Balance
    oscillation: Oscillation
    findings: tuple[Finding, ...]
    history: tuple[Step, ...] = ()
    damper_work: Mapping[End, DamperUse] = field(default_factory=dict)
    bike_values: Mapping[str, float] = field(default_factory=dict)
    places: Mapping[End, tuple[PlaceUse, ...]] = field(default_factory=dict)
    strokes: Mapping[End, Strokes] = field(default_factory=dict)
    packing: tuple[PackingEvent, ...] = ()
    frequencies: Frequencies = field(default_factory=Frequencies)
    trends: tuple[Trend, ...] = ()
    dampers: Mapping[End, FittedDamper] = field(default_factory=dict)
    conditions: Mapping[str, LoggedCondition] = field(default_factory=dict)
    light: tuple[LightWheel, ...] = ()
    schema: str = SCHEMA

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        return notebook_html("summary", self)


@dataclass(frozen=True)
class Traces:
    """The run sample by sample: ``columns`` by the names in `TRACE_COLUMNS`, each of shape (n_samples,).

    ``phase`` is an index into `telemetry.laps.PHASES` (-1 unknown); valid is 1 or 0; unknown is NaN.
    """

    columns: Mapping[str, FloatArray]

    def __getitem__(self, name: str) -> FloatArray:
        """The column of that name."""
        return self.columns[name]

    def __contains__(self, name: object) -> bool:
        """Whether there is such a column."""
        return name in self.columns


def notebook_html(kind: str, value: object) -> str:
    """HTML of a value for a notebook, printed by ``telemetry.report``, which imports this room."""
    shown = getattr(import_module("telemetry.report"), f"{kind}_html")
    return str(shown(value))


@cache
def _adapter() -> TypeAdapter[Summary]:
    return TypeAdapter(Summary)


def summary_to_json(summary: Summary) -> str:
    """The summary as indented JSON text; numbers that are not known are null."""
    return _adapter().dump_json(summary, indent=1, by_alias=True).decode()


def summary_from_json(text: str | bytes, *, source: str = "review") -> Summary:
    """Read back what `summary_to_json` wrote; `LogbookError`, which names ``source``, if it is no such review."""
    try:
        summary = _adapter().validate_json(text)
    except ValueError:
        raise LogbookError(f"{source}: is not a review of schema {SCHEMA}; review the log again.") from None
    if summary.schema != SCHEMA:
        raise LogbookError(
            f"{source}: has schema {summary.schema!r}, this version reads {SCHEMA!r}; review the log again."
        )
    return _with_both_ends(summary)


def _with_both_ends(summary: Summary) -> Summary:
    """A review of an earlier version, which left out an end that was not judged."""

    def both(ends: Mapping[End, EndSummary]) -> dict[End, EndSummary]:
        return {end: ends[end] if end in ends else missing[end] for end in ENDS}

    values = summary.bike_values
    reason = "It was not measured, or could not be used; review the log again for the reason."
    missing = {
        "front": not_judged(values.get("front.stroke_mm", NAN), NAN, reason),
        "rear": not_judged(
            values.get("rear.shock_stroke_mm", NAN), values.get("rear.wheel_stroke_mm", NAN), reason
        ),
    }
    if all(end in summary.ends for end in ENDS):
        return summary
    laps = tuple(replace(lap, ends=both(lap.ends)) for lap in summary.laps)
    return replace(summary, ends=both(summary.ends), laps=laps)


def write_traces(traces: Traces, path: Path) -> None:
    """Write the traces as Parquet (zstd)."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table({name: pa.array(values) for name, values in traces.columns.items()})
    pq.write_table(table, path, compression="zstd")


def read_traces(path: Path, columns: tuple[str, ...] | None = None) -> Traces:
    """Read traces, or some columns of them.

    Raises
    ------
    LogbookError
        If the file is missing or is not Parquet.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(path, columns=list(columns) if columns else None)
    except (OSError, pa.ArrowInvalid) as error:
        raise LogbookError(f"{path}: traces cannot be read ({str(error).splitlines()[0]}).") from None
    return Traces({name: table[name].to_numpy() for name in table.column_names})
