# ruff: noqa: E501
"""The tables of many scored outings, in Markdown."""

from collections import Counter

import numpy as np

from tests.benchmarks.detection.score import MARGINS, Card, Loss

LEAST_AMPLITUDE_MM = 0.5
LEAST_RATE_HZ = 200
NARROWER = 1.645 / 1.960  # 90 % interval from 95 %


def report(cards: list[Card]) -> str:
    """All tables."""
    losses = [x for c in cards for x in c.losses]
    fast = [x for x in losses if x.amplitude_mm >= LEAST_AMPLITUDE_MM and x.rate_hz >= LEAST_RATE_HZ]
    lines = [
        f"{len(cards)} outings, each with a bike, a circuit, a road and a seed of its own; {len(losses)} losses; "
        f"{sum(c.hours for c in cards):.0f} h of riding.",
        "Losses of 0.5 mm RMS at the wheel and more, 200 Hz and up, unless said; numbers in brackets are counts.",
        "",
        *_bars(cards, fast),
        *_recall(fast, crowded=False),
        *_recall(fast, crowded=True),
        *_by_rate(losses),
        *_false_alarms(cards),
        *_roc(cards, fast),
        *_errors([x for x in fast if x.found]),
        *_limit(losses),
        *_front(cards),
    ]
    return "\n".join(lines)


def _share(values) -> str:
    values = list(values)
    return f"{np.mean(values):.2f} ({len(values)})" if values else "-"


def _table(head: list[str], rows: list[list[str]]) -> list[str]:
    return [
        "| " + " | ".join(head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(r) + " |" for r in rows),
        "",
    ]


def _per_hour(cards: list[Card], kind: str) -> tuple[float, int, float, int]:
    own = [c for c in cards if c.kind == kind]
    count, hours = sum(len(c.alarms) for c in own), sum(c.hours for c in own)
    return count / max(hours, 1e-9), count, hours, len(own)


def _bars(cards: list[Card], fast: list[Loss]) -> list[str]:
    def recall(crowded: bool, low: float, high: float) -> str:
        return _share(
            x.found for x in fast if x.crowded == crowded and x.scale <= 0.1 and low <= x.seconds < high
        )

    def alarms(kind: str) -> str:
        rate, count, hours, bikes = _per_hour(cards, kind)
        return f"{rate:.2f} ({count} in {hours:.1f} h on {bikes} bikes)"

    found = [x for x in fast if x.found]
    low = [x for x in found if x.truth[1] < 0.15]
    mode = [abs(x.frequency_hz - x.truth[0]) < 0.5 for x in found]
    ratio = [abs(x.ratio - x.truth[1]) < 0.03 for x in low]
    return _table(
        ["bar (a tenth of the damper or less)", "asked", "reached"],
        [
            ["recall, 1 s and longer, clean", ">= 0.95", recall(False, 0.99, 9)],
            ["recall, 1 s and longer, every confounder", ">= 0.93", recall(True, 0.99, 9)],
            ["recall, 0.75 s, clean", ">= 0.88", recall(False, 0.7, 0.8)],
            ["recall, 0.75 s, every confounder", ">= 0.80", recall(True, 0.7, 0.8)],
            ["false alarms an hour, clean healthy riding", "<= 0.3", alarms("healthy, clean")],
            ["false alarms an hour, every confounder", "<= 0.5", alarms("healthy, confounders")],
            [
                "rear-only ridges and short in-band tones called",
                "<= 0.05",
                _share(x for c in cards for x in c.alike),
            ],
            ["frequency within 0.5 Hz", ">= 0.75", _share(mode)],
            ["damping ratio (true below 0.15) within 0.03", ">= 0.78", _share(ratio)],
            ["its 90 % intervals cover", "0.85 to 0.95", _share(_covered(x) for x in low)],
        ],
    )


def _covered(x: Loss) -> bool:
    return bool(abs(np.log(x.truth[1] / x.ratio)) < NARROWER * 0.5 * np.log(x.ci95[1] / x.ci95[0]))


def _recall(fast: list[Loss], *, crowded: bool) -> list[str]:
    own = [x for x in fast if x.crowded == crowded]
    seconds = sorted({x.seconds for x in own})
    rows = [
        [
            f"{100 * scale:.0f} %",
            *(_share(x.found for x in own if x.scale == scale and x.seconds == s) for s in seconds),
        ]
        for scale in sorted({x.scale for x in own})
    ]
    low = [x for x in own if x.scale <= 0.1]
    rows.append(["10 % and less", *(_share(x.found for x in low if x.seconds == s) for s in seconds)])
    title = "with every confounder" if crowded else "clean"
    return [
        f"Recall {title}: damper left, by length of the loss",
        "",
        *_table(["left", *(f"{s:g} s" for s in seconds)], rows),
    ]


