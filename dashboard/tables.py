"""Long tables of an answer as one piece of HTML.

The browser takes half a second over 1000 components of Dash, and 40 s over 4000; over as many cells of HTML, half a
second.
"""

import json
from typing import Any

from flask import Flask, Response, request
from markupsafe import Markup, escape

Json = Any
# Components from which on a table is long. Fewer are drawn at once as they are.
LONG = 200
_TAGS = frozenset(
    (
        "Table",
        "Caption",
        "Thead",
        "Tbody",
        "Tr",
        "Th",
        "Td",
        "A",
        "Abbr",
        "B",
        "Em",
        "Small",
        "Span",
        "Strong",
    )
)
_NAMES = {"className": "class", "colSpan": "colspan", "rowSpan": "rowspan", "tabIndex": "tabindex"}


def install(server: Flask) -> None:
    """Send long tables as HTML."""

    @server.after_request
    def convert(response: Response) -> Response:
        sent = request.path == "/_dash-update-component" and response.status_code == 200 and response.is_json
        if sent and b'"Table"' in response.get_data():
            answer = with_html_tables(response.get_json())
            response.set_data(json.dumps(answer, ensure_ascii=False))
        return response


def with_html_tables(value: Json) -> Json:
    """An answer of Dash in which tables of more than `LONG` components of plain HTML are one component each."""
    if isinstance(value, list):
        return [with_html_tables(part) for part in value]
    if not isinstance(value, dict):
        return value
    if value.get("type") == "Table" and _count(value) > LONG and _plain(value):
        html = to_html(value).replace("\n", " ")  # an empty line would end it
        props = {"children": html, "dangerously_allow_html": True}  # escaped by `to_html`
        return {"type": "Markdown", "namespace": "dash_core_components", "props": props}
    return {key: with_html_tables(one) for key, one in value.items()}


def to_html(value: Json) -> Markup:
    """Components of plain HTML, as Dash sends them, as HTML."""
    if isinstance(value, list):
        return Markup("").join(map(to_html, value))
    if not isinstance(value, dict):
        return escape("" if value is None else value)
    tag, props = value["type"].lower(), value["props"]
    given = ((_NAMES.get(name, name), one) for name, one in props.items() if name != "children")
    attributes = Markup("").join(
        Markup(' {}="{}"').format(name, one) for name, one in given if one not in (None, False)
    )
    return Markup("<{}{}>{}</{}>").format(tag, attributes, to_html(props.get("children")), tag)


def _count(value: Json) -> int:
    """Components in a value, itself counted."""
    if isinstance(value, list):
        return sum(map(_count, value))
    return 1 + _count(value["props"].get("children")) if isinstance(value, dict) else 0


def _plain(value: Json) -> bool:
    """Whether a value is text, cells and links only: no forms, nothing that a callback knows or that has a style."""
    if isinstance(value, list):
        return all(map(_plain, value))
    if not isinstance(value, dict):
        return True
    props = value["props"]
    if (
        value["namespace"] != "dash_html_components"
        or value["type"] not in _TAGS
        or {"id", "style"} & props.keys()
    ):
        return False
    return _plain(props.get("children"))
