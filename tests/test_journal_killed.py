"""A log kept through the store while its writer is killed: no acknowledged entry is ever lost.

A few rounds here; sixty by ``python -m tests.bench.log_killed``.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from planner.journal.events import LogEntry, Note
from planner.page.logs import keep_log, kept_log
from planner.store import Store, new_command_id

BATCH = 20

# Keeps batches of entries as fast as it can; says each one only when the call has returned.
WRITER = """
import sys
from planner.journal.events import LogEntry, Note
from planner.page.logs import keep_log
from planner.store import Store, new_command_id
path, document, turn, size = sys.argv[1:]
print("ready", flush=True)
sys.stdin.readline()
store = Store(path)
number = 0
while True:
    rows = [LogEntry(f"{turn}-{number}-{k}", float(k), Note(), note="x" * 200)
            for k in range(int(size))]
    keep_log(store, document, rows, new_command_id())
    print(f"{turn}-{number}", flush=True)
    number += 1
"""


def start(path: Path, document: str, turn: int) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", WRITER, str(path), document, str(turn), str(BATCH)]
    return subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path.cwd()
    )


def batches(store: Store, document: str) -> Counter[str]:
    """How many entries of each batch are kept."""
    kept = kept_log(store, document)
    ids = [] if kept is None else [entry.id for entry in kept.entries]
    return Counter(id_.rpartition("-")[0] for id_ in ids)


def lost(said: list[str], there: Counter[str]) -> list[str]:
    """Return the batches that were acknowledged and are not there whole."""
    return [name for name in said if there[name] != BATCH]


def killed_rounds(path: Path, num_rounds: int) -> str:
    """Kill a writer so many times; after each, everything said is there, each batch whole."""
    rng = random.Random(60)
    document = Store(path).create("incident", "Hut", {"n": 1}, "make").document
    said: list[str] = []
    num_unsaid = 0
    ready = start(path, document, 0)
    for turn in range(num_rounds):
        child, ready = ready, start(path, document, turn + 1)  # loads meanwhile
        assert child.stdin is not None
        assert child.stdout is not None
        with child:
            assert child.stdout.readline() == "ready\n"
            child.stdin.write("go\n")
            child.stdin.flush()
            said.append(child.stdout.readline().strip())  # it has begun
            time.sleep(rng.uniform(0.0, 0.12))
            os.kill(child.pid, signal.SIGKILL)
            whole = child.stdout.read().rpartition("\n")[0]
            said += [line for line in whole.split("\n") if line]
        store = Store(path)
        assert store.check() == ()
        there = batches(store, document)
        assert lost(said, there) == []
        assert set(there.values()) == {BATCH}  # none in part
        assert len(there) - len(said) <= turn + 1  # at most the one under way, each time
        num_unsaid = len(there) - len(said)
    with ready:
        ready.kill()
    assert len(said) >= num_rounds
    return f"{num_rounds} rounds, {len(said)} batches said, {num_unsaid} kept but not said, 0 lost"


def test_no_acknowledged_entry_is_lost(tmp_path: Path) -> None:
    print(killed_rounds(tmp_path / "a.store", 6))


def test_loss_would_be_seen(tmp_path: Path) -> None:
    # The twin: the same look at a log that lacks a batch, or has one in part.
    store = Store(tmp_path / "a.store")
    document = store.create("incident", "Hut", {"n": 1}, "make").document
    rows = [LogEntry(f"0-0-{k}", 0.0, Note(), note="x") for k in range(BATCH)]
    keep_log(store, document, rows, new_command_id())
    keep_log(store, document, [LogEntry("0-1-0", 0.0, Note(), note="x")], new_command_id())
    there = batches(store, document)
    assert lost(["0-0"], there) == []
    assert lost(["0-0", "0-1", "0-2"], there) == ["0-1", "0-2"]


@pytest.mark.parametrize("size", [1, 300])
def test_a_batch_is_one_event(tmp_path: Path, size: int) -> None:
    store = Store(tmp_path / "a.store")
    document = store.create("incident", "Hut", {"n": 1}, "make").document
    rows = [LogEntry(f"a-{k}", 0.0, Note(), note="x") for k in range(size)]
    keep_log(store, document, rows, new_command_id())
    kept = kept_log(store, document)
    assert kept is not None
    assert (kept.sequence, len(kept.entries)) == (1, size)
