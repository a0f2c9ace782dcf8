"""Lost rear damping: what the detector says."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from telemetry.arrays import End

Verdict = Literal["yes", "no", "cannot_tell"]
# "alarm": stop, have it inspected. "look": a single short stretch, which other things can cause as well.
Level = Literal["look", "alarm"]

# What is said with every suspicion.
CAUTION = (
    "Stop and have the shock inspected by a qualified technician before riding on. Gas-charged dampers are "
    "opened only by people equipped for it."
)
# What is said where a damper is in doubt: a fault can neither be named nor ruled out.
DOUBT_CAUTION = (
    "Do not chase it with set-up: have the damper inspected by a qualified technician, and log both ends and ground "
    "speed. Gas-charged dampers are opened only by people equipped for it."
)
# What else a single short stretch can be.
LOOKS_THE_SAME = (
    "a kerb that only the rear wheel met, a tone of the sensor or its bracket, and a wheel out of balance look the "
    "same"
)
# What is said of a damper that fades or is worn, and of a front that rings.
INSPECT_CAUTION = (
    "Have the damper inspected by a qualified technician before riding on. Gas-charged dampers are opened only by "
    "people equipped for it."
)


@dataclass(frozen=True)
class Check:
    """A question that a stretch had to answer, and its answer in words; ``against`` when it is no lost damping."""

    question: str
    answer: str
    against: bool = False


@dataclass(frozen=True)
class EventEvidence:
    """What an event can be seen by, at an even interval from ``start_s``.

    Travel between 4 and 36 Hz: the wheel's own, and the other wheel's at the same place of the road (empty without
    it). Densities of its own travel: as it was, and as it would have been on the same road with the
    damping of the outing as a whole. [s, mm, Hz, mm2/Hz]
    """

    start_s: float
    step_s: float
    own_mm: tuple[float, ...]
    other_mm: tuple[float, ...]
    frequency_hz: tuple[float, ...]
    own_mm2_hz: tuple[float, ...]
    healthy_mm2_hz: tuple[float, ...]


@dataclass(frozen=True)
class OscillationEvent:
    """A stretch in which a wheel hop rang as if hardly damped: the rear's, unless said to be the front's.

    Amplitudes are the RMS of the band-limited travel, at the wheel and at the shaft. ``evidence`` is what
    speaks for it, in words; ``confidence`` runs from 0 to 1. ``checks`` are what was asked of it and ruled out,
    ``seen`` its trace and spectrum (empty and None in reviews stored by older versions). ``level`` is how much it
    says; older versions called every event an alarm. [s, m, Hz, mm]
    """

    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None
    frequency_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]
    amplitude_mm: float
    shaft_amplitude_mm: float
    confidence: float
    evidence: str
    checks: tuple[Check, ...] = ()
    seen: EventEvidence | None = None
    level: Level = "alarm"


@dataclass(frozen=True)
class RejectedCandidate:
    """A stretch that looked like it at first, and why it is not called.

    ``explained`` is False where no other cause was found and the log lacks what would tell: the other end, speed, or
    a lap on which the wheel does not ring at that place.
    """

    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    reason: str
    explained: bool = True


@dataclass(frozen=True)
class LapDamping:
    """Damping ratio of a wheel hop over one lap; None where it cannot be told.

    ``ci95`` is for another road like this one; ``scatter`` for another lap on the same: the standard deviation of
    ln(ratio), None in reviews stored by older versions.
    """

    lap: int
    damping_ratio: float | None
    ci95: tuple[float, float] | None
    scatter: float | None = None


@dataclass(frozen=True)
class DampingTrend:
    """Change of the damping ratio from lap to lap, negative when it falls. [% per lap]"""

    change_pct_per_lap: float
    ci95_pct_per_lap: tuple[float, float]


@dataclass(frozen=True)
class SpeedDamping:
    """Damping ratio lap by lap over half seconds whose RMS shaft speed, 4 to 36 Hz, lies in a range. [mm/s]

    A damper is digressive, so its ratio falls with the speed: two outings are compared at the same speeds.
    """

    low_mm_s: float
    high_mm_s: float
    laps: tuple[LapDamping, ...]


# The first is what older versions called "losing damping".
DamperState = Literal[
    "losing damping as it warms", "losing damping", "lost damping and recovered", "worn all along", "recovering",
    "doubtful", "sound", "steady", "cannot tell",
]  # fmt: skip
# A fall over the laps, and every state in which a damper is not known to be sound.
FALLING: frozenset[DamperState] = frozenset(
    {"losing damping as it warms", "losing damping", "lost damping and recovered"}
)
IN_DOUBT: frozenset[DamperState] = FALLING | {"worn all along", "recovering", "doubtful"}


@dataclass(frozen=True)
class DamperCourse:
    """What the damping ratio of one end did over the laps: a word, a sentence, the laps, the trend.

    "steady" is said where only the change can be judged, not the level; "doubtful" where the level may be that of a
    worn damper or of a rough road; "recovering" is a rise that suggests lost damping before. ``laps`` are those at
    pace, ``by_speed`` the same by shaft speed.
    """

    state: DamperState
    reason: str
    laps: tuple[LapDamping, ...]
    trend: DampingTrend | None
    by_speed: tuple[SpeedDamping, ...] = ()


@dataclass(frozen=True)
class DetectionLimit:
    """Shortest loss that this log could show, from its noise, its road and its healthy stretches. [s, mm]

    A loss down to ``damping_ratio`` of at least ``shortest_s`` is found in ``share`` (0.9 or more) of the cases; None
    where even the longest window (3 s) is too short. ``noise_mm`` is the sensor's, at the wheel.
    """

    damping_ratio: float
    shortest_s: float | None
    noise_mm: float
    share: float = 0.9


@dataclass(frozen=True)
class LostPlace:
    """Events at one place of the lap, gathered. ``events`` are their indices; [m, s, Hz]."""

    corner: int | None
    phase: str | None
    distance_m: float | None
    laps: tuple[int, ...]
    events: tuple[int, ...]
    seconds: float
    frequency_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]


@dataclass(frozen=True)
class Oscillation:
    """The detector's answer over a run, with its reason in one sentence.

    ``trend`` is None with too few laps; ``fade`` and ``trend`` are the rear's, ``course`` has both ends that were
    measured. ``limits`` say what the log could show, by falling damping. ``places`` gather the events; empty and
    missing in reviews stored by older versions. ``front_events`` are the same of the front wheel: another fault than
    a lost rear damper (fork, front tyre, chatter). ``band_hz`` is where the hop was looked for, from the bike file
    (``band_from_bike``) or a wide default. ``unexplained`` counts the stretches in which the rear rang and the log
    lacks what would tell why; ``judged_share`` is the share of the moving time in which the rear could be judged (None
    in reviews stored by older versions). [Hz]
    """

    verdict: Verdict
    reason: str
    events: tuple[OscillationEvent, ...] = ()
    rejected: tuple[RejectedCandidate, ...] = ()
    fade: tuple[LapDamping, ...] = ()
    trend: DampingTrend | None = None
    course: Mapping[End, DamperCourse] = field(default_factory=dict)
    limits: tuple[DetectionLimit, ...] = ()
    places: tuple[LostPlace, ...] = ()
    front_events: tuple[OscillationEvent, ...] = ()
    band_hz: tuple[float, float] | None = None
    band_from_bike: bool = False
    unexplained: int = 0
    judged_share: float | None = None


def dampers_not_judged(found: Oscillation) -> tuple[End, ...]:
    """Ends whose damper is neither in doubt nor known to be sound, since the log cannot tell.

    Returns
    -------
    tuple of End
        The rear first. A front is judged over its laps; where it rang, it is in doubt instead.
    """
    front = found.course.get("front")
    unknown: dict[End, bool] = {
        "rear": found.verdict == "cannot_tell",
        "front": front is None or front.state == "cannot tell",
    }
    doubt = dampers_in_doubt(found)
    return tuple(end for end, cannot_tell in unknown.items() if cannot_tell and end not in doubt)


def dampers_in_doubt(found: Oscillation) -> tuple[End, ...]:
    """Ends whose damper may have a fault; with any of them no set-up advice is given.

    Returns
    -------
    tuple of End
        The rear first.
    """
    doubt: dict[End, bool] = {
        "rear": found.verdict == "yes" or bool(found.events) or found.unexplained > 0,
        "front": bool(found.front_events),
    }
    return tuple(
        end
        for end, rang in doubt.items()
        if rang or (end in found.course and found.course[end].state in IN_DOUBT)
    )
