"""What of a review is told: the whole run or one lap, at the wheel or at the shaft."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance
from telemetry.damping.oscillation import OscillationEvent, RejectedCandidate
from telemetry.laps import lap_length_m
from telemetry.metrics import EndAt, Plane
from telemetry.motion import EndSummary, StopEvent, judged_ends
from telemetry.summary import LapSummary, Summary

_Stretch = TypeVar("_Stretch", OscillationEvent, RejectedCandidate)


@dataclass(frozen=True)
class Scope:
    """A review, the lap that is looked at (None for the whole run), and where travel is measured."""

    summary: Summary
    lap: LapSummary | None
    plane: Plane

    @property
    def ends(self) -> Mapping[End, EndSummary]:
        """Both ends, over the lap or the run."""
        return self.lap.ends if self.lap else self.summary.ends

    @property
    def judged(self) -> dict[End, EndAt]:
        """The ends of which there is something to show, where they are measured."""
        return {end: EndAt(found, self.plane) for end, found in judged_ends(self.ends).items()}

    @property
    def balance(self) -> Balance:
        """Balance, over the lap or the run."""
        return self.lap.balance if self.lap else self.summary.balance

    @property
    def lap_length_m(self) -> float | None:
        """Of a complete lap; None where it is not known. [m]"""
        return lap_length_m(self.summary.laps)

    @property
    def stops(self) -> tuple[StopEvent, ...]:
        """Everything that hit a stop, in order of time."""
        found = [stop for end in ENDS for stop in (*self.ends[end].bottomed, *self.ends[end].topped_out)]
        return tuple(sorted(found, key=lambda stop: stop.time_s))

    @property
    def oscillations(self) -> tuple[OscillationEvent, ...]:
        """Stretches in which the rear rang, in order of time."""
        return self._shown(self.summary.oscillation.events)

    @property
    def front_oscillations(self) -> tuple[OscillationEvent, ...]:
        """Stretches in which the front rang, which is another fault."""
        return self._shown(self.summary.oscillation.front_events)

    @property
    def rejected(self) -> tuple[RejectedCandidate, ...]:
        """Stretches that looked like lost damping at first."""
        return self._shown(self.summary.oscillation.rejected)

    def _shown(self, stretches: tuple[_Stretch, ...]) -> tuple[_Stretch, ...]:
        if self.lap is None:
            return stretches
        start_s, end_s = self.lap.start_s, self.lap.end_s
        return tuple(one for one in stretches if one.end_s > start_s and one.start_s < end_s)


def whole_run(summary: Summary) -> Scope:
    """The whole run at the wheel: what terminal and paper tell."""
    return Scope(summary, None, "wheel")
