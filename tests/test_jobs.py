"""Long work in its own process: progress, the best so far, cancel, and nothing left behind.

Most tests run tiny tasks in a real worker (``TINY``), started as the real one is; those that plan
use a small incident, effort 0 and few samples. Whether a process is gone is asked of the system.
"""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from planner.errors import InputError
from planner.jobs import MOST_KEPT, MOST_WAITING, Jobs, Progress, UnknownJob
from planner.report.result import STOPPED

ROOT = Path(__file__).parents[1]
TREE = tomllib.loads((ROOT / "scenarios" / "pelvarra-camp.toml").read_text())
QUICK: dict[str, Any] = {"seed": 3, "samples": 100, "effort": 0, "deterministic_s": 0.5}
SECRET = "the-text-of-the-error"
TINY_CODE = f"""
import os, sys, time
from planner.errors import Fault, InputError
from planner.worker import main

def echo(call):
    print("a library prints this")
    return {{"payload": call.payload}}

def hold(call):
    call.tell(str(os.getpid()))
    while not call.is_stopped():
        time.sleep(0.01)
    return {{"is_stopped": True}}

def fail(call):
    raise RuntimeError({SECRET!r})

def quit_early(call):
    os._exit(7)

def no_number(call):
    return {{"chance": float("nan")}}

main({{"echo": echo, "hold": hold, "fail": fail, "quit_early": quit_early,
      "no_number": no_number}})
"""
TINY = (sys.executable, "-P", "-c", TINY_CODE)


class Log(list[str]):
    @property
    def text(self) -> str:
        return "\n".join(self)


@pytest.fixture
def log() -> Log:
    return Log()


@pytest.fixture
def tiny(log: Log) -> Iterator[Jobs]:
    with Jobs(log.append, TINY) as jobs:
        yield jobs


@pytest.fixture
def real(log: Log) -> Iterator[Jobs]:
    with Jobs(log.append) as jobs:
        yield jobs


def eventually(is_so: Callable[[], bool], limit_s: float = 20.0) -> bool:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if is_so():
            return True
        time.sleep(0.01)
    return is_so()


def is_alive(pid: int) -> bool:
    """A process that has ended but was not collected by its (new) parent is not alive."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    return not (stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z")


def held(jobs: Jobs, job: str) -> int:
    """Wait until a "hold" task is at work and return the id of its process."""
    assert eventually(lambda: is_pid(jobs.look(job))), jobs.look(job)
    return int(jobs.look(job).message)


def is_pid(now: Progress) -> bool:
    return now.message.isdigit()


def without_times(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {name: without_times(v) for name, v in tree.items() if name != "seconds"}
    return [without_times(value) for value in tree] if isinstance(tree, list) else tree


# ---- the plan ----


def test_plan_is_the_one_of_a_direct_call_stage_by_stage(real: Jobs, log: Log) -> None:
    job = real.start("plan", {"incident": TREE, "request": QUICK})
    seen: list[str] = []
    while not (now := real.look(job)).has_ended:
        seen += [now.message] if now.message not in seen else []
        time.sleep(0.002)
    assert now.state == "done", (now, log.text)
    assert now.elapsed_s == real.look(job).elapsed_s > 0

    from planner.files import incident_from
    from planner.report.plan_document import plan_document
    from planner.workflow import Request, make_plan

    reading = incident_from(TREE)
    assert not reading.warnings  # else they would stand among the plan's
    told: list[str] = ["waiting for its turn", "starting"]
    plan = make_plan(reading.incident, None, Request(**QUICK), told.append)
    assert [text for text in told if text in seen] == seen  # a short stage may be missed, no more
    direct = plan_document(plan) | {"asked": {"request": QUICK}}
    assert without_times(now.result) == without_times(json.loads(json.dumps(direct)))
    assert STOPPED not in json.dumps(now.result)  # the twin of the next test


def test_stop_gives_a_labelled_plan(real: Jobs, log: Log) -> None:
    # An effort of a million judgements takes hours: that it ends at all is the stop's doing.
    job = real.start("plan", {"incident": TREE, "request": {**QUICK, "effort": 1_000_000}})
    assert eventually(lambda: "searching" in real.look(job).message), real.look(job)
    real.stop(job)
    now = real.wait(job, 60)
    assert (now.state, now.is_stopped) == ("done", True), (now, log.text)
    assert now.result is not None
    assert STOPPED in now.result["result"]["notes"]
    assert now.result["result"]["run"]["repeatable"] is False


def test_faults_of_incident_and_request_come_all_at_once(real: Jobs) -> None:
    tree = {**TREE, "patients": [{**TREE["patients"][0], "triage": "purple"}]}
    request = {"samples": 1, "seed": True, "effrt": 3, "wall_s": None}
    now = real.wait(real.start("plan", {"incident": tree, "request": request}), 20)
    assert now.state == "failed"
    assert now.result is None
    for part in ("samples: received 1", "seed: received true", "Did you mean effort", "'purple'"):
        assert sum(part in fault for fault in now.faults) == 1, (part, now.faults)
    assert not any("wall_s" in fault for fault in now.faults if "effrt" not in fault)
    wrongs: tuple[object, ...] = ([], None, "text")
    for wrong in wrongs:
        now = real.wait(real.start("plan", {"incident": wrong, "request": wrong}), 20)
        assert (now.state, len(now.faults)) == ("failed", 2)


# ---- ends that are asked for ----


def test_stop_while_waiting_holds_for_later(tiny: Jobs) -> None:
    jobs = [tiny.start("hold", {}) for _ in range(3)]
    tiny.stop(jobs[2])
    tiny.stop(jobs[0])
    assert tiny.wait(jobs[2], 20).result == {"is_stopped": True}
    assert tiny.look(jobs[1]).state == "running"  # nobody stopped that one


def test_cancel_ends_the_process_at_once(tiny: Jobs) -> None:
    job = tiny.start("hold", {})
    pid = held(tiny, job)
    assert is_alive(pid)
    tiny.cancel(job)
    assert not is_alive(pid)
    assert tiny.look(job).state == "cancelled"
    tiny.stop(job)  # too late, and harmless
    tiny.cancel(job)
    now = tiny.look(job)
    assert (now.state, now.is_stopped, now.result) == ("cancelled", False, None)


def test_cancel_right_after_the_start_is_not_lost(tiny: Jobs) -> None:
    for _ in range(5):
        job = tiny.start("hold", {})
        tiny.cancel(job)
        assert tiny.look(job).state == "cancelled"


def test_close_leaves_no_process_and_takes_nothing_more(log: Log) -> None:
    with Jobs(log.append, TINY) as jobs:
        ids = [jobs.start("hold", {}) for _ in range(4)]
        pids = [held(jobs, job) for job in ids[:2]]
    assert not any(is_alive(pid) for pid in pids)
    assert {jobs.look(job).state for job in ids} == {"cancelled"}
    with pytest.raises(InputError, match="closing"):
        jobs.start("echo", {})


# ---- ends that nobody asked for ----

PARENT = """
import sys, time
from planner.jobs import Jobs
import json
worker, task, payload = json.loads(sys.stdin.readline())
jobs = Jobs(worker=worker)
job = jobs.start(task, payload)
worker_pid = None
while jobs.look(job).message in {"waiting for its turn", "starting"}:
    time.sleep(0.01)
