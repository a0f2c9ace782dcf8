"""The bike at the stand, for a person: before and after, what moved most, what to measure again."""

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from telemetry.report.terminal import indented, item, section, table
from telemetry.stand import SAG_AGREES_MM, Aim, Changed, Row, SagCheck, SpringCheck, Stand
from telemetry.wording import UNKNOWN, number

SAG_COLUMNS = (
    "", "tape mm", "file mm", "", "tape kg", "file kg", "tape N/mm", "file N/mm",
)  # fmt: skip
SAG_WORDS = (
    f"agrees: within {SAG_AGREES_MM:g} mm, which reading a tape and the friction of the seals explain."
)
WAY_COLUMNS = ("change only this", "now", "to", "change", "with the tool", "gives")
LOAD_WORDS = {"free": "free", "static": "static", "rider": "rider"}


def print_stand(stand: Stand, console: Console) -> None:
    """Print the stand: warnings, what was changed, what moved most, what to recheck, every number.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    """
    console.print(Text(f"{stand.bike}: {stand.source}", style="bold"))
    console.print()
    for words in stand.warnings:
        item(console, f"WARNING  {words}", style="bold")
    for changed in stand.changed:
        item(console, changed_words(changed))
    if stand.caution:
        item(console, f"CAUTION  {stand.caution}", style="bold")
    if stand.changed:
        section(console, "What moves most")
        if not stand.moved_most:
            indented(console, "Nothing by as much as a tape or a gauge would tell.")
        for key in stand.moved_most:
            item(console, moved_words(stand.row(key)))
    if stand.recheck:
        section(console, "Measure again, in this order")
        _numbered(console, stand)
    for aim in stand.aims:
        section(console, aim_words(stand, aim))
        console.print(table(WAY_COLUMNS, way_rows(stand, aim), words=(0, 4, 5)))
    _numbers(console, stand)
    _checks(console, stand)
    if stand.leverage_fit is not None:
        section(console, "Leverage points")
        indented(
            console,
            f"A smooth, monotone curve lies within {stand.leverage_fit.largest_mm:.2f} mm of every point; they "
            f"scatter by {stand.leverage_fit.residual_sd_mm:.2f} mm about it.",
        )
        rows = zip(stand.leverage_fit.point_shaft_mm, stand.leverage_fit.residual_mm, strict=True)
        console.print(
            table(("shock mm", "point above curve mm"), ((f"{s:g}", f"{r:+.2f}") for s, r in rows), words=())
        )
    if stand.notes:
        section(console, "Not in these numbers")
        for words in stand.notes:
            item(console, words)


def _numbered(console: Console, stand: Stand) -> None:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(justify="right", width=2)
    grid.add_column()
    for index, entry in enumerate(stand.recheck, start=1):
        grid.add_row(Text(f"{index}."), Text(entry.what, style="bold"))
        grid.add_row("", Text(f"because {entry.why}"))
        grid.add_row("", Text(f"should read: {entry.should_read}"))
        if entry.to_go_back:
            grid.add_row("", Text(entry.to_go_back))
    console.print(grid)


def _numbers(console: Console, stand: Stand) -> None:
    """Every quantity; where nothing was changed only as it is."""
    made = Table(
        box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, header_style="bold"
    )
    made.add_column("")
    columns = ("before", "after", "change") if stand.changed else ("as it is",)
    for name in columns:
        made.add_column(name, justify="right")
    made.add_column("")
    group = ""
    for row in stand.rows:
        if row.before is None and row.after is None:
            continue
        if row.group != group:
            if group:
                made.add_row()
            group = row.group
            made.add_row(Text(group, style="bold underline"))
        made.add_row(*(Text(cell) for cell in row_cells(row, changed=bool(stand.changed))))
    section(console, "Every number")
    console.print(made)


def row_cells(row: Row, *, changed: bool) -> tuple[str, ...]:
    """A quantity as printed: name, before, after, change, unit; or name, value, unit where nothing was changed."""
    before, after = number(row.before, row.decimals), number(row.after, row.decimals)
    return (row.name, before, after, change_cell(row), row.unit) if changed else (row.name, before, row.unit)


def change_cell(row: Row) -> str:
    """The change as printed: signed, blank where nothing printed differs."""
    if row.change is None:
        return UNKNOWN
    text = f"{row.change:+.{row.decimals}f}"
    return "" if float(text) == 0 else text


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
            "" if way.set_to is None else f"{way.set_to - way.now:+.2f}",
            way.steps,
            way.reason or f"{number(way.gives, row.decimals)} {row.unit}".strip(),
        )
        for way in aim.ways
    ]


def _checks(console: Console, stand: Stand) -> None:
    if not stand.sags:
        return
    section(console, "Measured sags against the bike file")
    console.print(table(SAG_COLUMNS, map(sag_cells, stand.sags), words=(0, 3)))
    indented(console, SAG_WORDS)
    for check in stand.springs:
        indented(console, spring_words(check))
    if not all(check.agrees for check in stand.sags):
        indented(
            console, "Rate, preload, masses or the leverage of the bike file are not what is on the bike."
        )


def sag_cells(check: SagCheck) -> tuple[str, ...]:
    """A measured sag as printed."""
    return (
        f"{check.end} {LOAD_WORDS[check.load]} sag",
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
