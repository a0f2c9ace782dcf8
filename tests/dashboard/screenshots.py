"""Pictures of every page in three sizes and both themes, for a person to look at.

    python -m tests.dashboard.screenshots OUT [LOGBOOK]

Without a logbook it shows the made-up runs of the tests.
"""

import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from telemetry.report import find_browser
from tests.dashboard.browser import (
    DESK,
    FLAGS,
    HOW_TO_GET_ONE,
    PHONE,
    TABLET,
    Watched,
    page_addresses,
    serving,
)
from tests.dashboard.made_dampers import made_dampers
from tests.dashboard.made_up import MadeUpLogbook, made_up


def main(out: Path, logbook) -> None:
    out.mkdir(parents=True, exist_ok=True)
    runs = [entry.run_id for entry in logbook.runs()]
    paths = page_addresses(runs[0], runs[min(1, len(runs) - 1)])
    paths["review-whole-shaft"] = f"/?run={runs[0]}&lap=whole&at=shaft"
    with serving(logbook) as address, sync_playwright() as playwright:
        path = find_browser() or sys.exit(HOW_TO_GET_ONE)
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        for size, settings in (("desk", DESK), ("tablet", TABLET), ("phone", PHONE)):
            for theme in ("light", "dark"):
                watched = Watched(browser, address, color_scheme=theme, **settings)
                for name, query in paths.items():
                    watched.open(query).screenshot(path=out / f"{name}-{size}-{theme}.png", full_page=True)
                print(size, theme, *watched.wrongs, sep="\n  ")
                watched.context.close()
        browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 2:
        from telemetry.logbook import Logbook

        book = Logbook(sys.argv[2], create=False)
    else:
        book = MadeUpLogbook(
            made_up("second", name="Run 2, one click"), made_up("first", seed=2, deeper_mm=3), *made_dampers()
        )
    main(Path(sys.argv[1]), book)
