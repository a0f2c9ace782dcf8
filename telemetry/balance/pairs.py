"""Same-bump pairs summarised: ratios with confidence, by size, phase, corner and lap; the stacked response."""

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.balance import (
    MIN_PLACES,
    BumpGroup,
    BumpMeasure,
    BumpResponse,
    Ratio,
    SameBump,
    half_width,
    plain_ratio,
    ratio_of_sums,
)
from telemetry.balance.bumps import MEASURES, BumpPairs
from telemetry.laps import PHASES, Track
from telemetry.numeric import median

# Sizes are told by the mean of both ends' peak wheel speeds. Choices of ours.
SIZE_EDGES_MM_S = (0.0, 150.0, 300.0, 600.0, np.inf)
SIZE_NAMES = ("below 150 mm/s", "150 to 300 mm/s", "300 to 600 mm/s", "above 600 mm/s")
JACKKNIFE_GROUPS = 24
STACK_STEP = 2  # of the lags kept in the summary: 8 ms apart
PEAK_WITHIN_S = 0.12
FIRST_CREST = (
    0.6  # of the highest: the first crest at least so high is the bump, later ones are the answer to it
)
RISEN = 0.1  # of the depth: where the rise begins, and below which an end counts as settled


def summarise_pairs(
    pairs: BumpPairs, selected: BoolArray, track: Track | None = None, *, whole: bool = False
) -> SameBump:
    """Same-bump balance of the pairs whose bump the front met inside the selection.

    Its ratios are those of the clear bumps: small ones are ruled by friction, tyre and wheel hop as much as by damping.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
    track : Track, optional
        Gives the groups by phase, corner and lap.
    whole : bool
        Also group them and stack the responses, as is done for a whole run.
    """
    use = selected[pairs.bump]
    clear = use & pairs.clear
    ratios = {name: bump_ratio(pairs, name, clear) for name in MEASURES}
    on_ground = use & ~pairs.hanging
    # of all pairs on the ground: the delay needs many, not large ones
    residual = pairs.delay_residual_s[on_ground & ~pairs.disturbed]
    return SameBump(
        pairs=int(np.count_nonzero(clear)),
        compression_ratio=ratios["compression_mm_s"].value,
        compression_ratio_ci95=ratios["compression_mm_s"].ci95,
        rebound_ratio=ratios["rebound_mm_s"].value,
        rebound_ratio_ci95=ratios["rebound_mm_s"].ci95,
        delay_residual_ms=1000.0 * median(residual) if len(residual) else None,
        depth_ratio=ratios["depth_mm"].value,
        depth_ratio_ci95=ratios["depth_mm"].ci95,
        compression_ratio_noise_ci95=ratios["compression_mm_s"].noise_ci95,
        rebound_ratio_noise_ci95=ratios["rebound_mm_s"].noise_ci95,
        disturbed_pairs=int(np.count_nonzero(clear & pairs.disturbed)),
        groups=tuple(_groups(pairs, track, use)) if whole and track is not None else (),
        response=(stacked(pairs, clear & ~pairs.disturbed) or stacked(pairs, clear)) if whole else None,
        places=len(np.unique(pairs.place[clear])),
        grain_pairs=int(np.count_nonzero(on_ground & ~pairs.clear)),
        hanging_pairs=int(np.count_nonzero(use & pairs.hanging)),
        every_compression_ratio=_plain_ratio(pairs, "compression_mm_s", on_ground),
        every_rebound_ratio=_plain_ratio(pairs, "rebound_mm_s", on_ground),
    )


def bump_ratio(pairs: BumpPairs, name: str, use: BoolArray) -> Ratio:
    """Ratio of one of `MEASURES` over the selected pairs, as `ratio_of_sums`; speeds have a noise interval too."""
    front, rear = (pairs.response[end][name][use] for end in ENDS)
    noise = (pairs.noise_mm_s["front"], pairs.noise_mm_s["rear"]) if name.endswith("_mm_s") else None
    return ratio_of_sums(front, rear, pairs.place[use], noise, pairs.weight[use])


def _plain_ratio(pairs: BumpPairs, name: str, use: BoolArray) -> float | None:
    """The same without intervals."""
    front, rear = (pairs.response[end][name][use] for end in ENDS)
    return plain_ratio(front, rear, pairs.place[use], pairs.weight[use])


def _groups(pairs: BumpPairs, track: Track, use: BoolArray) -> Iterator[BumpGroup]:
    """Groups with enough different bumps to give a ratio."""
    clear, on_ground = use & pairs.clear, use & ~pairs.hanging
    size = 0.5 * sum(pairs.response[end]["compression_mm_s"] for end in ENDS)
    one = np.zeros(len(pairs), dtype=np.int64)
    braking = (track.phase[pairs.bump] == PHASES.index("braking")) & (track.corner[pairs.bump] > 0)
    kinds: list[tuple[str, IntArray, Callable[[int], str], BoolArray]] = [
        ("size", np.digitize(size, SIZE_EDGES_MM_S[1:-1]), SIZE_NAMES.__getitem__, on_ground),
        ("grain", one, lambda _: "ordinary roughness, no clear bump", on_ground & ~pairs.clear),
        ("disturbed", one, lambda _: "clear, brake or drive changes", clear & pairs.disturbed),
        ("phase", track.phase[pairs.bump], PHASES.__getitem__, clear & (track.phase[pairs.bump] >= 0)),
        ("corner", track.corner[pairs.bump], lambda i: f"corner {i}", clear & (track.corner[pairs.bump] > 0)),
        ("braking", track.corner[pairs.bump], lambda i: f"braking for corner {i}", clear & braking),
        ("lap", track.lap[pairs.bump], lambda i: f"lap {i}", clear & bool(track.laps)),
    ]  # fmt: skip
    for kind, key, name, among in kinds:
        for value in np.unique(key[among]):
            here = among & (key == value)
            compression = bump_ratio(pairs, "compression_mm_s", here)
            if compression.value is not None:
                yield BumpGroup(
                    kind=kind,
                    name=name(int(value)),
                    pairs=int(np.count_nonzero(here)),
                    compression=compression,
                    rebound=bump_ratio(pairs, "rebound_mm_s", here),
                )