while worker_pid is None:
    worker_pid = next((j.worker._process.pid for j in jobs._jobs.values() if j.worker), None)
print(worker_pid, flush=True)
time.sleep(600)
"""


@pytest.mark.parametrize("is_planning", [False, True])
def test_worker_ends_when_its_parent_is_killed(is_planning: bool) -> None:
    from planner.jobs import WORKER

    long = {"incident": TREE, "request": {**QUICK, "effort": 1_000_000}}
    told = [WORKER, "plan", long] if is_planning else [TINY, "hold", {}]
    with subprocess.Popen(
        [sys.executable, "-c", PARENT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdin is not None
        assert parent.stdout is not None
        parent.stdin.write(json.dumps(told, default=str) + "\n")
        parent.stdin.flush()
        pid = int(parent.stdout.readline())
        time.sleep(0.3)
        assert is_alive(pid)  # it has long to go
        parent.kill()
        parent.wait()
        assert eventually(lambda: not is_alive(pid), 3.0)


def test_killed_worker_is_told_as_failed(tiny: Jobs) -> None:
    job = tiny.start("hold", {})
    os.kill(held(tiny, job), signal.SIGKILL)
    now = tiny.wait(job, 5)
    assert now.state == "failed"
    assert "ended from outside" in now.message


def test_unexpected_error_is_one_sentence_and_the_log_has_the_rest(tiny: Jobs, log: Log) -> None:
    now = tiny.wait(tiny.start("fail", {}), 20)
    assert now.state == "failed"
    assert now.message.count(".") == 1
    assert now.faults == ()
    for part in (SECRET, "Traceback", "RuntimeError"):
        assert part not in repr(now)
        assert part in log.text


@pytest.mark.parametrize("task", ["quit_early", "no_number", "no such task"])
def test_other_odd_ends_are_failures_too(tiny: Jobs, log: Log, task: str) -> None:
    now = tiny.wait(tiny.start(task, {}), 20)
    assert (now.state, now.result) == ("failed", None)
    assert "error in this program" in now.message
    assert log


def test_worker_that_cannot_start_is_a_failure(log: Log) -> None:
    with Jobs(log.append, ("/no/such/program",)) as jobs:
        now = jobs.wait(jobs.start("echo", {}), 20)
        assert now.state == "failed"
        assert "/no/such" not in now.message
        assert "/no/such" in log.text


# ---- turns, keys, ids ----


def test_two_at_a_time_in_order(tiny: Jobs) -> None:
    first, second, third, fourth = (tiny.start("hold", {}) for _ in range(4))
    held(tiny, first)
    held(tiny, second)
    assert [tiny.look(job).state for job in (third, fourth)] == ["waiting"] * 2
    assert tiny.look(third).elapsed_s == 0
    tiny.cancel(second)
    held(tiny, third)
    assert tiny.look(fourth).state == "waiting"
    tiny.cancel(fourth)  # one that waits
    assert tiny.look(fourth).state == "cancelled"
    assert tiny.look(first).state == "running"


def test_no_end_of_waiting_jobs(tiny: Jobs) -> None:
    for _ in range(MOST_WAITING + 2):
        tiny.start("hold", {})
    with pytest.raises(InputError, match="waiting"):
        tiny.start("hold", {})


def test_same_key_is_the_running_one(tiny: Jobs) -> None:
    job = tiny.start("hold", {}, key="hut-3")
    assert tiny.start("hold", {}, key="hut-3") == job
    others = {tiny.start("hold", {}, key="hut-4"), tiny.start("echo", {}, key="hut-3")}
    others |= {tiny.start("hold", {}), tiny.start("hold", {})}  # without a key: always a new one
    assert len(others - {job}) == 4
    tiny.cancel(job)
    assert tiny.start("hold", {}, key="hut-3") != job  # that one runs no more


def test_unknown_id(tiny: Jobs) -> None:
    for ask in (tiny.look, tiny.wait, tiny.stop, tiny.cancel):
        with pytest.raises(UnknownJob, match="restart"):
            ask("0123")


def test_only_the_last_ended_jobs_are_kept(log: Log) -> None:
    with Jobs(log.append, ("/no/such/program",)) as jobs:  # the quickest end there is
        ids = [jobs.start("echo", {})]
        for _ in range(MOST_KEPT + 1):
            jobs.wait(ids[-1], 20)
            ids.append(jobs.start("echo", {}))
        with pytest.raises(UnknownJob):
            jobs.look(ids[0])
        assert jobs.look(ids[1]).state == "failed"


# ---- what goes in and comes out ----

HOSTILE: dict[str, Any] = {
    "markup": "<script>alert(1)</script> ![x](http://example.invalid/a.png) `$(reboot)` '; --",
    "lines": 'a\nb\r\n"stop"\n{"result": {}}\n\u2028\u2029\x00\x1b[2J\x85',
    "half a letter": "\ud800 \udc00",
    "two halves": "\ud83d\ude00",
    "right to left \u202e": ["\U0001f4a9", "e\u0301", ""],
    "numbers": [0.1, 1e308, -0.0, 2**70, True, None],
    "progress": "p", "result": {"faults": []}, "error": True, "killed": 1,
}  # fmt: skip


def test_hostile_text_goes_through_unchanged(tiny: Jobs, log: Log) -> None:
    now = tiny.wait(tiny.start("echo", HOSTILE), 20)
    assert now.state == "done", (now, log.text)
    assert now.result == {"payload": HOSTILE}
    assert not now.is_stopped
    assert "a library prints this" in log.text  # and not between the lines


@pytest.mark.parametrize(
    "payload",
    [{"x": math.nan}, {"x": [math.inf]}, {"x": {"y": -math.inf}}, {"x": object()}, {"x": {1, 2}}],
)
def test_what_is_no_json_is_refused(tiny: Jobs, payload: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="JSON"):
        tiny.start("echo", payload)


def test_nested_in_itself_is_refused(tiny: Jobs) -> None:
    payload: dict[str, Any] = {}
    payload["x"] = payload
    with pytest.raises(InputError, match="JSON"):
        tiny.start("echo", payload)


def test_five_megabytes_and_not_a_byte_more(tiny: Jobs) -> None:
    room = 5_000_000 - len('{"x": ""}\n')
    now = tiny.wait(tiny.start("echo", {"x": "a" * room}), 20)
    assert now.result == {"payload": {"x": "a" * room}}
    with pytest.raises(InputError, match="5 MB"):
        tiny.start("echo", {"x": "a" * (room + 1)})
    with pytest.raises(InputError, match="5 MB"):
        tiny.start("echo", {"x": "\u00e4" * (room // 2 + 1)})  # bytes count, not letters


def test_on_done_comes_before_done_and_once(tiny: Jobs) -> None:
    got: list[Any] = []
    go_on = Event()

    def keep(result: Any) -> None:
        go_on.wait(20)
        got.append(result)

    job = tiny.start("echo", {"n": 1}, keep)
    failing = tiny.start("fail", {}, keep)
    assert tiny.wait(failing, 20).state == "failed"
    time.sleep(0.1)
    assert tiny.look(job).state == "running"
    go_on.set()
    assert tiny.wait(job, 20).state == "done"
    assert got == [{"payload": {"n": 1}}]


def test_on_done_that_fails_loses_nothing(tiny: Jobs, log: Log) -> None:
    def keep(_: object) -> None:
        raise OSError(SECRET)

    now: Progress = tiny.wait(tiny.start("echo", {"n": 1}, keep), 20)
    assert (now.state, now.result) == ("failed", {"payload": {"n": 1}})
    assert SECRET not in now.message
    assert SECRET in log.text


def test_importing_loads_nothing_heavy() -> None:
    code = "import planner.jobs, planner.worker, sys; print(' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert not loaded & {"numpy", "pandas", "ortools", "numba", "scipy", "streamlit"}
