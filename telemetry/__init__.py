"""On-bike suspension travel logs into a review: what both ends of a motorcycle did, and how they compare.

::

    import telemetry

    log = telemetry.read_log("outing.csv")
    result = telemetry.review(log, telemetry.load_bike("bike.toml"))
    print(result.summary.verdicts)

What is named here is imported when it is first used, so that importing the package costs nothing.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from telemetry.bike import load_bike as load_bike
    from telemetry.logbook import Logbook as Logbook
    from telemetry.logs import read_log as read_log
    from telemetry.review import review as review
    from telemetry.setup import compare as compare
    from telemetry.simulate import simulate_outing as simulate_outing

    __version__: str

_HOME = {
    "Logbook": "telemetry.logbook",
    "compare": "telemetry.setup",
    "load_bike": "telemetry.bike",
    "read_log": "telemetry.logs",
    "review": "telemetry.review",
    "simulate_outing": "telemetry.simulate",
}
__all__ = ["Logbook", "__version__", "compare", "load_bike", "read_log", "review", "simulate_outing"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    if name == "__version__":
        from importlib.metadata import version

        return version("bothends")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """The package. ``review`` is the function, also after its module of the same name was imported."""

    @property
    def review(self) -> Any:
        return __getattr__("review")

    @review.setter
    def review(self, module: ModuleType) -> None:
        """Called by the import system with the module, which stays reachable in ``sys.modules``."""


sys.modules[__name__].__class__ = _Package
