"""A minute reached from kept books is the minute replayed, and sooner."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from planner.journal import checkpoints as module
from planner.journal.checkpoints import checkpoints, replay_on
from planner.journal.events import Connected, LogEntry
from planner.journal.replaying import replay
from tests.journal_logs import LAWS
from tests.test_journal_replaying import STOCK, UNTIL, busy_logs


@pytest.mark.parametrize("every", [1, 3])
def test_the_same_state_at_any_minute(every: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "EVERY", every)

    @settings(LAWS, max_examples=25)
    @given(busy_logs(), UNTIL, UNTIL)
    def same(rows: tuple[LogEntry, ...], one: float, other: float) -> None:
        points = checkpoints(rows, STOCK)
        # Twice and in between another minute: what is kept is never changed.
        for until in (one, other, one):
            assert replay_on(points, until) == replay(rows, STOCK, until)

    same()


def test_before_the_first_and_of_no_entry() -> None:
    for rows in ((), (LogEntry("a", 5.0, Connected("A1", "H-04")),)):
        points = checkpoints(rows, STOCK)
        for until in (-10.0, 0.0, 5.0, 50.0):
            assert replay_on(points, until) == replay(rows, STOCK, until)
