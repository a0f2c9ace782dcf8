"""A real Chromium for tests and pictures: how it is found, started and watched."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page

from dashboard.pages.parts import navigation
from dashboard.serve import make_server

# --no-sandbox: containers run as root. The resolver rule makes any other address fail instead of waiting.
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
)
DESK = {"viewport": {"width": 1440, "height": 900}}
TABLET = {"viewport": {"width": 820, "height": 1180}, "has_touch": True}
PHONE = {
    "viewport": {"width": 390, "height": 844},
    "is_mobile": True,
    "has_touch": True,
    "device_scale_factor": 2,
}

HOW_TO_GET_ONE = (
    "No Chromium found: the dashboard's tests drive a real browser. Install one with\n"
    "    apt-get update && apt-get install -y --no-install-recommends chromium\n"
    "or name one that is there in BOTHENDS_CHROMIUM."
)
# A page is ready when Dash waits for nothing and every graph is drawn.
READY = """() => document.querySelector('main h1') && !document.querySelector(
    '._dash-loading, [data-dash-is-loading=true], .dash-graph--pending') &&
    [...document.querySelectorAll('.dash-graph')].every(graph => graph.querySelector('.main-svg'))"""

# As a link of the page does (assets/view.js); the title says when the page is there.
GO = """path => {
    document.title = 'on the way';
    history.pushState(null, '', path);
    window.dispatchEvent(new CustomEvent('_dashprivate_pushstate'));
}"""
ANOTHER_CAN_FOLLOW = "() => Boolean(document.getElementById('page')) && !localStorage.length"
ARRIVED = "() => document.title !== 'on the way'"


def page_addresses(run: str, other: str) -> dict[str, str]:
    """Address of every page of the navigation by its title, of a run; that which brings a log in is tried apart."""
    asked = {"/compare": f"?run={other}&other={run}"}
    return {
        page.title.lower(): page.path + asked.get(page.path, f"?run={run}" if page.of_one_run else "")
        for page in navigation()
        if page.path != "/add"
    }


@contextmanager
def serving(logbook) -> Iterator[str]:
    """Serve a logbook from a thread; gives the address."""
    server, address = make_server(logbook, port=0)
    threading.Thread(target=server.run, daemon=True).start()
    try:
        yield address
    finally:
        server.close()  # kept connections of the browser end with the browser


class Watched:
    """One browser context with one page, and everything that must not happen in it.

    Parameters
    ----------
    browser : Browser
    address : str
        Of the only server it may ask.
    settings
        Of the context: size, touch, colour scheme.
    """

    def __init__(self, browser: Browser, address: str, **settings) -> None:
        self.address = address
        self.context: BrowserContext = browser.new_context(**settings)
        self.context.set_default_timeout(30_000)
        self.page: Page = self.context.new_page()
        self.wrongs: list[str] = []
        self.asked: list[str] = []
        self.kept = False
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.wrongs.append(f"page error: {error}"))
        self.page.on("request", self._request)
        self.page.on("response", self._response)

    def _console(self, message) -> None:
        if message.type in ("error", "warning"):
            self.wrongs.append(f"console {message.type}: {message.text}")

    def _request(self, request) -> None:
        self.asked.append(request.url)
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.wrongs.append(f"left the machine: {request.url}")

    def _response(self, response) -> None:
        if response.status >= 400:
            self.wrongs.append(f"{response.status} {response.url}")

    def forget(self, *, keep: bool = True) -> list[str]:
        """What went wrong since the last time; cookies and stored choices are left behind.

        The page stays until the next is opened, for its scripts take a second to start. The next is loaded anew
        where ``keep`` is False, a theme was chosen, or the page is a paper one.
        """
        self.kept = keep and self.page.evaluate(ANOTHER_CAN_FOLLOW)
        self.page.evaluate("localStorage.clear(), scrollTo(0, 0)")
        self.page.mouse.move(0, 0)
        self.context.clear_cookies()
        wrongs, self.wrongs, self.asked = self.wrongs, [], []
        return wrongs

    def open(self, path: str) -> Page:
        """Go to a page and wait until it is drawn; from a kept page as its links do, by way of an empty one."""
        if self.kept:
            self.kept = False
            for there in ("/empty", path):
                self.page.evaluate(GO, there)
                self.page.wait_for_function(ARRIVED)
        else:
            self.page.goto(self.address.rstrip("/") + path)
        return self.ready()

    def ready(self) -> Page:
        """Wait until nothing is loading."""
        self.page.wait_for_function(READY)
        return self.page


def faults(page: Page) -> str:
    """What axe finds on a page, "" for nothing; it lists no elements of the rules that are kept, which takes long."""
    found = Axe().run(page, options={"resultTypes": ["violations"]})
    return found.generate_report() if found.violations_count else ""
