"""The store does what an editor of plain lists does, whatever the order of the steps."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from planner.store import (
    Command,
    Event,
    NothingToUndo,
    RepeatedCommand,
    Revision,
    StaleAppend,
    StaleWrite,
    Steps,
    Store,
)

MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # no waiting for the disk


def text(tree: object) -> str:
    """Text that tells 1, 1.0 and true apart, as == does not."""
    return json.dumps(tree, sort_keys=True)


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)
TREES = st.dictionaries(st.text(max_size=5), VALUES, max_size=3)
# Mostly fresh bases, and few documents: else hardly any undo would find something to undo.
ACTS = ["create", "again", "misuse", "restart", "append", "append", *["write", "undo", "redo"] * 4]
STEPS = st.lists(
    st.tuples(
        st.sampled_from(ACTS),
        st.integers(0, 9),  # which document, or which command again
        st.sampled_from([0, 0, 0, 0, 1]),  # how far the base is behind
        st.sampled_from([None, "Hut", "Pass", "'; --"]),
        TREES,
    ),
    min_size=8,
    max_size=20,
)

# Undoes and redoes with more left and with none, and beyond: every outcome of the two.
WALK = ["write", "write", "undo", "undo", "undo", "redo", "redo", "redo"]


@dataclass(frozen=True)
class Step:
    """One step: what, on which document or command, how stale, and what to write."""

    act: str
    which: int
    behind: int
    name: str | None
    tree: dict[str, Any]


@dataclass
class Modelled:
    """A document as an editor of plain lists keeps it: all versions, two piles of numbers."""

    id: str
    versions: list[tuple[str, str]]
    events: list[str] = field(default_factory=list)
    past: list[int] = field(default_factory=list)
    now: int = 1
    future: list[int] = field(default_factory=list)


class Model:
    """Does every step to the store and to the lists, and compares."""

    def __init__(self, path: Path) -> None:
        self.store = Store(path)
        self.documents: list[Modelled] = []
        self.done: list[tuple[Callable[[], Revision | Event], Revision | Event]] = []
        self.num_ids = 0
        self.outcomes: set[str] = set()

    def take(self, step: Step) -> None:
        getattr(self, f"_{step.act}")(step)

    def _id(self) -> str:
        self.num_ids += 1
        return f"c{self.num_ids}"

    def _document(self, step: Step) -> Modelled:
        return self.documents[step.which % len(self.documents)]

    def _do(self, ask: Callable[[], Any]) -> Any:
        answer = ask()
        self.done.append((ask, answer))
        return answer

    def _create(self, step: Step) -> None:
        name, id_ = step.name or "Hut", self._id()
        answer = self._do(lambda: self.store.create("study", name, step.tree, id_))
        self.documents.append(Modelled(answer.document, [(name, text(step.tree))]))

    def _edit(self, document: Modelled, step: Step, act: Callable[[Command], Revision]) -> bool:
        """Return whether it was written; the model says it must be refused when stale."""
        asked = Command(self._id(), len(document.versions) - step.behind)
        if not step.behind:
            answer = self._do(lambda: act(asked))
            assert answer.number == len(document.versions) + 1
            return True
        with pytest.raises(StaleWrite) as caught:
            act(asked)
        assert caught.value.current.number == len(document.versions)
        self.outcomes.add("stale")
        return False

    def _write(self, step: Step) -> None:
        document = self._document(step)
        if self._edit(
            document,
            step,
            lambda c: self.store.write(document.id, step.tree, c, name=step.name),
        ):
            document.versions.append((step.name or document.versions[-1][0], text(step.tree)))
            document.past.append(document.now)
            document.now, document.future = len(document.versions), []

    def _undo(self, step: Step) -> None:
        document = self._document(step)
        self._go(step, document.past, document.future)

    def _redo(self, step: Step) -> None:
        document = self._document(step)
        self._go(step, document.future, document.past)

    def _go(self, step: Step, source: list[int], other: list[int]) -> None:
        document = self._document(step)
        act = self.store.undo if step.act == "undo" else self.store.redo
        if not step.behind and not source:
            with pytest.raises(NothingToUndo):
                act(document.id, Command(self._id(), len(document.versions)))
            self.outcomes.add(f"nothing to {step.act}")
        elif self._edit(document, step, lambda c: act(document.id, c)):
            other.append(document.now)
            document.now = source.pop()
            document.versions.append(document.versions[document.now - 1])
            self.outcomes.add(f"{step.act}, {'more' if source else 'none'} left")

    def _append(self, step: Step) -> None:
        document = self._document(step)
        base = len(document.events) + step.behind  # behind or ahead, it is not the last one
        asked = Command(self._id(), base)
        if step.behind:
            with pytest.raises(StaleAppend):
                self.store.append(document.id, step.tree, asked)
        else:
            self._do(lambda: self.store.append(document.id, step.tree, asked))
            document.events.append(text(step.tree))

    def _again(self, step: Step) -> None:
        ask, answer = self.done[-1 - step.which % len(self.done)]
        assert ask() == answer
        self.outcomes.add("again")

    def _misuse(self, step: Step) -> None:
        used = self.done[-1 - step.which % len(self.done)][1].command
        with pytest.raises(RepeatedCommand):
            self.store.create("exercise", "other", step.tree, used)
        self.outcomes.add("misuse")

    def _restart(self, _: Step) -> None:
        self.store = Store(self.store.path)

    def compare(self) -> None:
        assert {d.id for d in self.store.documents()} == {d.id for d in self.documents}
        for document in self.documents:
            history = self.store.history(document.id)
            found = [self.store.revision(document.id, entry.number) for entry in history]
            assert [(r.name, text(r.tree)) for r in found] == document.versions
            assert self.store.revision(document.id) == found[-1]
            assert found[-1].stands_for == document.now
            there = Steps(
                document.past[-1] if document.past else None,
                document.future[-1] if document.future else None,
            )
            assert self.store.steps(document.id) == there
            assert [text(e.tree) for e in self.store.events(document.id)] == document.events
        assert self.store.check() == ()


def test_store_does_what_plain_lists_do() -> None:
    outcomes: set[str] = set()

    @settings(derandomize=True, max_examples=30, deadline=None, database=None)
    @example([(act, 0, 0, None, {}) for act in WALK])  # what is drawn varies with the sources
    @given(STEPS)
    def run(steps: list[tuple[Any, ...]]) -> None:
        with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
            model = Model(Path(folder) / "a.store")
            model.take(Step("create", 0, 0, "Hut", {"n": 1}))
            for step in steps:
                model.take(Step(*step))
            model.compare()
        outcomes.update(model.outcomes)

    run()
    assert outcomes == {  # else the steps drawn do not show what they should
        "stale", "again", "misuse", "nothing to undo", "nothing to redo", "undo, more left",
        "undo, none left", "redo, more left", "redo, none left",
    }  # fmt: skip
