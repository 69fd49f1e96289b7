"""Long work in processes of its own: start, look, stop for the best so far, cancel.

One :class:`Jobs` a server. Each piece of work is a child process (:mod:`planner.worker`) that ends
with this one, however this one ends. Importing this loads nothing heavy.
"""

from __future__ import annotations

import json
import logging
import secrets
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from threading import Condition, Thread
from typing import Any, Final, Literal

from planner.errors import Fault, InputError, PlannerError
from planner.worker import KILL_S, Worker

State = Literal["waiting", "running", "done", "failed", "cancelled"]
Result = dict[str, Any]
OnDone = Callable[[Result], None]

MOST_AT_ONCE: Final = 2
MOST_WAITING: Final = 50  # our own, no source: more is a stuck button
MOST_KEPT: Final = 100  # ended jobs that can still be looked at; our own, no source
MAX_BYTES: Final = 5_000_000  # as for an incident file
# -P: a random.py or numpy.py in the user's folder must not stand in for the real one
WORKER: Final = (sys.executable, "-P", "-m", "planner.worker")


class UnknownJob(PlannerError):  # noqa: N818 - says what happened, as in the store
    """There is no job of that id; after a restart of the server there are none."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How a job stands.

    Parameters
    ----------
    state : {"waiting", "running", "done", "failed", "cancelled"}
    message : str
        What is being done, or how it ended, in plain words. May hold text from users: escape it.
    elapsed_s : float
        Seconds since its process was started; stands still once it has ended.
    result : dict or None
        Only of a job that is done, or whose ``on_done`` failed. Shared: do not change it.
    faults : tuple of str
        What is wrong with the payload, one text a fault.
    is_stopped : bool
        Whether the best so far was asked for.
    """

    state: State
    message: str
    elapsed_s: float = 0.0
    result: Result | None = None
    faults: tuple[str, ...] = ()
    is_stopped: bool = False

    @property
    def has_ended(self) -> bool:
        """Whether nothing more will come."""
        return self.state in {"done", "failed", "cancelled"}


WAITING: Final = Progress("waiting", "waiting for its turn")
CANCELLED: Final = Progress("cancelled", "Cancelled; nothing was kept.")
BROKEN: Final = Progress("failed", "An error in this program ended the work; the log says where.")
KILLED: Final = Progress("failed", "The work was ended from outside before it was done; try again.")
NOT_PASSED_ON: Final = Progress("failed", "The work is done, but its result could not be kept.")


@dataclass(slots=True, eq=False)
class _Job:
    """Everything here but the first four is read and changed under the registry's lock only."""

    task: str
    key: str
    line: bytes
    on_done: OnDone | None
    now: Progress = WAITING
    begun_s: float | None = None
    ended_s: float | None = None
    worker: Worker | None = None
    is_stopped: bool = False
    is_cancelled: bool = False
    is_settled: bool = False  # the work has ended by itself: too late to cancel

    @property
    def is_open(self) -> bool:
        return not (self.is_cancelled or self.now.has_ended)


