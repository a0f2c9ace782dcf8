"""Travel use and speed of both ends at every place of every lap: whole laps, phases and corners."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.bike import Bike, rake_trail_wheelbase
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.summary import EndSummary, Estimate, PlaceUse
from telemetry.motion.sums import Sums
from telemetry.numeric import finite

# Least time with valid travel for which a lap counts at a place. Own choice.
LEAST_S = 0.2


@dataclass(frozen=True)
class EndAtPlaces:
    """One end, arrays of shape (n_laps, n_places); NaN where a lap has no `LEAST_S` of valid time at a place.

    All is of the wheel but the shaft's median and shares of the time: deep in the last tenth of the stroke, fast above
    the bike file's split. Speeds are RMS. [mm, mm/s, samples]
    """

    samples: FloatArray
    least_mm: FloatArray
    most_mm: FloatArray
    median_mm: FloatArray
    p95_mm: FloatArray
    shaft_median_mm: FloatArray
    deep_share: FloatArray
    compression_mm_s: FloatArray
    rebound_mm_s: FloatArray
    fast_compression: FloatArray
    fast_rebound: FloatArray

    def laps(self, rows: Sequence[int]) -> "EndAtPlaces":
        """Some of the laps."""
        return EndAtPlaces(*(getattr(self, one.name)[list(rows)] for one in fields(self)))


@dataclass(frozen=True)
class AtPlaces:
    """Both ends by lap and place; ``places`` are corner and phase, neither for the whole lap, which comes first."""

    places: tuple[tuple[int | None, str | None], ...]
    ends: Mapping[End, EndAtPlaces]
    pitch_deg: FloatArray  # mean while both ends are valid, shape (n_laps, n_places)


@dataclass(frozen=True)
class _Cells:
    """Stretches of the laps with the lap and the places that each is part of, as index of the whole table."""

    within: IntArray  # stretches, one for each place of one
    place: IntArray  # lap x number of places + place
    shape: tuple[int, int]

    def total(self, values: FloatArray | IntArray, use: BoolArray) -> FloatArray:
        """Sum of some stretches' values by lap and place."""
        used: FloatArray = np.where(use, values, 0.0)[self.within]
        total = np.bincount(self.place, used, self.shape[0] * self.shape[1])
        return np.asarray(total, dtype=np.float64).reshape(self.shape)


def at_places(
    motion: Motion,
    laps: Sequence[slice],
    moving: BoolArray,
    corner: IntArray,
    phase: IntArray,
    phases: Sequence[str],
    sums: Sums,
    whole: Sequence[Mapping[End, EndSummary]],
) -> AtPlaces:
    """Travel and speed over whole laps, in each phase and in each corner, lap by lap.

    Parameters
    ----------
    laps : sequence of slice
    moving : ndarray of bool, shape (n_samples,)
    corner, phase : ndarray of int, shape (n_samples,)
        Corner number, 0 on none; index into ``phases``, -1 where unknown.
    sums : Sums
        From `find_sums`, apart by these and the laps.
    whole : sequence of mapping of end to EndSummary
        Of the moving samples of each lap.

    Returns
    -------
    AtPlaces
        Whole laps first, then phases, then corners in order.
    """
    corners, phase_of = (one[sums.start].astype(np.int64) for one in (corner, phase))
    moves = moving[sums.start]
    numbers = np.unique(corners[corners > 0])
    places = [(None, None), *((None, name) for name in phases), *((int(one), None) for one in numbers)]
    # of each stretch the column of its phase and of its corner, 0 without one
    in_phase = np.where(phase_of >= 0, 1 + phase_of, 0)
    in_corner = np.where(corners > 0, 1 + len(phases) + np.searchsorted(numbers, corners), 0)
    columns = (np.zeros_like(in_phase), in_phase, in_corner)
    of_laps = [slice(*sums.start.searchsorted((lap.start, lap.stop)).tolist()) for lap in laps]
    cells = _cells(columns, of_laps, len(places))
    usable = {name: moves & end.valid[sums.start] for name, end in motion.ends.items()}
    both = np.logical_and.reduce([moves, *usable.values()])
    least = max(LEAST_S * motion.sample_rate_hz, 1.0)
    n = cells.total(sums.samples, both)
    pitch = np.full(cells.shape, np.nan)
    np.divide(cells.total(sums.pitch_deg, both), n, out=pitch, where=n >= least)
    return AtPlaces(
        tuple(places),
        {
            name: _end_at_places(
                end, sums, usable[name], columns, of_laps, cells, least, [lap[name] for lap in whole]
            )
            for name, end in motion.ends.items()
        },
        pitch,
    )


