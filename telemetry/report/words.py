"""How numbers and places are written, the same on paper and in the terminal."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance, Gain, WeightTransfer
from telemetry.bike import GRAVITY_M_S2
from telemetry.laps import Corner, SharedPlace, by_place, lap_length_m
from telemetry.motion.summary import StopEvent
from telemetry.notes import QualityNote
from telemetry.setup import Comparison
from telemetry.summary import LapSummary, Summary
from telemetry.wording import STOP_WORDS, laps_list, number, place_words

SEVERITY_WORDS = {"info": "note", "warning": "WARNING", "refused": "CANNOT TELL"}


@dataclass(frozen=True)
class StopPlace:
    """An end against the same stop at the same place: how often, on which laps, how deep, how fast."""

    end: End
    kind: str
    place: str
    distance_m: float | None
    laps: str
    times: int
    travel_mm: float
    speed_mm_s: float


def stop_places(summary: Summary) -> list[StopPlace]:
    """Where the travel ran out, gathered by place: bottomed before topped out, most often first."""
    length_m = lap_length_m(summary.laps)
    found = [
        _stop_place([stops[i] for i in place.events], place)
        for end in ENDS
        for stops in (summary.ends[end].bottomed, summary.ends[end].topped_out)
        for place in by_place(stops, length_m)
    ]
    return sorted(found, key=lambda row: (row.kind != "bottomed", -row.times, row.distance_m or 0.0))


def _stop_place(stops: Sequence[StopEvent], place: SharedPlace) -> StopPlace:
    first = stops[0]
    return StopPlace(
        first.end,
        STOP_WORDS[first.kind],
        place_words(place.corner, place.phase, place.distance_m),
        place.distance_m,
        laps_list(place.laps),
        len(stops),
        (max if first.kind == "bottomed" else min)(stop.travel_mm for stop in stops),
        max(abs(stop.speed_mm_s) for stop in stops),
    )


def named_corners(corners: Iterable[Corner]) -> str:
    """What people call the corners, or "" where nobody named one.

    Examples
    --------
    >>> named_corners([Corner(1, 80, 100, 120, -1, "Old Gate"), Corner(2, 300, 340, 380, 1)])
    'Corner 1 is Old Gate.'
    """
    named = [f"{corner.number} is {corner.name}" for corner in corners if corner.name]
    return f"Corner {', '.join(named)}." if named else ""


def best_lap(summary: Summary) -> LapSummary | None:
    """The quickest complete lap, or the longest part lap where none is complete."""
    complete = [lap for lap in summary.laps if lap.complete]
    if complete:
        return min(complete, key=lambda lap: lap.time_s)
    return max(summary.laps, key=lambda lap: lap.time_s, default=None)


def cautions(summary: Summary) -> list[str]:
    """The cautions of the findings, each once, without those that the verdicts or a longer caution say."""
    found = list(dict.fromkeys(finding.caution for finding in summary.findings if finding.caution))
    said = (*summary.verdicts, *found)
    return [caution for caution in found if sum(caution in text for text in said) == 1]


def note_words(note: QualityNote) -> str:
    """A quality note in one line: how serious, which channel, where, what."""
    where = note.channel and f" [{note.channel}]"
    if note.start_s is not None:
        end = "" if note.end_s is None or note.end_s == note.start_s else f" to {note.end_s:.2f}"
        where += f" at {note.start_s:.2f}{end} s"
    return f"{SEVERITY_WORDS[note.severity]}{where}: {note.message}"


_RUN = {"a": "Before", "b": "After"}


def excluded_words(comparison: Comparison) -> tuple[str, ...]:
    """The laps that were left out, a line each."""
    return tuple(
        f"{_RUN[row.run]}, lap {row.lap}{f' ({row.end} only)' if row.end else ''}: {row.reason}"
        for row in comparison.excluded
    )


def pitch_words(balance: Balance) -> str:
    """Pitch in one sentence, or "" where it is not known."""
    pitch = balance.pitch
    if pitch.mean_deg is None:
        return ""
    return (
        f"Pitch from the wheel travels, nose down positive: mean {number(pitch.mean_deg, 2)} deg, "
        f"{number(pitch.min_deg, 1)} to {number(pitch.max_deg, 1)} deg."
    )


def _gain_words(gain: Gain, decimals: int) -> str:
    """Size of a gain per g with its interval, without the sign that the sentence says in words."""
    sign = GRAVITY_M_S2 if gain.value >= 0 else -GRAVITY_M_S2
    low, high = sorted(sign * end for end in gain.ci95)
    return f"{number(sign * gain.value, decimals)} (95 % {number(low, decimals)} to {number(high, decimals)})"


def chassis_words(balance: Balance) -> tuple[str, ...]:
    """Pitch and heave, what they do to the steering, dive and squat: a sentence each, as far as they are known."""
    found, chassis, transfer = [], balance.chassis, balance.transfer
    if chassis is not None:
        low, high = chassis.body_band_hz
        body = next((band for band in chassis.bands if (band.low_hz, band.high_hz) == (low, high)), None)
        if body is not None:
            words = f"Body band, {low:g} to {high:g} Hz: {number(100 * body.pitch_share)} % of the motion is pitch"
            if chassis.coherence is not None and chassis.rear_lag_deg is not None:
                side = "after" if chassis.rear_lag_deg >= 0 else "before"
                words += (
                    f", coherence of the ends {number(chassis.coherence, 2)}, the rear "
                    f"{number(abs(chassis.rear_lag_deg))} deg {side} the front"
                )
            found.append(f"{words}.")
        moved = ", ".join(
            f"{row.name} {number(row.spread, 2 if row.unit == 'deg' else 0)} {row.unit}"
            + ("" if row.pitch_share is None else f" ({number(100 * row.pitch_share)} % by pitch)")
            for row in chassis.geometry
        )
        if moved:
            found.append(f"What the steering absorbs, 5 to 95 % of the time: {moved}.")
    return (*found, *([] if transfer is None else _transfer_words(transfer)))


def _transfer_words(transfer: WeightTransfer) -> Iterator[str]:
    """Dive and squat, steady and per g; what the pitch does at the release."""
    fork, pitch, rear = transfer.steady_fork_dive, transfer.steady_dive, transfer.steady_rear_squat
    if fork is not None and pitch is not None and fork.ci95[0] > 0:
        yield (
            f"In steady upright braking the fork dives {_gain_words(fork, 0)} mm per g, "
            f"{_gain_words(pitch, 1)} deg of pitch, over {transfer.stretches} stretches."
        )
    if transfer.return_deg_s is not None and transfer.rear_left_mm is not None:
        yield (
            f"Over {transfer.brakings} brakings the pitch comes back at up to {number(transfer.return_deg_s, 1)} "
            f"deg/s (median), and the rear keeps {number(transfer.rear_left_mm, 0)} mm to extend."
        )
    if rear is not None and rear.ci95[0] * rear.ci95[1] > 0:
        yield (
            f"In steady upright drive the rear {'sinks' if rear.value >= 0 else 'rises'} {_gain_words(rear, 0)} mm per "
            f"g, over {transfer.drives} stretches."
        )
    elif rear is not None:
        yield f"In steady upright drive the rear shows no clear squat over {transfer.drives} stretches."
    if not transfer.lean_known:
        yield (
            "Dive and squat cannot be told: they need the lean, logged or from positions, to leave out corners."
        )
