"""Result of the detector: level of an event, events by place, why a log is refused, the answer in words."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import prod
from typing import Literal

import numpy as np

from telemetry.arrays import End
from telemetry.damping.equation import ORDERS, OWN
from telemetry.damping.evidence import FrontFilter, fit_pole
from telemetry.damping.hop import (
    BAND_WEIGHT,
    FREQUENCY_HZ,
    REFERENCE_HZ,
    WheelHop,
    band_gain,
    coefficients,
    tyre_hz_of,
)
from telemetry.laps import Lap, SharedPlace, along_the_lap, by_place
from telemetry.motion import Motion

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
    "Do not try to cure it with set-up: have the damper inspected by a qualified technician, and log both ends and "
    "ground speed. Gas-charged dampers are opened only by people equipped for it."
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
    """Signals around an event, at an even interval from ``start_s``.

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
    """A candidate stretch that was rejected, and the reason.

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
    """Damping ratio of one end over the laps: a verdict, a sentence, the laps, the trend.

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


def gather(events: Sequence[OscillationEvent], lap_length_m: float | None) -> tuple[LostPlace, ...]:
    """Gather events by place.

    Parameters
    ----------
    lap_length_m : float or None
        As of `telemetry.laps.by_place`. [m]

    Returns
    -------
    tuple of LostPlace
        The place with the most seconds first. Frequency and ratio are means weighted by length, the ratio's of
        its logarithm, with the interval narrowed as independent stretches allow.
    """
    places = (_lost_place(events, place) for place in by_place(events, lap_length_m))
    return tuple(sorted(places, key=lambda place: -place.seconds))


def clearest(events: Sequence[OscillationEvent], lap_length_m: float | None) -> tuple[OscillationEvent, ...]:
    """The clearest event of each place, the place with the most seconds first.

    Parameters
    ----------
    lap_length_m : float or None
        [m]
    """
    return tuple(
        max((events[i] for i in place.events), key=lambda event: (event.confidence, event.amplitude_mm))
        for place in gather(events, lap_length_m)
    )


def stretches_of_road(distance_m: Sequence[float | None]) -> list[list[int]]:
    """Groups of events on one stretch of road, along the lap; one at an unknown place stands alone, last. [m]

    A corner may hold several ridges, so corner numbers do not count here.
    """
    known = [i for i, at in enumerate(distance_m) if at is not None]
    groups = along_the_lap([at for at in distance_m if at is not None], None)
    return [
        *([known[i] for i in group] for group in groups),
        *([i] for i, at in enumerate(distance_m) if at is None),
    ]


def _lost_place(events: Sequence[OscillationEvent], place: SharedPlace) -> LostPlace:
    here = [events[i] for i in place.events]
    seconds = np.array([event.end_s - event.start_s for event in here])
    share = seconds / seconds.sum()
    log_ratio = float(share @ np.log([event.damping_ratio for event in here]))
    spread = np.log([event.damping_ratio_ci95[1] / event.damping_ratio for event in here])
    half = float(np.sqrt((share**2) @ spread**2))
    return LostPlace(
        corner=place.corner,
        phase=place.phase,
        distance_m=place.distance_m,
        laps=place.laps,
        events=place.events,
        seconds=float(seconds.sum()),
        frequency_hz=float(share @ [event.frequency_hz for event in here]),
        damping_ratio=float(np.exp(log_ratio)),
        damping_ratio_ci95=(float(np.exp(log_ratio - half)), float(np.exp(log_ratio + half))),
    )


# What is left when a damper has lost its oil: the tyre's part and a trace.
USUAL_LOSS = 0.08
LONGEST_S = 3.0
# With less of the riding judged nothing is said of the whole; with less than nearly all of it the share is. Choices.
LEAST_JUDGED, NEARLY_ALL = 0.5, 0.95


