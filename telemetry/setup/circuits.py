"""What runs have in common: circuit, direction, bandwidth, parts of the lap; outings with the same set-up."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance import DirectionBalance, quantile_slope, speed_ratio
from telemetry.damping import dampers_in_doubt
from telemetry.laps import PHASES, SAME_LENGTH, Corner, lap_length_m
from telemetry.motion import EndSummary, LapPlace
from telemetry.setup.rows import Row, lap_values
from telemetry.setup.sheet import SetupSheet, bike_file_changes, settings
from telemetry.signals import correlate, differentiator_as_at
from telemetry.summary import (
    OUTING_MM,
    OUTING_PITCH_DEG,
    OUTING_TIME_SHARE,
    OUTING_TRAIL_MM,
    LapSummary,
    Metric,
    Summary,
    Traces,
    values_by_lap,
)

# Speed round the lap agrees by this much (correlation) on one circuit. Measured on simulated circuits: two outings on
# one agree to 0.98 and more, different circuits laid over one another as well as they go to 0.87, one circuit with
# itself backwards to 0.87.
SAME_SPEED = 0.92
BACKWARDS = 0.7
# A lap whose speed hardly varies, as a share of the mean, has no pattern to go by. A choice, no source.
LEAST_SPREAD = 0.03
# Corners of two runs are one corner when their apexes are this close, as a share of the lap; and two runs have the same
# corners when this share of them is. Choices, no source.
SAME_CORNER, SAME_CORNERS = 0.03, 0.7
# The start lines of the two runs may lie this far apart before places stop to compare, as a share of the lap. A choice,
# no source.
SAME_START = 0.02


def speed_profile(laps: Sequence[LapSummary]) -> FloatArray | None:
    """Mean speed in equal parts of the lap over complete laps, as share of the whole mean; None where no lap has it."""
    passings = [lap.passing_s for lap in laps if lap.complete and lap.passing_s]
    if not passings:
        return None
    pace = np.mean([np.diff(passing) / passing[-1] for passing in passings], axis=0)
    return np.asarray(1.0 / np.maximum(pace * len(pace), 1e-6))


def _best_shift(a: FloatArray, b: FloatArray) -> tuple[float, int]:
    """Largest correlation of two profiles over all places of the start line, and how far b is shifted there."""
    correlations = [float(np.corrcoef(a, np.roll(b, shift))[0, 1]) for shift in range(len(a))]
    best = int(np.argmax(correlations))
    return correlations[best], best - len(a) if best > len(a) // 2 else best


def circuits_apart(a: Summary, b: Summary) -> tuple[str, str]:
    """Refusal and caution, "" for none: whether two runs compare by their circuit."""
    length_a, length_b = lap_length_m(a.laps), lap_length_m(b.laps)
    if length_a and length_b and abs(length_a / length_b - 1.0) > SAME_LENGTH:
        return (
            f"Two circuits: a lap is {length_a:.0f} m before and {length_b:.0f} m after. Laps of different circuits do "
            "not compare, so no difference is named.",
            "",
        )
    one, other = speed_profile(a.laps), speed_profile(b.laps)
    if one is None or other is None or min(one.std(), other.std()) < LEAST_SPREAD:
        return (
            "",
            "Whether both runs are of one circuit was not checked: not both logs have speed along the lap.",
        )
    agreement, shift = _best_shift(one, other)
    if agreement < SAME_SPEED:
        if _best_shift(one, other[::-1])[0] > BACKWARDS and _same_corners(a, b, backwards=True):
            return (
                "The circuit was ridden the other way round in one of the runs. Laps do not compare, so no difference "
                "is named.",
                "",
            )
        return (
            "Two circuits, or two layouts of one: the speed goes round the lap in another way. Laps do not compare, so "
            "no difference is named.",
            "",
        )
    if _same_corners(a, b, mirrored=True):
        return (
            "Corners that turn left in one run turn right in the other: another circuit, or lean with another sign. No "
            "difference is named.",
            "",
        )
    if abs(shift) > SAME_START * len(one):
        return "", "The laps start at different places of the circuit: compare places of the lap with care."
    return "", ""


def _same_corners(a: Summary, b: Summary, *, backwards: bool = False, mirrored: bool = False) -> bool:
    """Whether the corners of b are those of a, met backwards or mirrored: left and right changed places."""
    one, other = _corners(a), _corners(b)
    if backwards:
        one = [(1.0 - place, -side) for place, side in one]
    elif mirrored:
        one = [(place, -side) for place, side in one]
    met = sum(
        any(side == theirs and abs((place - at + 0.5) % 1.0 - 0.5) <= SAME_CORNER for at, theirs in other)
        for place, side in one
    )
    return bool(one) and bool(other) and met >= SAME_CORNERS * max(len(one), len(other))


def _corners(run: Summary) -> list[tuple[float, int]]:
    """Apex as a share of the lap, and direction, of corners whose direction is known."""
    length = lap_length_m(run.laps)
    if not length:
        return []
    return [(corner.apex_m / length, corner.direction) for corner in run.corners if corner.direction]


# Speeds compare when their bandwidths differ by no more than this share. A choice, no source.
SAME_BANDWIDTH = 0.10
COLUMNS = ("t_s", "front_wheel_mm", "rear_wheel_mm", "front_valid", "rear_valid")


def bandwidth_hz(run: Summary) -> float | None:
    """Bandwidth of the wheel speeds of a run; None when no end was judged. [Hz]"""
    found = [run.ends[end].wheel.speed.bandwidth_hz for end in ENDS if run.ends[end].judged]
    return min(found) if found else None


def other_bandwidth(a: Summary, b: Summary) -> bool:
    """Whether the speeds of two runs were measured with different bandwidths."""
    one, other = bandwidth_hz(a), bandwidth_hz(b)
    if one is None or other is None:
        return False
    return abs(one - other) > SAME_BANDWIDTH * max(one, other)


def at_common_bandwidth(
    a: Summary, b: Summary, traces_a: Callable[[], Traces], traces_b: Callable[[], Traces]
) -> tuple[Summary, Summary, float]:
    """Both summaries with lap speeds (not those of a bump) at the narrower bandwidth, and that bandwidth. [Hz]

    ``traces_a`` and ``traces_b`` are called for the run with the wider one only.
    """
    one, other = bandwidth_hz(a), bandwidth_hz(b)
    assert one is not None and other is not None
    if one > other:
        return _narrowed(a, traces_a(), b.run.sample_rate_hz), _without_same_bump(b), other
    return _without_same_bump(a), _narrowed(b, traces_b(), a.run.sample_rate_hz), one


def _without_same_bump(run: Summary) -> Summary:
    laps = (replace(lap, balance=replace(lap.balance, same_bump=None)) for lap in run.laps)
    return replace(run, laps=tuple(laps))


def _narrowed(run: Summary, traces: Traces, slower_rate_hz: float) -> Summary:
    """The speeds of a run's laps as a slower log would have them, but for what it aliases."""
    t_s = traces["t_s"]
    design = differentiator_as_at(slower_rate_hz, run.run.sample_rate_hz)
    hz = design.bandwidth_hz
    speed: dict[End, FloatArray] = {}
    for end in ENDS:
        travel = np.where(traces[f"{end}_valid"] > 0, traces[f"{end}_wheel_mm"], np.nan)
        speed[end] = correlate(travel, design.weights)
    laps = []
    for lap in run.laps:
        here = slice(*np.searchsorted(t_s, (lap.start_s, lap.end_s)).tolist())
        laps.append(_lap_at(lap, {end: speed[end][here] for end in ENDS}, hz))
    return replace(run, laps=tuple(laps))


