"""What the detector made of an outing, against the truth."""

from dataclasses import dataclass, field

import numpy as np

from telemetry.damping import Oscillation, OscillationEvent
from telemetry.damping.judge import evidence_over
from tests.benchmarks.detection.outings import ALIKE, Outing

FOUND_SHARE = 0.3  # of the loss that an event has to cover
MARGIN_S = 0.25
MARGINS = (
    -3.0,
    -2.0,
    -1.0,
    0.0,
    1.0,
    2.0,
    4.0,
    8.0,
)  # of evidence, over the threshold: the points of the ROC


@dataclass
class Loss:
    scale: float
    seconds: float
    rate_hz: float
    amplitude_mm: float
    truth: tuple[float, float]  # frequency, ratio
    crowded: bool  # confounders in the outing
    promised: bool  # the detection limit says that it would be found
    fault: str = "scaled"
    over_sound: float = np.nan  # hop amplitude over a sound twin's
    hop_hz: float = np.nan
    full_file: bool = True
    found_at: tuple[bool, ...] = ()  # at each of MARGINS
    found: bool = False
    frequency_hz: float = np.nan
    ratio: float = np.nan
    ci95: tuple[float, float] = (np.nan, np.nan)
    onset_s: float = np.nan
    end_s: float = np.nan


@dataclass
class Card:
    """One outing scored."""

    kind: str
    hours: float
    verdict: str
    losses: list[Loss] = field(default_factory=list)
    events: int = 0
    alarms: list[str] = field(default_factory=list)  # what was there where a false event was called
    alarms_at: tuple[int, ...] = ()  # how many at each of MARGINS
    alike: list[bool] = field(default_factory=list)  # rear-only ridges and short tones: called or not
    chatter: list[tuple[float, bool]] = field(default_factory=list)  # of the front: seconds, named or not
    front_alarms: int = 0  # events of the front where its damper was sound
    seed: int = 0
    confidences: list[tuple[float, bool]] = field(
        default_factory=list
    )  # of each event, and whether it is real


def score(
    kind: str, outing: Outing, answer: Oscillation, at_lower_threshold: tuple[OscillationEvent, ...] = ()
) -> Card:
    """Hold an answer against the truth of its outing; ``at_lower_threshold`` are events for the ROC."""
    hours = float((outing.speed_m_s > 10.0).mean() * (outing.t_s[-1] - outing.t_s[0]) / 3600)
    levels = [[e for e in at_lower_threshold if evidence_over(e) >= margin] for margin in MARGINS]
    card = Card(kind, hours, answer.verdict, events=len(answer.events), seed=outing.plan.seed)
    for e in outing.losses:
        seconds = round(e.end_s - e.start_s, 2)
        loss = Loss(
            e.scale, seconds, outing.plan.rate_hz, e.amplitude_mm, (e.frequency_hz, e.damping_ratio),
            bool(outing.plan.confounders), _promised(answer, e.damping_ratio, seconds),
            e.fault, e.over_sound, outing.plan.hop_hz or np.nan, outing.plan.seed % 2 == 0,
            tuple(_covering(level, e) is not None for level in levels),
        )  # fmt: skip
        event = _covering(answer.events, e)
        if event is not None:
            loss.found, loss.frequency_hz, loss.ratio = True, event.frequency_hz, event.damping_ratio
            loss.ci95 = event.damping_ratio_ci95
            loss.onset_s, loss.end_s = event.start_s - e.start_s, event.end_s - e.end_s
        card.losses.append(loss)
    card.alarms = _alarms(outing, answer.events)
    card.confidences = [(v.confidence, any(_near(v, e) for e in outing.losses)) for v in answer.events]
    card.alarms_at = tuple(len(_alarms(outing, level)) for level in levels)
    for e in outing.episodes:
        if e.kind in ALIKE:
            card.alike.append(any(v.start_s < e.end_s and v.end_s > e.start_s for v in answer.events))
    fronts = [e for e in outing.episodes if e.kind == "front chatter"]
    card.chatter = [
        (e.end_s - e.start_s, any(v.start_s < e.end_s and v.end_s > e.start_s for v in answer.front_events))
        for e in fronts
    ]
    card.front_alarms = sum(not any(_near(v, e) for e in fronts) for v in answer.front_events)
    return card


def _covering(events, loss):
    """The event that covers most of a loss, if it covers enough of it."""
    overlap = [min(v.end_s, loss.end_s) - max(v.start_s, loss.start_s) for v in events]
    if overlap and max(overlap) > FOUND_SHARE * (loss.end_s - loss.start_s):
        return events[int(np.argmax(overlap))]
    return None


def _promised(answer: Oscillation, ratio: float, seconds: float) -> bool:
    limits = [limit for limit in answer.limits if limit.damping_ratio >= ratio]
    shortest = min(limits, key=lambda limit: limit.damping_ratio).shortest_s if limits else None
    return shortest is not None and seconds >= shortest


def _alarms(outing: Outing, events) -> list[str]:
    """What was there at each event that is no loss; what physics says looks the same is counted apart."""
    found = []
    for event in events:
        if any(_near(event, e) for e in outing.losses):
            continue
        there = [e.kind for e in outing.episodes if e.kind not in ("loss", "imbalance") and _near(event, e)]
        if not any(k in ALIKE for k in there):
            found.append(there[0] if there else "nothing")
    return found


def _near(event, episode) -> bool:
    return event.start_s < episode.end_s + MARGIN_S and event.end_s > episode.start_s - MARGIN_S
