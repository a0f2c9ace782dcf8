"""The pages of the dashboard: each module here enters its own as ``PAGE``."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

import dashboard.pages

Layout = Callable[..., list[Any]]


@dataclass(frozen=True)
class Page:
    """A page: where it is, what it shows, and what changes on it in place.

    Attributes
    ----------
    path : str
        Its address.
    title : str
        What the browser's tab and the navigation call it.
    layout : callable
        ``layout(shelf, view, screen)``: its content.
    register : callable or None
        ``register(app, shelf)``: its callbacks and routes.
    in_band : int
        Its position in the navigation, 1 first; 0 is not there.
    of_one_run : bool
        Without a run in the address it shows the only one there is, or the list.
    by_itself : bool
        A link to it does not carry the run that is shown.
    """

    path: str
    title: str
    layout: Layout
    register: Callable[..., None] | None = None
    in_band: int = 0
    of_one_run: bool = False
    by_itself: bool = False


@cache
def pages() -> dict[str, Page]:
    """Every page by its address."""
    modules = (
        import_module(f"dashboard.pages.{found.name}") for found in iter_modules(dashboard.pages.__path__)
    )
    found = [module.PAGE for module in modules if hasattr(module, "PAGE")]
    return {page.path: page for page in found}


def navigation() -> list[Page]:
    """The pages of the navigation, in its order."""
    return sorted((page for page in pages().values() if page.in_band), key=lambda page: page.in_band)
