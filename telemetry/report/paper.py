"""The document on paper: one self-contained HTML page that prints on A4, without script or anything from outside."""

from functools import cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup, escape

from telemetry.report.blocks import Block, Document, Medium, Section, is_printed
from telemetry.report.drawings import drawn


def document_html(document: Document, *, heading: str = "", style: str = "", closing: str = "") -> str:
    """A document as one HTML page; every text in it is escaped.

    Parameters
    ----------
    heading : str
        Before the title of the document: ``Debrief: ``.
    style : str
        More rules for the style sheet.
    closing : str
        A last remark.
    """
    rules = Markup(style_sheet() + style)  # noqa: S704 (ours)
    return str(_template().render(document=document, heading=heading, style=rules, closing=closing))


@cache
def style_sheet() -> str:
    """The rules of every page on paper, with the colours of the ends."""
    return files("telemetry.report").joinpath("debrief.css").read_text(encoding="utf-8")


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, select_autoescape

    environment = Environment(
        loader=PackageLoader("telemetry.report", "."),
        autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["words"] = _words
    environment.globals.update(kind=_kind, shown=_shown, drawn=_drawn, is_long=_is_long)
    return environment.get_template("document.html.j2")


def _kind(block: Block) -> str:
    return type(block).__name__.lower()


def _shown(block: Block | Section) -> bool:
    return is_printed(block, Medium.PAPER)


def _words(text: object) -> Markup:
    """Text for the page: escaped, and a per cent sign kept with its number."""
    return Markup(str(escape(str(text))).replace(" %", "\u00a0%"))  # noqa: S704 (escaped)


def _drawn(picture: object) -> Markup:
    return Markup(drawn(picture))  # noqa: S704 (what goes into it is escaped there)


def _is_long(section: Section) -> bool:
    """Whether a section may break over two pages."""
    rows = sum(len(getattr(block, "rows", ())) + len(getattr(block, "items", ())) for block in section.blocks)
    return rows > 12 or len(section.blocks) > 3
