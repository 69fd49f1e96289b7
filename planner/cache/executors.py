"""Where the pieces of a regional study are worked on: processes of this machine, or a cluster.

Both are a :class:`concurrent.futures.Executor`, so that the study has one code for all.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.process import BaseProcess
from threading import Thread
from typing import Any, Final

from planner.errors import Fault, InputError
from planner.intake import shown

CONNECT_S: Final = 15  # until a cluster that does not answer is told; our own


@dataclass(frozen=True, slots=True)
class Crew:
    """An executor with how many pieces it works on at once, and what to call it."""

    executor: Executor
    num_workers: int
    name: str


@contextmanager
def process_pool(workers: int) -> Iterator[Crew]:
    """Give processes of this machine; at the end those that wait are dropped.

    They are spawned, not forked: a fork would copy the locks of this process's threads.
    """
    pool = ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
    )
    try:
        yield Crew(pool, workers, f"{workers} on this machine")
    finally:
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


def _end_with_parent() -> None:
    """Make a worker leave Ctrl-C to its parent, and end when that is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


__all__ = ["Crew", "dask_executor", "process_pool"]
