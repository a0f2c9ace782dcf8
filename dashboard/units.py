"""Conversion to the reader's units, in one place, of everything that leaves the server.

Forms stay as they are: what is typed goes into bike files and sheets, in mm.
"""

import base64
import json
import re
from collections.abc import Collection
from math import ceil, floor, log10
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
from dash import html
from flask import Flask, Response, has_request_context, request

from telemetry.report import (
    UNIT_CHOICES,
    UNITS,
    Unit,
    heading_in,
    heading_unit,
    picture_in,
    row_changes,
    text_in,
    unit_of,
)

COOKIE = "bothends-units"
_KEPT = {"Form", "Input", "Textarea", "Pre", "Code", "Store", "Script"}
_TICKS = 5
_DRAWN = "data:image/svg+xml,"
Json = Any


def chosen() -> frozenset[str]:
    """The units that this browser asks for in place of ours."""
    if not has_request_context():
        return frozenset()
    return frozenset(request.cookies.get(COOKIE, "").split(".")) & frozenset(UNIT_CHOICES)


def choice() -> html.Section:
    """The lists from which a reader chooses; the page's script keeps what is chosen, and loads the page anew."""
    now = chosen()
    lists = [
        html.Label(
            [
                html.Span(f"{words} in "),
                html.Select(
                    [html.Option(ours, value=""), html.Option(other, value=other, selected=other in now)],
                    **{"data-unit": COOKIE},
                ),
            ]
        )
        for words, ours, other in (
            ("Lengths", "mm", "in"),
            ("Spring rates", "N/mm", "lb/in"),
            ("Road speed", "km/h", "mph"),
            ("Pressures", "bar", "psi"),
        )
    ]
    note = html.P("On screen and paper. Files and what is typed stay in mm, N/mm and bar.", className="note")
    return html.Section(
        html.Details([html.Summary("Units"), html.Div(lists, className="units"), note]),
        id="units",
        **{"aria-label": "Units"},
    )


def install(server: Flask) -> None:
    """Print every answer of a server in the units that its reader chose."""

    @server.after_request
    def convert(response: Response) -> Response:
        units = chosen()
        if not units or response.status_code != 200:
            return response
        if request.path == "/_dash-update-component" and response.is_json:
            response.set_data(json.dumps(in_units(response.get_json(), units), ensure_ascii=False))
        elif response.mimetype == "image/svg+xml":
            response.set_data(picture_in(response.get_data(as_text=True), units))
        return response


def in_units(value: Json, units: Collection[str]) -> Json:
    """An answer of Dash with its texts, tables and pictures in other units."""
    if isinstance(value, list):
        return [in_units(part, units) for part in value]
    if isinstance(value, str):
        return text_in(value, units)
    if not isinstance(value, dict):
        return value
    if isinstance(value.get("data"), list) and isinstance(value.get("layout"), dict):
        return _figure(value, units)
    if "props" in value and "type" in value:
        if value["type"] in _KEPT:
            return value
        props = value["props"]
        if value["type"] == "Img" and str(props.get("src", "")).startswith(_DRAWN):
            drawing = picture_in(unquote(props["src"].removeprefix(_DRAWN)), units)
            return {**value, "props": {**props, "src": _DRAWN + quote(drawing)}}
        if value["type"] == "Table":
            return {**value, "props": {**props, "children": _table(props.get("children"), units)}}
        shown = {key: in_units(props[key], units) for key in ("children", "figure", "title") if key in props}
        return {**value, "props": {**props, **shown}}
    if "response" in value:  # a callback's outputs by component and property
        outputs = {
            name: {
                key: in_units(one, units) if key in ("children", "figure") else one
                for key, one in props.items()
            }
            for name, props in value["response"].items()
        }
        return {**value, "response": outputs}
    return value


def _words(value: Json) -> str:
    """All text in a component."""
    if isinstance(value, list):
        return " ".join(map(_words, value))
    if isinstance(value, dict):
        return _words(value.get("props", {}).get("children"))
    return value if isinstance(value, str) else ""


def _of_type(value: Json, kind: str) -> list[Json]:
    """Components of a kind within another, outermost ones, in order."""
    if isinstance(value, list):
        return [found for part in value for found in _of_type(part, kind)]
    if not isinstance(value, dict) or "props" not in value:
        return []
    return [value] if value.get("type") == kind else _of_type(value["props"].get("children"), kind)


def _cells(row: Json) -> list[Json]:
    children = row["props"].get("children")
    return children if isinstance(children, list) else [children]


