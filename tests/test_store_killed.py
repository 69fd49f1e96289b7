"""A store whose writers are killed or write at the same time: nothing acknowledged is ever lost.

``kill -9`` takes the process, not the machine: what a power cut would take is up to the disk. The
store asks for the strictest setting there is (see test_store.py for the settings themselves).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from planner.store import Command, Store
from planner.store.canonical import content_of

ROUNDS = 60  # half on the disk, half in memory
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
PAD = "x" * 20_000  # about the size of an incident of 40 patients; several pages of the file

# Writes revisions and events as fast as it can; says each one only when the call has returned.
WRITER = """
import sys
from planner.store import Command, Store
path, document, name, pad = sys.argv[1:]
print("ready", flush=True)
sys.stdin.readline()
store = Store(path)
number = store.revision(document).number
sequence = len(store.events(document))
while True:
    tree = {"n": number + 1, "pad": pad}
    number = store.write(document, tree, Command(f"{name}-r{number}", number)).number
    print("revision", number, flush=True)
    event = store.append(document, {"n": sequence + 1}, Command(f"{name}-e{sequence}", sequence))
    sequence = event.sequence
    print("event", sequence, flush=True)
"""

# Forks a writer for each statement that SQLite runs, and for closing the file; that writer kills
# itself there. Ends with the first one that lives.
STEPPER = """
import os, signal, sqlite3, sys
from planner.store import Command, Store
folder, document, pad = sys.argv[1:]
at = count = 0

def reached(what=""):
    global count
    count += 1
    if count == at:
        os.write(1, f"{at} {what.split(None, 1)[0]}\\n".encode())
        os.kill(os.getpid(), signal.SIGKILL)

class Link(sqlite3.Connection):
    def close(self):
        reached("CLOSE")
        super().close()

connect = sqlite3.connect
def traced(*given, **named):
    link = connect(*given, factory=Link, **named)
    link.set_trace_callback(reached)
    return link

sqlite3.connect = traced
while True:
    at += 1
    child = os.fork()
    if not child:
        store = Store(f"{folder}/{at}.store")
        if document:
            store.write(document, {"n": 2, "pad": pad}, Command("edit", 1), name="Pass")
        os._exit(0)
    if os.waitpid(child, 0)[1] == 0:
        print("lived", at, flush=True)
        break
"""

# Adds its own names to a list that others add to as well, and to the events.
ADDER = """
import sys
from planner.store import Command, StaleWrite, Store
path, document, name, num = sys.argv[1:]
current = Store(path).revision(document) if document else None
print("ready", flush=True)
sys.stdin.readline()
store = Store(path)
stale = 0
if not document:
    current = store.create("study", "S", {"seen": []}, "the same command")
    document = current.document
for n in range(int(num)):
    item = f"{name}-{n}"
    while True:
        tree = {"seen": current.tree["seen"] + [item]}
        try:
            current = store.write(document, tree, Command(item, current.number))
            break
        except StaleWrite as refused:
            stale, current = stale + 1, refused.current
    store.append(document, {"item": item}, Command(item + "e", 0), is_anywhere=True)
