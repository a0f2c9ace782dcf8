"""The stand as a page to print: sentences, pictures, and every number before and after."""

from telemetry.report import page
from telemetry.report.stand import (
    SAG_COLUMNS,
    SAG_WORDS,
    WAY_COLUMNS,
    aim_words,
    changed_words,
    moved_words,
    row_cells,
    sag_cells,
    spring_words,
    way_rows,
)
from telemetry.report.stand_pictures import force_picture, leverage_picture, side_view
from telemetry.stand import StandResult

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
SIDE_VIEW_WORDS = (
    "With rider, at rest. The thin line is the steering axis down to the ground; from there to the contact is "
    "the trail."
)


def stand_html(result: StandResult) -> str:
    """The stand as one self-contained page.

    Returns
    -------
    str
        HTML without scripts or anything from outside.
    """
    stand, before, after = result.stand, result.before, result.after
    changed = bool(stand.changed)
    springs = before.rear.spring_rate_n_per_mm is not None and before.rear.preload_mm is not None
    drawable = stand.row("front.rider_sag_mm").after is not None and stand.row("trail_mm").after is not None
    body = [
        f"<style>{STYLE}</style>",
        "<h1>At the stand</h1>",
        page.paragraph(f"{stand.bike}: {stand.source}", "meta"),
        *(page.caution(words) for words in (*stand.warnings, stand.caution) if words),
        page.items(map(changed_words, stand.changed), "verdicts") if changed else "",
        page.figure(side_view(before, after), SIDE_VIEW_WORDS) if drawable else "",
    ]
    if changed:
        words = [moved_words(stand.row(key)) for key in stand.moved_most]
        body.append(
            page.section(
                "What moves most", page.items(words or ["Nothing that a tape or a gauge would tell."])
            )
        )
    if stand.recheck:
        rows = [
            (str(index), entry.what, entry.should_read, entry.to_go_back)
            for index, entry in enumerate(stand.recheck, start=1)
        ]
        columns: tuple[str, ...] = ("", "measure again", "should read", "to have it back")
        body.append(
            page.section("Measure again, in this order", page.table(columns, rows, words=(0, 1, 2, 3)))
        )
    for aim in stand.aims:
        body.append(
            page.section(
                aim_words(stand, aim), page.table(WAY_COLUMNS, way_rows(stand, aim), words=(0, 4, 5))
            )
        )
    body += [
        page.figure(
            leverage_picture(before, after), "A ratio that falls makes the rear stiffer as it compresses."
        ),
        page.figure(force_picture(before, after), "At rest, without friction.") if springs else "",
    ]
    groups = dict.fromkeys(row.group for row in stand.rows)
    numbers = []
    for group in groups:
        found = [
            row
            for row in stand.rows
            if row.group == group and (row.before is not None or row.after is not None)
        ]
        if found:
            columns = ("", "before", "after", "change", "unit") if changed else ("", "as it is", "unit")
            cells = [row_cells(row, changed=changed) for row in found]
            numbers.append(page.section(group, page.table(columns, cells, words=(0, len(columns) - 1))))
    body.append(f'<div class="numbers">{"".join(numbers)}</div>')
    if stand.sags:
        body.append(
            page.section(
                "Measured sags against the bike file",
                page.table(SAG_COLUMNS, map(sag_cells, stand.sags), words=(0, 3)),
                page.paragraph(SAG_WORDS),
                *(page.paragraph(spring_words(check)) for check in stand.springs),
            )
        )
    if stand.notes:
        body.append(page.section("Not in these numbers", page.items(stand.notes)))
    return page.document(f"At the stand: {stand.bike}", body)
