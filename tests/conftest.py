"""No test sees or changes what is kept for the person who runs it."""

import gc
import os
import tempfile
from itertools import count
from pathlib import Path

import pytest

_SESSION = tempfile.TemporaryDirectory(prefix="bothends-config-")
_NUMBERS = count()
# for fixtures that serve many tests; each test has a directory of its own
os.environ["BOTHENDS_CONFIG"] = str(Path(_SESSION.name) / "session")


@pytest.fixture(autouse=True)
def _own_settings(monkeypatch):
    monkeypatch.setenv("BOTHENDS_CONFIG", str(Path(_SESSION.name) / str(next(_NUMBERS))))


def pytest_collection_finish():
    """What was imported and collected stays to the end: a tenth of the time went to looking it through as garbage."""
    gc.collect()
    gc.freeze()