def _by_rate(losses: list[Loss]) -> list[str]:
    own = [x for x in losses if x.scale <= 0.1 and x.seconds > 0.99 and x.amplitude_mm >= LEAST_AMPLITUDE_MM]
    rates = sorted({x.rate_hz for x in own})
    cells = [_share(x.found for x in own if x.rate_hz == rate) for rate in rates]
    weak = [x for x in losses if x.amplitude_mm < LEAST_AMPLITUDE_MM]
    return [
        "Recall by log rate: 10 % and less, 1 s and longer",
        "",
        *_table(
            [*(f"{rate:.0f} Hz" for rate in rates), f"any, below {LEAST_AMPLITUDE_MM} mm"],
            [[*cells, _share(x.found for x in weak)]],
        ),
    ]


def _false_alarms(cards: list[Card]) -> list[str]:
    rows = []
    for kind in dict.fromkeys(c.kind for c in cards):
        rate, count, hours, bikes = _per_hour(cards, kind)
        own = [c for c in cards if c.kind == kind]
        there = Counter(what for c in own for what in c.alarms)
        split = ", ".join(f"{what} {n / hours:.2f}" for what, n in there.most_common()) or "-"
        events = sum(c.events for c in own)
        alike = sum(sum(c.alike) for c in own)
        precision = f"{(events - count - alike) / events:.3f}" if events and "losses" in kind else "-"
        verdicts = ", ".join(f"{v} {sum(c.verdict == v for c in own)}" for v in ("yes", "no", "cannot_tell"))
        rows.append(
            [kind, f"{rate:.2f}", f"{count} in {hours:.1f} h, {bikes} bikes", split, precision, verdicts]
        )
    return [
        "False alarms an hour, by what was there",
        "",
        *_table(["outings", "an hour", "behind it", "of it", "precision", "verdicts"], rows),
        "Verdicts of healthy outings with confounders include ridges and tones that physics says look the same.",
        "",
    ]


def _roc(cards: list[Card], fast: list[Loss]) -> list[str]:
    low = [x for x in fast if x.scale <= 0.1 and x.found_at]

    def rate(kind: str, i: int) -> str:
        own = [c for c in cards if c.kind == kind and c.alarms_at]
        return f"{sum(c.alarms_at[i] for c in own) / max(sum(c.hours for c in own), 1e-9):.2f}"

    rows = []
    for i, margin in enumerate(MARGINS):
        cells = [
            f"{np.mean([x.found_at[i] for x in low if x.crowded == crowded and near(x.seconds)] or [np.nan]):.2f}"
            for crowded in (False, True)
            for near in (lambda s: s == 0.5, lambda s: s == 0.75, lambda s: s > 0.99)
        ]
        rows.append([f"{margin:+.0f}", *cells, rate("healthy, clean", i), rate("healthy, confounders", i)])
    head = [
        "evidence over threshold",
        *(f"recall {s}, {k}" for k in ("clean", "crowded") for s in ("0.5 s", "0.75 s", "1 s and longer")),
    ]
    return [
        "ROC, 10 % and less",
        "",
        *_table([*head, "false an hour, clean", "false an hour, crowded"], rows),
    ]


def _errors(found: list[Loss]) -> list[str]:
    low = [x for x in found if x.truth[1] < 0.15]
    frequency = np.array([x.frequency_hz - x.truth[0] for x in found])
    ratio = np.array([x.ratio - x.truth[1] for x in low])
    onset, end = np.array([x.onset_s for x in found]), np.array([x.end_s for x in found])

    def row(name: str, error: np.ndarray, unit: str) -> list[str]:
        q = np.quantile(error, [0.05, 0.25, 0.5, 0.75, 0.95]) if len(error) else np.full(5, np.nan)
        return [name, unit, *(f"{x:+.3g}" for x in q), str(len(error))]

    return [
        "Errors of the losses found: quantiles",
        "",
        *_table(
            ["error of", "unit", "5 %", "25 %", "50 %", "75 %", "95 %", "number"],
            [
                row("frequency", frequency, "Hz"),
                row("damping ratio (true below 0.15)", ratio, "1"),
                row("onset", onset, "s"),
                row("end", end, "s"),
            ],
        ),
    ]


