"""HTML of the debrief: the page itself, headings, lists and tables. No script, nothing from outside."""

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files


def document(title: str, body: Iterable[str]) -> str:
    """A whole page, with its style inside."""
    style = files("telemetry.report").joinpath("debrief.css").read_text(encoding="utf-8")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(part for part in body if part)
        + "\n</main>\n</body>\n</html>\n"
    )


def section(title: str, *parts: str, long: bool = False) -> str:
    """A section; ``long`` may break over two pages."""
    opening = '<section class="long">' if long else "<section>"
    return "\n".join([opening, f"<h2>{escape(title)}</h2>", *(part for part in parts if part), "</section>"])


def _words(text: str) -> str:
    """Text for the page: escaped, and a per cent sign kept with its number."""
    return escape(text).replace(" %", "\u00a0%")


def paragraph(words: str, class_: str = "") -> str:
    """A paragraph of text, "" for no words."""
    attribute = f' class="{escape(class_)}"' if class_ else ""
    return f"<p{attribute}>{_words(words)}</p>" if words else ""


def caution(words: str) -> str:
    """A caution: said in words and set in a frame."""
    return f'<p class="caution" role="note"><strong>CAUTION</strong> {_words(words)}</p>'


def items(words: Iterable[str], class_: str = "", *, ordered: bool = False) -> str:
    """A list of sentences."""
    tag = "ol" if ordered else "ul"
    attribute = f' class="{escape(class_)}"' if class_ else ""
    return f"<{tag}{attribute}>{''.join(f'<li>{_words(text)}</li>' for text in words)}</{tag}>"


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], *, words: Sequence[int] = (0,)) -> str:
    """A table; columns numbered in ``words`` are text, the others figures. "front" and "rear" take their colour."""

    def cells(tag: str, row: Sequence[str]) -> str:
        made = []
        for index, cell in enumerate(row):
            classes = ["words"] if index in words else []
            classes += [cell] if tag == "th" and cell in ("front", "rear") else []
            attribute = f' class="{" ".join(classes)}"' if classes else ""
            scope = ' scope="col"' if tag == "th" else ""
            made.append(f"<{tag}{scope}{attribute}>{_words(cell)}</{tag}>")
        return f"<tr>{''.join(made)}</tr>"

    body = "\n".join(cells("td", row) for row in rows)
    return (
        f'<div class="scroll"><table>\n<thead>{cells("th", columns)}</thead>\n'
        f"<tbody>\n{body}\n</tbody>\n</table></div>"
    )


def figure(picture: str, words: str) -> str:
    """A picture with the sentence that says what it shows."""
    return f"<figure>{picture}<figcaption>{_words(words)}</figcaption></figure>"
