"""Connects with dask.distributed: worker processes here, or a dask scheduler that already runs."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from coldframe.errors import ColdframeError, UsageError

CONNECT = 10.0  # s to wait for a scheduler
CLOSING = 30.0  # s for worker processes to end; a busy machine takes its time
RESTART = 60.0  # s for dask to bring a dead worker process back before another takes its place
INTERPRETER = 400 << 20  # bytes of a worker with its libraries, before any frame

INSTALL = (
    "--scheduler {} needs the package 'distributed': install it with "
    "pip install 'coldframe[cluster]'"
)


def import_distributed(scheduler: str) -> Any:
    """The package. Raises UsageError that says how to install it."""
    try:
        import distributed
    except ImportError:
        raise UsageError(INSTALL.format(scheduler)) from None
    return distributed


@contextmanager
def connected(scheduler: str, workers: int, memory: int) -> Iterator[Any]:
    """A client of the scheduler named; 'local' starts worker processes that end with it.

    Raises
    ------
    ColdframeError
        No scheduler answers, or it is lost while the client is in use.
    UsageError
        The package is not installed, or a scheduler file names no scheduler.
    """
    distributed = import_distributed(scheduler)
    import dask

    settings = {
        "logging": {"distributed": "critical", "distributed.worker": "critical"},
        "distributed.deploy.lost-worker-timeout": f"{RESTART}s",
    }
    with dask.config.set(settings):
        names = [n for n in logging.root.manager.loggerDict if n.startswith("distributed")]
        for name in (*names, "tornado.application"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what matters is told in our words
        client = _client(distributed, scheduler, workers, memory)
        try:
            yield client
        except ColdframeError:
            raise
        except Exception as error:
            # A call may fail a moment before the client itself knows that the scheduler is gone.
            if isinstance(error, CancelledError) or not answers(client):
                raise lost(scheduler) from None
            raise
        finally:
            with suppress(Exception):  # it may be gone already
                client.close(timeout=5)
            if client.cluster is not None:
                with suppress(Exception):  # its processes are daemons: they end with this one
                    client.cluster.close(timeout=CLOSING)


def _client(distributed: Any, scheduler: str, workers: int, memory: int) -> Any:
    cluster = None
    try:
        if scheduler == "local":
            cluster = distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                memory_limit=memory // workers + INTERPRETER if memory else None,
                dashboard_address="127.0.0.1:0",
                silence_logs=logging.CRITICAL,
                preload=["coldframe.local_worker"],
            )
            return distributed.Client(cluster, set_as_default=False)
        address = scheduler if "://" in scheduler else _address(Path(scheduler))
        return distributed.Client(address, timeout=CONNECT, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        if cluster is not None:
            with suppress(Exception):
                cluster.close(timeout=CLOSING)
        raise ColdframeError(f"no dask scheduler answers at {scheduler}: {error}") from None


def _address(file: Path) -> str:
    """Of the scheduler that wrote this file. Raises UsageError when it names none."""
    try:
        return str(json.loads(file.read_text())["address"])
    except (OSError, ValueError, KeyError, TypeError):
        raise UsageError(
            f"{file} is not the file of a dask scheduler: no address stands in it. A scheduler "
            f"writes one when it is started with '--scheduler-file {file}'"
        ) from None


def answers(client: Any) -> bool:
    """Whether the scheduler is there: asks it."""
    with suppress(Exception):
        client.nthreads()
        return bool(client.status == "running")
    return False


def lost(scheduler: str) -> ColdframeError:
    """The scheduler is gone."""
    return ColdframeError(
        f"lost the dask scheduler at {scheduler}. Finished work is kept: the same command "
        "goes on once a scheduler is there again"
    )


def replace_dead(client: Any, workers: int) -> None:
    """Have worker processes that ended for good replaced, where they are this run's own.

    Dask starts a process again that died, but gives one up that does not come back in time or
    dies while it starts, and nobody would do its work.
    """
    cluster = client.cluster
    if cluster is None or len(client.nthreads()) >= workers:
        return

    def replace() -> None:
        for name, process in list(cluster.workers.items()):
            if process.status.name in ("closed", "failed"):
                del cluster.workers[name]
        cluster.scale(workers)

    cluster.loop.add_callback(replace)


def cluster_size(scheduler: str) -> tuple[int, int]:
    """Worker threads of a running dask scheduler, and the bytes of memory they share.

    Zeros where there are no workers yet or they have no limit.
    """
    with connected(scheduler, 1, 0) as client:
        info = client.run(_own_size, on_error="ignore")
    return sum(threads for threads, _ in info.values()), sum(size for _, size in info.values())


def _own_size(dask_worker: Any) -> tuple[int, int]:
    return dask_worker.state.nthreads, int(dask_worker.memory_manager.memory_limit or 0)