print(document, stale, flush=True)
"""


def start(code: str, *given: object) -> subprocess.Popen[str]:
    words = [sys.executable, "-c", code, *map(str, given)]
    return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def go(child: subprocess.Popen[str]) -> None:
    assert child.stdin is not None
    child.stdin.write("go\n")
    child.stdin.flush()


def lines(child: subprocess.Popen[str]) -> list[str]:
    """Return what a child that has ended had still said; a line cut off is not said."""
    assert child.stdout is not None
    return [line for line in child.stdout.read().splitlines(keepends=True) if line[-1] == "\n"]


@dataclass
class Said:
    """The highest revision and event that were acknowledged."""

    revision: int = 1
    event: int = 0

    def hear(self, line: str) -> None:
        what, number = line.split()
        assert int(number) == getattr(self, what) + 1
        setattr(self, what, int(number))


def lost(store: Store, document: str, said: Said) -> list[str]:
    """Return what was acknowledged and is not there as it was written."""
    digests = {entry.number: entry.digest for entry in store.history(document)}
    events = {event.sequence: event.tree for event in store.events(document)}
    return [
        *(
            f"revision {n}"
            for n in range(1, said.revision + 1)
            if digests.get(n) != content_of({"n": n, "pad": PAD}).digest
        ),
        *(f"event {n}" for n in range(1, said.event + 1) if events.get(n) != {"n": n}),
    ]


def kill_in_writing(child: subprocess.Popen[str], said: Said, rng: random.Random) -> None:
    """Let a writer write a little, kill it at a random moment, hear it out."""
    assert child.stdin is not None
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    go(child)
    for _ in range(rng.randint(1, 5)):
        said.hear(child.stdout.readline())
    time.sleep(rng.uniform(0, 0.01))
    child.send_signal(signal.SIGKILL)
    assert child.wait() == -signal.SIGKILL
    for line in lines(child):
        said.hear(line)
    child.stdin.close()
    child.stdout.close()


@pytest.mark.parametrize("is_on_disk", [True, False])  # in memory the moments fall otherwise
def test_killed_writers_lose_nothing_acknowledged(tmp_path: Path, is_on_disk: bool) -> None:
    with tempfile.TemporaryDirectory(dir=None if is_on_disk else MEMORY) as folder:
        path = (tmp_path if is_on_disk else Path(folder)) / "a.store"
        kill_rounds(path, ROUNDS // 2, random.Random(14 + is_on_disk))


def kill_rounds(path: Path, num_rounds: int, rng: random.Random) -> None:
    document = Store(path).create("incident", "Hut", {"n": 1, "pad": PAD}, "make").document
    said = Said()
    num_unsaid = num_left = 0
    ready = start(WRITER, path, document, 0, PAD)
    for turn in range(num_rounds):
        child, ready = ready, start(WRITER, path, document, turn + 1, PAD)  # loads meanwhile
        kill_in_writing(child, said, rng)
        num_left += Path(f"{path}-wal").exists()
        store = Store(path)
        assert store.check() == ()
        assert lost(store, document, said) == []
        # At most the one that was under way is there beyond what was said, and it is whole.
        revisions, events = len(store.history(document)), len(store.events(document))
        num_more = revisions - said.revision + events - said.event
        assert 0 <= num_more <= 1
        num_unsaid += num_more
        # Sent again, as the page does, it is written once, whether it had been or not.
        command = Command(f"{turn}-r{said.revision}", said.revision)
        tree = {"n": said.revision + 1, "pad": PAD}
        assert store.write(document, tree, command).number == said.revision + 1
        said = Said(said.revision + 1, events)
        assert len(store.history(document)) == said.revision
    with ready:
        ready.kill()
    assert said.revision > 2 * num_rounds
    assert num_left > 0  # some were killed with the log open, so it was played back
    print(f"{said}, committed but not said {num_unsaid}, log left {num_left}")


def test_loss_would_be_seen(tmp_path: Path) -> None:
    # The twin: the same look at a store that lacks something, or has something else.
    store = Store(tmp_path / "a.store")
    document = store.create("incident", "Hut", {"n": 1, "pad": PAD}, "make").document
    store.write(document, {"n": "other"}, Command("c", 1))
    assert lost(store, document, Said(1, 0)) == []
    assert lost(store, document, Said(3, 1)) == ["revision 2", "revision 3", "event 1"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_each_statement_it_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    base = Store(tmp_path / "base")
    first = base.create("incident", "Hut", {"n": 1, "pad": PAD}, "make")
    for at in range(1, 80):
        shutil.copy(base.path, tmp_path / f"{at}.store")
    with start(STEPPER, tmp_path, first.document, PAD) as child:
        said = [line.split() for line in child.communicate()[0].splitlines()]
    assert said.pop() == ["lived", str(len(said) + 1)]
    statements = [what for _, what in said]
    assert {"BEGIN", "INSERT", "COMMIT", "CLOSE"} <= set(statements)
    old = new = 0
    for at, what in said:
        store = Store(tmp_path / f"{at}.store")
        assert store.check() == ()
        history = store.history(first.document)
        assert [entry.name for entry in history] in (["Hut"], ["Hut", "Pass"])
        with store._reading() as link:
            num_commands = link.execute("SELECT count(*) FROM commands").fetchone()[0]
        assert num_commands == len(history)  # both or neither
        assert store.revision(first.document, 1) == first
        is_last = at == str(len(said))
        assert len(history) == 1 + is_last, what  # only the last, CLOSE, came after the commit
        old, new = old + (not is_last), new + is_last
        edit = {"n": 2, "pad": PAD}
        again = store.write(first.document, edit, Command("edit", 1), name="Pass")
        assert (again.number, again.tree) == (2, edit)
    assert new == 1
    assert old > 10


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_while_the_file_is_made_it_can_be_made_again(tmp_path: Path) -> None:
    with start(STEPPER, tmp_path, "", "") as child:
        said = child.communicate()[0].splitlines()
    assert said[-1].startswith("lived")
    assert len(said) > 25  # one a table and trigger at least
    for at in range(1, len(said)):
        store = Store(tmp_path / f"{at}.store")
        assert store.documents() == ()
        assert store.check() == ()


@pytest.mark.parametrize("is_new", [False, True])
def test_two_processes_at_once_lose_nothing(tmp_path: Path, is_new: bool) -> None:
    path = tmp_path / "a.store"
    document = ""
    if not is_new:  # else both make the file, and the document by the same command
        document = Store(path).create("study", "S", {"seen": []}, "make").document
    children = [start(ADDER, path, document, name, 20) for name in ("a", "b")]
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        go(child)
    ends = []
    for child in children:
        with child:
            ends.append(child.communicate(timeout=60)[0].split())
        assert child.returncode == 0
    (document, stale_a), (other, stale_b) = ends
    assert document == other
    assert int(stale_a) + int(stale_b) > 0  # both began from revision 1: one had to look again
    items = sorted(f"{name}-{n}" for name in ("a", "b") for n in range(20))
    store = Store(path)
    assert sorted(store.revision(document).tree["seen"]) == items
    assert [entry.number for entry in store.history(document)] == list(range(1, 42))
    assert sorted(event.tree["item"] for event in store.events(document)) == items
    assert store.check() == ()