def _lap_at(lap: LapSummary, speed: Mapping[End, FloatArray], hz: float) -> LapSummary:
    ends = {
        end: _end_at(lap.ends[end], speed[end], hz) if lap.ends[end].judged else lap.ends[end] for end in ENDS
    }
    known: BoolArray = np.isfinite(speed["front"]) & np.isfinite(speed["rear"])
    front, rear = speed["front"][known], speed["rear"][known]
    balance = replace(lap.balance, speed_ratio=speed_ratio(front, rear), same_bump=None)
    if balance.speed is not None:
        balance = replace(
            balance,
            speed=replace(
                balance.speed,
                compression=DirectionBalance(
                    None, quantile_slope(front[front > 0], rear[rear > 0]), None, None
                ),
                rebound=DirectionBalance(
                    None, quantile_slope(-front[front < 0], -rear[rear < 0]), None, None
                ),
                asymmetry={
                    end: quantile_slope(-own[own < 0], own[own > 0])
                    for end, own in zip(ENDS, (front, rear), strict=True)
                },
            ),
        )
    return replace(lap, ends=ends, balance=balance)


def _end_at(summary: EndSummary, speed: FloatArray, hz: float) -> EndSummary:
    def rms(values: FloatArray) -> float:
        return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")

    own = summary.wheel.speed
    sides = replace(
        own,
        compression=replace(own.compression, rms_mm_s=rms(speed[speed > 0])),
        rebound=replace(own.rebound, rms_mm_s=rms(speed[speed < 0])),
        bandwidth_hz=hz,
    )
    return replace(summary, wheel=replace(summary.wheel, speed=sides))


