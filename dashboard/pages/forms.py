"""Pieces of forms. A form is read and sent by the page's script (`assets/work.js`); its answer is shown in place."""

import json
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from dash import dcc, html


def form(send: str, *content: Any, name: str, keep: str = "", **data: str) -> html.Form:
    """A form that goes to the route ``send``; ``keep`` gets every change, so that nothing typed is lost."""
    marks = {"data-send": send, "data-keep": keep, **{f"data-{key}": value for key, value in data.items()}}
    return html.Form(
        [*content, html.P(className="answer", role="status"), html.Div(className="progress", hidden=True)],
        id=name,
        className="work",
        **{key: value for key, value in marks.items() if value},
    )


def text(
    label: str,
    name: str,
    value: str = "",
    *,
    hint: str = "",
    example: str = "",
    number: bool = False,
    list_: str = "",
) -> html.Label:
    """One line to type, with what belongs beside it; a fault is shown under it."""
    return html.Label(
        [
            html.Span(label),
            dcc.Input(
                name=name,
                value=value,
                type="text",
                inputMode="decimal" if number else "text",
                placeholder=example,
                autoComplete="off",
                spellCheck="false",
                list=list_ or None,
            ),
            html.Small(hint) if hint else None,
        ],
        className="field number" if number else "field",
        **{"data-field": name},
    )


def area(
    label: str, name: str, value: str = "", *, hint: str = "", example: str = "", rows: int = 5
) -> html.Label:
    """Several lines to type or paste."""
    return html.Label(
        [
            html.Span(label),
            dcc.Textarea(name=name, value=value, placeholder=example, rows=rows, spellCheck="false"),
            html.Small(hint) if hint else None,
        ],
        className="field wide",
        **{"data-field": name},
    )


def select(
    label: str,
    name: str,
    options: Sequence[tuple[str, str]],
    chosen: str,
    *,
    hint: str = "",
    unseen: bool = False,
) -> html.Label:
    """One of several, as the browser's own list."""
    return html.Label(
        [
            html.Span(label, className="unseen" if unseen else None),
            html.Select(
                [html.Option(words, value=value, selected=value == chosen) for value, words in options],
                name=name,
            ),
            html.Small(hint) if hint else None,
        ],
        className="field",
        **{"data-field": name},
    )


def group(title: str, *content: Any, note: Any = None, when: str = "", name: str = "") -> html.Fieldset:
    """Fields that belong together.

    ``when`` is ``field=value value``: shown only while that field has one of these values.
    """
    marks = {"data-when": when} if when else {}
    return html.Fieldset(
        [html.Legend(title), html.P(note, className="note") if note else None, *content],
        **marks,
        **({"id": name} if name else {}),
    )


def shown_when(when: str, *content: Any) -> html.Div:
    """Fields that are shown only while another field has a value; as of `group`."""
    return html.Div(content, className="fields", **{"data-when": when})


def fields(*content: Any) -> html.Div:
    """Fields beside one another."""
    return html.Div(content, className="fields")


def tick(label: str, name: str, *, on: bool) -> html.Label:
    """Yes or no, as a list of two: what it says is "yes" or nothing."""
    return select(label, name, (("yes", "yes"), ("", "no")), "yes" if on else "", unseen=True)


def hidden(name: str, value: str) -> html.Div:
    """A value that goes along with the form."""
    return html.Div(dcc.Input(name=name, value=value, type="hidden"), hidden=True)


def send(words: str, *, name: str = "", strong: bool = True) -> html.Button:
    """The button that sends its form."""
    return html.Button(
        words, type="submit", className="strong" if strong else None, **({"id": name} if name else {})
    )


def act(words: str, to: str, *, sure: str = "", **data: str) -> html.Button:
    """A button that goes to a writing route by itself; ``sure`` asks first.

    ``body`` is what it sends, from `body`; ``pressed`` is "true" or "false" for one that stays pressed.
    """
    pressed = data.pop("pressed", "")
    marks = {"data-act": to, "data-sure": sure, **{f"data-{key}": value for key, value in data.items()}}
    marks["aria-pressed"] = pressed
    return html.Button(words, type="button", **{key: value for key, value in marks.items() if value})


def body(**values: str) -> str:
    """What a button of `act` sends along."""
    return json.dumps(values)


def trace_picture(path: str, width: int, height: int, label: str, colour: str, *, name: str = "") -> html.Img:
    """A trace as a picture: ``path`` in a box of ``width`` by ``height``."""
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" preserveAspectRatio="none">'
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="1.2" vector-effect="non-scaling-stroke"/></svg>'
    )
    return html.Img(
        src="data:image/svg+xml," + quote(svg), alt=label, className="trace", **({"id": name} if name else {})
    )


class Filled:
    """The same fields, each with what was answered so far, by its name."""

    def __init__(self, said: Mapping[str, str]) -> None:
        self.said = said

    def text(self, label: str, name: str, example: str = "", hint: str = "") -> html.Label:
        """One line to type."""
        return text(label, name, self.said.get(name, ""), example=example, hint=hint)

    def number(self, label: str, name: str, example: str = "", hint: str = "") -> html.Label:
        """One number to type."""
        return text(label, name, self.said.get(name, ""), example=example, hint=hint, number=True)

    def area(self, label: str, name: str, example: str = "", hint: str = "", rows: int = 5) -> html.Label:
        """Several lines to type or paste."""
        return area(label, name, self.said.get(name, ""), example=example, hint=hint, rows=rows)

    def select(
        self,
        label: str,
        name: str,
        options: Sequence[tuple[str, str]],
        *,
        hint: str = "",
        unseen: bool = False,
    ) -> html.Label:
        """One of several."""
        chosen = self.said.get(name, options[0][0])
        return select(label, name, options, chosen, hint=hint, unseen=unseen)
