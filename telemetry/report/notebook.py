"""What a notebook shows of a review or a comparison: its sentences and the first tables, as plain HTML."""

from html import escape

from telemetry.report.blocks import Answer, Block, Caution, Document, Medium, Sentence, Sentences, Table
from telemetry.report.comparison import comparison_document
from telemetry.report.document import review_document
from telemetry.report.figures import whole_run
from telemetry.setup import Comparison
from telemetry.summary import Summary

# Sections that a notebook has room for; the whole document is `telemetry.report.debrief_html`.
_SECTIONS = 3


def summary_html(summary: Summary) -> str:
    """A review: what it says, then both ends."""
    return _html(review_document(whole_run(summary)), _SECTIONS)


def comparison_html(comparison: Comparison) -> str:
    """A comparison: what it says, what was changed, every number."""
    return _html(comparison_document(comparison), _SECTIONS)


def _html(document: Document, sections: int) -> str:
    facts = f"<p>{escape(document.facts)}</p>" if document.facts else ""
    body = "".join(_block(block) for section in document.sections[:sections] for block in section.blocks)
    return f"<div><p><b>{escape(document.title)}</b></p>{facts}{body}</div>"


def _block(block: Block) -> str:
    """A block as HTML; "" for one that a notebook leaves out."""
    match block:
        case Answer():
            return _list((block.headline, *block.others))
        case Sentences():
            return _list(block.items)
        case Sentence():
            return f"<p>{escape(str(block.text))}</p>"
        case Caution():
            return "".join(f"<p><b>{escape(block.word)}</b> {escape(str(text))}</p>" for text in block.texts)
        case Table():
            return _table(block)
        case _:
            return ""


def _list(items: tuple[object, ...]) -> str:
    return f"<ul>{''.join(f'<li>{escape(str(item))}</li>' for item in items)}</ul>"


def _table(block: Table) -> str:
    columns, rows = block.shown(Medium.TERMINAL)
    head = "".join(f"<th>{escape(column.label)}</th>" for column in columns)
    body = "".join(f"<tr>{''.join(f'<td>{escape(str(cell))}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
