"""What a page of the dashboard says of a run in a logbook, as plain text."""

from pathlib import Path

from dashboard.pages.parts import Screen, pages
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.logbook import Logbook


def said_on(book: Path, page: str, name: str) -> str:
    """All text of a page for the run of that name; a comparison is with the other run."""
    logbook = Logbook(book, create=False)
    ids = {entry.name or entry.run_id: entry.run_id for entry in logbook.runs()}
    run = ids[name]
    other = next(found for found in ids.values() if found != run) if page == "compare" else ""
    layout = pages()["/" if page == "review" else f"/{page}"].layout
    return " ".join(
        " ".join(_texts(layout(Shelf(logbook), View(run=run, other=other), Screen.read("")))).split()
    )


def _texts(part) -> list[str]:
    if isinstance(part, str):
        return [part]
    if isinstance(part, list | tuple):
        return [text for one in part for text in _texts(one)]
    return _texts(part.children) if getattr(part, "children", None) is not None else []
