"""Both ends over any stretch of a stored run: a lap, a corner, a phase, a span of time or distance, or all at once."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End
from telemetry.balance import Balance, PitchSummary, SpeedRatio
from telemetry.laps import MOVING_M_S, PHASES
from telemetry.motion import EndMotion, EndSummary, not_judged, summarise_end
from telemetry.summary.results import Summary, Traces

_NO_PITCH = PitchSummary(None, None, None, None)


@dataclass(frozen=True)
class Stretch:
    """Selection of samples; None means no limit.

    Parameters
    ----------
    lap, corner : int, optional
    phase : str, optional
        One of `telemetry.laps.PHASES`.
    time_s : tuple of float, optional
        From and to, on the run's clock. [s]
    distance_m : tuple of float, optional
        From and to, since the start of the lap, on every lap selected; from a larger to a smaller distance it goes
        over the line. [m]
    """

    lap: int | None = None
    corner: int | None = None
    phase: str | None = None
    time_s: tuple[float, float] | None = None
    distance_m: tuple[float, float] | None = None


def selected(traces: Traces, stretch: Stretch) -> BoolArray:
    """The samples of a stretch while riding, shape (n_samples,); ValueError if there is no such phase."""
    speed = traces["speed_m_s"]
    known = bool(np.isfinite(speed).any())
    inside = np.nan_to_num(speed) > MOVING_M_S if known else np.ones(len(speed), dtype=bool)
    if stretch.lap is not None:
        inside &= traces["lap"] == stretch.lap
    if stretch.corner is not None:
        inside &= traces["corner"] == stretch.corner
    if stretch.phase is not None:
        if stretch.phase not in PHASES:
            raise ValueError(f"phase {stretch.phase!r} is none of {', '.join(PHASES)}.")
        inside &= traces["phase"] == PHASES.index(stretch.phase)
    if stretch.time_s is not None:
        first, last = stretch.time_s
        inside &= (traces["t_s"] >= first) & (traces["t_s"] <= last)
    if stretch.distance_m is not None:
        first, last = stretch.distance_m
        beyond, short = traces["distance_m"] >= first, traces["distance_m"] <= last
        inside &= (beyond & short) if first <= last else (beyond | short)
    return inside


def summarise_stretch(summary: Summary, traces: Traces, stretch: Stretch) -> Mapping[End, EndSummary]:
    """Travel use, speeds and histograms of both ends over a stretch, as the review has them for runs and laps.

    Parameters
    ----------
    traces : Traces
        Of the same run, or a piece of them without a gap in time, with time, road speed and all columns of both ends.

    Returns
    -------
    mapping of end to EndSummary
        Both; an end of which the stretch holds nothing usable is not judged.

    Raises
    ------
    ValueError
        If there is no such phase.
    """
    inside = selected(traces, stretch)
    rate_hz, first_s = summary.run.sample_rate_hz, float(traces["t_s"][0])
    found: dict[End, EndSummary] = {}
    for name, whole in summary.ends.items():
        if not whole.judged:
            found[name] = whole
            continue
        stops = tuple(
            stop
            for stop in (*whole.bottomed, *whole.topped_out)
            if _holds(inside, round((stop.time_s - first_s) * rate_hz))
        )
        here = summarise_end(_end_motion(summary, traces, name), inside, stops)
        nothing = not_judged(whole.stroke_mm, whole.wheel_stroke_mm, "Nothing usable was measured there.")
        found[name] = here if here.valid_share else nothing
    return found


def _holds(inside: BoolArray, at: int) -> bool:
    """Whether a sample is there and selected; half a sample beyond either end counts as the end."""
    return -1 <= at <= len(inside) and bool(inside[min(max(at, 0), len(inside) - 1)])


def stretch_balance(ends: Mapping[End, EndSummary]) -> Balance:
    """Balance over a stretch: RMS wheel speed, rear over front; a stretch has too few bumps for the rest."""
    front, rear = (ends[end].wheel.speed if ends[end].judged else None for end in ENDS)
    if front is None or rear is None:
        return Balance(SpeedRatio(None, None), None, _NO_PITCH, (), "one end was not measured there")
    compression, rebound = (
        _over(getattr(rear, side).rms_mm_s, getattr(front, side).rms_mm_s)
        for side in ("compression", "rebound")
    )
    return Balance(SpeedRatio(compression, rebound), None, _NO_PITCH, ())


def _over(rear: float, front: float) -> float | None:
    ratio = rear / front if front > 0 else np.nan
    return float(ratio) if np.isfinite(ratio) else None


def _end_motion(summary: Summary, traces: Traces, name: End) -> EndMotion:
    """The end as it was reviewed, from the traces and what the summary says of it."""
    whole = summary.ends[name]
    sag = whole.use.static_sag_mm
    return EndMotion(
        end=name,
        stroke_mm=whole.stroke_mm,
        wheel_stroke_mm=whole.wheel_stroke_mm,
        shaft_travel_mm=traces[f"{name}_shaft_mm"],
        shaft_speed_mm_s=traces[f"{name}_shaft_mm_s"],
        wheel_travel_mm=traces[f"{name}_wheel_mm"],
        wheel_speed_mm_s=traces[f"{name}_wheel_mm_s"],
        valid=traces[f"{name}_valid"] == 1.0,
        shaft_noise_mm_s=whole.shaft.speed.noise_mm_s,
        wheel_noise_mm_s=whole.wheel.speed.noise_mm_s,
        bandwidth_hz=whole.wheel.speed.bandwidth_hz,
        speed_split_mm_s=summary.bike_values.get(f"{name}.speed_split_mm_s", np.nan),
        static_sag_mm=np.nan if sag is None else sag,
    )
