"""Limits of a prediction: refused changes and numbers, with reasons."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End
from telemetry.bike import Bike, value_at
from telemetry.damping import Oscillation, dampers_in_doubt
from telemetry.errors import PredictionError
from telemetry.motion import Motion
from telemetry.prediction.forkload import ForkCheck
from telemetry.prediction.model import damper_of, spring_lacks
from telemetry.stand import Changed

SLOWEST_HZ = 100.0
STOP_SHARE = 0.05  # of the time in the stop: beyond, most of what counts happened where the log sees no force
DYNO_REACH = 1.5  # times its fastest row, beyond which a damper curve is unknown
# What acts on the forces along the shafts; everything else is for the stand.
FORCE_KEYS = ("spring_rate_n_per_mm", "preload_mm", "compression_clicks", "rebound_clicks")
FORCE_PARTS = (".spring.", ".damper.")
DEEP = ("travel.p95_mm", "travel.max_mm", "travel.left_mm", "near_stop", "stop_contacts")


@dataclass(frozen=True)
class Refusal:
    """Numbers that are not predicted: those whose key begins so, or is one of them; and why."""

    keys: tuple[str, ...]
    reason: str

    def covers(self, key: str) -> bool:
        """Whether a number is among them."""
        return any(key == name or (name.endswith(".") and key.startswith(name)) for name in self.keys)


def changed_ends(changed: Sequence[Changed]) -> tuple[End, ...]:
    """Ends that something is changed at."""
    return tuple(end for end in ENDS if any(change.key.startswith(f"{end}.") for change in changed))


def acts_on_forces(key: str) -> bool:
    """Whether a key of the bike file acts on the forces of an end and can be predicted."""
    end, _, rest = key.partition(".")
    if end not in ENDS:
        return False
    parts = any(part.strip(".") == rest.split(".")[0] for part in FORCE_PARTS)
    return rest in FORCE_KEYS or key == "rear.shock_length_mm" or parts


def clicks_only(bike: Bike, changed: Sequence[Changed]) -> tuple[str, ...]:
    """Changed clickers at an end without a dyno table: only the direction of their effect is known."""
    return tuple(
        change.key
        for change in changed
        if change.key.endswith("_clicks")
        and value_at(bike, f"{change.key.split('.')[0]}.damper.dyno") is None
    )


def check_change(bike: Bike, motion: Motion, changed: Sequence[Changed]) -> None:
    """Raise `PredictionError`, naming the key and what to do, for a change that cannot be predicted at all."""
    for change in changed:
        key = change.key
        if not acts_on_forces(key):
            raise PredictionError(
                f"{key}: does not act on the forces of spring and damper, so its laps cannot be predicted; "
                f"'bothends stand' says what it does to the geometry."
            )
        end: End = "front" if key.startswith("front.") else "rear"
        if end not in motion.ends:
            raise PredictionError(
                f"{key}: the {end} was not measured in this log ({motion.not_judged.get(end, '')})"
            )
        if lacks := spring_lacks(bike, end):
            raise PredictionError(
                f"{bike.source}: lacks {', '.join(lacks)}; a prediction at the {end} needs it."
            )
        if any(part in key for part in FORCE_PARTS) and value_at(bike, key) is None:
            raise PredictionError(
                f"{bike.source}: lacks {key}; a change of it needs it as the bike was logged."
            )
        dyno = value_at(bike, f"{end}.damper.dyno")
        if dyno is not None and (".damper.compression." in key or ".damper.rebound." in key):
            raise PredictionError(
                f"{key}: the {end} damper is a dyno table, which this does not change; change {end}.compression_clicks "
                f"or {end}.rebound_clicks."
            )
        if key == "rear.shock_length_mm" and change.before is None:
            raise PredictionError(
                f"{bike.source}: lacks rear.shock_length_mm; give the length it was logged with."
            )


def check_log(motion: Motion, selected: BoolArray, oscillation: Oscillation | None) -> None:
    """Refuse a log that no change can be predicted on.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
        The complete laps at pace, while riding.
    oscillation : Oscillation or None
        What the detector says; None where it was not asked.

    Raises
    ------
    PredictionError
        Saying why.
    """
    if motion.sample_rate_hz < SLOWEST_HZ * (1 - 1e-3):
        raise PredictionError(
            f"{motion.source}: logged at {motion.sample_rate_hz:.0f} Hz; a prediction needs {SLOWEST_HZ:.0f} Hz or "
            f"more, since the dampers work faster than this log sees."
        )
    if not selected.any():
        raise PredictionError(f"{motion.source}: holds no riding, so there are no laps to ride again.")
    doubt = () if oscillation is None else dampers_in_doubt(oscillation)
    if doubt:
        raise PredictionError(
            f"{motion.source}: the {' and '.join(doubt)} damper is in doubt on this log ('bothends review' says "
            f"where), so it is not the one of the bike file and no change is predicted. Have it inspected by a "
            f"qualified technician first."
        )


def refusals(
    bike: Bike,
    motion: Motion,
    selected: BoolArray,
    changed: Sequence[Changed],
    fork: ForkCheck | None,
) -> tuple[Refusal, ...]:
    """Reasons by number that cannot be predicted for a change; ``fork`` is None without the front."""
    refused = []
    ends = changed_ends(changed)
    if fork is not None and "front" in ends:
        parts = bike.front.spring
        no_end = parts is None or (
            parts.air is None and parts.bump_stop is None
        )  # of the file, nothing fitted
        if fork.state == "differs" or (fork.state == "unchecked" and no_end):
            refused.append(Refusal(tuple(f"front.{key}" for key in DEEP), fork.words))
    for end in ends:
        own = motion.ends[end]
        use = selected & own.valid
        in_stop = use & (own.shaft_travel_mm >= own.stroke_mm)
        share = float(np.count_nonzero(in_stop)) / max(1, int(np.count_nonzero(use)))
        if share > STOP_SHARE:
            refused.append(
                Refusal(
                    (f"{end}.", "balance."),
                    f"The {end} was in its stop for {100 * share:.0f} % of the time: what pushed it there is not in "
                    f"the log.",
                )
            )
        if clicks := [key for key in clicks_only(bike, changed) if key.startswith(end)]:
            refused.append(
                Refusal(
                    ("front.", "rear.", "balance."),
                    f"{clicks[0]}: what a click does is not known without a dyno table in [{end}.damper]; only the "
                    f"direction is given.",
                )
            )
        damper_changed = any(f"{end}.damper" in c.key or c.key.endswith("_clicks") for c in changed)
        dyno = value_at(bike, f"{end}.damper.dyno")
        if damper_changed and dyno is not None and use.any():
            fastest = DYNO_REACH * max(abs(row[1]) for row in dyno)
            reached = float(np.percentile(np.abs(own.shaft_speed_mm_s[use]), 99.0))
            if reached > fastest:
                refused.append(
                    Refusal(
                        (f"{end}.", "balance."),
                        f"The {end} shaft moved at {reached:.0f} mm/s, the dyno table ends at "
                        f"{fastest / DYNO_REACH:.0f} mm/s.",
                    )
                )
    return tuple(refused)


def direction_bike(bike: Bike, changed: Sequence[Changed]) -> Bike:
    """Bike with the sides of the changed clickers 10 % firmer or softer, to find the direction of the effect.

    Clicks are counted from fully closed: fewer are firmer. ``bike`` is after the change.
    """
    for key in clicks_only(bike, changed):
        change = next(c for c in changed if c.key == key)
        end: End = "front" if key.startswith("front.") else "rear"
        before = change.before if isinstance(change.before, int | float) else 0.0
        firmer = 1.1 if float(change.after) < before else 0.9
        side = "compression" if "compression" in key else "rebound"
        damper = damper_of(bike, end)
        old = getattr(damper, side)
        scaled = old.model_copy(
            update={
                "low_n_s_per_mm": old.low_n_s_per_mm * firmer,
                "high_n_s_per_mm": old.high_n_s_per_mm * firmer,
            }
        )
        section = bike.end(end)
        section = section.model_copy(update={"damper": damper.model_copy(update={side: scaled})})
        bike = bike.model_copy(update={end: section})
    return bike
