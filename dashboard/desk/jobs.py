"""Long jobs: run one after the other, with their progress in words, and a way to stop them."""

import logging
import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Literal

from telemetry.errors import BothEndsError

log = logging.getLogger(__name__)

State = Literal["waiting", "working", "done", "failed", "stopped"]
Progress = Callable[[str], None]
_KEPT = 200


class Stopped(Exception):
    """Somebody stopped the work."""


@dataclass
class Job:
    """One piece of work; ``then`` is the address to go to when it is done."""

    what: str
    state: State = "waiting"
    words: str = "waiting for its turn"
    then: str = ""
    started: float = field(default_factory=time.monotonic)
    stopping: bool = False

    def told(self) -> dict[str, Any]:
        """The state for the page that waits."""
        seconds = round(time.monotonic() - self.started)
        return {
            "state": self.state,
            "words": self.words,
            "what": self.what,
            "then": self.then,
            "seconds": seconds,
        }


class Jobs:
    """A table of work, done one after the other: two reviews at once would only be slower and need more memory."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="bothends-job")
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(self, what: str, work: Callable[[Progress], str], *, key: str = "") -> str:
        """Queue work; with a ``key`` that is at work already, that is the job.

        Parameters
        ----------
        work : callable
            Gets a function to call with words between steps; returns the address to go to.

        Returns
        -------
        str
            Id of the job.
        """
        with self._lock:
            if key and (known := self._jobs.get(key)) is not None and known.state in ("waiting", "working"):
                return key
            name = key or secrets.token_hex(8)
            self._jobs.pop(name, None)
            while len(self._jobs) >= _KEPT:
                self._jobs.pop(next(iter(self._jobs)))
            self._jobs[name] = job = Job(what)
        self._pool.submit(_run, job, work)
        return name

    def told(self, name: str) -> dict[str, Any] | None:
        """The state of a job, None when there is no such job (any more)."""
        job = self._jobs.get(name)
        return None if job is None else job.told()

    def stop(self, name: str) -> None:
        """Stop a job before its next step."""
        job = self._jobs.get(name)
        if job is not None and job.state in ("waiting", "working"):
            job.stopping = True
            job.words = "stopping after this step"


def _run(job: Job, work: Callable[[Progress], str]) -> None:
    def progress(words: str) -> None:
        if job.stopping:
            raise Stopped
        job.words = words

    try:
        progress("starting")
        job.state = "working"
        job.then = work(progress)
        job.state, job.words = "done", "done"
    except Stopped:
        job.state, job.words = "stopped", "Stopped; nothing was changed."
    except BothEndsError as error:
        job.state, job.words = "failed", str(error)
    except Exception:
        reference = secrets.token_hex(4)
        log.exception("job %s failed (%s)", job.what, reference)
        job.state = "failed"
        job.words = f"Something went wrong inside the program; it is in the log of the server as {reference}."
