"""Jobs on the workers of a Dask scheduler, which runs the jobs of a worker that dies on another one."""

from collections.abc import Callable, Generator, Iterable
from importlib.metadata import version
from importlib.util import find_spec
from typing import Any, TypeVar

from telemetry.errors import BothEndsError

Task = TypeVar("Task")
Done = TypeVar("Done")

CONNECT_S = 15


def run_on_cluster(
    tasks: Iterable[Task],
    work: Callable[[Task], Done],
    lost: Callable[[Task], Done],
    *,
    address: str,
) -> Generator[tuple[Task, Done], None, None]:
    """Run tasks on a Dask cluster.

    Parameters
    ----------
    tasks, work, lost
        As of `telemetry.workers.run_here`. A task counts as lost when several workers died of it
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


def _version() -> str:
    return version("bothends")


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster whose workers lack this program or have another version of it."""
    ours = _version()
    try:
        client.wait_for_workers(1, timeout=CONNECT_S)
        theirs = client.run(_version)
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