# Where no corners are known the lap is cut into so many equal sections. A choice, no source.
SECTIONS = 10


# A row of one place, and the key of the row over whole laps that must be clear before this one is looked at.
Part = tuple[Row, str]


@dataclass(frozen=True)
class _Quantity:
    """One number of a `LapPlace`."""

    key: str
    label: str
    unit: str
    ends: tuple[End, ...]
    outing_sd: float
    parent: str
    read: Callable[[LapPlace], float | None]


_QUANTITIES = (
    _Quantity("front_mm", "front ride height", "mm", ("front",), OUTING_MM, "front.travel.median_mm",
              lambda place: place.front_mm),
    _Quantity("rear_mm", "rear ride height", "mm", ("rear",), OUTING_MM, "rear.travel.median_mm",
              lambda place: place.rear_mm),
    _Quantity("pitch_deg", "pitch", "deg", ENDS, OUTING_PITCH_DEG, "pitch.mean_deg", lambda place: place.pitch_deg),
    _Quantity("rake_deg", "rake", "deg", ENDS, OUTING_PITCH_DEG, "geometry.rake_deg", lambda place: place.rake_deg),
    _Quantity("trail_mm", "trail", "mm", ENDS, OUTING_TRAIL_MM, "geometry.trail_mm", lambda place: place.trail_mm),
)  # fmt: skip


def place_parts(
    a: Summary, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary], same_corners: bool
) -> tuple[Part, ...]:
    """Rows of attitude by phase and, if corner k is the same in both (``same_corners``), by corner as named in ``a``"""
    names = {corner.number: corner.name for corner in a.corners}
    places: list[tuple[int | None, str | None, str]] = [(None, phase, phase) for phase in PHASES]
    if same_corners:
        places += [
            (number, None, f"corner {number}" + (f" ({name})" if name else ""))
            for number, name in sorted(names.items())
        ]
    parts = (
        (_row(_metric(quantity, *place), laps_a, laps_b), quantity.parent)
        for place in places
        for quantity in _QUANTITIES
    )
    return tuple((row, parent) for row, parent in parts if row.a.values and row.b.values)


def _metric(quantity: _Quantity, corner: int | None, phase: str | None, where: str) -> Metric:
    def read(lap: LapSummary) -> float | None:
        here = next((place for place in lap.places if (place.corner, place.phase) == (corner, phase)), None)
        return None if here is None else quantity.read(here)

    key = f"place.{phase if phase else f'corner_{corner}'}.{quantity.key}"
    label = f"{quantity.label}, {where}"
    return Metric(key, label, quantity.unit, quantity.ends, read, outing_sd=quantity.outing_sd)


def _row(metric: Metric, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary]) -> Row:
    return Row(metric, lap_values(*values_by_lap(laps_a, metric)), lap_values(*values_by_lap(laps_b, metric)))