def _limit(losses: list[Loss]) -> list[str]:
    own = [x for x in losses if x.truth[1] <= 0.12]
    return [
        "The detection limit that each log computes for itself (9 in 10 found), against what was found, every rate and size",
        "",
        *_table(
            ["losses", "found"],
            [
                ["longer than the limit", _share(x.found for x in own if x.promised)],
                ["shorter", _share(x.found for x in own if not x.promised)],
            ],
        ),
    ]


def _front(cards: list[Card]) -> list[str]:
    chatter = [x for c in cards for x in c.chatter]
    rows = [
        [f"{low:g} to {high:g} s", _share(named for seconds, named in chatter if low <= seconds < high)]
        for low, high in ((0.6, 1.0), (1.0, 1.5), (1.5, 2.01))
    ]
    hours, false = sum(c.hours for c in cards), sum(c.front_alarms for c in cards)
    return [
        "The front's damper at 5 % for a while (front chatter): named as the front's",
        "",
        *_table(["length", "named"], rows),
        f"Events of the front where its damper was sound: {false} in {hours:.0f} h.",
        "",
    ]


CLEAR = 2.0


def failing(cards: list[Card]) -> str:
    """Dampers that fail in every way on wheels of any hop: clear losses by fault, hop, rate and bike file; false events."""
    clear = [x for c in cards for x in c.losses if x.over_sound >= CLEAR]
    groups = {
        "fault": lambda x: x.fault,
        "hop": lambda x: f"{3 * int(x.hop_hz // 3)} to {3 * int(x.hop_hz // 3) + 3} Hz",
        "log": lambda x: f"{x.rate_hz:.0f} Hz",
        "bike file": lambda x: "full" if x.full_file else "minimum",
    }
    rows = []
    for name, group in groups.items():
        for value in sorted({group(x) for x in clear}):
            own = [x for x in clear if group(x) == value]
            short, long = ([x.found for x in own if (x.seconds > 0.99) == wanted] for wanted in (False, True))
            rows.append([name, value, _share(short), _share(long)])
    events = [pair for c in cards for pair in c.confidences]
    steps = (0.5, 0.6, 0.7, 0.8, 0.9, 1.001)
    reliable = [
        [f"{low:g} to {min(high, 1):g}", _share(real for sure, real in events if low <= sure < high)]
        for low, high in zip(steps[:-1], steps[1:], strict=True)
    ]
    sound = [c for c in cards if not c.losses]
    hours = sum(c.hours for c in sound)
    count, alike = sum(c.events for c in sound), sum(sum(c.alike) for c in sound)
    lossy = [c for c in cards if sum(x.over_sound >= CLEAR and x.seconds > 0.99 for x in c.losses) >= 2]
    return "\n".join(
        [
            "Dampers that fail as dampers do, hop from 12 to 21 Hz: clear losses (hop at least twice a sound twin's)",
            "",
            *_table(["by", "", "0.6 to 1 s", "1 s and longer"], rows),
            f"Sound outings of any hop, half with every confounder and what looks the same: {count} events in "
            f"{hours:.1f} h on {len(sound)} bikes, {count / max(hours, 1e-9):.2f} an hour; {alike} of them on what looks "
            f"the same. Full alarm in {sum(c.verdict == 'yes' for c in sound)} of {len(sound)} outings.",
            "Outings with two or more clear losses of 1 s and longer: full alarm in "
            f"{_share(c.verdict == 'yes' for c in lossy)}.",
            "",
            "Reliability: share of events that are real, by confidence",
            "",
            *_table(["confidence", "real"], reliable),
        ]
    )


def fades(outcomes: list[tuple[str, str, str]]) -> str:
    """Table of (what was done, end looked at, state called)."""
    rows = []
    for done, end in dict.fromkeys((d, e) for d, e, _ in outcomes):
        called = Counter(state for d, e, state in outcomes if (d, e) == (done, end))
        total = sum(called.values())
        falling = called["losing damping"] + called["lost damping and recovered"]
        rest = ", ".join(f"{state} {n}" for state, n in called.most_common() if "los" not in state)
        rows.append([done, end, f"{falling / total:.3f} ({total})", rest or "-"])
    return "\n".join(
        [
            "Ten laps, the damper fading from 100 to 40 % or sound, half of them with every confounder",
            "",
            *_table(["outing", "end looked at", "called losing damping", "else"], rows),
        ]
    )
