"""One log of a batch as a value that any worker can review."""

from telemetry.batch.job import (
    Job,
    Result,
    find_logs,
    is_address,
    job_inputs,
    kept_settings,
    lost_job,
    review_job,
    run_job,
)

__all__ = [
    "Job", "Result", "find_logs", "is_address", "job_inputs", "kept_settings", "lost_job", "review_job",
    "run_job",
]  # fmt: skip
