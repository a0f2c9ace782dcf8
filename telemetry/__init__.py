"""Review of on-bike suspension travel logs: what both ends of a motorcycle did, and how they compare.

::

    import telemetry

    log = telemetry.read_log("outing.csv")
    result = telemetry.review_log(log, telemetry.load_bike("bike.toml"))
    print(result.summary.verdicts)

What is named here is imported when it is first used, so that importing the package costs nothing. The
function is called `review_log` here because ``telemetry.review`` is the module it lives in.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from telemetry.bike import load_bike as load_bike
    from telemetry.logbook import Logbook as Logbook
    from telemetry.logs import read_log as read_log
    from telemetry.prediction import predict_log as predict
    from telemetry.review import review as review_log
    from telemetry.setup import compare as compare
    from telemetry.simulate import simulate_outing as simulate_outing
    from telemetry.summary import END_METRICS as END_METRICS
    from telemetry.summary import METRICS as METRICS

    __version__: str

_HOME = {
    "END_METRICS": ("telemetry.summary", "END_METRICS"),
    "Logbook": ("telemetry.logbook", "Logbook"),
    "METRICS": ("telemetry.summary", "METRICS"),
    "compare": ("telemetry.setup", "compare"),
    "load_bike": ("telemetry.bike", "load_bike"),
    "predict": ("telemetry.prediction", "predict_log"),
    "read_log": ("telemetry.logs", "read_log"),
    "review_log": ("telemetry.review", "review"),
    "simulate_outing": ("telemetry.simulate", "simulate_outing"),
}
__all__ = [
    "END_METRICS",
    "METRICS",
    "Logbook",
    "__version__",
    "compare",
    "load_bike",
    "predict",
    "read_log",
    "review_log",
    "simulate_outing",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        module, attribute = _HOME[name]
        return getattr(import_module(module), attribute)
    if name == "__version__":
        from importlib.metadata import version

        return version("bothends")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