def verdict(
    fitted: FrontFilter,
    missing: str,
    events: tuple[OscillationEvent, ...],
    unexplained: int,
    limits: tuple[DetectionLimit, ...],
    rear: DamperCourse,
    judged_share: float = 1.0,
) -> tuple[Verdict, str]:
    """Yes, no or cannot tell of the rear damper, and why.

    Yes is said only of what repeats, or lasts long enough, or goes on over the laps: the events of level alarm, a
    damper that falls over the laps, and one without damping from the start.

    Parameters
    ----------
    fitted : FrontFilter
        From the outing as a whole.
    missing : str
        What the log lacks to know the road, in words; "" where it lacks nothing.
    unexplained : int
        Stretches that rang and that cannot be judged: without what is missing, or as a ridge for the rear alone does.
    limits : tuple of DetectionLimit
        What the log could show.
    rear : DamperCourse
        Over the laps.
    judged_share : float
        Of the moving time.
    """
    ratio = fitted.pole.damping_ratio
    alarms = tuple(event for event in events if event.level == "alarm")
    if rear.state == "worn all along":
        return "yes", (
            f"The damping ratio of the rear wheel hop was {ratio:.2f} over the whole outing, as low as with a tyre "
            "and no damper: this suggests a damper that had lost its damping from the start."
        )
    reasons = [rear.reason] if rear.state in FALLING else []
    reasons += [_event_sentence(alarms)] if alarms else []
    recovers = rear.reason if rear.state == "recovering" else ""
    if reasons:
        return "yes", " ".join(filter(None, (recovers, *reasons)))
    if events:
        return "cannot_tell", " ".join(filter(None, (recovers, _look_sentence(events))))
    if recovers:
        return "cannot_tell", f"{recovers} Compare with an outing on a fresh shock."
    if missing:
        return "cannot_tell", _missing_sentence(missing, unexplained)
    if unexplained:
        return "cannot_tell", (
            f"The rear wheel oscillated {_times(unexplained)} in a way that can be a failing damper or a ridge that "
            "only the rear wheel meets. Look at the road there."
        )
    if rear.state == "doubtful":
        return "cannot_tell", f"{rear.reason} Compare with an outing on a fresh shock."
    usual = next((limit for limit in limits if limit.damping_ratio == USUAL_LOSS), None)
    if usual is not None and usual.shortest_s is None:
        return "cannot_tell", (
            f"Over this road, with {usual.noise_mm:.2f} mm of noise in the rear sensor, a loss down to a ratio of "
            f"{USUAL_LOSS} would have to last longer than {LONGEST_S:.0f} s to show."
        )
    if judged_share < LEAST_JUDGED:
        return "cannot_tell", (
            f"Only {100 * judged_share:.0f} % of the riding could be judged, and nothing in it suggests lost damping; "
            "the rest was not measured at both ends or not with ground speed."
        )
    shown = (
        ""
        if usual is None
        else (
            f" A loss to a ratio of {USUAL_LOSS} for {usual.shortest_s:.2g} s or longer would be detected "
            f"{_cases(usual.share)}."
        )
    )
    part = "" if judged_share >= NEARLY_ALL else f", {100 * judged_share:.0f} % of it all,"
    return "no", (
        f"Nothing suggests lost rear damping: over {fitted.seconds:.0f} s of riding{part} the damping ratio of the "
        f"rear wheel hop was near {ratio:.2f}.{shown}"
    )


def _missing_sentence(missing: str, unexplained: int) -> str:
    if unexplained:
        return (
            f"The rear wheel oscillated {_times(unexplained)}, but without {missing} a kerb or a wheel out of balance "
            "looks the same."
        )
    return (
        f"The rear wheel did not oscillate for long, but without {missing} a shorter oscillation cannot be told from "
        "the road."
    )


def limit_sentence(limits: Iterable[DetectionLimit]) -> str:
    """What loss the log could have shown, in one sentence; "" where nothing is known of it."""
    limits = tuple(limits)
    detectable = [limit for limit in limits if limit.shortest_s is not None]
    if not limits:
        return ""
    if not detectable:
        return "A loss of 3 s or less cannot be detected in this log: its noise, rate or road hides it."
    parts = [f"{limit.damping_ratio:.2f} for {limit.shortest_s:.2g} s or longer" for limit in detectable]
    if len({limit.shortest_s for limit in detectable}) == 1:
        parts = [
            f"{detectable[-1].damping_ratio:.2f} or less for {detectable[-1].shortest_s:.2g} s or longer"
        ]
    share = min(limit.share for limit in detectable)
    return f"A loss to a damping ratio of {', '.join(parts)} would be detected {_cases(share)}."


def _cases(share: float) -> str:
    # the simulated cases are too few and too much alike to tell 99 from 100
    return f"in {min(int(100 * share), 99)} of 100 cases"


def _event_sentence(events: tuple[OscillationEvent, ...]) -> str:
    return f"{_oscillated(events)}. This suggests lost rear damping."


def _look_sentence(events: tuple[OscillationEvent, ...]) -> str:
    return f"{_oscillated(events)}. This is too short or too rare for a verdict: {LOOKS_THE_SAME}."


def _oscillated(events: tuple[OscillationEvent, ...]) -> str:
    worst = gather(events, None)[0]  # the length of the lap matters on straights only
    corner, phase = worst.corner, worst.phase
    seconds = sum(event.end_s - event.start_s for event in events)
    low, high = min(e.frequency_hz for e in events), max(e.frequency_hz for e in events)
    hz = f"{low:.1f} Hz" if high - low < 0.1 else f"{low:.1f} to {high:.1f} Hz"
    long = f"for {seconds:.1f} s" if len(events) == 1 else f"{seconds:.1f} s in total"
    place = ""
    if corner is not None:
        place = f", most of it in corner {corner}" if len(events) > 1 else f", in corner {corner}"
        place += f" ({phase})" if phase else ""
    return f"The rear wheel oscillated at {hz} with almost no damping: {_times(len(events))}, {long}{place}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