def stacked(pairs: BumpPairs, use: BoolArray) -> BumpResponse | None:
    """Average response of both ends to clear bumps, each from when it met the bump; None with too few different ones.

    The intervals of its ratios are a jackknife over bumps.
    """
    _, group = np.unique(pairs.place[use], return_inverse=True)
    n = int(group.max()) + 1 if len(group) else 0
    if n < MIN_PLACES:
        return None
    parts = min(n, JACKKNIFE_GROUPS)
    part = group % parts
    cut = {end: pairs.travel_mm[end][use[pairs.clear]] for end in ENDS}
    weight = pairs.weight[use]
    sums = {
        end: np.array([weight[part == k] @ np.nan_to_num(cut[end][part == k]) for k in range(parts)])
        for end in ENDS
    }
    counts = np.bincount(part, weights=weight, minlength=parts)
    mean = {end: sums[end].sum(axis=0) / counts.sum() for end in ENDS}
    whole = {end: response_measures(pairs.lag_s, mean[end]) for end in ENDS}
    without = [
        {
            end: response_measures(pairs.lag_s, (sums[end].sum(axis=0) - sums[end][k]) / (counts.sum() - counts[k]))
            for end in ENDS
        }
        for k in range(parts)
    ]  # fmt: skip
    thin = slice(None, None, STACK_STEP)
    return BumpResponse(
        lag_ms=tuple(np.round(1000.0 * pairs.lag_s[thin], 1).tolist()),
        front_mm=tuple(np.round(mean["front"][thin], 3).tolist()),
        rear_mm=tuple(np.round(mean["rear"][thin], 3).tolist()),
        measures=tuple(_measure(name, whole, without) for name in whole["front"]),
        pairs=int(np.count_nonzero(use)),
    )


def _measure(
    name: str,
    whole: Mapping[End, dict[str, float | None]],
    without: Sequence[Mapping[End, dict[str, float | None]]],
) -> BumpMeasure:
    front, rear = whole["front"][name], whole["rear"][name]

    def log_ratio(found: Mapping[End, dict[str, float | None]]) -> float:
        a, b = found["front"][name], found["rear"][name]
        return float(np.log(b / a)) if a and b and a > 0 and b > 0 else float("nan")

    log, logs = log_ratio(whole), np.array([log_ratio(found) for found in without])
    if not np.isfinite(log) or not np.isfinite(logs).all():
        return BumpMeasure(name, front, rear, Ratio(None))
    n = len(logs)
    half = half_width(float(np.sqrt((n - 1) / n * np.sum((logs - logs.mean()) ** 2))), n)
    return BumpMeasure(
        name, front, rear, Ratio(float(np.exp(log)), (float(np.exp(log - half)), float(np.exp(log + half))))
    )


def response_measures(lag_s: FloatArray, travel_mm: FloatArray) -> dict[str, float | None]:
    """Measures of one end's average response, from the travel before the bump on; lag 0 is the fastest moment. [s, mm]

    ``depth_mm``; ``time_to_peak_ms`` from a tenth of the depth on; ``back_ms`` from the deepest point to ride height;
    ``overshoot_share`` of the depth; ``cycles_to_settle`` until it stays within a tenth of the depth.
    """
    near = np.flatnonzero((lag_s >= -0.05) & (lag_s <= PEAK_WITHIN_S))
    part = travel_mm[near]
    crest = (part[1:-1] >= part[:-2]) & (part[1:-1] > part[2:]) & (part[1:-1] >= FIRST_CREST * part.max())
    top = int(near[1 + np.argmax(crest)] if crest.any() else near[np.argmax(part)])
    depth = float(travel_mm[top])
    none = dict.fromkeys(("depth_mm", "time_to_peak_ms", "back_ms", "overshoot_share", "cycles_to_settle"))
    if depth <= 0:
        return none
    below = np.flatnonzero(travel_mm[:top] < RISEN * depth)
    start = int(below[-1]) if len(below) else 0
    after = travel_mm[top:]
    returned = np.flatnonzero(after <= 0)
    back = int(returned[0]) if len(returned) else None
    turns = np.flatnonzero(np.diff(np.sign(np.diff(after))) != 0) + 1
    swings = int(np.count_nonzero(np.abs(after[turns]) > RISEN * depth))
    return {
        "depth_mm": depth,
        "time_to_peak_ms": 1000.0 * float(lag_s[top] - lag_s[start]),
        "back_ms": None if back is None else 1000.0 * float(lag_s[top + back] - lag_s[top]),
        "overshoot_share": None if back is None else max(0.0, -float(after[back:].min()) / depth),
        "cycles_to_settle": 0.5 * swings,
    }
