"""The store against its promises: nothing overwritten, nothing lost, all out as it went in."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import planner.store
from planner.errors import InputError, PlannerError
from planner.fields import MAX_TAG
from planner.files import digest, incident_from, parse_text
from planner.intake import text_fault
from planner.store import (
    Command,
    NothingToUndo,
    RepeatedCommand,
    StaleAppend,
    StaleWrite,
    Steps,
    Store,
    StoreBusy,
    StoreError,
    UnknownDocument,
    UnusableFile,
    connection,
    schema,
    upkeep,
)
from planner.store.exchange import exported, import_incident, import_incident_file
from planner.store.records import new_command_id
from tests.broken_cases import GOOD, GOOD_CSV, WITH_CSV

NOON = datetime(2027, 2, 14, 12, 0, tzinfo=UTC)
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
TABLES = ("documents", "contents", "commands", "revisions", "events")


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A folder in memory where there is one: waiting for the disk is most of the time here.

    tests/test_store_killed.py is on the disk.
    """
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        yield Path(folder).resolve()


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "a.store", now=lambda: NOON)


def command(base: int) -> Command:
    return Command(new_command_id(), base)


def made(store: Store, **tree: object) -> str:
    return store.create("incident", "Hut", tree or {"n": 1}, new_command_id()).document


def raw(store: Store) -> Any:
    return closing(sqlite3.connect(store.path, isolation_level=None))


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as link:
        return list(link.iterdump())


# --- how the file is opened ----------------------------------------------------------------------


def test_connection_is_set_to_lose_nothing(store: Store) -> None:
    asked = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
    for mode in (store._reading, store._writing):
        with mode() as link:
            found = tuple(link.execute(f"PRAGMA {name}").fetchone()[0] for name in asked)
        assert found == ("wal", 2, 1, 10_000)  # 2: FULL
    with raw(store) as link:  # the twin: SQLite's own default keeps no foreign keys
        assert link.execute("PRAGMA foreign_keys").fetchone()[0] == 0


def test_nothing_stays_open_between_calls(store: Store) -> None:
    store.write(made(store), {"n": 2}, command(1))
    assert [path.name for path in store.path.parent.iterdir()] == ["a.store"]


def test_import_loads_nothing_heavy() -> None:
    code = "import sys, planner.store; print(*{name.split('.')[0] for name in sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert {"planner", "sqlite3"} <= loaded
    assert not loaded & {"numpy", "pandas", "ortools", "numba", "scipy", "streamlit", "altair"}


def test_public_names_are_there() -> None:
    assert all(hasattr(planner.store, name) for name in planner.store.__all__)
    errors = (NothingToUndo, RepeatedCommand, StaleAppend, StaleWrite, StoreBusy, UnusableFile)
    assert all(issubclass(error, StoreError | PlannerError) for error in errors)


def _not_a_database(path: Path) -> None:
    path.write_bytes(b"tag,triage\nU1,immediate\n" * 100)


def _of_another_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as link:
        link.execute("CREATE TABLE birds (name TEXT)")


def _newer(path: Path) -> None:
    Store(path)
    with closing(sqlite3.connect(path)) as link:
        link.execute(f"PRAGMA user_version = {schema.VERSION + 1}")


def _folder(path: Path) -> None:
    path.mkdir()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_not_a_database, "no database"),
        (_of_another_program, "a database of another program"),
        (_newer, f"a store of version {schema.VERSION + 1}"),
        (_folder, "a folder"),
    ],
)
def test_file_that_is_no_store_is_refused_and_left_alone(
    tmp_path: Path, spoil: Callable[[Path], None], words: str
) -> None:
    path = tmp_path / "x.store"
    spoil(path)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(UnusableFile) as caught:
        Store(path)
    assert isinstance(caught.value, InputError)
    (fault,) = caught.value.faults
    assert fault.received == words
    assert "x.store" in str(fault)
    assert fault.mend
    assert before == (path.read_bytes() if path.is_file() else None)
    assert [p.name for p in tmp_path.iterdir()] == ["x.store"]