# A ridge that only one wheel met, or a tone, within 1.5 Hz of the hop cannot be told from a wheel that rings over a
# shorter stretch: the envelope of a ringing wheel (1 / (2 pi f ratio) = 0.1 to 0.3 s) has not come and gone yet.
TOLD_APART_S = 0.6
# From twice that on a stretch alone, or several of them together, say enough.
ENOUGH_S = 2.0 * TOLD_APART_S
# A ridge begins at the same point of the road on every lap. A start is known to about a tenth of a second (5 m at
# 50 m/s) and the place along the lap to about as much; three times that. A choice of ours.
FIXED_WITHIN_M = 15.0
# A ridge is there from the first lap on, at one point, and most laps show it; a damper fails later, or now here and now
# there. Ridges take little of a lap: what rings for longer than this share of it is more than a few ridges. Own choice.
FEWEST_LAPS, MOST_OF_A_LAP = 3, 0.1
# An alarm asks for this confidence that not all of its stretches have another cause. A choice of ours.
SURE = 0.95
# Confidence of what other things can cause as well; see "Reliability" in DEVELOPERS.md.
MOST_OF_A_LOOK = 0.8


def with_levels(
    events: Sequence[OscillationEvent],
    limits: Sequence[DetectionLimit],
    laps: Sequence[Lap] = (),
    ends_m: Sequence[float | None] = (),
    for_line: Sequence[float] = (),
) -> tuple[OscillationEvent, ...]:
    """Give every event of a wheel its level; an event of level look gets no more confidence than it can have.

    An alarm is what repeats (stretches of `ENOUGH_S` together, on two laps or at two places), or one stretch of
    `ENOUGH_S`, with the others at its place, for which the log's detection limit holds. Stretches likelier to be lines
    over a sound damper (``for_line``, as in `Judged`) raise no alarm. What begins and ends at one point on several laps
    (``ends_m``, place along the lap [m]) counts once, like a ridge that one wheel meets; not at all if it was there
    from the first lap on and on most laps.
    """
    events = tuple(events)
    ends_m, for_line = ends_m or [None] * len(events), for_line or [-np.inf] * len(events)
    of_ground = _of_the_ground(events, laps, ends_m)
    others = [i for i in range(len(events)) if i not in of_ground]
    alarms = {i for i in others if for_line[i] <= 0.0 and _stands_alone(events[i], limits)}
    if _repeats([(events[i], ends_m[i], for_line[i]) for i in others]):
        alarms = set(others)
    for place in stretches_of_road([event.distance_m for event in events]):
        if alarms & set(place):
            alarms |= set(place)
    return tuple(
        replace(event, level="alarm")
        if i in alarms
        else replace(event, level="look", confidence=min(event.confidence, MOST_OF_A_LOOK))
        for i, event in enumerate(events)
    )


def _length_s(event: OscillationEvent) -> float:
    # times are those of samples at 100 Hz: a length is what was meant to a hundredth
    return round(event.end_s - event.start_s, 2)


def _stands_alone(event: OscillationEvent, limits: Sequence[DetectionLimit]) -> bool:
    """Whether the log would have shown a loss like this one in 9 of 10 cases or more, and it is long and clear."""
    if _length_s(event) < ENOUGH_S or event.confidence < SURE:
        return False
    like_it = [limit for limit in limits if limit.damping_ratio >= event.damping_ratio]
    limit = min(like_it, key=lambda limit: limit.damping_ratio, default=None)
    return limit is not None and limit.shortest_s is not None and _length_s(event) >= limit.shortest_s


def _repeats(found: Sequence[tuple[OscillationEvent, float | None, float]]) -> bool:
    """Whether stretches on two laps or at two places are together long and clear enough.

    Those shorter than `TOLD_APART_S` do not count: kerbs have many places too. All that begins and ends at one point of
    the road on every lap counts once together: a circuit has many ridges. ``found`` are events, end [m] and
    ``for_line``.
    """
    long = [one for one in found if _length_s(one[0]) >= TOLD_APART_S]
    ridges: list[tuple[OscillationEvent, float | None, float]] = []
    counted: list[tuple[OscillationEvent, float | None, float]] = []
    for place in stretches_of_road([event.distance_m for event, *_ in long]):
        here = [long[i] for i in place]
        (ridges if _fixed_to_ground(here) else counted).extend(here)
    if ridges:
        counted.append(max(ridges, key=lambda one: _length_s(one[0])))
    events = [event for event, *_ in counted]
    places = stretches_of_road([event.distance_m for event in events])
    apart = len(places) > 1 or len({event.lap for event in events}) > 1
    long_enough = sum(map(_length_s, events)) >= ENOUGH_S
    sure = 1.0 - prod(1.0 - event.confidence for event in events) >= SURE
    return apart and long_enough and sure and sum(line for *_, line in counted) <= 0.0


