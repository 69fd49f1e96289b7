"""One piece of long work in a process of its own: ``python -m planner.worker TASK``; both its ends.

Lines of JSON in UTF-8. In: the payload, then control lines (``"stop"``: give the best so far). Out:
``{"progress": text}`` any number of times, then one of ``{"result": {...}}``, ``{"faults":
[...]}`` or ``{"error": true}``. What else the work prints, and the traceback of an unexpected
error, goes to the error stream, which is for the log. The process ends as soon as its input does,
which also happens when whoever started it is killed.

:class:`Worker` is the end of whoever starts it. Nothing heavy is imported before a task needs it.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import traceback
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from queue import SimpleQueue
from typing import IO, Any, Final, NoReturn

from planner.call import Call, Task
from planner.errors import InputError

ENDED, LEFT_ALONE = 0, 4  # exit codes; LEFT_ALONE: whoever started it is gone
KILL_S: Final = 5.0  # how long a killed process may take to be gone; our own
LOG_LINES: Final = 200  # of the error stream that are kept for the log; our own


def main(tasks: Mapping[str, Task] | None = None) -> NoReturn:
    """Do the work that the command line names and end the process.

    Parameters
    ----------
    tasks : mapping of str to Task
        What there is to choose from; None: :data:`planner.tasks.TASKS`.
    """
    if tasks is None:
        from planner.tasks import TASKS

        tasks = TASKS
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for whoever started it
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not stand between our lines
    lines: SimpleQueue[bytes] = SimpleQueue()
    stopped = threading.Event()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, lines, stopped), daemon=True).start()
    try:
        payload = json.loads(lines.get().decode("utf-8", "surrogatepass"))
        call = Call(payload, lambda text: _say(out, {"progress": text}), stopped.is_set)
        _say(out, _ending(tasks[sys.argv[1]], call))
    except BaseException:  # noqa: BLE001 - told to the log; the caller gets a plain sentence
        traceback.print_exc()
        _say(out, {"error": True})
    finally:
        sys.stderr.flush()
        os._exit(ENDED)  # the listener holds the input, so an orderly end would hang


def _ending(task: Task, call: Call) -> dict[str, Any]:
    try:
        return {"result": task(call)}
    except InputError as error:
        return {"faults": [str(fault) for fault in error.faults]}


def _listen(stream: IO[bytes], lines: SimpleQueue[bytes], stopped: threading.Event) -> None:
    """Take the payload, then control lines; end the process when there can be no more of them."""
    payload = stream.readline()
    if payload.endswith(b"\n"):  # else whoever was writing it is gone
        lines.put(payload)
        for line in stream:
            if line.strip() == b'"stop"':
                stopped.set()
    os._exit(LEFT_ALONE)


def _say(out: IO[bytes], message: dict[str, Any]) -> None:
    text = json.dumps(message, ensure_ascii=False, allow_nan=False)
    out.write(text.encode("utf-8", "surrogatepass") + b"\n")
    out.flush()


class Worker:
    """A worker process as whoever starts it sees it; it runs from the start on.

    Parameters
    ----------
    command : sequence of str
    log : callable
        Takes what the process wrote to its error stream, once it is gone.
    """

    def __init__(self, command: Sequence[str], log: Callable[[str], None]) -> None:
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(  # noqa: S603 - our own command line
            command, stdin=pipe, stdout=pipe, stderr=pipe, start_new_session=True
        )  # a session of its own: Ctrl-C at the server's terminal is for the server
        self._log = log
        self._lock = threading.Lock()  # over what is written to the process
        self._is_listening = self._is_stopped = False

    def kill(self) -> None:
        """End the process at once; :meth:`work` returns then."""
        self._process.kill()

    def stop(self) -> None:
        """Ask for the best so far; before the payload is through this is kept for after it."""
        with self._lock:
            self._is_stopped = True
            if self._is_listening:
                self._write(b'"stop"\n')

    def work(self, line: bytes, tell: Callable[[str], None]) -> dict[str, Any]:
        """Hand the payload over and return the last line; the process is gone then.

        Parameters
        ----------
        line : bytes
            The payload as JSON, with its line end.
        tell : callable
            Takes every progress text.

        Returns
        -------
        dict
            One of ``result``, ``faults``, ``error`` and, where a signal from outside ended it,
            ``killed``.
        """
        assert self._process.stdout and self._process.stderr  # noqa: S101, PT018 - for mypy
        kept: deque[bytes] = deque(maxlen=LOG_LINES)
        drain = threading.Thread(target=_drain, args=(self._process.stderr, kept), daemon=True)
        drain.start()
        try:
            self._hand_over(line)
            return self._follow(self._process.stdout, tell)
        finally:
            self.kill()
            self._process.wait()
            drain.join(KILL_S)
            self._close()
            if kept:
                self._log(b"".join(kept).decode(errors="backslashreplace"))

    def _hand_over(self, line: bytes) -> None:
        self._write(line)
        with self._lock:
            self._is_listening = True
            if self._is_stopped:
                self._write(b'"stop"\n')

    def _follow(self, lines: IO[bytes], tell: Callable[[str], None]) -> dict[str, Any]:
        for line in lines:
            if not line.endswith(b"\n"):
                break  # it ended in the middle of it
            told = json.loads(line.decode("utf-8", "surrogatepass"))
            if not isinstance(told, dict) or "progress" not in told:
                return dict(told)
            tell(told["progress"])
        code = self._process.wait()
        self._log(f"the worker ended with exit code {code} and without a result")
        return {"killed": True} if code < 0 else {"error": True}

    def _write(self, line: bytes) -> None:
        assert self._process.stdin is not None  # noqa: S101 - for mypy
        with suppress(OSError):  # it has ended already: _follow says so
            self._process.stdin.write(line)
            self._process.stdin.flush()

    def _close(self) -> None:
        with self._lock:
            self._is_listening = False
            for stream in (self._process.stdout, self._process.stdin):
                with suppress(OSError):
                    if stream is not None:
                        stream.close()


def _drain(stream: IO[bytes], kept: deque[bytes]) -> None:
    with stream:
        while line := stream.readline(10_000):
            kept.append(line)


if __name__ == "__main__":
    main()