def _cells(columns: Sequence[IntArray], of_laps: Sequence[slice], n_places: int) -> _Cells:
    within, place = [], []
    for row, lap in enumerate(of_laps):
        for kind, column in enumerate(columns):
            here = np.arange(lap.start, lap.stop)
            if kind:  # the whole lap is in column 0
                here = here[column[lap] > 0]
            within.append(here)
            place.append(row * n_places + column[here])
    return _Cells(np.concatenate(within), np.concatenate(place), (len(of_laps), n_places))


def _end_at_places(
    end: EndMotion,
    sums: Sums,
    use: BoolArray,
    columns: Sequence[IntArray],
    of_laps: Sequence[slice],
    cells: _Cells,
    least: float,
    whole: Sequence[EndSummary],
) -> EndAtPlaces:
    own = sums.ends[end.end]
    n = cells.total(sums.samples, use)
    down = cells.total(own.compression, use)
    levels = np.full((5, *cells.shape), np.nan)
    for row, (lap, summary) in enumerate(zip(of_laps, whole, strict=True)):
        travel, shaft_mm = summary.wheel.travel, summary.shaft.travel.median_mm
        if n[row, 0] >= least:
            levels[:, row, 0] = travel.min_mm, travel.max_mm, travel.median_mm, travel.p95_mm, shaft_mm
        for column in columns[1:]:
            here = lap.start + np.flatnonzero(use[lap] & (column[lap] > 0))
            for place, wheel, shaft in _by_place(end, sums, here, column):
                if len(wheel) >= least:
                    levels[:, row, place] = _levels(wheel, shaft)

    def per(values: FloatArray, samples: FloatArray) -> FloatArray:
        return np.where(n >= least, cells.total(values, use) / np.maximum(samples, 1.0), np.nan)

    least_mm, most_mm, median_mm, p95_mm, shaft_median_mm = levels
    return EndAtPlaces(
        samples=np.where(n >= least, n, np.nan),
        least_mm=least_mm,
        most_mm=most_mm,
        median_mm=median_mm,
        p95_mm=p95_mm,
        shaft_median_mm=shaft_median_mm,
        deep_share=per(own.deep, n) * (np.nan if np.isnan(end.stroke_mm) else 1.0),
        compression_mm_s=np.sqrt(per(own.compression_squares, down)),
        rebound_mm_s=np.sqrt(per(own.rebound_squares, n - down)),
        fast_compression=per(own.fast_compression, n),
        fast_rebound=per(own.fast_rebound, n),
    )


def _by_place(
    end: EndMotion, sums: Sums, stretches: IntArray, column: IntArray
) -> Iterator[tuple[int, FloatArray, FloatArray]]:
    """Column of every place among some stretches of a lap, and wheel and shaft travel there."""
    if not len(stretches):
        return
    stretches = stretches[np.argsort(column[stretches], kind="stable")]
    starts, lengths = sums.start[stretches], sums.samples[stretches]
    rows = [slice(a, b) for a, b in zip(starts.tolist(), (starts + lengths).tolist(), strict=True)]
    wheel, shaft = (
        np.concatenate([values[here] for here in rows])
        for values in (end.wheel_travel_mm, end.shaft_travel_mm)
    )
    first = np.flatnonzero(np.diff(column[stretches], prepend=-1))
    edges = np.append(0, np.cumsum(lengths))[np.append(first, len(stretches))].tolist()
    for place, a, b in zip(column[stretches[first]].tolist(), edges[:-1], edges[1:], strict=True):
        yield place, wheel[a:b], shaft[a:b]


