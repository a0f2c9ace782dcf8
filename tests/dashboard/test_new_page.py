"""The example of DEVELOPERS.md, "A page": one module enters itself."""

import re
from pathlib import Path
from types import ModuleType

import pytest

import dashboard.app
from dashboard.pages import parts
from telemetry.summary import lap_time
from tests.dashboard.test_pages import links, opened

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.fixture
def laps_page(monkeypatch):
    """The module as the guide prints it, among the others."""
    (example,) = re.findall(
        r"```python\n(# dashboard/pages/laps\.py\n.*?)```", GUIDE.read_text(), flags=re.DOTALL
    )
    module = ModuleType("laps")
    exec(example, module.__dict__)
    pages = {**parts.pages(), module.PAGE.path: module.PAGE}
    monkeypatch.setattr(parts, "pages", lambda: pages)
    return module.PAGE


def test_the_example_of_the_guide_shows_the_laps_and_stands_in_the_navigation(
    laps_page, logbook, runs, monkeypatch
):
    monkeypatch.setattr(dashboard.app, "pages", parts.pages)
    _, title, words = opened(logbook, "/laps", "?run=after")
    assert title == "Laps"
    assert all(lap_time(lap.time_s) in words for lap in runs[0].summary.laps if lap.complete)
    assert [page.title for page in parts.navigation()][-1] == "Laps"
    assert "/laps?run=after" in links(opened(logbook, "/balance", "?run=after")[0])
