"""Worker processes of one run: each is lent to one thread of dask's threaded scheduler at a time.

A worker that dies (killed, out of memory) is replaced and its task done again by another. A task
that takes one worker after the other with it is an error that names it.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import queue
import signal
import threading
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any

from coldframe.errors import ColdframeError
from coldframe.specs import TaskSpec, describe
from coldframe.store import Ref
from coldframe.tasks import run_task

DEATHS = 3  # workers that one task may take with it

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")

_STARTING = threading.Lock()


class Crew:
    """`count` worker processes. Used as a context: they are gone when it ends."""

    def __init__(self, count: int) -> None:
        self._closed = False
        self._idle: queue.SimpleQueue[_Worker] = queue.SimpleQueue()
        self._workers = [_Worker() for _ in range(count)]
        for worker in self._workers:
            self._idle.put(worker)

    def __enter__(self) -> Crew:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._closed = True
        for worker in self._workers:
            worker.stop()

    def do(self, spec: TaskSpec, *_inputs: Any) -> Ref:
        """`run_task` in a process that is free; waits for one. Raises what it raises there."""
        for _ in range(DEATHS):
            worker = self._idle.get()
            try:
                return worker.ask(spec)
            except _DiedError:
                if self._closed:
                    raise ColdframeError("the run was stopped") from None
                how = worker.end()
                worker.start()
            finally:
                self._idle.put(worker)
        raise ColdframeError(
            f"{describe(spec)}: {DEATHS} worker processes died one after the other, the last {how} "
            "(out of memory?). Finished work is kept: the same command goes on; fewer --workers or "
            "less --memory may help"
        )


class _DiedError(Exception):
    """The worker process is no more."""


class _Worker:
    def __init__(self) -> None:
        self.start()

    def start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._line, there = context.Pipe()
        self._process = context.Process(target=_serve, args=(there,), daemon=True)
        with _STARTING:
            # The libraries read these when they are first imported: one thread a worker.
            missing = [name for name in ONE_THREAD if name not in os.environ]
            os.environ.update(dict.fromkeys(missing, "1"))
            try:
                self._process.start()
            finally:
                for name in missing:
                    del os.environ[name]
        there.close()

    def ask(self, spec: TaskSpec) -> Ref:
        try:
            self._line.send(spec)
            answer = self._line.recv()
        except (EOFError, OSError):
            raise _DiedError from None
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, Ref)
        return answer

    def end(self) -> str:
        """How the process ended, in words."""
        self._line.close()
        self._process.kill()
        self._process.join()
        code = self._process.exitcode or 0
        return f"by {signal.Signals(-code).name}" if code < 0 else f"with exit code {code}"

    def stop(self) -> None:
        self._process.kill()
        self._process.join()
        self._line.close()


def _serve(line: Connection) -> None:
    """The life of a worker process: a task in, what it made or raised out."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to act on
    threading.Thread(target=_die_with_parent, daemon=True).start()
    while True:
        try:
            spec = line.recv()
        except EOFError:
            return
        try:
            answer: Any = run_task(spec)
        except Exception as error:
            answer = _portable(error)
        line.send(answer)


def _portable(error: Exception) -> Exception:
    """The error itself, or one that says the same, when a plugin's own cannot be sent."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return ColdframeError(f"{type(error).__name__}: {error}")
    return error


def _die_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