def _levels(wheel_mm: FloatArray, shaft_mm: FloatArray) -> tuple[float, ...]:
    """Least, most, median and 95th percentile of the wheel's travel, and the shaft's median.

    The wheel's travel rises with the shaft's, so that both have their median at the same samples.
    """
    ordered = np.sort(wheel_mm)
    last = len(ordered) - 1
    middle = [ordered[last // 2], ordered[last - last // 2]]
    shaft = [shaft_mm[np.argmax(wheel_mm == one)] for one in middle]
    low = int(0.95 * last)
    p95 = ordered[low] + (0.95 * last - low) * (ordered[min(low + 1, last)] - ordered[low])
    return ordered[0], ordered[-1], 0.5 * (middle[0] + middle[1]), p95, 0.5 * (shaft[0] + shaft[1])


def across_laps(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over laps and its standard error, sd / sqrt(n) with n - 1 in the sd: a lap is one observation.

    ``values`` are of shape (n_laps, ...), NaN where a lap has none; the mean is NaN without any lap, the error below
    two. [unit of the values]
    """
    values = np.asarray(values, dtype=np.float64)
    valid = np.isfinite(values)
    n = valid.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(valid, values, 0.0).sum(axis=0) / n
        squares = (np.where(valid, values - mean, 0.0) ** 2).sum(axis=0)
        error = np.sqrt(squares / (n - 1) / n)
    return np.where(n > 0, mean, np.nan), np.where(n > 1, error, np.nan)


def use_by_place(end: EndMotion, found: AtPlaces, laps: Sequence[int]) -> tuple[PlaceUse, ...]:
    """Travel and speed of one end over some laps, by place.

    Parameters
    ----------
    laps : sequence of int
        Rows of ``found``.

    Returns
    -------
    tuple of PlaceUse
        Whole laps first, then phases, then corners in order; places no lap has spent `LEAST_S` at are left out.
    """
    at = found.ends[end.end].laps(laps)
    total = float(np.nansum(at.samples[:, 0]))
    below_sag = at.median_mm - end.static_sag_mm
    over_laps = [
        _estimates(values)
        for values in (at.median_mm, at.p95_mm, at.most_mm - at.least_mm, below_sag, at.deep_share,
                       at.compression_mm_s, at.rebound_mm_s, at.fast_compression, at.fast_rebound)
    ]  # fmt: skip
    used = []
    for place, ((corner, phase), *estimates) in enumerate(zip(found.places, *over_laps, strict=True)):
        samples = at.samples[:, place]
        if not np.isfinite(samples).any():
            continue
        ride_height, p95, extent, under_sag, deep, compression, rebound, fast_down, fast_up = estimates
        deepest = float(np.nanmax(at.most_mm[:, place]))
        used.append(
            PlaceUse(
                corner=corner,
                phase=phase,
                laps=int(np.isfinite(samples).sum()),
                time_share=float(np.nansum(samples)) / total,
                min_mm=float(np.nanmin(at.least_mm[:, place])),
                max_mm=deepest,
                margin_mm=end.wheel_stroke_mm - deepest,
                ride_height_mm=ride_height,
                p95_mm=p95,
                range_mm=extent,
                below_sag_mm=under_sag if np.isfinite(end.static_sag_mm) else None,
                deep_share=deep,
                compression_mm_s=compression,
                rebound_mm_s=rebound,
                compression_high_share=fast_down,
                rebound_high_share=fast_up,
            )
        )
    return tuple(used)


def _estimates(values: FloatArray) -> list[Estimate]:
    """Mean over laps and its error, for each column."""
    means, errors = across_laps(values)
    return [
        Estimate(mean, finite(error)) for mean, error in zip(means.tolist(), errors.tolist(), strict=True)
    ]


@dataclass(frozen=True)
class LapPlace:
    """One lap in one corner or one phase or, with neither, as a whole. None where an end was not measured."""

    corner: int | None
    phase: str | None
    front_mm: float | None  # ride height: median wheel travel
    rear_mm: float | None
    pitch_deg: float | None  # mean, nose down positive
    rake_deg: float | None  # at the median travels on level ground
    trail_mm: float | None  # only where the bike file gives the tyre radius and the fork offset


def lap_places(found: AtPlaces, bike: Bike) -> list[tuple[LapPlace, ...]]:
    """Mean attitude of the motorcycle over each lap, by phase and corner.

    Returns
    -------
    list of tuple of LapPlace
        The whole lap first, then phases, then corners; places without `LEAST_S` of valid time are left out.
    """
    unknown = np.full(found.pitch_deg.shape, np.nan)
    wheel = [found.ends[end].median_mm if end in found.ends else unknown for end in ENDS]
    shaft = [found.ends[end].shaft_median_mm if end in found.ends else unknown for end in ENDS]
    both = np.isfinite(found.pitch_deg)
    rake, trail = unknown.copy(), unknown.copy()
    rake[both], trail[both], _ = rake_trail_wheelbase(bike, *(one[both] for one in shaft))
    columns = [
        [[finite(x) for x in row] for row in table.tolist()]
        for table in (*wheel, found.pitch_deg, rake, trail)
    ]
    return [
        tuple(
            LapPlace(*names, *numbers)
            for names, *numbers in zip(found.places, *rows, strict=True)
            if numbers[:2] != [None, None]
        )
        for rows in zip(*columns, strict=True)
    ]
