"""The bike at the stand as a document: before and after, what moved most, what to measure again."""

from collections.abc import Iterator

from rich.console import Console

from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Medium,
    Section,
    Sentence,
    Sentences,
    notes,
    section,
    table,
    words_columns,
)
from telemetry.report.figures import Drawing
from telemetry.report.paper import document_html
from telemetry.report.stand_pictures import force_picture, leverage_picture, side_view
from telemetry.report.terminal import print_document
from telemetry.stand import SAG_AGREES_MM, Aim, Changed, Row, SagCheck, SpringCheck, Stand, StandResult
from telemetry.wording import UNKNOWN, number, signed

SAG_COLUMNS = (
    Column("", words=True), Column("tape [mm]"), Column("file [mm]"), Column("", words=True), Column("tape [kg]"),
    Column("file [kg]"), Column("tape [N/mm]"), Column("file [N/mm]"),
)  # fmt: skip
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


def print_stand(stand: Stand, console: Console) -> None:
    """Print the stand: warnings, what was changed, what moved most, what to recheck, every number."""
    print_document(stand_document(stand), console)


def stand_html(result: StandResult) -> str:
    """The stand as one self-contained page, with its pictures.

    Returns
    -------
    str
        HTML without scripts or anything from outside.
    """
    return document_html(stand_document(result.stand, result), heading="At the stand: ", style=STYLE)


def stand_document(stand: Stand, result: StandResult | None = None) -> Document:
    """The stand in the order in which it is read; with the motorcycles of ``result`` there are pictures."""
    found = (
        _verdict(stand),
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
        section("notes", "Not in these numbers", Sentences(stand.notes)) if stand.notes else None,
    )
    return Document(f"{stand.bike}: {stand.source}", "", tuple(one for one in found if one is not None))


def _verdict(stand: Stand) -> Section | None:
    warned = Caution(stand.warnings, "WARNING") if stand.warnings else None
    caution = Caution((stand.caution,)) if stand.caution else None
    changed = Sentences(tuple(map(changed_words, stand.changed)), verdicts=True) if stand.changed else None
    return section("verdict", "What was changed", warned, changed, caution) or Section("verdict", "", ())


def _moved(stand: Stand) -> Section | None:
    if not stand.changed:
        return None
    moved = tuple(moved_words(stand.row(key)) for key in stand.moved_most)
    nothing = Sentence("Nothing by as much as a tape or a gauge would tell.")
    return section("moved", "What moves most", Sentences(moved) if moved else nothing)


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


def row_cells(row: Row, *, changed: bool) -> tuple[str, ...]:
    """A quantity as printed: name, before, after, change, unit; or name, value, unit where nothing was changed."""
    before, after = number(row.before, row.decimals), number(row.after, row.decimals)
    return (row.name, before, after, change_cell(row), row.unit) if changed else (row.name, before, row.unit)


def change_cell(row: Row) -> str:
    """The change as printed: signed, blank where nothing printed differs."""
    if row.change is None:
        return UNKNOWN
    return signed(row.change, row.decimals) if round(row.change, row.decimals) else ""


def moved_words(row: Row) -> str:
    """One quantity that moved, in words."""
    unit = f" {row.unit}" if row.unit else ""
    return (
        f"{row.name}: {number(row.before, row.decimals)} to {number(row.after, row.decimals)}{unit} "
        f"({change_cell(row) or '0'})"
    )


def changed_words(changed: Changed) -> str:
    """One change in words."""

    def shown(value: float | str | None) -> str:
        return UNKNOWN if value is None else value if isinstance(value, str) else f"{value:.6g}"

    steps = f" ({changed.steps})" if changed.steps else ""
    return f"Changed  {changed.key}: {shown(changed.before)} to {shown(changed.after)}{steps}"


def aim_words(stand: Stand, aim: Aim) -> str:
    """What is wanted, in words."""
    row = stand.row(aim.key)
    unit = f" {row.unit}" if row.unit else ""
    return (
        f"To reach {row.name} {number(aim.wanted, row.decimals)}{unit} (now {number(aim.now, row.decimals)})"
    )


def knob_words(key: str) -> str:
    """What is turned, in words with its unit.

    Examples
    --------
    >>> knob_words("rear.spring_rate_n_per_mm"), knob_words("front.preload_mm")
    ('rear spring rate N/mm', 'front preload mm')
    """
    return key.replace("_n_per_mm", " N/mm").replace(".", " ").replace("_", " ")


def way_rows(stand: Stand, aim: Aim) -> list[tuple[str, ...]]:
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
