"""The bike at the stand as a document, before and after a change; and the bounce test."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.balance import BounceTest
from telemetry.bike import (
    Bike,
    Standing,
    chassis_point,
    knows_leverage,
    leverage_curve,
    load_of,
    sag_lacks,
    spring_of,
    stand,
    steering_axis,
    stroke_mm,
    tyre_radii_mm,
    wheelbase_mm,
)
from telemetry.findings import bounce_advice
from telemetry.notes import QualityNote
from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Medium,
    Number,
    Row,
    Section,
    Sentence,
    Sentences,
    both_ends,
    caution,
    document,
    end_row,
    notes,
    section,
    sentences,
    table,
    words_columns,
)
from telemetry.report.document import quality_section
from telemetry.report.drawings import (
    Scale,
    across_axis,
    level_axis,
    svg_element,
    svg_line,
    svg_picture,
    svg_text,
    trace_path,
    unit_of_title,
)
from telemetry.report.figures import Drawing, mirrored_picture
from telemetry.report.printers import document_html, style_sheet
from telemetry.stand import (
    SAG_AGREES_MM,
    Changed,
    SagCheck,
    SagWindow,
    SpringCheck,
    Stand,
    StandResult,
    Target,
)
from telemetry.stand import Row as Quantity
from telemetry.summary import DAMPING, UNKNOWN, Metric, count_word, interval, number, pushed, signed

WIDTH = 720.0
_SIDES = ("before", "after")


def side_view(before: Bike, after: Bike) -> str:
    """Both attitudes with rider on one ground line, as SVG: wheels, fork, swingarm, steering axis, mass.

    Before dashed grey, after in the colours of the ends; the bike files have what sag needs, and fork offset.
    """
    height, ground = 330.0, 292.0
    length = max(wheelbase_mm(before), wheelbase_mm(after))
    front_mm, rear_mm = tyre_radii_mm(before)
    pixels = 600.0 / (length + rear_mm + front_mm)
    left = 60.0 + rear_mm * pixels

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return left + point[0] * pixels, ground - point[1] * pixels

    body = [svg_line(24, ground, WIDTH - 24, ground, class_="axis")]
    for name, bike in zip(_SIDES, (before, after), strict=True):
        body += _motorcycle(bike, name, place, pixels)
    body.append(svg_text(28, 16, "dashed grey: before, solid: after", class_="quiet"))
    return svg_picture(WIDTH, height, "The motorcycle from its right side with rider, before and after", body)


def _motorcycle(
    bike: Bike, name: str, place: Callable[[tuple[float, float]], tuple[float, float]], pixels: float
) -> list[str]:
    found = _with_rider(bike)
    now = found.attitude
    front_mm, rear_mm = tyre_radii_mm(bike)
    rear, front = now.on_ground(now.rear_axle_mm), now.on_ground(now.front_axle_mm)
    axis = steering_axis(bike)
    up = (float(axis @ now.forward), float(axis @ now.up))
    behind = bike.front.fork_offset_mm or 0.0
    # A place on the steering axis level with the axle, then down to the ground and up to the clamps.
    head = (front[0] - behind * up[1], front[1] + behind * up[0])
    foot = (head[0] - up[0] / up[1] * head[1], 0.0)
    top = (head[0] + 560.0 * up[0], head[1] + 560.0 * up[1])
    clamp = (front[0] + 560.0 * up[0], front[1] + 560.0 * up[1])

    def drawn(a: tuple[float, float], b: tuple[float, float], class_: str) -> str:
        return svg_line(*place(a), *place(b), class_=f"{class_} {name}")

    parts = []
    for centre, radius, end in ((rear, rear_mm, "rear"), (front, front_mm, "front")):
        x, y = place(centre)
        parts.append(svg_element("circle", cx=x, cy=y, r=radius * pixels, class_=f"wheel {end} {name}"))
    parts += [drawn(front, clamp, "bone front"), drawn(top, foot, "thin")]
    if now.pivot_mm is not None:
        pivot = now.on_ground(now.pivot_mm)
        parts += [
            drawn(rear, pivot, "bone rear"),
            svg_element("circle", cx=place(pivot)[0], cy=place(pivot)[1], r=3.2, class_=f"dot rear {name}"),
        ]
    centre = now.on_ground(chassis_point(bike, found.load.com_to_rear_axle_mm, found.load.com_height_mm))
    x, y = place(centre)
    parts.append(svg_element("circle", cx=x, cy=y, r=5, class_=f"mass {name}"))
    if name == "after":
        parts.append(svg_text(x + 9, y + 4, "sprung mass with rider", class_="quiet"))
        a, b = place(foot), place((front[0], 0.0))
        parts.append(svg_line(a[0], a[1] + 8, b[0], b[1] + 8, class_="front mark"))
        if now.trail_mm is not None:
            words = f"trail {now.trail_mm:.1f} mm"
            middle = (a[0] + b[0]) / 2
            parts.append(svg_text(middle, a[1] + 22, words, class_="front tick", text_anchor="middle"))
        x, y = place(top)
        words = f"rake {now.rake_deg:.2f} deg"
        parts.append(svg_text(x - 8, y + 4, words, class_="front tick", text_anchor="end"))
    return parts


def _with_rider(bike: Bike) -> Standing:
    load = load_of(bike, "rider")
    assert load is not None
    return stand(bike, load)


def leverage_picture(before: Bike, after: Bike) -> str:
    """Leverage ratio of the rear over wheel travel, before and after, with rider sag marked where it is known."""

    def ratio(bike: Bike, shaft: FloatArray) -> FloatArray:
        return leverage_curve(bike, "rear").ratio(shaft)

    title = "Leverage ratio of the rear over wheel travel, before and after"
    return _curves(before, after, ratio, "leverage ratio, rear", title)


def force_picture(before: Bike, after: Bike) -> str:
    """Spring force at the rear wheel over wheel travel, before and after, with rider sag marked."""

    def force(bike: Bike, shaft: FloatArray) -> FloatArray:
        spring = spring_of(bike, "rear")
        return np.array([spring.force_n(float(s)) for s in shaft]) / leverage_curve(bike, "rear").ratio(shaft)

    title = "Spring force at the rear wheel, before and after"
    return _curves(before, after, force, "spring force at the rear wheel [N]", title)


def _curves(
    before: Bike, after: Bike, values: Callable[[Bike, FloatArray], FloatArray], name: str, title: str
) -> str:
    height, top, bottom, left, right = 230.0, 28.0, 186.0, 52.0, 700.0
    bikes = dict(zip(_SIDES, (before, after), strict=True))
    drawn: dict[str, tuple[FloatArray, FloatArray]] = {}
    for side, bike in bikes.items():
        shaft = np.linspace(0.0, stroke_mm(bike, "rear"), 141)
        drawn[side] = leverage_curve(bike, "rear").wheel_travel_mm(shaft), values(bike, shaft)
    sags = {
        side: _with_rider(bike).sag["rear"].shaft_mm for side, bike in bikes.items() if not sag_lacks(bike)
    }
    x = Scale(0.0, max(float(wheel[-1]) for wheel, _ in drawn.values()), left, right)
    y = Scale(*_span([curve for _, curve in drawn.values()]), bottom, top)
    words = f"{name}; dashed grey: before, solid: after{', ring: rider sag' if sags else ''}"
    body = [
        level_axis(y, left, right, unit_of_title(name), 5),
        svg_line(left, bottom, right, bottom, class_="axis"),
        across_axis(x, bottom + 15, "mm", 8),
        svg_text(right, bottom + 30, "wheel travel, vertical [mm]", text_anchor="end", class_="quiet"),
        svg_text(left, 16, words, class_="quiet"),
    ]
    for side, (wheel, curve) in drawn.items():
        path = trace_path(x.array(wheel), y.array(curve))
        body.append(svg_element("path", d=path, class_=f"curve rear {side}"))
        if side in sags:
            at = leverage_curve(bikes[side], "rear").wheel_mm_at(sags[side])
            here = float(np.interp(at, wheel, curve))
            body.append(svg_element("circle", cx=x(at), cy=y(here), r=4.5, class_=f"dot rear {side}"))
    return svg_picture(WIDTH, height, title, body)


def _span(curves: Sequence[FloatArray]) -> tuple[float, float]:
    low, high = min(float(c.min()) for c in curves), max(float(c.max()) for c in curves)
    edge = 0.06 * (high - low) or 1.0
    return low - edge, high + edge


SAG_COLUMNS = (
    Column("", words=True), Column("tape [mm]"), Column("file [mm]"), Column("", words=True), Column("tape [kg]"),
    Column("file [kg]"), Column("tape [N/mm]"), Column("file [N/mm]"),
)  # fmt: skip
WINDOW_NOTE = (
    "At the wheel, for road racing (common practice, no source); the maker's or team's window goes first."
)
SAG_WORDS = (
    f"agrees: within {SAG_AGREES_MM:g} mm, which reading a tape and the friction of the seals explain."
)
WAY_COLUMNS = (
    Column("change only this", words=True), Column("now"), Column("to"), Column("change"),
    Column("with the tool", words=True), Column("gives", words=True),
)  # fmt: skip
RECHECK_COLUMNS = words_columns("", "measure again", "because", "should read", "to have it back")
SIDE_VIEW_WORDS = (
    "With rider, at rest. The thin line is the steering axis down to the ground; from there to the contact is "
    "the trail. Dashed grey: before."
)
STYLE = """
svg .wheel { fill: none; stroke-width: 1.6; } svg .bone { stroke-width: 4; stroke-linecap: round; }
svg .thin { stroke: var(--quiet); stroke-width: 1; }
svg .front.wheel, svg .front.bone { stroke: var(--front); }
svg .rear.wheel, svg .rear.bone, svg .rear.curve { stroke: var(--rear); }
svg .curve { fill: none; stroke-width: 1.8; } svg .dot { fill: #fff; stroke-width: 1.6; }
svg .dot.rear { stroke: var(--rear); } svg .mass { fill: var(--ink); stroke: #fff; }
svg .before { stroke: #8b93a0 !important; stroke-dasharray: 5 4; }
.numbers { columns: 2; column-gap: 8mm; } .numbers section { margin: 0 0 6mm; } .numbers table { font-size: 8.6pt; }
@media (max-width: 40rem) { .numbers { columns: 1; } }
svg .bone.before { stroke-width: 2; } svg .mass.before { fill: #fff; } svg .dot.before { stroke-dasharray: none; }
"""


def stand_html(result: StandResult, units: Collection[str] = ()) -> str:
    """The stand as one self-contained page without scripts, with its pictures."""
    return document_html(
        stand_document(result.stand, result), heading="At the stand: ", style=STYLE, units=units
    )


def stand_picture(result: StandResult) -> str:
    """The motorcycle before and after, to scale, as an SVG file; "" where the bike file has too little for it."""
    figure = next((one for one in _pictures(result) if one.name == "side"), None)
    if figure is None or not isinstance(figure.picture, Drawing):
        return ""
    head, _, rest = figure.picture.svg.partition(">")
    return f"{head}><style>{style_sheet()}{STYLE}</style>{rest}"


def stand_document(stand: Stand, result: StandResult | None = None) -> Document:
    """The stand in the order in which it is read; with the motorcycles of ``result`` there are pictures."""
    found = (
        _verdict(stand),
        _windows(stand),
        _moved(stand),
        _recheck(stand),
        *(
            section(f"aim-{index}", aim_words(stand, aim), table(WAY_COLUMNS, way_rows(stand, aim)))
            for index, aim in enumerate(stand.aims)
        ),
        section("pictures", "Drawn", *_pictures(result), medium=Medium.PAPER) if result is not None else None,
        _numbers(stand),
        _checks(stand),
        _leverage(stand),
        section("notes", "Not in these numbers", sentences(stand.notes)),
    )
    return document(f"{stand.bike}: {stand.source}", "", *found)


def _verdict(stand: Stand) -> Section | None:
    found = section(
        "verdict",
        "What was changed",
        caution(*stand.warnings, word="WARNING"),
        sentences(map(changed_words, stand.changed), verdicts=True),
        caution(stand.caution),
    )
    return found or Section("verdict", "", ())


def _windows(stand: Stand) -> Section | None:
    said = sentences(map(window_words, stand.windows))
    return section("windows", "Sag against its window", said, note=WINDOW_NOTE)


def window_words(window: SagWindow) -> str:
    """Whether a sag lies in its window, and what to turn first where it does not."""
    how = "measured" if window.measured else "computed"
    said = f"{window.end.capitalize()} rider sag {window.sag_mm:.0f} mm ({how})"
    asked = f"{window.low_mm:g} to {window.high_mm:g} mm"
    if not window.outside_mm:
        return f"{said}: within {asked}."
    more = window.outside_mm > 0
    return (
        f"{said}: {abs(window.outside_mm):.0f} mm {'above' if more else 'below'} {asked}. "
        f"{'More' if more else 'Less'} preload first; where that runs out, a {'stiffer' if more else 'softer'} spring."
    )


def _moved(stand: Stand) -> Section | None:
    if not stand.changed:
        return None
    moved = sentences(moved_words(stand.row(key)) for key in stand.moved_most)
    nothing = Sentence("Nothing by as much as a tape or a gauge would tell.")
    return section("moved", "What moves most", moved or nothing)


def _recheck(stand: Stand) -> Section | None:
    rows = [
        (str(index), entry.what, entry.why, entry.should_read, entry.to_go_back)
        for index, entry in enumerate(stand.recheck, start=1)
    ]
    return section("recheck", "Measure again, in this order", table(RECHECK_COLUMNS, rows))


def _pictures(result: StandResult) -> Iterator[Figure]:
    stand, before, after = result.stand, result.before, result.after
    if stand.row("front.rider_sag_mm").after is not None and stand.row("trail_mm").after is not None:
        yield Figure("side", Drawing(side_view(before, after)), SIDE_VIEW_WORDS)
    words = "A ratio that falls makes the rear stiffer as it compresses."
    if not knows_leverage(before) or before.rear.shock_stroke_mm is None:
        return
    yield Figure("leverage", Drawing(leverage_picture(before, after)), words)
    if before.rear.spring_rate_n_per_mm is not None and before.rear.preload_mm is not None:
        yield Figure("force", Drawing(force_picture(before, after)), "At rest, without friction.")


def _numbers(stand: Stand) -> Section | None:
    """Every quantity by group; where nothing was changed only as it is."""
    changed = bool(stand.changed)
    figures = ("before", "after", "change") if changed else ("as it is",)
    columns = (Column("", words=True), *map(Column, figures), Column("", words=True))
    known = [row for row in stand.rows if row.before is not None or row.after is not None]
    rows: list[tuple[str, ...]] = []
    for group in dict.fromkeys(row.group for row in known):
        rows.append((group, *("" for _ in columns[1:])))
        rows += [
            (f"  {cells[0]}", *cells[1:])
            for cells in (row_cells(row, changed=changed) for row in known if row.group == group)
        ]
    return section("numbers", "Every number", table(columns, rows))


def _checks(stand: Stand) -> Section | None:
    differs = "Rate, preload, masses or the leverage of the bike file are not what is on the bike."
    return section(
        "sags",
        "Measured sags against the bike file",
        table(SAG_COLUMNS, map(sag_cells, stand.sags)),
        *(notes(SAG_WORDS) if stand.sags else ()),
        *(Sentence(spring_words(check)) for check in stand.springs if stand.sags),
        *(() if all(check.agrees for check in stand.sags) else (Sentence(differs),)),
    )


def _leverage(stand: Stand) -> Section | None:
    fit = stand.leverage_fit
    if fit is None:
        return None
    points = zip(fit.point_shaft_mm, fit.residual_mm, strict=True)
    return section(
        "leverage",
        "Leverage points",
        Sentence(
            f"A smooth, monotone curve lies within {fit.largest_mm:.2f} mm of every point; they scatter by "
            f"{fit.residual_sd_mm:.2f} mm about it."
        ),
        table(
            (Column("shock [mm]"), Column("point above curve [mm]")),
            [(f"{shaft:g}", signed(above, 2)) for shaft, above in points],
        ),
    )


def row_cells(row: Quantity, *, changed: bool) -> tuple[str, ...]:
    """A quantity as printed: name, before, after, change, unit; or name, value, unit where nothing was changed."""
    before, after = number(row.before, row.decimals), number(row.after, row.decimals)
    return (row.name, before, after, change_cell(row), row.unit) if changed else (row.name, before, row.unit)


def change_cell(row: Quantity) -> str:
    """The change as printed: signed, blank where nothing printed differs."""
    if row.change is None:
        return UNKNOWN
    return signed(row.change, row.decimals) if round(row.change, row.decimals) else ""


def moved_words(row: Quantity) -> str:
    """One quantity that moved, in words."""
    unit = f" {row.unit}" if row.unit else ""
    return (
        f"{row.name}: {number(row.before, row.decimals)} to {number(row.after, row.decimals)}{unit} "
        f"({change_cell(row) or '0'})"
    )


# What keys of the bike file end in; the longer first.
_UNITS = {"_n_per_mm": "N/mm", "_mm": "mm", "_deg": "deg", "_kg": "kg", "_bar": "bar", "_ml": "ml"}


def changed_words(changed: Changed) -> str:
    """One change in words."""

    def shown(value: float | str | None) -> str:
        return UNKNOWN if value is None else value if isinstance(value, str) else f"{value:.6g}"

    name, unit = _name_and_unit(changed.key)
    steps = f" ({changed.steps})" if changed.steps else ""
    after = f"{shown(changed.after)} {unit}".rstrip()
    return f"Changed  {name}: {shown(changed.before)} to {after}{steps}"


def _name_and_unit(key: str) -> tuple[str, str]:
    """A key of the bike file in words, and its unit: ``front preload``, ``mm``."""
    words = key.replace(".", " ")
    for ending, unit in _UNITS.items():
        if words.endswith(ending):
            return words.removesuffix(ending).replace("_", " "), unit
    return words.replace("_", " "), ""


def aim_words(stand: Stand, aim: Target) -> str:
    """What is wanted, in words."""
    row = stand.row(aim.key)
    unit = f" {row.unit}" if row.unit else ""
    return (
        f"To reach {row.name} {number(aim.wanted, row.decimals)}{unit} (now {number(aim.now, row.decimals)})"
    )


def knob_words(key: str) -> str:
    """What is turned, in words with its unit.

    >>> knob_words("rear.spring_rate_n_per_mm"), knob_words("front.preload_mm")
    ('rear spring rate N/mm', 'front preload mm')
    """
    return " ".join(filter(None, _name_and_unit(key)))


def way_rows(stand: Stand, aim: Target) -> list[tuple[str, ...]]:
    """The ways to an aim, a row each: what can be set nearest to it, and what that gives, or why it cannot."""
    row = stand.row(aim.key)
    return [
        (
            knob_words(way.key),
            f"{way.now:.5g}",
            UNKNOWN if way.set_to is None else f"{way.set_to:.5g}",
            "" if way.set_to is None else signed(way.set_to - way.now, 2),
            way.steps,
            way.reason or f"{number(way.gives, row.decimals)} {row.unit}".strip(),
        )
        for way in aim.ways
    ]


def sag_cells(check: SagCheck) -> tuple[str, ...]:
    """A measured sag as printed."""
    return (
        f"{check.end} {check.load} sag",
        f"{check.measured_mm:.1f}",
        f"{check.computed_mm:.1f}",
        "agrees" if check.agrees else "DIFFERS",
        number(check.effective_mass_kg, 1),
        f"{check.file_mass_kg:.1f}",
        number(check.effective_rate_n_per_mm, 1),
        f"{check.file_rate_n_per_mm:.1f}",
    )


def spring_words(check: SpringCheck) -> str:
    """What two sags say of a spring, in words."""
    verdict = "agrees with" if check.agrees else "DIFFERS from"
    return (
        f"{check.end} spring by its two sags: {check.effective_rate_n_per_mm:.1f} N/mm "
        f"({check.lowest_rate_n_per_mm:.1f} to {check.highest_rate_n_per_mm:.1f} with a millimetre of reading) and "
        f"{check.effective_preload_mm:.1f} mm of preload; {verdict} the file's {check.file_rate_n_per_mm:g} N/mm and "
        f"{check.file_preload_mm:g} mm."
    )


PUSH: tuple[Metric, ...] = (
    pushed("depth_mm", "depth", "mm"),
    pushed("down_mm_s", "going down, maximum speed", "mm/s", 0),
    pushed("up_mm_s", "coming up, maximum speed", "mm/s", 0),
    pushed("time_up_s", "time to come up", "s"),
    pushed("overshoot_share", "overshoot", "% of depth", 0, 100.0),
    pushed("cycles", "cycles to settle", "", 1),
    pushed("damping_ratio", "damping ratio, log decrement", "", 2),
)
MOST_PUSHES = 20
BOUNCE_STYLE = """
body { font-size: 12pt; } svg { font-size: 12px; } svg .tick, svg .quiet { font-size: 11px; }
svg .trace { stroke-width: 2; } ol.verdicts { font-size: 14pt; }
"""


def bounce_document(test: BounceTest, notes: Iterable[QualityNote] = ()) -> Document:
    """A bounce test in the order in which it is read; ``notes`` are of the log."""
    found = (
        section(
            "verdict",
            "The verdict",
            Sentences((*test.sentences, *filter(None, [bounce_advice(test)])), verdicts=True),
            _picture(test),
            Sentence(push_words(test)),
            Caution((test.caution,)),
        ),
        section("ends", "Both ends, at the wheel, median push", table(both_ends(""), end_rows(test))),
        section("together", "Together?", table(DIRECTION_COLUMNS, direction_rows(test)))
        if test.ends
        else None,
        section(
            "modes",
            "Swinging free",
            table(MODE_COLUMNS, mode_rows(test)),
            note="Friction and the unlike firmness of compression and rebound are in these.",
        ),
        quality_section(notes),
    )
    return document(f"{test.bike}: {test.source}, bounce test", "", *found)


def _picture(test: BounceTest) -> Figure | None:
    if test.picture is None:
        return None
    travel = {"front": np.array(test.picture.front), "rear": np.array(test.picture.rear)}
    picture = mirrored_picture(
        np.array(test.picture.t_s), {end: travel[end] for end in ENDS}, "time [s]", "",
        "The average push of both ends, each by its own depth", repeated=False,
    )  # fmt: skip
    words = (
        "Average of the usable pushes, each end by its own depth. Symmetrical about the middle: both ends move "
        "together."
    )
    return Figure("bounce", picture, words)


def end_rows(test: BounceTest) -> list[Row]:
    """What, front, rear: medians over the usable pushes, at the wheel."""
    return [end_row(metric, test.ends) for metric in PUSH] if test.ends else []


DIRECTION_COLUMNS = (
    Column("speed by depth", words=True), Column("rear over front (95 %)"), Column("rear later [ms]"),
    Column("verdict", words=True),
)  # fmt: skip


def direction_rows(test: BounceTest) -> list[Row]:
    """Going down and coming up, a row each."""
    return [
        (
            name,
            interval(found.ratio.value, found.ratio.ci95),
            interval(found.rear_later_ms, found.rear_later_ci95_ms, 0),
            found.verdict,
        )
        for name, found in (("going down", test.down), ("coming up", test.up))
    ]


MODE_COLUMNS = (Column("body mode", words=True), Column("[Hz]"), Column("damping ratio"), Column("share [%]"))


def mode_rows(test: BounceTest) -> list[Row]:
    """The free modes: both ends together, or against each other."""
    return [
        (
            "both ends together" if mode.rear_over_front >= 0 else "ends against each other",
            number(mode.frequency_hz, 2),
            Number(mode.damping_ratio, DAMPING),
            number(100 * mode.share),
        )
        for mode in test.modes
    ]


def push_words(test: BounceTest) -> str:
    """How many pushes, and what is wrong with those that were left out."""
    bad = [push for push in test.pushes if push.bad]
    words = f"{count_word(len(test.pushes), 'push', 'pushes')} found, {len(test.pushes) - len(bad)} usable."
    left = "; ".join(f"at {push.start_s:.1f} s: {push.bad}" for push in bad[:MOST_PUSHES])
    return f"{words} Left out {left}." if left else words


def bounce_html(test: BounceTest, notes: Iterable[QualityNote] = (), units: Collection[str] = ()) -> str:
    """The bounce test as one self-contained page, fit for a phone."""
    return document_html(bounce_document(test, notes), style=BOUNCE_STYLE, units=units)
