"""A page as PDF, printed by a browser that is there: Chromium, Chrome or Edge."""

import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from telemetry.errors import BothEndsError

BROWSER_VARIABLE = "BOTHENDS_CHROMIUM"
_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LONGEST_S = 60.0


def find_browser() -> str | None:
    """Path of a browser that can print, None where there is none; `BROWSER_VARIABLE` names one."""
    named = os.environ.get(BROWSER_VARIABLE)
    return named or next((path for name in _NAMES if (path := shutil.which(name))), None)


def page_to_pdf(page: str) -> bytes:
    """One HTML page as PDF; its own rules say on which paper.

    Parameters
    ----------
    page : str
        From `debrief_html`: it loads nothing from outside.

    Raises
    ------
    BothEndsError
        If there is no browser, or it does not print.
    """
    browser = find_browser()
    if browser is None:
        raise BothEndsError(
            f"no Chromium, Chrome or Edge was found to make a PDF; print the page from any browser, or name one in "
            f"{BROWSER_VARIABLE}."
        )
    # a browser started by root refuses its sandbox; the page holds no script
    root = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
    with TemporaryDirectory(prefix="bothends-") as place:
        source, made = Path(place) / "page.html", Path(place) / "page.pdf"
        source.write_text(page, encoding="utf-8")
        profile = f"--user-data-dir={place}/profile"
        try:
            subprocess.run(
                [browser, *_FLAGS, *root, profile, f"--print-to-pdf={made}", source.as_uri()],
                check=True, capture_output=True, timeout=_LONGEST_S,
            )  # fmt: skip
            return made.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise BothEndsError(
                f"{browser}: did not print the page ({type(error).__name__}); print it by hand."
            ) from None
