"""One log of a batch as a value that any worker can review, and the workers: of this machine or a Dask scheduler."""

from telemetry.batch.job import (
    Job,
    Result,
    find_logs,
    job_inputs,
    kept_settings,
    lost_job,
    review_job,
    run_job,
)
from telemetry.batch.workers import default_workers, run_here, run_on_cluster

__all__ = [
    "Job", "Result", "default_workers", "find_logs", "job_inputs", "kept_settings", "lost_job",
    "review_job", "run_here", "run_job", "run_on_cluster",
]  # fmt: skip
