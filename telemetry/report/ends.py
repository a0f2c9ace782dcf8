"""Sections on both ends: travel, speed, strokes and stops; balance, dampers, frequencies, pitch and weight transfer."""

import re
from collections.abc import Iterable, Iterator, Sequence

from telemetry.arrays import ENDS, End
from telemetry.balance import (
    Balance,
    BumpGroup,
    Gain,
    LightWheel,
    PhaseBalance,
    Ratio,
    SameBump,
    WeightTransfer,
    verdict,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.findings import TWO_BALANCES, WIDEST, balance_sentence, damping_sentence, suspicions
from telemetry.laps import Corner, SharedPlace, by_place
from telemetry.motion import BandUse, PackingEvent, PlaceUse, StopEvent, StrokeSide
from telemetry.report.blocks import (
    Answer,
    Column,
    Figure,
    Fold,
    LapName,
    Medium,
    Number,
    Row,
    Said,
    Section,
    Sentence,
    Spot,
    Table,
    both_ends,
    end_row,
    figure,
    fold,
    in_short,
    metric_column,
    notes,
    section,
    table,
    without_intervals,
    words_columns,
)
from telemetry.report.figures import (
    Scope,
    ZoneDots,
    bump_picture,
    ratio_picture,
    response_picture,
    spectra_picture,
    zone_picture,
)
from telemetry.summary import (
    BUMP,
    CONTACT_MS,
    COUNT,
    END_METRICS,
    FREQUENCY,
    PITCH_DEG,
    RATIO,
    RMS_SPEED,
    SHARE,
    SPEED,
    STOP_WORDS,
    TRAVEL,
    UNKNOWN,
    Group,
    Summary,
    count_word,
    interval,
    laps_list,
    laps_words,
    limits_words,
    measured_time,
    never_words,
    number,
    place_words,
    sentence,
    times,
)

MOST_LIGHT_PLACES = 5
FELT_S = 0.1  # a wheel that hung for less was a hop


def spot(place: SharedPlace) -> Spot:
    """A place in words, with the first lap on which it was met."""
    words = place_words(place.corner, place.phase, place.distance_m)
    return Spot(words, place.laps[0] if place.laps else None, place.distance_m)


def laps_cell(laps: Iterable[int | None]) -> str:
    """Lap numbers for a table, as `laps_list` writes them; a screen makes a link of each."""
    parts = re.split(r"(\d+)", laps_list(laps))
    return Said(LapName(int(part), part) if part.isdigit() else part for part in parts)


def ends_section(scope: Scope) -> Section | None:
    """Travel and speed of both ends, side by side; what is asked less often is folded."""
    where = f"at the {scope.plane}"
    return section(
        "ends",
        f"Both ends, {where}",
        _group(scope, "travel", extra=False),
        _group(scope, "speed", extra=False),
        fold(
            f"More of travel and speed, {where}",
            *(_group(scope, group, extra=True) for group in ("travel", "speed")),
            medium=Medium.SCREEN,
        ),
        *notes(*limits_words(scope.ends)),
    )


def _group(scope: Scope, group: Group, *, extra: bool) -> Table | None:
    chosen = [metric for metric in END_METRICS if metric.group == group and metric.extra == extra]
    rows = (end_row(metric, scope.judged) for metric in chosen)
    return table((Column(f"{group} at the {scope.plane}", words=True), *_heads(scope)), rows)


def _heads(scope: Scope) -> tuple[Column, ...]:
    """Both ends as headings, with what was not judged, or only for a part of the time."""

    def head(end: End) -> str:
        if end not in scope.judged:
            return f"{end}: not judged"
        partly = measured_time(scope.ends[end])
        return f"{end}, {partly.partition(' of')[0]} of the time" if partly else end

    return tuple(Column(head(end), end=end) for end in ENDS)


STOP_COLUMNS = (
    *words_columns("what", "where", "laps"), metric_column(COUNT), metric_column(TRAVEL),
    Column("arrival speed [mm/s]"), metric_column(CONTACT_MS),
)  # fmt: skip


def stops_section(scope: Scope) -> Section | None:
    """Where an end bottomed, where it topped out, and where a wheel carried little."""
    bottomed, topped_out = (
        [stop for stop in scope.stops if stop.kind == kind] for kind in ("bottomed", "topped_out")
    )
    light = light_words(scope.summary.light, scope.lap_length_m) if scope.lap is None else []
    return section(
        "stops",
        "Where the travel ran out",
        table(STOP_COLUMNS, stop_rows(bottomed, scope.lap_length_m), "Where it bottomed", most=12)
        or Sentence(never_words(scope.ends, "bottomed"), "strong"),
        fold(
            f"Topped out {times(len(topped_out))}",
            table(STOP_COLUMNS, stop_rows(topped_out, scope.lap_length_m), most=12),
            medium=Medium.TERMINAL,
        )
        or Sentence(never_words(scope.ends, "topped out")),
        *notes(*limits_words(scope.ends)),
        *map(Sentence, light),
    )


def stop_rows(stops: Sequence[StopEvent], lap_length_m: float | None) -> list[Row]:
    """Stops of one kind gathered by place, most often first."""
    ranked: list[tuple[int, float, Row]] = []
    for end in ENDS:
        own = [stop for stop in stops if stop.end == end]
        for place in by_place(own, lap_length_m):
            here = [own[i] for i in place.events]
            deepest = (max if here[0].kind == "bottomed" else min)(stop.travel_mm for stop in here)
            row = (
                f"{end} {STOP_WORDS[here[0].kind]}",
                spot(place),
                laps_cell(place.laps),
                Number(len(here), COUNT),
                Number(deepest, TRAVEL),
                Number(max(abs(stop.speed_mm_s) for stop in here), SPEED),
                Number(max(stop.duration_s for stop in here), CONTACT_MS),
            )
            ranked.append((-len(here), place.distance_m or 0.0, row))
    return [row for _, _, row in sorted(ranked, key=lambda one: one[:2])]


def places_section(scope: Scope) -> Section | None:
    """Travel use by phase, and folded by corner."""
    caption = (
        "Median and 95th percentile: mean over laps, ± standard error of that mean. Left: travel left at the deepest "
        "point of all laps."
    )
    return section(
        "places",
        "Travel by phase and corner, at the wheel",
        table(PLACE_COLUMNS, place_rows(scope, corners=False), "Travel by phase"),
        fold("Travel by corner", table(PLACE_COLUMNS, place_rows(scope, corners=True))),
        note=caption,
    )


PLACE_COLUMNS = (
    Column("[mm]", words=True),
    *(Column(f"{end} {words}", end=end) for end in ENDS for words in ("median", "95th pct.", "left")),
)


def place_rows(scope: Scope, *, corners: bool) -> list[Row]:
    """Phase or corner, then median with its standard error over laps, 95th percentile and margin of both ends."""
    uses: dict[str, dict[End, PlaceUse]] = {}
    for end in ENDS:
        for place in scope.summary.places.get(end, ()):
            if (place.corner is not None) == corners:
                name = f"corner {place.corner}" if place.corner else place.phase or "whole lap"
                uses.setdefault(name, {})[end] = place
    return [
        (name, *(cell for end in ENDS for cell in _place_cells(ends.get(end)))) for name, ends in uses.items()
    ]


def _place_cells(place: PlaceUse | None) -> Row:
    if place is None:
        return UNKNOWN, UNKNOWN, UNKNOWN
    ride_height = place.ride_height_mm
    return (
        Number(ride_height.mean, TRAVEL, error=ride_height.standard_error),
        Number(place.p95_mm.mean, TRAVEL),
        Number(max(place.margin_mm, 0.0), TRAVEL),
    )


def strokes_section(scope: Scope) -> Section | None:
    """Strokes by depth, and where an end packed down."""
    columns = (
        Column("stroke [mm]", words=True),
        *(Column(f"{end} {way}", end=end) for end in ENDS for way in ("compression", "rebound")),
    )
    return section(
        "strokes",
        "Strokes, at the wheel",
        table(columns, stroke_rows(scope)),
        *map(Sentence, packing_words(scope.summary.packing, scope.lap_length_m)),
        note="Number of strokes / median of their peak speeds [mm/s].",
    )


def stroke_rows(scope: Scope) -> list[Row]:
    """Depth, then how many strokes and the median of their peak wheel speeds, by end and direction."""
    ends = [scope.summary.strokes.get(end) for end in ENDS]
    classes = max((found.classes for found in ends if found), key=len, default=())

    def cell(side: StrokeSide | None) -> str:
        return UNKNOWN if side is None else f"{side.count} / {number(side.p50_mm_s)}"

    rows: list[Row] = []
    for deeper, one in reversed(tuple(enumerate(reversed(classes)))):  # a noisy end starts at a deeper class
        depth = f"{one.from_mm:.0f} to {one.to_mm:.0f}" if deeper else f"over {one.from_mm:.0f}"
        cells = [
            cell(getattr(found.classes[-1 - deeper], way) if found and deeper < len(found.classes) else None)
            for found in ends
            for way in ("compression", "rebound")
        ]
        rows.append((depth, *cells))
    return rows


def packing_words(packing: Sequence[PackingEvent], lap_length_m: float | None) -> Iterator[str]:
    """Where an end packed, a sentence a place."""
    for end in ENDS:
        events = [event for event in packing if event.end == end]
        for place in by_place(events, lap_length_m):
            where = place_words(place.corner, place.phase, place.distance_m)
            deepest_mm = max(events[i].sink_mm for i in place.events)
            yield (
                f"{end.capitalize()} packed down at {where}: {times(len(place.events))}, "
                f"{laps_words(place.laps)}, up to {deepest_mm:.0f} mm deeper than before and after."
            )


def light_words(light: Sequence[LightWheel], lap_length_m: float | None) -> list[str]:
    """Where a wheel carried little, a sentence an end and what the rider did meanwhile."""
    lines = []
    for end, under in sorted({(event.end, event.under) for event in light}):
        events = [event for event in light if (event.end, event.under) == (end, under)]
        places = sorted(by_place(events, lap_length_m), key=lambda place: -len(place.events))
        where = [
            f"{place_words(place.corner, None, place.distance_m)} ({times(len(place.events))})"
            for place in places[:MOST_LIGHT_PLACES]
        ]
        more = (
            f" and {count_word(len(places) - len(where), 'more place')}" if len(places) > len(where) else ""
        )
        hanging = sum(event.hanging_s >= FELT_S for event in events)
        aloft = "a wheelie or nearly" if (end, under) == ("front", "drive") else "off the ground or nearly"
        shares = [event.least_share for event in events if event.least_share is not None]
        left = f"; lowest load {100 * min(shares):.0f} % of its load at rest" if shares else ""
        lines.append(
            f"{end.capitalize()} light{f' under {under}' if under else ''} {times(len(events))}"
            + (f", {aloft} in {hanging} of them" if hanging else "")
            + f": {', '.join(where)}{more}{left}."
        )
    return lines


# A speed above 1 is a faster rear, a damping ratio above 1 a slower one: never in one table.
SPEED_COLUMNS = (Column("rear over front", words=True), Column("compression"), Column("rebound"))
FASTER = (
    "Wheel speed, rear over front; above 1 the rear is faster. In brackets: number of bumps, 95 % interval"
)
SLOWER = "Damping ratio, rear over front; above 1 the rear is damped more"
BUMP_COLUMNS = both_ends("average response to a bump", Column("rear over front"))


_OF_BALANCE = frozenset(
    {
        "comes up slower",
        "goes down slower",
        "ends apart, not by damping",
        "rebound damped unlike",
        "compression damped unlike",
    }
)


def answer_section(scope: Scope) -> Section | None:
    """One sentence in one direction with what to turn; a damper in doubt first; for a page of its own."""
    return section(
        "answer",
        "Do both ends move alike",
        balance_answer(scope.summary),
        *notes(*limits_words(scope.ends)),
        note="Over the whole run. Neutral: on the same bump both ends go down and come up at the same rate.",
        medium=Medium.SCREEN,
    )


def balance_answer(summary: Summary) -> Answer:
    """The finding on balance that is ranked first; where there is none, what can be said and how closely."""
    balance = summary.balance
    doubt = suspicions(summary.oscillation)
    compared = "" if doubt else damping_sentence(balance)
    sentences = tuple(words for words in (without_intervals(balance_sentence(balance)), compared) if words)
    if doubt:
        headline = "A damper is in doubt: balance waits until it is checked"
        return Answer(headline, why=" ".join(doubt), others=sentences, grave=True)
    finding = next((one for one in summary.findings if one.rule in _OF_BALANCE), None)
    if finding is not None:
        return Answer(
            finding.title,
            why=sentence(without_intervals(finding.evidence)),
            todo=in_short(finding.suggestion),
            others=sentences,
        )
    first, *rest = sentences
    if balance.reason:
        return Answer("Balance cannot be told", others=tuple(sentences))
    bump = balance.same_bump
    even = bump is not None and all(verdict(one) == "even" for one in (bump.compression, bump.rebound))
    headline = "Both ends move alike on the same bump" if even else "Nothing in the balance asks for a change"
    return Answer(headline, why=first, others=tuple(rest))


def balance_section(scope: Scope) -> Section | None:
    """How fast and how well damped the rear is over the front."""
    balance = scope.balance
    title = "Balance: rear over front (1: both ends alike)"
    if balance.reason:
        return section("balance", title, Sentence(f"Cannot be told: {balance.reason}."))
    return section(
        "balance",
        title,
        table(SPEED_COLUMNS, speed_rows(balance), FASTER),
        *notes(TWO_BALANCES),
        _damping(balance),
        _phases(balance),
        *notes(pitch_words(balance)),
    )


def stretch_balance_section(scope: Scope, corner: Corner | None) -> Section | None:
    """How fast the rear moved over the front on a stretch, and on the bumps of a corner over all laps."""
    bump = scope.summary.balance.same_bump
    rows: list[Row] = []
    if corner is not None and bump is not None:
        name = f"corner {corner.number}"
        rows += [_bump_group(group) for group in bump.groups if group.kind == "corner" and group.name == name]
    if not scope.balance.reason:
        ratio = scope.balance.speed_ratio
        rows.append(
            ("all riding here, RMS speed", Number(ratio.compression, RATIO), Number(ratio.rebound, RATIO))
        )
    return section(
        "balance",
        "Balance here: rear over front (1: both ends alike)",
        table(SPEED_COLUMNS, rows, FASTER) or Sentence(f"Cannot be told: {scope.balance.reason}."),
    )


def speed_rows(balance: Balance) -> list[Row]:
    """What, compression, rebound: the same bump first, then all riding."""
    bump, speed, whole = balance.same_bump, balance.speed, balance.speed_ratio
    rows: list[Row] = []
    if bump is not None:
        first = f"same bump, all clear bumps ({bump.pairs})"
        rows = [(first, *_both(bump.compression, bump.rebound))]
        rows += [_bump_group(group) for group in bump.groups if group.kind in ("size", "grain", "disturbed")]
    ratios = [("RMS speed", whole.compression, whole.rebound)]
    if speed is not None:
        down, up, split = speed.compression, speed.rebound, f"{number(speed.split_mm_s)} mm/s"
        ratios += [
            ("10th to 90th percentile of speed", down.slope, up.slope),
            (f"below {split}", down.low, up.low),
            (f"above {split}", down.high, up.high),
        ]
    return rows + [(f"all riding, {name}", Number(a, RATIO), Number(b, RATIO)) for name, a, b in ratios]


def _both(compression: Ratio, rebound: Ratio) -> Row:
    return tuple(Number(ratio.value, RATIO, ratio.ci95) for ratio in (compression, rebound))


def _bump_group(group: BumpGroup) -> Row:
    return (f"same bump, {group.name} ({group.pairs})", *_both(group.compression, group.rebound))


def _damping(balance: Balance) -> Table | Sentence | None:
    damping = balance.damping
    if damping is None:
        return None
    if damping.reason or damping.compression.value is None:
        return Sentence(f"Damping: {damping.reason}", "note") if damping.reason else None
    return table(SPEED_COLUMNS, [("damping ratio", *_both(damping.compression, damping.rebound))], SLOWER)


PHASE_COLUMNS = (
    Column("phase", words=True), Column("time [%]"), Column("compr. ratio"), Column("rebound ratio"),
    *(Column(f"{end} mean travel [mm]", end=end) for end in ENDS), metric_column(PITCH_DEG),
)  # fmt: skip


def _phases(balance: Balance) -> Table | None:
    caption = "By phase of the corner, at the wheel; ratios are of the RMS speed, rear over front"
    return table(PHASE_COLUMNS, map(_phase, balance.per_phase), caption)


def _phase(phase: PhaseBalance) -> Row:
    return (
        phase.phase,
        Number(phase.time_share, SHARE),
        Number(phase.compression_ratio, RATIO),
        Number(phase.rebound_ratio, RATIO),
        Number(phase.front_mean_mm, TRAVEL),
        Number(phase.rear_mean_mm, TRAVEL),
        Number(phase.pitch_mean_deg, PITCH_DEG),
    )


def bump_section(scope: Scope) -> Section | None:
    """The average answer of both ends to a bump, drawn and in numbers."""
    bump = scope.summary.balance.same_bump
    if bump is None or bump.response is None:
        return None
    return section(
        "bump",
        "On the same bump",
        Figure(
            "bump-both",
            bump_picture(bump.response),
            "Average over the same bumps; at 0 ms each wheel meets the bump. Rear dashed.",
            Medium.SCREEN,
        ),
        table(BUMP_COLUMNS, response_rows(scope.summary.balance)),
        Figure(
            "ratios",
            ratio_picture(bump),
            "Peak speed, rear over front, with 95 % intervals; in brackets how many bumps. Filled: the interval "
            "excludes 1.",
            Medium.SCREEN,
        ),
        fold(
            "The average bump, mirrored",
            Figure(
                "bump",
                response_picture(bump.response),
                "Average over the same bumps; at 0 ms each wheel meets the bump. Travel is drawn outwards from that "
                "before the bump: if both ends respond alike, the picture is symmetrical.",
            ),
        ),
        _bump_groups(bump),
        note=_bumps_used(bump),
    )


def response_rows(balance: Balance) -> list[Row]:
    """The average response to a bump: what, front, rear, rear over front."""
    response = None if balance.same_bump is None else balance.same_bump.response
    if response is None:
        return []
    return [
        (
            metric.heading,
            Number(measure.front, metric),
            Number(measure.rear, metric),
            "cannot tell"
            if _interval_too_wide(measure.ratio)
            else Number(measure.ratio.value, RATIO, measure.ratio.ci95),
        )
        for measure in response.measures
        for metric in (BUMP[measure.name],)
    ]


def _interval_too_wide(ratio: Ratio) -> bool:
    return ratio.ci95 is not None and ratio.ci95[1] > WIDEST * ratio.ci95[0]


def _bump_groups(bump: SameBump) -> Fold | None:
    others = [group for group in bump.groups if group.kind in ("phase", "corner", "braking", "lap")]
    return fold(
        "By phase, corner, braking zone and lap",
        table(SPEED_COLUMNS, map(_bump_group, others), FASTER),
        medium=Medium.SCREEN,
    )


def _bumps_used(bump: SameBump) -> str:
    """Which bumps stand behind the numbers, and which were not used."""
    delay = bump.delay_residual_ms
    left_out = bump.response is not None and 0 < bump.response.pairs < bump.pairs
    sentences = [
        f"{count_word(bump.pairs, 'clear bump')} (larger than the ordinary roughness of the road) at "
        f"{count_word(bump.places, 'place')}. The rear meets a bump one wheelbase after the front"
        f"{'' if delay is None else f' (timing agrees within {number(abs(delay), 1)} ms)'}.",
        f"At {bump.disturbed_pairs} of them brake or drive changed: the speed that this adds is subtracted"
        f"{', and the average response leaves them out' if left_out else ''}."
        if bump.disturbed_pairs
        else "",
        f"Not used: {count_word(bump.grain_pairs, 'bump')} no larger than the ordinary roughness"
        + (f", {bump.hanging_pairs} with an end fully extended just before" if bump.hanging_pairs else "")
        + ".",
    ]
    return " ".join(words for words in sentences if words)


BAND_COLUMNS = (
    Column("band", words=True), Column("range [Hz]"), metric_column(RMS_SPEED),
    Column("share of the power [%]"), Column("peak [Hz]"),
)  # fmt: skip


def frequencies_section(scope: Scope) -> Section | None:
    """Wheel speed by frequency."""
    frequencies = scope.summary.frequencies
    return section(
        "frequencies",
        "Frequencies of the wheel speed",
        Figure(
            "spectra",
            spectra_picture(frequencies),
            "Wheel speed [mm/s per √Hz]. Shaded: body on its springs, and wheel hop; computed from the masses of the "
            "bike file where it has them.",
            Medium.SCREEN,
        )
        if frequencies.ends
        else None,
        table(
            BAND_COLUMNS, [_band(end, used) for end, one in frequencies.ends.items() for used in one.bands]
        ),
        *notes(together_words(scope.summary)),
    )


def _band(end: str, used: BandUse) -> Row:
    return (
        f"{end} {used.band.name}" + ("" if used.band.basis == "bike file" else " (usual)"),
        f"{number(used.band.low_hz, 1)}-{number(used.band.high_hz, 1)}",
        Number(used.rms_mm_s, RMS_SPEED),
        Number(used.share, SHARE),
        Number(used.peak_hz, FREQUENCY),
    )


def together_words(summary: Summary) -> str:
    """How the ends go together in each band, in one sentence; "" with one end.

    The phase is told for the body only: at the hop the ends meet each bump one after the other.
    """
    parts = []
    for band in summary.frequencies.bands:
        if not band.told or band.phase_deg is None:
            parts.append(f"{band.name}: no clear coherence")
            continue
        words = f"{band.name}: coherence {number(band.coherence, 2)}"
        if band.name == "body":
            side = "behind" if band.phase_deg < 0 else "ahead of"
            words += f", rear {number(abs(band.phase_deg))} deg {side} the front"
        parts.append(words)
    return f"Front and rear wheel speed compared, {'; '.join(parts)}." if parts else ""


def pitch_words(balance: Balance) -> str:
    """Pitch in one sentence, or "" where it is not known."""
    pitch = balance.pitch
    if pitch.mean_deg is None:
        return ""
    mean, low, high = (
        number(value, PITCH_DEG.digits) for value in (pitch.mean_deg, pitch.min_deg, pitch.max_deg)
    )
    return (
        f"Pitch from the wheel travels, nose down positive: mean {mean} deg, least {low} deg, most {high} deg; pitch "
        f"rate {number(pitch.rms_rate_deg_s, 1)} deg/s RMS."
    )


ZONES = (
    "By corner, upright only. Fork dive: travel added per g of braking. Rear squat: travel added per g of drive. Rear "
    "left: travel that the rear has left to extend while braking. Dot: mean over laps, with its 95 % interval; filled: "
    "the rear was light there. Dotted line: mean of the corners. Use it to compare corners, not set-ups: the travel "
    "without brake and drive is one estimate for all corners."
)


def chassis_section(scope: Scope) -> Section | None:
    """Pitch and heave, how far the steering geometry moves, dive and squat: sentences, and the numbers folded."""
    balance = scope.balance
    zones = zone_picture(balance.transfer, scope.summary.light) if balance.transfer else None
    return section(
        "chassis",
        "Pitch, heave and weight transfer",
        *map(Sentence, chassis_words(balance)),
        figure("zones", zones, ZONES, Medium.SCREEN),
        fold(
            "Pitch, heave and weight transfer in numbers",
            _bands(balance),
            _steering(balance),
            _transfer(balance),
            _zones(zones) if zones else None,
            medium=Medium.SCREEN,
        ),
        note="Pitch is positive nose down; heave is the mean of both wheels. Dive and squat are measured upright. "
        "Steady: at one speed with the acceleration held; compare set-ups by this. As ridden: this includes drag and "
        "quick changes of brake and throttle.",
    )


def _bands(balance: Balance) -> Table | None:
    columns = (Column("band [Hz]", words=True), Column("RMS [mm]"), Column("heave [%]"), Column("pitch [%]"))
    rows = [
        (
            f"{number(b.low_hz, 1)}-{number(b.high_hz, 1)}",
            Number(b.rms_mm, TRAVEL),
            Number(b.heave_share, SHARE),
            Number(b.pitch_share, SHARE),
        )
        for b in (balance.chassis.bands if balance.chassis else ())
    ]
    return table(columns, rows, "Motion of the chassis")


def _steering(balance: Balance) -> Table | None:
    columns = (
        Column("steering", words=True),
        Column("median"),
        Column("5th to 95th percentile"),
        Column("by pitch [%]"),
    )
    rows = [
        (f"{g.name} [{g.unit}]", number(g.median, 2), number(g.spread, 2), Number(g.pitch_share, SHARE))
        for g in (balance.chassis.geometry if balance.chassis else ())
    ]
    return table(columns, rows, "How much the steering moves")


def _transfer(balance: Balance) -> Table | None:
    transfer = balance.transfer
    if transfer is None:
        return None
    braking, drive = transfer.stretches, transfer.drives
    gains = (
        ("fork dive, steady [mm per g]", transfer.steady_fork_dive, 0, braking),
        ("pitch under braking, steady [deg per g]", transfer.steady_dive, 1, braking),
        ("rear squat, steady [mm per g]", transfer.steady_rear_squat, 0, drive),
        ("pitch under drive, steady, nose up [deg per g]", transfer.steady_squat, 1, drive),
        ("pitch under braking, as ridden [deg per g]", transfer.dive, 1, braking),
        ("rear squat, as ridden [mm per g]", transfer.rear_squat, 0, drive),
        ("pitch under drive, as ridden, nose up [deg per g]", transfer.squat, 1, drive),
    )
    rows: list[Row] = [
        (name, interval(*_per_g(gain), decimals), str(count)) for name, gain, decimals, count in gains if gain
    ]
    brakings = str(transfer.brakings)
    rows += [
        ("fastest return of the pitch at release [deg/s]", number(transfer.return_deg_s, 1), brakings),
        ("time until the pitch settles [s]", number(transfer.settle_s, 2), brakings),
        ("rear travel left to extend under braking [mm]", number(transfer.rear_left_mm, 1), brakings),
    ]
    return table((Column("", words=True), Column("value (95 %)"), Column("times")), rows, "Dive and squat")


def _zones(zones: ZoneDots) -> Table | None:
    columns = (
        Column("corner", words=True),
        *(Column(f"{one.title} [{one.unit}]", end=one.end) for one in zones.columns),
    )
    rows = [
        (
            name,
            *(
                UNKNOWN if dot is None else interval(dot.value, dot.ci95, one.decimals)
                for one in zones.columns
                for dot in (one.dots[place],)
            ),
        )
        for place, name in enumerate(zones.rows)
    ]
    return table(columns, rows, zones.title)


def _per_g(gain: Gain) -> tuple[float, tuple[float, float]]:
    """A gain with its interval, of one g instead of one m/s2."""
    low, high = gain.ci95
    return GRAVITY_M_S2 * gain.value, (GRAVITY_M_S2 * low, GRAVITY_M_S2 * high)


def _gain_words(gain: Gain, decimals: int) -> str:
    """Size of a gain per g with its interval, without the sign that the sentence says in words."""
    sign = GRAVITY_M_S2 if gain.value >= 0 else -GRAVITY_M_S2
    low, high = sorted(sign * end for end in gain.ci95)
    return f"{number(sign * gain.value, decimals)} (95 % {number(low, decimals)} to {number(high, decimals)})"


def chassis_words(balance: Balance) -> tuple[str, ...]:
    """Pitch and heave, their effect on the steering, dive and squat: one sentence for each that is known."""
    found, chassis, transfer = [], balance.chassis, balance.transfer
    if chassis is not None:
        low, high = chassis.body_band_hz
        body = next((band for band in chassis.bands if (band.low_hz, band.high_hz) == (low, high)), None)
        if body is not None:
            pitch = number(100 * body.pitch_share)
            words = f"From {low:g} to {high:g} Hz the chassis motion is {pitch} % pitch, the rest is heave."
            if chassis.coherence is not None and chassis.rear_lag_deg is not None:
                side = "behind" if chassis.rear_lag_deg >= 0 else "ahead of"
                words += (
                    f" Travel of both ends: coherence {number(chassis.coherence, 2)}, rear "
                    f"{number(abs(chassis.rear_lag_deg))} deg {side} the front."
                )
            found.append(words)
        moved = ", ".join(
            f"{row.name} {number(row.spread, 2 if row.unit == 'deg' else 0)} {row.unit}"
            + ("" if row.pitch_share is None else f" ({number(100 * row.pitch_share)} % by pitch)")
            for row in chassis.geometry
        )
        if moved:
            found.append(f"Range of the steering geometry, 5th to 95th percentile: {moved}.")
    return (*found, *([] if transfer is None else _transfer_words(transfer)))


def _transfer_words(transfer: WeightTransfer) -> Iterator[str]:
    """Dive and squat, steady and per g; what the pitch does at the release."""
    fork, pitch, rear = transfer.steady_fork_dive, transfer.steady_dive, transfer.steady_rear_squat
    if fork is not None and pitch is not None and fork.ci95[0] > 0:
        yield (
            f"In steady upright braking the fork dives {_gain_words(fork, 0)} mm per g, "
            f"{_gain_words(pitch, 1)} deg of pitch per g, over {transfer.stretches} stretches."
        )
    if transfer.return_deg_s is not None and transfer.rear_left_mm is not None:
        yield (
            f"When the brake is released the pitch returns at up to {number(transfer.return_deg_s, 1)} deg/s (median "
            f"of {transfer.brakings} times). While braking the rear has at least "
            f"{number(transfer.rear_left_mm, 0)} mm left to extend for 95 % of the time."
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
            "Cannot tell dive and squat: without the lean (logged, or from positions) corners cannot be left out."
        )