def _table(children: Json, units: Collection[str]) -> Json:
    """A table's cells by the rules of `row_changes`; links in them stay."""
    heads = [
        _words(cell)
        for head in _of_type(children, "Thead")
        for row in _of_type(head, "Tr")
        for cell in _cells(row)
    ]

    def walk(value: Json, head: bool) -> Json:
        if isinstance(value, list):
            return [walk(part, head) for part in value]
        if not isinstance(value, dict) or "props" not in value:
            return value
        if value["type"] != "Tr":
            inner = walk(value["props"].get("children"), head or value["type"] == "Thead")
            return {**value, "props": {**value["props"], "children": inner}}
        cells = _cells(value)
        changes = row_changes(heads, [_words(cell) for cell in cells], units, head=head)
        made = [
            _leaves(cell, change) if change else in_units(cell, units)
            for cell, change in zip(cells, changes, strict=True)
        ]
        return {**value, "props": {**value["props"], "children": made}}

    return walk(children, False)


def _leaves(value: Json, change: Any) -> Json:
    """Every text in a component changed."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, list):
        return [_leaves(part, change) for part in value]
    if isinstance(value, dict) and "props" in value:
        return {
            **value,
            "props": {**value["props"], "children": _leaves(value["props"].get("children"), change)},
        }
    return value


def _figure(figure: Json, units: Collection[str]) -> Json:
    """A picture with other ticks: its lines stay where they are, in our units."""
    layout, data = dict(figure["layout"]), [dict(line) for line in figure["data"]]
    of_axis: dict[str, Unit] = {}
    factors: dict[str, float] = {}
    for line in data:
        if isinstance(line.get("text"), list):
            line["text"] = [text_in(text, units) for text in line["text"]]
        meta = line.get("meta")
        if isinstance(meta, dict) and (unit := unit_of(str(meta.get("unit", "")), units)):
            digits = max(int(meta.get("digits", 0)) + unit.more, 0)
            line["meta"] = {**meta, "unit": unit.name, "factor": unit.factor, "digits": digits}
            of_axis["yaxis" + str(line.get("yaxis", "y"))[1:]] = unit
    for name, axis in layout.items():
        if re.fullmatch(r"[xy]axis\d*", name) and isinstance(axis, dict):
            title = axis.get("title", {})
            words = title.get("text", "") if isinstance(title, dict) else str(title)
            unit = of_axis.get(name) or heading_unit(words or "", units)
            span = axis.get("range") or _span(data, name)
            if unit and span:
                made = {**axis, **_ticks(span, unit)}
                if words:
                    made["title"] = {
                        **(title if isinstance(title, dict) else {}),
                        "text": heading_in(words, unit),
                    }
                layout[name] = made
                factors[name] = unit.factor
    if of_axis:
        layout["annotations"] = [_annotation(note, units) for note in layout.get("annotations", [])]
    if factors:  # for the numbers that are saved
        layout["meta"] = {**(layout.get("meta") or {}), "factors": factors}
    return {**figure, "data": data, "layout": layout}


def _span(data: list[Json], axis: str) -> list[float]:
    """From where to where the lines of an axis go; empty where there is no number."""
    way, short = axis[0], axis.replace("axis", "")
    ends: list[float] = []
    for line in data:
        if line.get(f"{way}axis", way) == short:
            values = line.get(way, [])
            if isinstance(values, dict) and "bdata" in values:
                values = np.frombuffer(base64.b64decode(values["bdata"]), values["dtype"])
            numbers = [
                float(one) for one in values if isinstance(one, int | float | np.number) and np.isfinite(one)
            ]
            ends += [min(numbers), max(numbers)] if numbers else []
    return [min(ends), max(ends)] if ends and max(ends) > min(ends) else []


def _annotation(note: Json, units: Collection[str]) -> Json:
    """The unit beside a panel: ``<br>mm`` or ``km/h``."""
    words = str(note.get("text", ""))
    for ours in UNITS:
        unit = unit_of(ours, units)
        if unit and (words == ours or words.endswith(f"<br>{ours}") or f"<br>{ours}<br>" in words):
            return {**note, "text": words.replace(ours, unit.name)}
    return note


def _ticks(span: list[float], unit: Unit) -> dict[str, Any]:
    """Round ticks of another unit over a range in ours."""
    low, high = sorted(float(end) * unit.factor for end in span)
    raw = max(high - low, 1e-9) / _TICKS
    size = 10.0 ** floor(log10(raw))
    step = next(size * each for each in (1, 2, 5, 10) if size * each >= raw)
    values = [k * step for k in range(ceil(low / step), floor(high / step) + 1)]
    decimals = max(-floor(log10(step)), 0)
    return {
        "tickmode": "array",
        "tickvals": [value / unit.factor for value in values],
        "ticktext": [f"{value + 0.0:.{decimals}f}".replace("-", "−") for value in values],
    }
