"""Where the pieces of a regional study are worked on: processes of this machine, or a cluster.

Both are a :class:`concurrent.futures.Executor`, so that the study has one code for all.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.process import BaseProcess
from multiprocessing.synchronize import Event
from threading import Thread
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.intake import shown

Job = tuple[Callable[..., Any], tuple[Any, ...]]
LOOK_S: Final = 0.2  # between looks whether a stop was asked; our own
CONNECT_S: Final = 15  # until a cluster that does not answer is told; our own


@dataclass(frozen=True, slots=True)
class Crew:
    """An executor with how many pieces it works on at once, and what to call it."""

    executor: Executor
    num_workers: int
    name: str


class Pool(ProcessPoolExecutor):
    """Processes of this machine that can be asked to stop in the middle of their pieces.

    They are spawned, not forked: a fork would copy the locks of this process's threads.
    """

    def __init__(self, workers: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._asked = context.Event()
        super().__init__(
            workers, mp_context=context, initializer=_begin_worker, initargs=(self._asked,)
        )

    def ask_to_stop(self) -> None:
        """Make `is_asked_to_stop` true in every worker, from now on."""
        self._asked.set()


def is_asked_to_stop() -> bool:
    """Say, in a worker of a pool, whether it is to end its piece with what there is."""
    return _asked is not None and _asked.is_set()


def done_in_order(
    executor: Executor | None, jobs: Sequence[Job], is_stopped: Callable[[], bool] | None = None
) -> list[Any]:
    """Call each job's function with its arguments, here or on an executor.

    Parameters
    ----------
    executor : Executor or None
        None: here, one after the other. The results are the same.
    jobs : sequence of (function, arguments)
    is_stopped : callable or None
        Where given, each function gets a last argument to ask whether it is to end with what there
        is: this one, or in a worker `is_asked_to_stop`.

    Returns
    -------
    list
        What the functions gave, in the jobs' order.
    """
    if executor is None:
        last = () if is_stopped is None else (is_stopped,)
        return [function(*given, *last) for function, given in jobs]
    last = () if is_stopped is None else (is_asked_to_stop,)
    begun = [executor.submit(function, *given, *last) for function, given in jobs]
    while is_stopped is not None and wait(begun, timeout=LOOK_S).not_done:
        if is_stopped() and isinstance(executor, Pool):
            executor.ask_to_stop()
    return [future.result() for future in begun]


@contextmanager
def process_pool(workers: int) -> Iterator[Crew]:
    """Give processes of this machine; at the end those that wait are dropped."""
    pool = Pool(workers)
    try:
        yield Crew(pool, workers, f"{workers} on this machine")
    finally:
        pool.ask_to_stop()  # after Ctrl-C nobody waits for pieces that take minutes
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def dask_executor(address: str) -> Iterator[Crew]:
    """Give the workers of a Dask cluster, each with this program installed in the same version.

    Raises
    ------
    InputError
        When the library is not installed, nothing answers there, or there is no worker.
    """
    client = _client(address)
    try:
        threads = client.nthreads()
        num_workers = int(sum(threads.values()))
        if not num_workers:
            mend = "Start workers with: dask worker ADDRESS"
            raise _unfit(address, "a cluster with at least one worker", mend)
        yield Crew(client.get_executor(), num_workers, f"{num_workers} on the cluster")
    finally:
        client.close()


def _client(address: str) -> Any:
    try:
        distributed = import_module("distributed")
    except ImportError:
        mend = "Install it with: python -m pip install 'oxygen-planner[dask]'"
        raise _unfit(address, "a cluster, when the library distributed is there", mend) from None
    try:
        return distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError):
        mend = "Start it with: dask scheduler --host 127.0.0.1"
        raise _unfit(address, "the address of a Dask scheduler that answers", mend) from None


def _unfit(address: str, allowed: str, mend: str) -> InputError:
    return InputError([Fault("", "", "", "--dask", shown(address), allowed, mend)])


_asked: Event | None = None  # of a worker: set when it begins


def _begin_worker(asked: Event) -> None:
    """Make a worker leave Ctrl-C to its parent, and end when that is killed."""
    global _asked  # noqa: PLW0603  a worker has one pool, and its pieces are plain functions
    _asked = asked
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


__all__ = [
    "Crew", "Job", "Pool", "dask_executor", "done_in_order", "is_asked_to_stop", "process_pool",
]  # fmt: skip