class Jobs:
    """The jobs of one server; every method may be called from any thread.

    Parameters
    ----------
    log : callable or None
        Takes tracebacks and what workers print, from any thread; None: the module's logger.
    worker : sequence of str
        Command line of the worker, to which the task's name is added.
    """

    def __init__(
        self, log: Callable[[str], None] | None = None, worker: Sequence[str] = WORKER
    ) -> None:
        self._log = logging.getLogger(__name__).error if log is None else log
        self._command = tuple(worker)
        self._jobs: dict[str, _Job] = {}
        self._queue: list[_Job] = []
        self._num_running, self._is_closed = 0, False
        self._changed = Condition()

    def __enter__(self) -> Jobs:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(
        self, task: str, payload: Mapping[str, Any], on_done: OnDone | None = None, key: str = ""
    ) -> str:
        """Start a task, or let it wait its turn.

        Parameters
        ----------
        task : str
            Name of a task in :data:`planner.tasks.TASKS`.
        payload : mapping
            What JSON can say; dates as in TOML become text.
        on_done : callable or None
            Takes the result of a job that comes to be done, in a thread of its own, before the
            state says "done". A failure in it makes the job fail, with the result still there.
        key : str
            While a job of the same task and key waits or runs, that one is returned, and payload
            and ``on_done`` of the second call are dropped. "": always a new one.

        Returns
        -------
        str
            The job's id.

        Raises
        ------
        InputError
            Not JSON (so neither NaN nor infinity), over 5 MB, or too many jobs waiting.
        """
        job = _Job(task, key, _line(payload), on_done)
        job_id = secrets.token_hex(8)
        with self._changed:
            if self._is_closed:
                raise _refusal("a new job", "none any more", "The server is closing.")
            for known_id, known in self._jobs.items():
                if key and (known.task, known.key) == (task, key) and known.is_open:
                    return known_id
            if len(self._queue) >= MOST_WAITING:
                raise _refusal("a new job", f"{MOST_WAITING} waiting", "Cancel one, or wait.")
            self._forget()
            self._jobs[job_id] = job
            self._queue.append(job)
            self._advance()
        return job_id

    def look(self, job_id: str) -> Progress:
        """Return how a job stands; UnknownJob where there is none of that id."""
        with self._changed:
            job = self._job(job_id)
            end_s = time.monotonic() if job.ended_s is None else job.ended_s
            elapsed_s = 0.0 if job.begun_s is None else end_s - job.begun_s
            return replace(job.now, elapsed_s=elapsed_s, is_stopped=job.is_stopped)

    def wait(self, job_id: str, limit_s: float | None = None) -> Progress:
        """Return how a job stands once it has ended, or after ``limit_s`` seconds."""
        with self._changed:
            job = self._job(job_id)
            self._changed.wait_for(lambda: job.now.has_ended, limit_s)
            return self.look(job_id)

    def stop(self, job_id: str) -> None:
        """Ask for the best so far; one that waits gives what it has soon after it began."""
        with self._changed:
            job = self._job(job_id)
            if job.worker is not None and not job.is_stopped:
                job.worker.stop()
            job.is_stopped |= job.is_open

    def cancel(self, job_id: str) -> None:
        """End a job at once; its process is gone when this returns. Ended ones stay as they are."""
        with self._changed:
            job = self._job(job_id)
            if job.is_settled or job.now.has_ended:
                return
            job.is_cancelled = True
            if job in self._queue:
                self._queue.remove(job)
                self._end(job, CANCELLED)
            elif job.worker is not None:
                job.worker.kill()
            self._changed.wait_for(lambda: job.now.has_ended, KILL_S)

    def close(self) -> None:
        """Cancel everything and take nothing more; for the end of the server."""
        with self._changed:
            self._is_closed = True  # so nothing is added or forgotten any more
        for job_id in reversed(self._jobs):  # those that wait first, or they would begin
            self.cancel(job_id)
            self.wait(job_id, KILL_S)  # for an ``on_done`` that is at work

    def _job(self, job_id: str) -> _Job:
        if job_id not in self._jobs:
            raise UnknownJob("there is no such job; it may be from before a restart")
        return self._jobs[job_id]

    def _forget(self) -> None:
        ended = [job_id for job_id, job in self._jobs.items() if job.now.has_ended]
        for job_id in ended[:-MOST_KEPT]:
            del self._jobs[job_id]

    def _advance(self) -> None:
        while self._queue and self._num_running < MOST_AT_ONCE:
            job = self._queue.pop(0)
            job.now, job.begun_s = Progress("running", "starting"), time.monotonic()
            self._num_running += 1
            Thread(target=self._run, args=(job,), daemon=True).start()

    def _end(self, job: _Job, ending: Progress) -> None:
        job.now, job.ended_s = ending, time.monotonic()
        job.line, job.on_done, job.worker = b"", None, None
        self._changed.notify_all()

    def _run(self, job: _Job) -> None:
        ending = BROKEN
        try:
            ending = self._settled(job, self._work(job))
            if job.on_done is not None and ending.result is not None:
                job.on_done(ending.result)
        except Exception:  # noqa: BLE001 - told to the log; the user gets a plain sentence
            failed = BROKEN if ending.result is None else NOT_PASSED_ON
            ending = self._settled(job, replace(failed, result=ending.result))
            self._log(traceback.format_exc())
        finally:
            with self._changed:
                self._num_running -= 1
                self._end(job, ending)
                self._advance()

    def _settled(self, job: _Job, ending: Progress) -> Progress:
        with self._changed:
            job.is_settled = True
            return CANCELLED if job.is_cancelled else ending

    def _work(self, job: _Job) -> Progress:
        worker = Worker([*self._command, job.task], self._log)
        with self._changed:
            job.worker = worker
            if job.is_cancelled:
                worker.kill()
            if job.is_stopped:
                worker.stop()

        def tell(text: str) -> None:
            with self._changed:
                job.now = Progress("running", text)

        return _ending(worker.work(job.line, tell))


def _ending(told: Mapping[str, Any]) -> Progress:
    """Return what the worker's last line means."""
    if "result" in told:
        return Progress("done", "done", result=told["result"])
    if "faults" in told:
        text = f"Faults in what was given: {len(told['faults'])}"
        return Progress("failed", text, faults=tuple(told["faults"]))
    return KILLED if "killed" in told else BROKEN


def _line(payload: Mapping[str, Any]) -> bytes:
    """Return a payload as the line that goes to the worker; it comes out as it went in."""
    try:
        tree, iso = dict(payload), lambda value: value.isoformat()
        text = json.dumps(tree, ensure_ascii=False, allow_nan=False, default=iso)
    except (AttributeError, TypeError, ValueError, RecursionError):
        words = ("what JSON cannot say", "what JSON can say", "Numbers must be finite.")
        raise _refusal(*words) from None
    line = text.encode("utf-8", "surrogatepass") + b"\n"
    if len(line) > MAX_BYTES:
        raise _refusal("more than 5 MB", "at most 5 MB", "Is it the right file?")
    return line


def _refusal(received: str, allowed: str, mend: str) -> InputError:
    return InputError([Fault("", "payload", "", "", received, allowed, mend)])
