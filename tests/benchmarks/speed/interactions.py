"""Times of interactions in a real Chromium: from the key or press until nothing is loading and the picture is drawn.

    python -m tests.benchmarks.speed.interactions [LOGBOOK [RUN]] [--times 5]

Without a logbook it shows a made-up run. Prints a table of medians, and the time that scripts took; the machine's load
decides much of them.
"""

import argparse
import statistics
import time
from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from playwright.sync_api import CDPSession, Page, sync_playwright

from telemetry.logbook import Logbook
from telemetry.report import find_browser
from tests.dashboard.browser import DESK, FLAGS, HOW_TO_GET_ONE, Watched, serving
from tests.dashboard.made_up import MadeUpLogbook, made_up

# Two frames after the last answer: what was drawn is on the screen.
PAINTED = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
LOOKS = {
    "review": "/",
    "balance": "/balance",
    "rider": "/rider",
    "runs": "/runs",
}


class Timing(NamedTuple):
    """From an act until the page is ready and painted, and what scripts took of it, NaN where not known. [s]"""

    whole: float
    scripts: float = float("nan")


def timed(watched: Watched, browser_says: CDPSession, act: Callable[[Page], object]) -> Timing:
    """How long an act took."""
    before, began = script_time(browser_says), time.perf_counter()
    act(watched.page)
    watched.page.wait_for_timeout(30)  # the request is on its way
    watched.ready().evaluate(PAINTED)
    return Timing(time.perf_counter() - began, script_time(browser_says) - before)


def script_time(browser_says: CDPSession) -> float:
    """What scripts of the page took so far, by the browser. [s]"""
    metrics = browser_says.send("Performance.getMetrics")["metrics"]
    return float(next(one["value"] for one in metrics if one["name"] == "ScriptDuration"))


def press(what: str, page: Page) -> None:
    """Press a key, or what stands on the page under an id."""
    if what.startswith("#"):
        page.click(what)
    else:
        page.keyboard.press(what)


def interactions(watched: Watched, query: str, times: int) -> dict[str, list[Timing]]:
    """Times of each page's opening and of what is done on the review page, by name."""
    found: dict[str, list[Timing]] = {}
    browser_says = watched.page.context.new_cdp_session(watched.page)
    browser_says.send("Performance.enable")
    for name, path in LOOKS.items():
        found[f"open {name}"] = [
            Timing(timed(watched, browser_says, lambda page, to=path: watched.open(to + query)).whole)
            for _ in range(times)
        ]
    watched.open("/" + query)
    there_and_back = {
        "next lap": ("]", "["),
        "a corner, and all of it": ("2", "0"),
        "zoom closer, wider": ("+", "-"),
        "wheel or shaft": ("#at-shaft", "#at-wheel"),
        "distance or time": ("#against-time", "#against-distance"),
        "light or dark": ("#theme-switch", "#theme-switch"),
    }
    for name, pair in there_and_back.items():
        found[name] = [
            timed(watched, browser_says, partial(press, what)) for _ in range(times) for what in pair
        ]
    box = watched.page.locator("#travel").bounding_box()
    assert box is not None
    places = [box["x"] + box["width"] * (0.2 + 0.6 * k / 10) for k in range(10)]
    moved = []
    for x in places:  # the cursor in every picture and on the map
        began = time.perf_counter()
        watched.page.mouse.move(x, box["y"] + box["height"] / 3)
        watched.page.evaluate(PAINTED)
        moved.append(Timing(time.perf_counter() - began))
    found["cursor moved"] = moved
    return found


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("logbook", nargs="?")
    asked.add_argument("run", nargs="?")
    asked.add_argument("--times", type=int, default=5)
    said = asked.parse_args()
    book = Logbook(said.logbook, create=False) if said.logbook else MadeUpLogbook(made_up())
    run = said.run or book.runs()[0].run_id
    with serving(book) as address, sync_playwright() as playwright:
        path = find_browser()
        if path is None:
            raise SystemExit(HOW_TO_GET_ONE)
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        watched = Watched(browser, address, **DESK)
        watched.context.set_default_timeout(600_000)  # the steps advised on a long run are tried first, once
        watched.open(f"/?run={run}")
        for name, values in interactions(watched, f"?run={run}", said.times).items():
            whole, scripts = ([1000 * one[k] for one in values] for k in range(2))
            print(
                f"{name:28} median {statistics.median(whole):6.0f} ms, most {max(whole):6.0f} ms; "
                f"scripts {statistics.median(scripts):6.0f} ms, most {max(scripts):6.0f} ms"
            )
        print(*watched.wrongs, sep="\n")
        browser.close()


if __name__ == "__main__":
    main()