def section_parts(a: Summary, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary]) -> tuple[Part, ...]:
    """Times from halfway between two corners of ``a`` to halfway between the next; empty without times in both runs."""
    if not any(lap.passing_s for lap in laps_a) or not any(lap.passing_s for lap in laps_b):
        return ()
    parts = []
    for name, start, end in sections(a.corners, lap_length_m(a.laps)):

        def read(lap: LapSummary, start: float = start, end: float = end) -> float | None:
            return section_time_s(lap.passing_s, start, end)

        metric = Metric(f"section.{name}", f"time, {name}", "s", (), read, outing_share=OUTING_TIME_SHARE)
        parts.append((_row(metric, laps_a, laps_b), "lap.time_s"))
    return tuple(parts)


def sections(corners: Sequence[Corner], length_m: float | None) -> tuple[tuple[str, float, float], ...]:
    """Name, start and end of the sections, 0 to 1 of the lap, whose ``length_m`` is in metres; they cover it once.

    The first starts at the start line, so the corner over it may lie in the last and the first.
    """
    if not corners or not length_m:
        cuts = np.linspace(0.0, 1.0, SECTIONS + 1)
        return tuple(
            (f"section {k + 1} of {SECTIONS}", float(cuts[k]), float(cuts[k + 1])) for k in range(SECTIONS)
        )
    middles = [
        0.5 * (one.end_m + other.start_m) / length_m for one, other in zip(corners, corners[1:], strict=False)
    ]
    cuts = np.clip([0.0, *middles, 1.0], 0.0, 1.0)
    return tuple(
        (
            f"corner {corner.number}" + (f" ({corner.name})" if corner.name else ""),
            float(cuts[k]),
            float(cuts[k + 1]),
        )
        for k, corner in enumerate(corners)
        if cuts[k + 1] > cuts[k]
    )


def section_time_s(passing_s: Sequence[float], start: float, end: float) -> float | None:
    """Time from one share of the lap to another, from the passing times at equal parts of it. [s]

    Examples
    --------
    >>> section_time_s((0.0, 10.0, 30.0), 0.25, 0.75)
    15.0
    """
    if not passing_s:
        return None
    shares = np.linspace(0.0, 1.0, len(passing_s))
    from_s, until_s = np.interp([start, end], shares, passing_s)
    return float(until_s - from_s)


def same_numbering(a: Summary, b: Summary) -> bool:
    """Whether corner k of one run is corner k of the other: as many, at the same share of the lap."""
    lengths = lap_length_m(a.laps), lap_length_m(b.laps)
    if len(a.corners) != len(b.corners) or not lengths[0] or not lengths[1]:
        return False
    return all(
        abs(one.apex_m / lengths[0] - other.apex_m / lengths[1]) <= SAME_CORNER
        for one, other in zip(a.corners, b.corners, strict=True)
    )


@dataclass(frozen=True)
class Outing:
    """A run with its setup sheet."""

    summary: Summary
    sheet: SetupSheet | None


def repeats(of: Summary, outings: Iterable[Outing]) -> tuple[tuple[Summary, ...], ...]:
    """Set-ups that were ridden at least twice, each with its outings, those of the comparison included.

    Only outings with the bike, circuit and speed bandwidth of the run ``of`` count. A set-up is the same when both
    sheets write down the same settings and the bike files agree. Outings without a setting on their sheet, or with a
    damper in doubt, do not count.
    """
    groups: list[list[Outing]] = []
    for outing in outings:
        if not _counts(of, outing):
            continue
        group = next((each for each in groups if _same_setup(each[0], outing)), None)
        if group is None:
            groups.append([outing])
        else:
            group.append(outing)
    return tuple(tuple(outing.summary for outing in group) for group in groups if len(group) > 1)


def _counts(of: Summary, outing: Outing) -> bool:
    summary = outing.summary
    return (
        outing.sheet is not None
        and bool(settings(outing.sheet))
        and summary.run.bike == of.run.bike
        and not dampers_in_doubt(summary.oscillation)
        and not other_bandwidth(of, summary)
        and circuits_apart(of, summary)[0] == ""
    )


def _same_setup(one: Outing, other: Outing) -> bool:
    assert one.sheet is not None and other.sheet is not None
    return settings(one.sheet) == settings(other.sheet) and not bike_file_changes(
        one.summary.bike_values, other.summary.bike_values
    )