@pytest.mark.parametrize("name", ["missing/x.store", "nul\0.store", "x" * 300])
def test_name_that_no_file_can_have_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(UnusableFile) as caught:
        Store(tmp_path / name)
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize("name", ["a b?mode=ro#x%20.store", ":memory:", "شاهق.store"])
def test_odd_names_are_names(tmp_path: Path, name: str) -> None:
    store = Store(tmp_path / name)
    made(store)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_file_removed_under_way_is_told_and_not_made_anew(store: Store) -> None:
    document = made(store)
    store.path.unlink()
    with pytest.raises(UnusableFile, match="no file that can be opened"):
        store.revision(document)
    assert not store.path.exists()


def test_empty_file_becomes_a_store(tmp_path: Path) -> None:
    (tmp_path / "x").touch()
    assert Store(tmp_path / "x").documents() == ()


def test_held_file_is_told_as_busy(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    document = made(store)
    monkeypatch.setattr(connection, "BUSY_S", 0.05)
    with raw(store) as link:
        link.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreBusy):
            store.write(document, {"n": 2}, command(1))
        assert store.revision(document).number == 1  # reading goes on
        link.execute("ROLLBACK")
    assert store.write(document, {"n": 2}, command(1)).number == 2


def test_full_disk_is_told_and_nothing_is_half_written(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = made(store)
    before = dump(store.path)
    monkeypatch.setattr(
        connection, "SETTINGS", (*connection.SETTINGS, "PRAGMA max_page_count = 30")
    )
    with pytest.raises(StoreError, match="full"):
        store.write(document, {"pad": "x" * 500_000}, command(1))
    assert dump(store.path) == before


# --- documents and revisions ---------------------------------------------------------------------


def test_document_goes_in_and_comes_out(store: Store) -> None:
    first = store.create("incident", "Hut", {"b": [1, 2.0, None], "a": {"x": True}}, "c1", note="n")
    assert (first.number, first.stands_for, first.note, first.command) == (1, 1, "n", "c1")
    assert first.content == '{"a":{"x":true},"b":[1,2.0,null]}'
    assert first.at == "2027-02-14T12:00:00.000+00:00"
    second = store.write(first.document, {"a": 1}, Command("c2", 1), name="Pass")
    assert second == store.revision(first.document) == store.revision(first.document, 2)
    assert store.revision(first.document, 1) == first  # kept
    (listed,) = store.documents("incident")
    assert (listed.id, listed.name, listed.revision) == (first.document, "Pass", 2)
    assert store.documents("plan") == ()
    assert [entry.digest for entry in store.history(first.document)] == [
        first.digest, second.digest,
    ]  # fmt: skip
    assert Store(store.path).revision(first.document) == second  # after a restart


def test_dates_become_the_texts_of_a_json_file_and_tuples_lists(store: Store) -> None:
    tree = {"start": datetime(2027, 2, 14, 13, 20), "on": NOON.date(), "t": (1, 2)}
    document = made(store, **tree)
    assert store.revision(document).tree == {
        "start": "2027-02-14T13:20:00", "on": "2027-02-14", "t": [1, 2],
    }  # fmt: skip


def test_what_is_not_there_is_told(store: Store) -> None:
    document = made(store)
    for ask in (
        lambda: store.revision("nobody"),
        lambda: store.revision(document, 2),
        lambda: store.history("nobody"),
        lambda: store.steps("nobody"),
        lambda: store.events("nobody"),
        lambda: store.write("nobody", {}, command(0)),
        lambda: store.append("nobody", {}, command(0)),
        lambda: store.undo("nobody", command(0)),
    ):
        with pytest.raises(UnknownDocument):
            ask()


def test_stale_command_after_a_restart_is_refused_with_both_versions(store: Store) -> None:
    document = made(store)
    drawn = command(1)  # a tab was drawn on revision 1; then another tab saves
    store.write(document, {"n": "theirs"}, command(1), note="other tab")
    again = Store(store.path)
    before = dump(store.path)
    with pytest.raises(StaleWrite) as caught:
        again.write(document, {"n": "mine"}, drawn, note="my note")
    stale = caught.value
    assert (stale.base, stale.sent.tree, stale.sent.note) == (1, {"n": "mine"}, "my note")
    assert (stale.current.number, stale.current.tree) == (2, {"n": "theirs"})
    assert "revision 1" in str(stale)
    assert "revision 2" in str(stale)
    assert dump(store.path) == before
    # Both seen, the user saves again: same command id, new base.
    assert again.write(document, {"n": "mine"}, Command(drawn.id, 2)).number == 3


@pytest.mark.parametrize("base", [0, 2, 2**63 - 1])
def test_base_that_is_not_the_current_revision_is_stale(store: Store, base: int) -> None:
    document = made(store)
    for ask in (
        lambda: store.write(document, {}, command(base)),
        lambda: store.undo(document, command(base)),
    ):
        with pytest.raises(StaleWrite):
            ask()


def test_repeated_command_gets_the_first_answer(store: Store) -> None:
    first = store.create("plan", "P", {"n": 1}, "make")
    edit = Command("edit", 1)
    second = store.write(first.document, {"n": 2}, edit)
    third = store.undo(first.document, Command("back", 2))
    event = store.append(first.document, {"e": 1}, Command("note", 0))
    store.append(first.document, {"e": 2}, Command("note 2", 1))
    before = dump(store.path)
    later = Store(store.path, now=lambda: datetime(2030, 1, 1, tzinfo=UTC))
    assert later.create("plan", "P", {"n": 1}, "make") == first
    assert later.write(first.document, {"n": 2}, edit) == second
    assert later.write(first.document, {"n": 2}, Command("edit", 3)) == second  # drawn anew
    assert later.undo(first.document, Command("back", 2)) == third
    assert later.append(first.document, {"e": 1}, Command("note", 0)) == event
    assert dump(store.path) == before


def test_command_id_used_for_something_else_is_refused(store: Store) -> None:
    first = store.create("plan", "P", {"n": 1}, "make")
    other = made(store)
    store.write(first.document, {"n": 2}, Command("edit", 1))
    before = dump(store.path)
    for ask in (
        lambda: store.write(first.document, {"n": 3}, Command("edit", 2)),
        lambda: store.write(first.document, {"n": 2}, Command("edit", 2), name="Q"),
        lambda: store.write(other, {"n": 2}, Command("edit", 1)),
        lambda: store.undo(first.document, Command("edit", 2)),
        lambda: store.append(first.document, {"n": 2}, Command("edit", 0)),
        lambda: store.create("plan", "P", {"n": 2}, "make"),
        lambda: store.create("study", "P", {"n": 1}, "make"),
    ):
        with pytest.raises(RepeatedCommand) as caught:
            ask()
        assert caught.value.document == first.document
    assert dump(store.path) == before


def test_undo_and_redo_write_new_revisions(store: Store) -> None:
    document = made(store, n=1)
    store.write(document, {"n": 2}, command(1), name="Pass")
    store.write(document, {"n": 3}, command(2))
    assert store.steps(document) == Steps(2, None)
    back = store.undo(document, command(3))
    assert (back.number, back.stands_for, back.tree, back.name) == (4, 2, {"n": 2}, "Pass")
    assert store.steps(document) == Steps(1, 3)
    back = store.undo(document, command(4))
    assert (back.number, back.stands_for, back.tree, back.name) == (5, 1, {"n": 1}, "Hut")
    assert store.steps(document) == Steps(None, 2)
    with pytest.raises(NothingToUndo):
        store.undo(document, command(5))
    assert store.redo(document, command(5)).tree == {"n": 2}
    assert store.redo(document, command(6)).tree == {"n": 3}
    with pytest.raises(NothingToUndo):
        store.redo(document, command(7))
    # An edit after an undo leaves nothing to redo, but what was undone is still in the history.
    store.undo(document, command(7))
    store.write(document, {"n": 9}, command(8))
    assert store.steps(document) == Steps(2, None)
    assert store.revision(document, 3).tree == {"n": 3}
    assert store.undo(document, command(9)).tree == {"n": 2}
    assert [entry.number for entry in store.history(document)] == list(range(1, 11))


# --- events and raw SQL --------------------------------------------------------------------------


def test_events_are_counted_and_read_from_where_one_was(store: Store) -> None:
    document = made(store)
    events = [store.append(document, {"n": n}, command(n)) for n in range(4)]
    assert [event.sequence for event in events] == [1, 2, 3, 4]
    assert store.events(document) == tuple(events)
    assert store.events(document, after=2) == tuple(events[2:])
    assert store.events(document, after=4) == ()
    with pytest.raises(StaleAppend) as caught:
        store.append(document, {"n": "late"}, command(2))
    assert caught.value.missed == tuple(events[2:])
    assert caught.value.sent.tree == {"n": "late"}
    assert store.append(document, {"n": "seen"}, command(2), is_anywhere=True).sequence == 5
    with pytest.raises(StaleAppend):  # more seen than there is
        store.append(document, {}, command(9))
    assert store.events(made(store)) == ()


def test_nothing_written_can_be_changed_or_removed_by_raw_sql(store: Store) -> None:
    document = made(store)
    store.write(document, {"n": 2}, command(1))
    for n in range(2):
        store.append(document, {"n": n}, command(n))
    before = dump(store.path)
    with raw(store) as link:
        for table in TABLES:
            column = link.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
            for attempt in (
                f"DELETE FROM {table}",
                f"UPDATE {table} SET {column} = 'x'",
                f"UPDATE OR REPLACE {table} SET {column} = {column}",
                f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1",
                f"REPLACE INTO {table} SELECT * FROM {table}",
                f"INSERT INTO {table} SELECT * FROM {table} WHERE true"
                f" ON CONFLICT DO UPDATE SET {column} = 'x'",
            ):
                with pytest.raises(sqlite3.IntegrityError, match="kept as written"):
                    link.execute(attempt)
        for attempt in (  # a gap in the count
            f"INSERT INTO events VALUES ('{document}', 9, '', '{{}}', 'c')",
            "INSERT INTO revisions SELECT document, 9, name, digest, at, note, command, 1, 0, 1"
            " FROM revisions LIMIT 1",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="kept as written"):
                link.execute(attempt)
    assert dump(store.path) == before
    assert store.check() == ()


def test_without_its_triggers_the_same_sql_would_change_events(store: Store) -> None:
    # The twin: it is the triggers that refuse, not a slip in the statements above.
    document = made(store)
    store.append(document, {"n": 1}, command(0))
    with raw(store) as link:
        for name in ("updated", "deleted", "replaced"):
            link.execute(f"DROP TRIGGER events_not_{name}")
        link.execute("UPDATE events SET payload = '{}'")
        link.execute("INSERT OR REPLACE INTO events SELECT * FROM events LIMIT 1")
    assert store.events(document)[0].payload == "{}"


def test_foreign_keys_hold(store: Store) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"), store._writing() as link:
        link.execute("INSERT INTO events VALUES ('nobody', 1, '', '{}', 'none')")
    with raw(store) as link:  # a connection that does not keep them: check() finds it
        link.execute("INSERT INTO events VALUES ('nobody', 1, '', '{}', 'none')")
    assert len(store.check()) == 2  # names neither a document nor a command
    assert "events" in store.check()[0]


# --- whole or damaged, and copies ----------------------------------------------------------------


def test_check_finds_changed_content_and_damaged_pages(store: Store) -> None:
    made(store, pad="x" * 50_000)
    assert store.check() == ()
    with raw(store) as link:
        link.execute("DROP TRIGGER contents_not_updated")
        link.execute("UPDATE contents SET content = '{}'")
    assert "has been changed" in store.check()[0]
    data = bytearray(store.path.read_bytes())
    for page in range(1, len(data) // 4096):
        data[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    store.path.write_bytes(data)
    assert store.check()


def test_backup_opens_and_equals(store: Store, tmp_path: Path) -> None:
    document = made(store, pad="x" * 100_000)
    store.append(document, {"n": 1}, command(0))
    target = tmp_path / "copy.store"
    target.write_bytes(b"an older file")
    (tmp_path / "older").hardlink_to(target)
    store.backup(target)
    assert (tmp_path / "older").read_bytes() == b"an older file"  # renamed over, not written into
    assert dump(target) == dump(store.path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.store", "copy.store", "older"]
    target.chmod(0o444)
    with closing(sqlite3.connect(f"{target.as_uri()}?mode=ro&immutable=1", uri=True)) as link:
        assert link.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    target.chmod(0o644)
    copy = Store(target)
    assert copy.check() == ()
    assert copy.revision(document) == store.revision(document)
    copy.write(document, {"n": 2}, command(1))  # and goes its own way
    assert store.revision(document).number == 1


def test_backup_is_taken_while_others_write(store: Store, tmp_path: Path) -> None:
    document = made(store)
    with store._writing() as link:
        link.execute("INSERT INTO documents VALUES ('half', 'plan')")
        store.backup(tmp_path / "copy")
    assert Store(tmp_path / "copy").revision(document) == store.revision(document)
    with raw(Store(tmp_path / "copy")) as link:  # what was not committed is not in it
        assert link.execute("SELECT count(*) FROM documents").fetchone() == (1,)


def test_backup_that_fails_leaves_the_old_one(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(store)
    target = tmp_path / "copy"
    target.write_bytes(b"the old one")
    monkeypatch.setattr(upkeep, "problems", lambda _: ("page 3 is odd",))
    with pytest.raises(StoreError, match="page 3 is odd"):
        store.backup(target)
    assert target.read_bytes() == b"the old one"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.store", "copy"]


def test_backup_refuses_what_it_must_not_replace(store: Store, tmp_path: Path) -> None:
    made(store)
    before = dump(store.path)
    other = Store(tmp_path / "other")
    (tmp_path / "link").symlink_to(store.path)
    with other._writing() as link:  # open: its log lies beside it and would spoil the copy
        link.execute("INSERT INTO documents VALUES ('x', 'plan')")
        for name in ("a.store", "link", "other", "missing/copy", "."):
            with pytest.raises(UnusableFile):
                store.backup(tmp_path / name)
    assert dump(store.path) == before
    store.backup(other.path)  # closed, it may be replaced
    assert dump(other.path) == before


# --- hostile text --------------------------------------------------------------------------------

HOSTILE = [
    "'; DROP TABLE events; --", '"); DELETE FROM revisions; --', "Robert'); --", "%s {0} ${x} ?1",
    "\0", "a\0b", "\x1b[31mred\x1b[0m", "\r\n\t\b\x7f\x85", "\u202eevil\u202c", "مرحبا بالعالم",
    "\u2028\u2029\ufeff\ufffe\uffff", "e\u0301 \u00e9", "👩‍🚒🏔", "<script>alert(1)</script>",
    "![x](http://example.invalid/x.png)", "=1+1", "", " ", "\\u0000 \\ud800", "x" * 1_000_000,
    "\u0644" * 1_000_000, "\x01" * 400_000,
]  # fmt: skip


@pytest.mark.parametrize("hostile", HOSTILE, ids=lambda t: ascii(t[:20]))
def test_hostile_text_in_a_tree_comes_out_as_it_went_in(store: Store, hostile: str) -> None:
    tree = {hostile: {"list": [hostile, {hostile: hostile}]}}
    document = made(store, **tree)
    assert store.revision(document).tree == tree
    event = store.append(document, tree, command(0))
    assert store.events(document) == (event,)
    assert event.tree == tree
    assert store.check() == ()


@pytest.mark.parametrize("hostile", HOSTILE, ids=lambda t: ascii(t[:20]))
def test_hostile_names_come_out_or_are_faults(store: Store, hostile: str) -> None:
    before = dump(store.path)
    if text_fault(hostile, MAX_TAG):
        with pytest.raises(InputError) as caught:
            store.create("incident", hostile, {}, "c", note=hostile)
        assert "name" in {fault.field for fault in caught.value.faults}
        assert all(str(fault).isprintable() for fault in caught.value.faults)
        assert dump(store.path) == before
    else:
        first = store.create("incident", hostile, {}, "c", note=hostile)
        assert (first.name, first.note) == (hostile, hostile)
        assert store.documents()[0].name == hostile
    with pytest.raises(UnknownDocument):
        store.revision(hostile)


def test_sql_in_a_name_is_a_name(store: Store) -> None:
    store.create("plan", "'; DROP TABLE events; --", {}, "'; DROP TABLE commands; --")
    assert store.documents()[0].name == "'; DROP TABLE events; --"


def nested(depth: int) -> dict[str, object]:
    tree: dict[str, object] = {}
    for _ in range(depth):
        tree = {"a": tree}
    return tree


@pytest.mark.parametrize(
    ("tree", "place"),
    [
        ({"patients": [{"tag": "\ud800"}]}, "[patients] #1 tag"),
        ({"a": {"\udfff": 1}}, "[a]"),
        ({"a": {"b": float("nan")}}, "[a] b"),
        ({"a": -float("inf")}, "a"),
        ({"a": 2**63}, "a"),
        ({"a": 10**5000}, "a"),
        ({"a": {1: 2}}, "a"),
        ({"a": {1, 2}}, "a"),
        ({"a": b"x"}, "a"),
        ({"a": object()}, "a"),
        (nested(100), "[a]"),
        (nested(5000), "[a]"),
        ({"a": "x" * 10_000_001}, ""),
        ([1], ""),
        ("text", ""),
        (None, ""),
    ],
    ids=range(16),
)
def test_what_json_cannot_carry_is_a_fault(store: Store, tree: Any, place: str) -> None:
    before = dump(store.path)
    with pytest.raises(InputError) as caught:
        store.create("incident", "Hut", tree, "c")
    (fault,) = caught.value.faults
    assert fault.place.startswith(place)
    assert fault.allowed
    assert dump(store.path) == before


def test_all_faults_are_told_at_once_and_not_without_end(store: Store) -> None:
    bad = float("nan")
    with pytest.raises(InputError) as caught:
        store.create("incident", "Hut", {"a": [bad, 1, bad], "b": {"c": bad}}, "c")
    assert [fault.place for fault in caught.value.faults] == ["[a] #1", "[a] #3", "[b] c"]
    with pytest.raises(InputError) as caught:
        store.create("incident", "Hut", {"a": [bad] * 5000}, "c")
    assert len(caught.value.faults) == 501


def test_odd_kinds_and_commands_are_faults(store: Store) -> None:
    document = made(store)
    kind: Any = "birds"
    base: Any = "1"
    for ask in (
        lambda: store.create(kind, "Hut", {}, "c"),
        lambda: store.create("plan", "Hut", {}, ""),
        lambda: store.create("plan", "Hut", {}, "c\n"),
        lambda: store.create("plan", "Hut", {}, "c" * 101),
        lambda: store.write(document, {}, Command("c", -1)),
        lambda: store.write(document, {}, Command("c", base)),
    ):
        with pytest.raises(InputError):
            ask()
    assert len(store.history(document)) == 1


# --- files in and out ----------------------------------------------------------------------------


def test_incident_in_and_out_is_the_same_incident(store: Store) -> None:
    made_ = import_incident(store, GOOD.encode(), "slide.toml", "c")
    revision = made_.revision
    assert revision.name == "Slide above the upper lift"
    assert revision.note == "read from slide.toml"
    wanted = digest(incident_from(parse_text(GOOD, "slide.toml", False)).incident)
    for form in ("toml", "json"):
        for is_draft in (False, True):
            data = exported(revision, form, is_draft=is_draft)
            tree = parse_text(data.decode(), "out", form == "json")
            assert digest(incident_from(tree).incident) == wanted
    again = import_incident(store, exported(revision, "json"), "slide.JSON", "c2").revision
    assert digest(incident_from(again.tree).incident) == wanted
    assert import_incident(store, GOOD.encode(), "slide.toml", "c").revision == revision


def test_incident_with_csv_files_comes_in(store: Store, tmp_path: Path) -> None:
    (tmp_path / "in.toml").write_text(WITH_CSV)
    (tmp_path / "p.csv").write_text(GOOD_CSV)
    made_ = import_incident_file(store, tmp_path / "in.toml", "c")
    assert [row["tag"] for row in made_.revision.tree["patients"]] == ["U1", "U2"]


@pytest.mark.parametrize(
    ("data", "file"),
    [
        (GOOD.replace('triage = "', 'triage = "x').encode(), "a.toml"),
        (b"\xff\xfe", "a.toml"),
        (b"x" * 5_000_001, "a.toml"),
        (b"{", "a.json"),
        (GOOD.encode(), "a.json"),
        (b"", "a.toml"),
        (WITH_CSV.encode(), "a.toml"),
        (b"a = nan", "../\x1b[31m.toml"),
    ],
    ids=range(8),
)
def test_faulty_file_raises_its_faults_and_writes_nothing(
    store: Store, data: bytes, file: str
) -> None:
    before = dump(store.path)
    with pytest.raises(InputError) as caught:
        import_incident(store, data, file, "c")
    assert all(fault.file for fault in caught.value.faults)
    assert "\x1b" not in str(caught.value)
    assert dump(store.path) == before


def test_faulty_draft_is_kept_and_goes_out_only_as_a_draft(store: Store) -> None:
    tree = {"schema": 1, "incident": {"name": "Hut", "altitude_m": -99999.0}}
    revision = store.create("incident", "Hut", tree, "c")
    with pytest.raises(InputError):
        exported(revision, "toml")
    out = exported(revision, "toml", is_draft=True)
    assert parse_text(out.decode(), "out", False) == tree
    empty = store.create("incident", "Hut", {"a": [None]}, "c2")
    with pytest.raises(InputError, match="null"):
        exported(empty, "toml", is_draft=True)
    assert json.loads(exported(empty, "json", is_draft=True)) == {"a": [None]}


def test_other_kinds_go_out_as_they_are(store: Store) -> None:
    revision = store.create("plan", "P", {"x": [{"y": 1.5}]}, "c")
    assert json.loads(exported(revision, "json")) == revision.tree
    assert parse_text(exported(revision, "toml").decode(), "out", False) == revision.tree
    with pytest.raises(InputError):
        exported(revision, "xml")  # type: ignore[arg-type]


# --- many at once --------------------------------------------------------------------------------


def test_threads_share_a_store_and_lose_nothing(store: Store) -> None:
    document = made(store, seen=[])
    failures: list[Exception] = []

    def work(who: int) -> None:
        try:
            for n in range(10):
                add(store, document, f"{who}-{n}")
        except Exception as error:  # noqa: BLE001 - told below, in the test's own thread
            failures.append(error)

    threads = [threading.Thread(target=work, args=(who,)) for who in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures
    seen = store.revision(document).tree["seen"]
    assert sorted(seen) == sorted(f"{who}-{n}" for who in range(4) for n in range(10))
    assert store.revision(document).number == 41


def add(store: Store, document: str, item: str) -> None:
    """Read, change, write; when stale, look at what stands now and try again."""
    current = store.revision(document)
    while True:
        tree = {"seen": [*current.tree["seen"], item]}
        try:
            store.write(document, tree, Command(item, current.number))
        except StaleWrite as stale:
            current = stale.current
        else:
            return


def test_copied_file_is_a_whole_store(store: Store, tmp_path: Path) -> None:
    # Between calls nothing lies beside the file, so a plain copy of it is whole too.
    document = made(store)
    shutil.copy(store.path, tmp_path / "copy")
    assert Store(tmp_path / "copy").revision(document) == store.revision(document)
