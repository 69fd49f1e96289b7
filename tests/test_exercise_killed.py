"""An evening whose decisions several processes write, and one of them is killed: nothing is lost.

Threads of one process that write at once are in ``test_exercise_run.py``.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

from planner.exercise import keeping
from planner.exercise.setup import read_exercise
from planner.store import Store, new_command_id

SCENARIOS = Path(__file__).parents[1] / "scenarios"
CORVENNA = read_exercise(SCENARIOS / "corvenna-traverse-exercise.toml")

# Decides as fast as it can, so many times; says each decision only when the call has returned.
WRITER = """
import sys
from planner.exercise import keeping
from planner.journal.events import LogEntry
from planner.store import Store, new_command_id
path, run, who, count = sys.argv[1:]
store = Store(path)
print("ready", flush=True)
sys.stdin.readline()
for number in range(int(count)):
    said = f"{who}-{number}"
    kept = keeping.keep_decision(store, run, {"do": "note", "note": said}, new_command_id())
    print(said if isinstance(kept, LogEntry) else f"refused {kept}", flush=True)
"""


def start(path: Path, run: str, who: str, count: int) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", WRITER, str(path), run, who, str(count)]
    return subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path.cwd()
    )


def let_go(child: subprocess.Popen[str]) -> None:
    assert child.stdin is not None
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    child.stdin.write("go\n")
    child.stdin.flush()


def said_by(child: subprocess.Popen[str]) -> list[str]:
    """Return the whole lines that it has still said, once it has ended."""
    assert child.stdout is not None
    whole = child.stdout.read().rpartition("\n")[0]
    return [line for line in whole.split("\n") if line]


def notes(path: Path, run: str) -> Counter[str]:
    """Return how often each decision is in the run, read from the file anew."""
    store = Store(path)
    assert store.check() == ()
    return Counter(entry.note for entry in keeping.look(store, run).run.log if entry.note)


def begun(path: Path) -> str:
    store = Store(path)
    run = keeping.begin_run(store, CORVENNA).run
    keeping.command(store, run, "started", new_command_id())
    return run


def test_processes_that_decide_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "evening.store"
    run = begun(path)
    roles = ("leader", "hut", "slope")
    with ExitStack() as stack:
        writers = [stack.enter_context(start(path, run, who, 15)) for who in roles]
        for child in writers:
            let_go(child)
        said = [line for child in writers for line in said_by(child)]
    assert [child.returncode for child in writers] == [0, 0, 0]
    assert sorted(said) == sorted(f"{who}-{n}" for who in roles for n in range(15))
    assert notes(path, run) == Counter(said)  # each once
    # Each wrote in its own order, and in the run that order holds.
    log = [entry.note for entry in keeping.look(Store(path), run).run.log if entry.note]
    for who in roles:
        assert [n for n in log if n.startswith(who)] == [f"{who}-{k}" for k in range(15)]


def test_no_decision_that_was_said_is_lost_by_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "evening.store"
    run = begun(path)
    rng = random.Random(17)
    said: list[str] = []
    for turn in range(4):
        with start(path, run, f"turn{turn}", 10_000) as child:
            let_go(child)
            assert child.stdout is not None
            said.append(child.stdout.readline().strip())  # it has begun
            time.sleep(rng.uniform(0.0, 0.3))
            os.kill(child.pid, signal.SIGKILL)
            said += said_by(child)
        there = notes(path, run)
        assert set(said) <= set(there)
        assert set(there.values()) == {1}
        assert len(there) - len(said) <= turn + 1  # at most the one under way, each time
    assert keeping.look(Store(path), run).run.clock.is_running
