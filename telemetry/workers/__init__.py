"""The same work on many values: on the cores of this machine, or on the workers of a Dask scheduler."""

from telemetry.workers.cluster import run_on_cluster
from telemetry.workers.local import default_workers, run_here

__all__ = ["default_workers", "run_here", "run_on_cluster"]
