"""A browser, a server on made-up runs, and a watch on both."""

import json
from dataclasses import replace

import pytest

from telemetry.report import find_browser
from telemetry.setup import parse_sheet
from telemetry.summary import FittedDamper
from tests.dashboard.browser import DESK, FLAGS, HOW_TO_GET_ONE, Watched, serving
from tests.dashboard.made_balance import with_balance
from tests.dashboard.made_up import MadeUpLogbook, made_up


@pytest.fixture(scope="session")
def runs():
    """Two runs, newest first: a fork setting was changed between them."""
    before = parse_sheet({"name": "Before", "front": {"rebound_clicks": 8, "rider_sag_mm": 36}})
    after = parse_sheet({"name": "After", "front": {"rebound_clicks": 6, "rider_sag_mm": 36}})
    changed = made_up("after", name="After the change", deeper_mm=4.0, seed=2, sheet=after)
    first = made_up("before", name="Before the change", oscillation="no", sheet=before)

    def damper(serviced):
        return {"rear": FittedDamper("QB-R1", serviced)}

    return (
        replace(changed, summary=replace(with_balance(changed.summary), dampers=damper("2026-05-05"))),
        replace(first, summary=replace(first.summary, dampers=damper("2026-03-10"))),
    )


@pytest.fixture(scope="session")
def logbook(runs):
    """The two runs, and three logs that lack something."""
    return MadeUpLogbook(
        *runs,
        made_up("no-gps", gps=False, name="No GPS", oscillation="cannot_tell"),
        made_up("front-only", ends=("front",), name="Front only", oscillation="cannot_tell"),
        made_up("no-laps", laps=0, gps=False, distance=False, name="No laps", oscillation="cannot_tell"),
    )


@pytest.fixture(scope="session")
def address(logbook):
    """Where the dashboard answers."""
    with serving(logbook) as served:
        yield served


@pytest.fixture(scope="session")
def chromium():
    """A browser for the whole session; its absence fails, because a silent skip would hide every fault."""
    from playwright.sync_api import sync_playwright

    path = find_browser()
    if path is None:
        pytest.fail(HOW_TO_GET_ONE, pytrace=False)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    setattr(item, f"report_{outcome.get_result().when}", outcome.get_result())


@pytest.fixture(scope="session")
def pool(chromium):
    """Pages kept open for the session: a page that has run the scripts once runs them twice as fast again."""
    opened = {}
    yield opened
    for watched in opened.values():
        watched.context.close()


@pytest.fixture
def watch(request, chromium, pool, address, tmp_path):
    """Opens watched pages; anything wrong that the browser saw in them fails the test when it ends.

    A page comes as new: without cookies, stored choices, or what it saw in the test before.
    """
    used = []

    def start(at=address, **settings):
        settings = settings or DESK
        key = (at, json.dumps(settings, sort_keys=True))
        watched = pool.setdefault(key, None) or Watched(chromium, at, **settings)
        pool[key] = watched
        used.append(watched)
        return watched

    yield start
    failed = getattr(request.node, "report_call", None)
    wrongs = []
    for place, watched in enumerate(used):
        sound = failed is not None and failed.passed
        if not sound:
            watched.page.screenshot(path=tmp_path / f"failed-{place}.png")
        wrongs += watched.forget(keep=sound)
    assert not wrongs, "\n".join(wrongs)
