"""Jobs on the cores of this machine, a process for each, or on the workers of a Dask scheduler.

The pools of the standard library stop as a whole when one of their processes is killed, say by a system short of
memory, and do not tell which job did it. Here a process has one job at a time: a job whose process dies is given once
more to a new one, then it counts as failed, and the others go on.
"""

import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from importlib.util import find_spec
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

from telemetry.errors import BothEndsError

Task = TypeVar("Task")
Done = TypeVar("Done")

TRIES = 2  # a process may die for a reason that passes, such as memory that another program held
# One thread for linear algebra in each process: the cores are taken already.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


def default_workers() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_here(
    tasks: Iterable[Task], work: Callable[[Task], Done], lost: Callable[[Task], Done], *, workers: int
) -> Generator[tuple[Task, Done], None, None]:
    """Run tasks in processes of their own.

    Parameters
    ----------
    tasks : iterable
        Values that can be pickled.
    work : callable
        A function of a module; runs in the other process and does not raise.
    lost : callable
        Result of a task whose process died `TRIES` times.
    workers : int
        How many processes.

    Yields
    ------
    tuple
        Task and result, as they are done. When the generator is closed, the processes are stopped.
    """
    waiting = deque((task, 1) for task in tasks)
    busy: dict[Connection, _Worker] = {}
    idle: list[_Worker] = []
    held: dict[Connection, tuple[Task, int]] = {}
    try:
        while waiting or held:
            while waiting and len(held) < workers:
                worker = idle.pop() if idle else _start(work)
                task, attempt = waiting.popleft()
                with suppress(OSError):  # it has died since: seen below
                    worker.pipe.send(task)
                busy[worker.pipe], held[worker.pipe] = worker, (task, attempt)
            for pipe in wait(list(held)):
                assert isinstance(pipe, Connection)
                worker, (task, attempt) = busy.pop(pipe), held.pop(pipe)
                try:
                    done = pipe.recv()
                except (EOFError, OSError):
                    worker.stop()
                    if attempt < TRIES:
                        waiting.append((task, attempt + 1))
                    else:
                        yield task, lost(task)
                else:
                    idle.append(worker)
                    yield task, done
    finally:
        for worker in (*idle, *busy.values()):
            worker.stop()


@dataclass(frozen=True)
class _Worker:
    process: BaseProcess
    pipe: Connection

    def stop(self) -> None:
        self.pipe.close()
        self.process.terminate()
        self.process.join()


def _start(work: Callable[[Task], Done]) -> _Worker:
    """A new process. It starts afresh ("spawn") on every system, since libraries with threads do not survive a fork."""
    context = get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, work), daemon=True)
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        process.start()
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
    theirs.close()  # so that the end of the process is the end of the pipe
    return _Worker(process, ours)


def _serve(pipe: Connection, work: Callable[[Task], Done]) -> None:
    """Do one task after the other until the pipe ends, as it does when the parent is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the parent, which stops its workers
    with suppress(EOFError, OSError):
        while True:
            pipe.send(work(pipe.recv()))


CONNECT_S = 15


def run_on_cluster(
    tasks: Iterable[Task], work: Callable[[Task], Done], lost: Callable[[Task], Done], *, address: str
) -> Generator[tuple[Task, Done], None, None]:
    """Run tasks on a Dask cluster.

    Parameters
    ----------
    tasks, work, lost
        As of `run_here`. A task counts as lost when several workers died of it
        (``distributed.scheduler.allowed-failures``).
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Yields
    ------
    tuple
        Task and result, as they are done. When the generator is closed, what has not begun is called off.

    Raises
    ------
    BothEndsError
        If there is no scheduler, or its workers do not have this version of the program.
    """
    if find_spec("distributed") is None:
        raise BothEndsError("--scheduler needs the extra: pip install 'bothends[cluster]'.")
    from distributed import Client, as_completed

    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = " ".join((str(error) or type(error).__name__).split())[:200]
        raise BothEndsError(f"--scheduler {address}: no scheduler answers there ({reason}).") from None
    with client:
        _check_workers(client, address)
        tasks = list(tasks)
        sent = client.map(work, tasks, pure=False, retries=0)
        of = dict(zip(sent, tasks, strict=True))
        try:
            for future in as_completed(sent, loop=client.loop):
                yield of[future], future.result() if future.status == "finished" else lost(of[future])
                future.release()
        finally:
            client.cancel(sent)


def _version_here() -> str:
    return version("bothends")


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster whose workers lack this program or have another version of it."""
    ours = _version_here()
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
        theirs = client.run(_version_here)
    except Exception as error:  # without the program a worker cannot even unpickle the question
        reason = " ".join((str(error) or type(error).__name__).split())[:200]
        raise BothEndsError(
            f"--scheduler {address}: its workers cannot run bothends {ours} ({reason}); install that version on them."
        ) from None
    if others := set(theirs.values()) - {ours}:
        raise BothEndsError(
            f"--scheduler {address}: workers have bothends {', '.join(sorted(others))}, this is {ours}; "
            "install the same version on them."
        )
