"""Deleted runs, and how to restore them."""

from typing import Any

from dash import html

from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View

PATH = "/bin"


@parts.writes(PATH, "Bin")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """Each run with what puts it back."""
    logbook = shelf.desk.logbook
    rows = [
        html.Li([parts.run_name(entry) + " ", forms.act("Put back", f"/write/bin/{entry.run_id}/back")])
        for entry in logbook.in_bin()
    ]
    stays = "A run that is moved here stays until somebody deletes the folder "
    content = [
        html.Ul(rows, className="plain") if rows else html.P("The bin is empty."),
        html.P([stays, html.Code(str(logbook.store.bin)), "."]),
    ]
    return parts.page(PATH, View(), "Bin", html.Section(content, className="part alone"), shown=True)


PAGE = Page(PATH, "Bin", layout)