def _of_the_ground(
    events: Sequence[OscillationEvent], laps: Sequence[Lap], ends_m: Sequence[float | None]
) -> set[int]:
    """Indices of events at places where the road alone may ring the wheel.

    There it rings from the first lap on and, on most laps, begins and ends at one point; a wheel that lost its damper
    rings for as long as that lasts.
    """
    complete = {lap.lap: lap for lap in laps if lap.complete}
    if len(complete) < FEWEST_LAPS:
        return set()
    found: set[int] = set()
    for place in stretches_of_road([event.distance_m for event in events]):
        here = [i for i in place if events[i].lap in complete]
        starts = [(events[i].lap, events[i].distance_m) for i in here]
        ends = [
            (lap, start_m if ends_m[i] is None else ends_m[i])
            for i, (lap, start_m) in zip(here, starts, strict=True)
        ]
        alike = min(_laps_at_one_point(starts), _laps_at_one_point(ends))
        first = min(complete) in {events[i].lap for i in here}
        if first and alike >= FEWEST_LAPS and 2 * alike > len(complete):
            found |= set(place)
    whole_s = sum(lap.time_s for lap in complete.values())
    rung_s = sum(_length_s(events[i]) for i in found)
    return found if rung_s <= MOST_OF_A_LAP * whole_s else set()


def _laps_at_one_point(points: Sequence[tuple[int | None, float | None]]) -> int:
    """On how many laps one of these points, with their laps, lies within `FIXED_WITHIN_M` of the others."""
    known = [(lap, at_m) for lap, at_m in points if at_m is not None]
    return max(
        (len({lap for lap, at_m in known if 0.0 <= at_m - low_m <= FIXED_WITHIN_M}) for _, low_m in known),
        default=0,
    )


def _fixed_to_ground(place: Sequence[tuple[OscillationEvent, float | None, float]]) -> bool:
    """Whether what rings at one place begins and ends at the same points on several laps, as a ridge there would."""
    starts_m = [event.distance_m for event, *_ in place if event.distance_m is not None]
    ends_m = [end_m for _, end_m, _ in place if end_m is not None]
    several = len({event.lap for event, *_ in place}) > 1 and bool(starts_m)
    return several and all(max(at) - min(at) <= FIXED_WITHIN_M for at in (starts_m, ends_m) if at)


# A sound damper at the lower end (0.3 of the usual 0.3-0.5, common practice) on a hop in the middle of the band.
SOUND_HZ, SOUND_DAMPING = 16.0, 0.56
# A reading may be off by this share by the log's rate alone; a choice of ours.
MOST_OFF = 0.1


def refusal(motion: Motion) -> str:
    """Why nothing can be said of the rear damper from this log.

    Returns
    -------
    str
        A sentence with what to do; "" where it can be tried.
    """
    if "rear" not in motion.ends or not np.isfinite(motion.ends["rear"].wheel_travel_mm).any():
        return "The rear was not judged, so its damper cannot be judged either."
    rate = motion.sample_rate_hz
    sound, read = ratio_read(np.inf), ratio_read(rate)
    if abs(read / sound - 1.0) > MOST_OFF:
        return (
            f"The log has {rate:.0f} samples a second and nothing above {rate / 2:.0f} Hz: by that alone a sound "
            f"damper would read {100 * abs(read / sound - 1):.0f} % off (a ratio of {read:.2f} for {sound:.2f}), so a "
            "weak one cannot be told from a slow log. Log at 100 or more, better 200."
        )
    return ""


def ratio_read(sample_rate_hz: float) -> float:
    """Hop damping ratio that a sound damper shows on an ISO 8608 road at this sample rate [Hz]; 0 without the band."""
    hop = WheelHop()
    there = 0.5 * sample_rate_hz > FREQUENCY_HZ
    if not there.any():
        return 0.0
    row = coefficients(hop, np.array(tyre_hz_of(hop, SOUND_HZ)), np.array(SOUND_DAMPING))
    # the road is white in speed; what the wheel makes of it, in the orders of its equation
    orders = (1j * FREQUENCY_HZ / REFERENCE_HZ) ** np.array(ORDERS[OWN])[:, None]
    power = there * BAND_WEIGHT / band_gain(row, FREQUENCY_HZ)
    return fit_pole(np.real((orders * power) @ orders.conj().T), hop).damping_ratio
