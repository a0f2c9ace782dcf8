# ruff: noqa: E501
"""What the detector made of an outing, against the truth; and the tables of many."""

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
from outings import ALIKE, Outing

from telemetry.damping import Oscillation

FOUND_SHARE = 0.3  # of the loss that an event has to cover
MARGIN_S = 0.25
LEAST_AMPLITUDE_MM = 0.5


@dataclass
class Loss:
    scale: float
    seconds: float
    rate_hz: float
    amplitude_mm: float
    truth: tuple[float, float]  # frequency, ratio
    crowded: bool  # confounders in the outing
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
    alarms: list[str] = field(default_factory=list)  # what was there where a false event was called
    alike: list[bool] = field(default_factory=list)  # rear-only ridges and short tones: called or not
    seed: int = 0


def score(kind: str, outing: Outing, answer: Oscillation) -> Card:
    """Hold an answer against the truth of its outing."""
    hours = float((outing.speed_m_s > 10.0).mean() * (outing.t_s[-1] - outing.t_s[0]) / 3600)
    card = Card(kind, hours, answer.verdict, seed=outing.plan.seed)
    for e in outing.losses:
        loss = Loss(
            e.scale, round(e.end_s - e.start_s, 2), outing.plan.rate_hz, e.amplitude_mm,
            (e.frequency_hz, e.damping_ratio), bool(outing.plan.confounders),
        )  # fmt: skip
        overlap = [min(v.end_s, e.end_s) - max(v.start_s, e.start_s) for v in answer.events]
        if overlap and max(overlap) > FOUND_SHARE * loss.seconds:
            event = answer.events[int(np.argmax(overlap))]
            loss.found, loss.frequency_hz, loss.ratio = True, event.frequency_hz, event.damping_ratio
            loss.ci95 = event.damping_ratio_ci95
            loss.onset_s, loss.end_s = event.start_s - e.start_s, event.end_s - e.end_s
        card.losses.append(loss)
    for event in answer.events:
        if any(
            event.start_s < e.end_s + MARGIN_S and event.end_s > e.start_s - MARGIN_S for e in outing.losses
        ):
            continue
        there = [e.kind for e in outing.episodes if e.kind not in ("loss", "imbalance")
                 and event.start_s < e.end_s + MARGIN_S and event.end_s > e.start_s - MARGIN_S]  # fmt: skip
        if not any(k in ALIKE for k in there):
            card.alarms.append(there[0] if there else "nothing")
    for e in outing.episodes:
        if e.kind in ALIKE:
            card.alike.append(any(v.start_s < e.end_s and v.end_s > e.start_s for v in answer.events))
    return card


def _share(values) -> str:
    values = list(values)
    return f"{np.mean(values):4.2f} ({len(values):4d})" if values else "   -       "


def report(cards: list[Card]) -> str:
    """Tables in plain text."""
    lines: list[str] = []
    losses = [x for c in cards for x in c.losses]
    strong = [x for x in losses if x.amplitude_mm >= LEAST_AMPLITUDE_MM]
    fast = [x for x in strong if x.rate_hz >= 200]
    seconds = sorted({x.seconds for x in losses})
    for crowded in (False, True):
        rows = [x for x in fast if x.crowded == crowded]
        if not rows:
            continue
        title = "with every confounder" if crowded else "clean"
        lines += [f"Recall, {title}, 200 Hz and up, {LEAST_AMPLITUDE_MM} mm and more: share (number)"]
        lines += ["  scale   " + "".join(f"{s:>12.2f} s" for s in seconds)]
        for scale in sorted({x.scale for x in losses}):
            cells = [_share(x.found for x in rows if x.scale == scale and x.seconds == s) for s in seconds]
            lines.append(f"  {scale:5.2f}   " + "".join(f"{c:>14}" for c in cells))
        low = [x for x in rows if x.scale <= 0.1]
        cells = [_share(x.found for x in low if x.seconds == s) for s in seconds]
        lines += ["  <=0.10  " + "".join(f"{c:>14}" for c in cells)]
        lines += [f"  <=0.10, 1 s and longer: {_share(x.found for x in low if x.seconds >= 1)}", ""]
    lines += ["Recall by rate, scale <= 0.10, 1 s and longer, clean and crowded together"]
    for rate in sorted({x.rate_hz for x in losses}):
        lines.append(f"  {rate:5.0f} Hz  {_share(x.found for x in strong if x.rate_hz == rate and x.scale <= 0.1 and x.seconds >= 1)}")  # fmt: skip
    weak = [x for x in losses if x.amplitude_mm < LEAST_AMPLITUDE_MM]
    lines += [f"Losses below {LEAST_AMPLITUDE_MM} mm: {_share(x.found for x in weak)}", ""]
    lines += _errors([x for x in fast if x.found])
    lines += _alarms(cards)
    return "\n".join(lines)


def _errors(found: list[Loss]) -> list[str]:
    if not found:
        return []
    frequency = np.array([x.frequency_hz - x.truth[0] for x in found])
    low = [x for x in found if x.truth[1] < 0.15]
    ratio = np.array([x.ratio - x.truth[1] for x in low])
    inside = [x.ci95[0] <= x.truth[1] <= x.ci95[1] for x in low]
    onset, end = np.array([x.onset_s for x in found]), np.array([x.end_s for x in found])
    return [
        "Found losses, 200 Hz and up",
        f"  frequency within 0.5 Hz: {np.mean(abs(frequency) < 0.5):.2f}, median error {np.median(frequency):+.2f} Hz ({len(found)})",
        f"  ratio (true below 0.15) within 0.03: {np.mean(abs(ratio) < 0.03):.2f}, median error {np.median(ratio):+.3f}, 95 % interval covers {np.mean(inside):.2f} ({len(low)})",
        f"  onset within 0.3 s: {np.mean(abs(onset) < 0.3):.2f}, median {np.median(onset):+.2f} s; end within 0.3 s: {np.mean(abs(end) < 0.3):.2f}, median {np.median(end):+.2f} s",
        "",
    ]  # fmt: skip


def _alarms(cards: list[Card]) -> list[str]:
    lines = ["False alarms"]
    for kind in dict.fromkeys(c.kind for c in cards):
        own = [c for c in cards if c.kind == kind]
        hours = sum(c.hours for c in own)
        count: dict[str, int] = defaultdict(int)
        for c in own:
            for what in c.alarms:
                count[what] += 1
        total = sum(count.values())
        split = ", ".join(f"{k} {v}" for k, v in sorted(count.items(), key=lambda pair: -pair[1])) or "none"
        verdicts = ", ".join(f"{v} {sum(c.verdict == v for c in own)}" for v in ("yes", "no", "cannot_tell"))
        lines.append(f"  {kind:24s} {total / hours:5.2f} per hour ({total} in {hours:.1f} h, {len(own)} bikes): {split}; verdicts: {verdicts}")  # fmt: skip
    alike = [x for c in cards for x in c.alike]
    if alike:
        lines.append(f"  rear-only ridges and short in-band tones called: {_share(alike)} of episodes")
    return lines
