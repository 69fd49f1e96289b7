"""Runs of an exercise: truth, what players know, decisions, the store; by hand, and laws."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.demand import sample
from planner.errors import InputError
from planner.exercise import keeping
from planner.exercise.after import beside_planning, hot_wash, journal_of
from planner.exercise.changes import Change
from planner.exercise.deciding import DEEDS, FIELDS, decide
from planner.exercise.injects import Inject
from planner.exercise.known import known_to_players
from planner.exercise.run import Given, Run, RunEvent, Told, due_now, entry_payload, run_state
from planner.exercise.setup import Exercise, KnownAtStart, exercise_from, read_exercise
from planner.exercise.truth import truth_at, without_min
from planner.exercise.truth_rows import Truth
from planner.exercise.what_now import situation_at
from planner.exercise.writing import exercise_document, with_incident_file, write_exercise
from planner.incident import DeviceStock, Incident, SundryStock
from planner.journal.events import Connected, Died, Found, LogEntry, Moved, Swapped
from planner.operation.judge import operate
from planner.review.report import review_of
from planner.rules import triage_order
from planner.state import initial_state, keys
from planner.store import Command, Event, Store, new_command_id
from planner.units import Pressure
from planner.workflow import Request

SCENARIOS = Path(__file__).parents[1] / "scenarios"
NOON = datetime(2027, 3, 20, 12, 0, tzinfo=UTC)
LAW = settings(derandomize=True, deadline=None, max_examples=25)
CORVENNA = read_exercise(SCENARIOS / "corvenna-traverse-exercise.toml")
DROMMICK = read_exercise(SCENARIOS / "drommick-chair-exercise.toml")


def after(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


def log_run(minute: float, *entries: LogEntry, **more: Any) -> Run:
    told = tuple(Told(e, "players", e.at_min) for e in entries)
    return replace(Run(minute=minute, told=told), **more)


# ----- setting up ------------------------------------------------------------------------------


@pytest.mark.parametrize("exercise", [CORVENNA, DROMMICK], ids=lambda e: e.name)
def test_shipped_exercises_read_and_round_trip(exercise: Exercise, tmp_path: Path) -> None:
    assert exercise_from(exercise_document(exercise, is_embedded=True)) == exercise
    assert len(exercise.incident.patients) == {CORVENNA.name: 6}.get(exercise.name, 14)
    assert 3 <= len(exercise.objectives) <= 4
    assert 8 <= len(exercise.injects) <= 12
    for name in (exercise.incident_file,):
        (tmp_path / name).write_text((SCENARIOS / name).read_text("utf-8"), "utf-8")
    write_exercise(with_incident_file(exercise, exercise.incident_file), tmp_path / "again.toml")
    assert read_exercise(tmp_path / "again.toml") == exercise


def test_all_faults_at_once() -> None:
    tree = exercise_document(CORVENNA)
    tree["known"]["gauges_read"] = ["D-99"]
    tree["injects"][1]["changes"][0]["tag"] = "D-98"
    tree["injects"][0]["objective"] = "no such"
    tree["exercise"]["seed"] = -1
    tree["injects"][2].pop("event")
    with pytest.raises(InputError) as told:
        exercise_from(tree, CORVENNA.incident)
    fields = {(f.table, f.field) for f in told.value.faults}
    assert fields >= {
        ("known", "gauges_read"), ("changes", "tag"), ("injects", "objective"),
        ("exercise", "seed"), ("injects", "event"),
    }  # fmt: skip


def test_an_incident_elsewhere_is_refused(tmp_path: Path) -> None:
    text = '[exercise]\nname = "x"\nincident = "../secret.toml"\n'
    (tmp_path / "e.toml").write_text("schema = 1\n" + text)
    with pytest.raises(InputError, match="same folder"):
        read_exercise(tmp_path / "e.toml")


# ----- truth -----------------------------------------------------------------------------------


def _no_buffer(incident: Incident) -> Incident:
    """One place, and no buffer: operation lets who has no cylinder to go to end at the change."""
    return replace(
        incident, change_at=incident.safe_residual, resupply=(),
        patients=tuple(replace(p, place="slope") for p in incident.patients),
        cylinders=tuple(replace(c, place="slope") for c in incident.cylinders),
        regulators=tuple(replace(r, place="slope") for r in incident.regulators),
        devices=tuple(replace(d, place="slope") for d in incident.devices),
        responders=tuple(replace(r, place="slope") for r in incident.responders),
    )  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_truth_is_what_operation_says_when_a_plan_is_followed_to_the_letter(seed: int) -> None:
    # Every connection of operation's own log is decided at its very minute. Flow phases apart
    # (none here) the two then differ by nothing but sums of floats: 1e-6 min.
    incident = _no_buffer(CORVENNA.incident)
    state, policy = initial_state(incident), triage_order(incident, initial_state(incident))
    outcome = operate(incident, state, policy, sample(incident, state, 1, seed), max_swaps=60)
    tally = outcome.swaps
    assert tally is not None
    options, entries = dict(policy.options), []
    for hookup in policy.hookups:
        for line in hookup.lines:
            event = Connected(line.patient, hookup.cylinders[0], hookup.regulator, line.device,
                              line.flow_lpm)  # fmt: skip
            entries.append(LogEntry(f"h{line.patient}", 0.0, event))
    on: dict[str, str] = {}
    promised = {p.patient: p for p in policy.promises}
    for k in range(int(tally.num_swaps[0])):
        tag = incident.patients[tally.swap_patient[0, k]].tag
        cylinder = incident.all_cylinders[tally.swap_on[0, k]].tag
        regulator = next((h.regulator for h in policy.hookups if h.line_of(tag)), None)
        regulator = regulator or (promised[tag].regulator if tag in promised else on.get(tag))
        option = options[tag]
        regulator = regulator or _first_free(incident, entries)
        assert len(option.phases) == 1
        on[tag] = str(regulator)
        event = Connected(tag, cylinder, regulator, option.device, option.flow_lpm)
        entries.append(LogEntry(f"s{k}", float(tally.swap_min[0, k]), event))
    exercise = Exercise("letter", incident, seed=seed)
    truth = truth_at(exercise, log_run(incident.horizon_min, *entries))
    want = outcome.minutes_out[:, 0].tolist()
    assert [p.minutes_out for p in truth.patients] == pytest.approx(want, abs=1e-6)
    assert truth.used_l == pytest.approx(float(outcome.used_l[0]), abs=1e-6)
    assert truth.used_l > 500


def _first_free(incident: Incident, entries: list[LogEntry]) -> str:
    used = {getattr(e.event, "regulator", None) for e in entries}
    return next(r.tag for r in incident.regulators if r.tag not in used)


def _connect(at: float, patient: str = "C1", cylinder: str = "D-01", reg: str = "R-1") -> LogEntry:
    event = Connected(patient, cylinder, reg, "non-rebreather", 15.0)
    return LogEntry(f"{patient}{at}", at, event)


@given(
    at=st.lists(st.floats(0, 120), min_size=1, max_size=6),
    minute=st.floats(1, 200),
    seed=st.integers(0, 50),
)
@LAW
def test_oxygen_is_conserved(at: list[float], minute: float, seed: int) -> None:
    tags = ["D-01", "D-02", "D-03"]
    entries = [
        replace(_connect(m, ("C1", "C2")[k % 2], tags[k % 3], f"R-{k % 2 + 1}"), id=f"e{k}")
        for k, m in enumerate(at)
    ]
    leak = Given(Inject(2, "t", "a", "b", 5, changes=CORVENNA.injects[1].changes), 5.0)
    run = log_run(minute, *entries, given=(leak,))
    truth = truth_at(replace(CORVENNA, seed=seed, deliveries_on_request=False), run)
    left = sum(c.litres for c in truth.cylinders if c.status != "to arrive")
    assert truth.supplied_l == pytest.approx(truth.used_l + left + truth.lost_l, abs=1e-6)
    assert truth == truth_at(replace(CORVENNA, seed=seed, deliveries_on_request=False), run)


def test_changes_by_hand() -> None:
    exercise = replace(CORVENNA, seed=3)
    on = _connect(0.0)
    broken = Inject(1, "t", "a", "b", 5, changes=(Change("regulator broken", "R-1"),))
    truth = truth_at(exercise, log_run(12.0, on, given=(Given(broken, 5.0),)))
    assert truth.patient("C1").minutes_out == pytest.approx(7.0)
    assert truth.patient("C1").out_since_min == 5.0
    dead = Inject(1, "t", "a", "b", 5, changes=(Change("patient dies", "C1"),))
    truth = truth_at(exercise, log_run(12.0, on, given=(Given(dead, 5.0),)))
    assert (truth.patient("C1").status, truth.patient("C1").minutes_out) == ("dead", 0.0)
    assert truth.cylinder("D-01").users == ()
    later = Change("transport later", "helicopter", minutes=30.0)
    plain = truth_at(exercise, log_run(400.0)).patient("C1").left_min
    held = Given(Inject(1, "t", "a", "b", 5, changes=(later,)), 5.0)
    assert truth_at(exercise, log_run(400.0, given=(held,))).patient("C1").left_min == plain + 30
    gauge = Given(Inject(1, "t", "a", "b", 5, changes=(
        Change("gauge is", "D-01", gauge=Pressure(300.0, "psi")),)), 5.0)  # fmt: skip
    truth = truth_at(exercise, log_run(5.0, on, given=(gauge,)))
    assert truth.cylinder("D-01").gauge_psi == pytest.approx(300.0)


def test_a_late_swap_and_what_was_left() -> None:
    swap = LogEntry("s", 45.0, Swapped("C1", "D-03", "D-01"))
    truth = truth_at(CORVENNA, log_run(45.0, _connect(0.0), swap))
    assert [(s.off, s.on) for s in truth.swaps] == [("D-01", "D-03")]
    assert truth.swaps[0].late_min > 1
    assert truth.patient("C1").late_swaps == 1
    assert 199 < truth.swaps[0].left_psi < 500


# ----- what players know -----------------------------------------------------------------------


@given(seed=st.integers(0, 10_000), psi=st.floats(200, 2200), by=st.floats(-20, 200))
@LAW
def test_hidden_truth_never_shows(seed: int, psi: float, by: float) -> None:
    entries = (
        LogEntry("f", 0.0, Found("C1"), place="slope"), _connect(1.0),
        replace(_connect(2.0, "C3", "D-04", "R-4"), id="x"),
    )  # fmt: skip
    spoken = Given(CORVENNA.injects[0], 4.0)
    run = log_run(30.0, *entries, given=(spoken,))
    incident = CORVENNA.incident
    people = tuple(
        replace(p, transfer=p.transfer.later(by) if p.transfer else None)
        if p.tag != "C5" else replace(p, triage="dead", place="hut", note="hidden")
        for p in incident.patients
    )  # fmt: skip
    bottles = tuple(replace(c, gauge=Pressure(psi, "psi")) for c in incident.cylinders)
    hidden = tuple(i if i.number == 1 else replace(i, text=f"secret {psi}", at_min=by)
                   for i in CORVENNA.injects)  # fmt: skip
    other = replace(
        CORVENNA, seed=seed, injects=hidden, note="secret",
        incident=replace(incident, patients=people, cylinders=bottles, resupply=()),
    )  # fmt: skip
    tree = known_to_players(other, run)
    assert tree == known_to_players(CORVENNA, run)
    assert {c["gauge"] for c in tree["cylinders"]} == {"not read"}
    assert "C5" not in str(tree)
    assert "expected" not in str(tree)


def test_a_gauge_is_known_once_read() -> None:
    run = log_run(24.0)
    entry = decide(CORVENNA, run, {"do": "read gauge", "cylinder": "D-01"})
    assert isinstance(entry, LogEntry)
    tree = known_to_players(CORVENNA, log_run(25.0, replace(entry, id="g")))
    row = next(c for c in tree["cylinders"] if c["tag"] == "D-01")
    assert row["gauge"] == "read 1900 at 17:04"  # gauge and truth differ by that gauge's error
    assert truth_at(CORVENNA, run).cylinder("D-01").gauge_psi != pytest.approx(1900, abs=1)


# ----- decisions -------------------------------------------------------------------------------


def _ready(minute: float = 2.0) -> Run:
    found = [LogEntry(f"f{t}", 0.0, Found(t), place=p)
             for t, p in (("C1", "slope"), ("C3", "hut"))]  # fmt: skip
    return Run(minute=minute, told=tuple(Told(e, "world", 0.0) for e in found))


@pytest.mark.parametrize(
    ("form", "field", "word"),
    [
        ({"patient": "C9"}, "patient", "C1"),
        ({"patient": "C5"}, "patient", "C1"),  # not found: told no otherwise than one unheard of
        ({"cylinder": "D-04"}, "cylinder", "10 min to carry"),
        ({"cylinder": "E-01"}, "cylinder", "D-01"),
        ({"flow_lpm": "14"}, "flow_lpm", "dial"),
        ({"device": "cannula"}, "device", "free"),
        ({"regulator": "R-4"}, "regulator", "10 min"),
        ({"do": "fly"}, "do", "Choose"),
        ({"clock": "23:59"}, "clock", "Write it so"),
    ],
)
def test_what_is_impossible_is_told(form: dict[str, str], field: str, word: str) -> None:
    good = {"do": "connect", "patient": "C1", "cylinder": "D-01", "device": "non-rebreather",
            "flow_lpm": "15"}  # fmt: skip
    entry = decide(CORVENNA, _ready(), good)
    assert isinstance(entry, LogEntry)
    assert entry.event == Connected("C1", "D-01", "R-1", "non-rebreather", 15.0)
    faults = decide(CORVENNA, _ready(), good | form)
    assert isinstance(faults, tuple)
    assert any(f.field == field and word in f"{f.allowed} {f.mend}" for f in faults)
    assert all("C5" not in f.mend + f.allowed for f in faults)


@pytest.mark.parametrize("device", ["cannula", ""])
def test_what_is_told_of_a_mask_does_not_depend_on_masks_that_nobody_asked_for(device: str) -> None:
    """A fault goes to players: which other kinds lie in the hut is for them to find out."""
    form = {"do": "connect", "patient": "C1", "cylinder": "D-01", "device": device,
            "flow_lpm": "15"}  # fmt: skip
    more = replace(CORVENNA.incident, devices=(
        *CORVENNA.incident.devices, DeviceStock("venturi 28", "adult", 2, "hut")))  # fmt: skip
    told = decide(CORVENNA, _ready(), form)
    assert isinstance(told, tuple)
    assert decide(replace(CORVENNA, incident=more), _ready(), form) == told


def test_poor_choices_are_taken() -> None:
    form = {"do": "connect", "patient": "C1", "cylinder": "D-01", "device": "non-rebreather",
            "flow_lpm": "0.5"}  # fmt: skip
    assert isinstance(decide(CORVENNA, _ready(), form), LogEntry)


_ANY = st.one_of(
    st.text(max_size=30), st.integers(), st.floats(), st.none(), st.lists(st.text(), max_size=2),
    st.sampled_from(["C1", "C5", "D-01", "R-1", "slope", "=1+1", "<script>", *DEEDS]),
)  # fmt: skip


@given(st.dictionaries(st.sampled_from([*FIELDS, "other"]), _ANY, max_size=8))
@settings(LAW, max_examples=150)
def test_any_form_is_an_entry_or_faults(form: dict[str, object]) -> None:
    found = decide(CORVENNA, _ready(), form)
    if not isinstance(found, LogEntry):
        assert found
        assert all(f.allowed for f in found)


# ----- events ----------------------------------------------------------------------------------


def _events(*rows: tuple[float, str, dict[str, Any]]) -> list[RunEvent]:
    return [RunEvent(k, after(m), kind, data) for k, (m, kind, data) in enumerate(rows, 1)]  # type: ignore[arg-type]


def _note(text: str) -> dict[str, Any]:
    return {"by": "players", "entry": {"event": "note", "at_min": 1, "note": text}}


def test_rewind_branches_and_deletes_nothing() -> None:
    events = _events(
        (0, "started", {}), (1, "decided", _note("one")), (2, "decided", _note("two")),
        (2.5, "rewound", {"minute": 1.5}), (3, "started", {}), (3.5, "decided", _note("three")),
    )  # fmt: skip
    run = run_state(events, after(4))
    assert [e.note for e in run.log] == ["one", "three"]
    assert (run.minute, run.branch, run.branches[1].from_min) == (2.5, 1, 1.5)
    assert [e.note for e in run_state(events, after(4), branch=0).log] == ["one", "two"]


def test_put_forward_it_goes_on_from_there_on_the_same_branch() -> None:
    events = _events((0, "started", {}), (1, "put forward", {"minute": 30}))
    run = run_state(events, after(1.5))
    assert (run.minute, run.branch, run.clock.is_running) == (30.5, 0, True)
    standing = _events((0, "started", {}), (1, "paused", {}), (9, "put forward", {"minute": 30}))
    assert run_state(standing, after(60)).minute == 30.0
    backwards = _events((0, "started", {}), (1, "put forward", {"minute": 0.5}))
    assert run_state(backwards, after(1)).minute == 1.0  # never back: that is a rewind


def test_an_evening_that_went_on_by_paper_is_typed_into_its_run(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    _to(store, time, run, 5)
    keeping.keep_decision(store, run, {"do": "read a gauge", "cylinder": "D-01"}, "g", now=time.now)
    keeping.command(store, run, "paused", "p", now=time.now)
    for wrong in (4.0, 10_000.0, None, "soon"):
        with pytest.raises(InputError, match="minute"):
            keeping.command(
                store, run, "put forward", new_command_id(), {"minute": wrong}, time.now
            )
    time.now += timedelta(hours=2)  # the power is back
    seen = keeping.command(store, run, "put forward", "f", {"minute": 60}, time.now)
    assert seen.run.minute == 60.0
    assert {1, 2, 4, 5, 7, 8} <= {i.number for i in due_now(CORVENNA, seen.run)}
    form = {"do": "connect", "patient": "C1", "cylinder": "D-01", "device": "non-rebreather",
            "flow_lpm": "15", "clock": "16:50"}  # fmt: skip
    kept = keeping.keep_decision(store, run, form, "c", "controller", now=time.now)
    assert isinstance(kept, LogEntry)
    assert kept.at_min == 10.0
    truth = keeping.look(store, run, time.now).truth
    assert truth.patient("C1").minutes_out < 60  # it breathed from minute 10 on
    keeping.command(store, run, "ended", "e", now=time.now)
    with pytest.raises(InputError, match="over"):
        keeping.command(store, run, "put forward", "h", {"minute": 70}, time.now)


def test_beside_planning_on_names_what_only_the_players_met(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    _to(store, time, run, 5)
    keeping.command(store, run, "paused", "p", now=time.now)
    for number, minute in ((2, 12), (5, 35)):  # a gauge is 300; the helicopter holds
        keeping.command(store, run, "put forward", f"f{number}", {"minute": minute}, time.now)
        keeping.command(store, run, "given", f"g{number}", {"number": number}, time.now)
    at = keeping.command(store, run, "put forward", "f", {"minute": 40}, time.now).run
    quick = Request(samples=200, effort=0, deterministic_s=0.1)
    assert (
        "Inject 2, given later, changed what was decided"
        in beside_planning(CORVENNA, at, 0.0, quick).one_luck
    )
    later = beside_planning(CORVENNA, at, 13.0, quick).one_luck
    assert "given later" not in later  # the helicopter's delay is met by both
    assert "when the players' request brought it" in later


def test_after_a_sleep_the_clock_stands_where_it_was_last_seen() -> None:
    events = _events((0, "started", {}), (1, "seen", {}))
    run = run_state(events, after(60))
    assert (run.minute, run.has_slept, run.clock.is_running) == (1.0, True, False)
    woken = _events((0, "started", {}), (1, "seen", {}), (60, "seen", {}), (61, "started", {}))
    assert run_state(woken, after(62)).minute == 2.0


def test_hostile_text_stays_as_written(tmp_path: Path) -> None:
    text = "<script>alert(1)</script> =cmd|' &lt;"
    store = Store(tmp_path / "s.store")
    run = keeping.begin_run(store, CORVENNA).run
    keeping.command(store, run, "started", "a", now=NOON)
    entry = keeping.keep_decision(store, run, {"do": "note", "note": text}, "b")
    assert isinstance(entry, LogEntry)
    seen = keeping.look(store, run)
    assert known_to_players(CORVENNA, seen.run)["log"][-1]["note"] == text


# ----- the store -------------------------------------------------------------------------------


class Ticking:
    """A time of day that tests set."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        return self.now


def _kept(tmp_path: Path) -> tuple[Store, Ticking, str]:
    time = Ticking()
    store = Store(tmp_path / "e.store", now=time)
    run = keeping.begin_run(store, CORVENNA).run
    keeping.command(store, run, "started", "start", now=NOON)
    return store, time, run


def _to(store: Store, time: Ticking, run: str, minute: float) -> keeping.Seen:
    while (time.now - NOON).total_seconds() / 60 < minute:
        time.now = min(time.now + timedelta(minutes=1), after(minute))
        seen = keeping.look(store, run, time.now)
    return seen


def test_links_open_one_role_and_only_digests_are_kept(tmp_path: Path) -> None:
    store = Store(tmp_path / "e.store")
    links = keeping.begin_run(store, CORVENNA)
    assert keeping.role_of(store, links.players) == keeping.Access(links.run, "players")
    assert keeping.role_of(store, links.controller) == keeping.Access(links.run, "controller")
    for wrong in ("", links.players[:-1], links.players + "x", None, "\udc80", links.run):
        assert keeping.role_of(store, wrong) is None
    assert links.players not in store.revision(links.run).content
    fresh = keeping.new_links(store, links.run)
    assert keeping.role_of(store, links.players) is None
    assert keeping.role_of(store, fresh.players) is not None
    assert keeping.open_exercise(store, links.run) == CORVENNA


def test_conditions_come_due_once_and_injects_are_given_once(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    seen = _to(store, time, run, 31)
    assert 3 in {i.number for i in due_now(CORVENNA, seen.run)}
    kinds = [e.data.get("number") for e in seen.events if e.kind == "due"]
    assert len(kinds) == len(set(kinds))
    asked = keeping.keep_decision(
        store, run, {"do": "request", "items": "oxygen", "count": 4}, "r", now=time.now
    )
    assert isinstance(asked, LogEntry)
    seen = keeping.command(store, run, "given", "g", {"number": 3}, time.now)
    assert 3 in seen.run.done
    again = keeping.command(store, run, "given", "g", {"number": 3}, time.now)  # the same click
    assert len(again.run.given) == 1
    with pytest.raises(InputError, match="done already"):
        keeping.command(store, run, "given", "h", {"number": 3}, time.now)
    assert keeping.look(Store(store.path), run, time.now).run == again.run  # opened anew
    wash = hot_wash(CORVENNA, again.run)
    assert wash.requests[0].items == "oxygen"
    review = review_of(journal_of(CORVENNA, again.run), CORVENNA.incident)
    assert review.title == CORVENNA.name


class Slipping(Store):
    """A store into which somebody else's rewind slips before the first thing that is told."""

    is_over = False
    at = NOON

    def append(self, document: str, payload: Any, command: Command, **more: Any) -> Event:
        if not self.is_over and payload["kind"] in {"due", "news"}:
            self.is_over = True
            other = Store(self.path, now=lambda: self.at)
            keeping.command(other, document, "rewound", new_command_id(), {"minute": 8}, self.at)
        return super().append(document, payload, command, **more)


def test_what_an_old_branch_had_to_tell_is_not_told_on_a_new_one(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    _to(store, time, run, 11.5)
    slipping = Slipping(store.path, now=lambda: time.now)
    slipping.at = time.now + timedelta(minutes=1)
    keeping.look(slipping, run, slipping.at)
    time.now = slipping.at
    assert slipping.is_over
    seen = keeping.look(store, run, time.now)
    assert (seen.run.branch, seen.run.minute) == (1, 8.0)
    assert 2 not in {mark.number for mark in seen.run.came_due}  # of minute 12
    assert all(told.minute <= 8.0 for told in seen.run.told)
    assert 2 not in {inject.number for inject in due_now(CORVENNA, seen.run)}


def test_two_who_write_at_once_lose_nothing(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    _to(store, time, run, 1)
    results: list[object] = []

    def write(who: int) -> None:
        for k in range(4):
            form = {"do": "note", "note": f"{who} {k}"}
            results.append(keeping.keep_decision(store, run, form, f"w{who}-{k}", now=time.now))
        form = {"do": "connect", "patient": "C1", "cylinder": f"D-0{who}",
                "device": "non-rebreather", "flow_lpm": "15"}  # fmt: skip
        results.append(keeping.keep_decision(store, run, form, f"c{who}", now=time.now))

    threads = [threading.Thread(target=write, args=(who,)) for who in (1, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    seen = keeping.look(store, run, time.now)
    notes = {e.note for e in seen.run.log if e.note}
    assert notes == {f"{who} {k}" for who in (1, 2) for k in range(4)}
    connected = [e for e in seen.run.log if isinstance(e.event, Connected)]
    assert len(connected) == 1  # the second was told that somebody is on oxygen already
    assert sum(isinstance(r, tuple) for r in results) == 1


def test_the_evening_with_fourteen_is_played_to_its_end(tmp_path: Path) -> None:
    """All its injects come due and are given once; what they change is so in truth afterwards."""
    time = Ticking()
    store = Store(tmp_path / "e.store", now=time)
    run = keeping.begin_run(store, DROMMICK).run
    keeping.command(store, run, "started", "start", now=NOON)
    for minute in range(1, 91):
        time.now = after(minute)
        seen = keeping.look(store, run, time.now)
        for inject in due_now(DROMMICK, seen.run, without_min(seen.truth)):
            number = inject.number
            keeping.command(store, run, "given", f"give {number}", {"number": number}, time.now)
    seen = keeping.command(store, run, "ended", "end", now=time.now)
    given = {g.inject.number: g.minute for g in seen.run.given}
    assert sorted(given) == [inject.number for inject in DROMMICK.injects]
    assert len(seen.run.given) == len(DROMMICK.injects)
    timed = {i.number: i.at_min for i in DROMMICK.injects if i.at_min is not None}
    for number, at_min in timed.items():
        assert at_min <= given[number] <= at_min + 1
    assert given[5] == pytest.approx(30.0, abs=1.0)  # nobody asked for anything
    truth = seen.truth
    assert truth.patient("D4").triage == "immediate"
    assert truth.regulator("R-2").is_broken
    assert next(h for h in truth.hands if h.tag == "R1").is_out
    assert sum(p.minutes_out for p in truth.patients) > 0  # nobody was connected
    rows = hot_wash(DROMMICK, seen.run).objectives
    assert sorted(f.given.inject.number for row in rows for f in row.injects) == sorted(given)


def test_every_kind_of_change_is_so_in_truth() -> None:
    """One inject of each kind at minute 10, and the same evening without it."""
    on = (_connect(0.0),)

    def at(minute: float, *changes: Change) -> Truth:
        inject = Inject(1, "t", "a", "b", 10, changes=changes)
        run = log_run(minute, *on, given=(Given(inject, 10.0),) if changes else ())
        return truth_at(replace(CORVENNA, deliveries_on_request=False), run)

    plain = at(40.0)
    assert plain.patient("C1").cylinder == "D-01"
    broken = at(40.0, Change("regulator broken", "R-1"))
    assert (broken.regulator("R-1").is_broken, broken.patient("C1").cylinder) == (True, None)
    gone = at(40.0, Change("regulator gone", "R-1"))
    assert (gone.regulator("R-1").is_gone, gone.patient("C1").minutes_out) == (
        True, broken.patient("C1").minutes_out,
    )  # fmt: skip
    # At 15 set, stuck at 10: less has left the cylinder ten minutes on.
    stuck = at(20.0, Change("dial stuck", "R-1", flow_lpm=10.0))
    assert stuck.cylinder("D-01").litres > at(20.0).cylinder("D-01").litres + 20
    worse = at(40.0, Change("patient is", "C4", triage="immediate", indication="major trauma"))
    assert (plain.patient("C4").triage, worse.patient("C4").triage) == ("delayed", "immediate")
    assert worse.patient("C4").minutes_out > plain.patient("C4").minutes_out == 0
    dies = at(40.0, Change("patient dies", "C1"))
    assert (dies.patient("C1").status, dies.patient("C1").left_min) == ("dead", 10.0)
    assert plain.patient("C5").status == "not found"
    assert at(40.0, Change("patient found", "C5")).patient("C5").there_from_min == 10.0
    out = at(40.0, Change("responder out", "R4"))
    assert [h.tag for h in out.hands if h.is_out] == ["R4"]
    assert at(20.0, Change("radio silent", "slope", minutes=15)).silent == (("slope", 25.0),)
    fewer = at(40.0, Change("gauge is", "D-02", gauge=Pressure(300, "psi")))
    assert fewer.cylinder("D-02").litres < 0.3 * plain.cylinder("D-02").litres
    # Times put off: somebody is fetched, a delivery comes, so much later.
    helicopter = at(200.0, Change("transport later", "helicopter", minutes=30))
    assert helicopter.patient("C1").left_min == at(200.0).patient("C1").left_min + 30
    came = at(300.0).cylinder("E-01").there_from_min
    later = at(300.0, Change("delivery later", "1", minutes=30))
    assert later.cylinder("E-01").there_from_min == pytest.approx(came + 30)


def test_what_is_written_down_later_is_told_as_that(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    _to(store, time, run, 12)
    for number, (clock, form) in enumerate((("16:41", "a"), ("16:51", "b"), ("", "c"))):
        said = {"do": "note", "note": form, "clock": clock}
        keeping.keep_decision(store, run, said, f"n{number}", now=time.now)
    seen = keeping.look(store, run, time.now)
    rows = {r["note"]: r for r in known_to_players(CORVENNA, seen.run)["log"] if "note" in r}
    assert rows["a"]["written"] == "written 11 min later"
    assert "written" not in rows["b"]
    assert "written" not in rows["c"]


def test_a_stop_for_real_holds_everything(tmp_path: Path) -> None:
    store, time, run = _kept(tmp_path)
    seen = keeping.command(store, run, "stopped for real", "x", {"why": "real fall"}, time.now)
    assert (seen.run.is_stopped, seen.run.clock.is_running) == (True, False)
    with pytest.raises(InputError, match="real emergency"):
        keeping.command(store, run, "started", "y", now=time.now)
    assert isinstance(keeping.keep_decision(store, run, {"do": "note", "note": "n"}, "z"), tuple)
    assert not keeping.command(store, run, "stop lifted", "l", now=time.now).run.is_stopped


def test_the_truth_can_be_planned_on_from() -> None:
    run = log_run(20.0, _connect(0.0), LogEntry("m", 5.0, Moved(cylinder="D-04"), place="slope"),
                  LogEntry("d", 6.0, Died("C6")))  # fmt: skip
    situation = situation_at(CORVENNA, run)
    policy = triage_order(situation.incident, situation.state)
    needs = sample(situation.incident, situation.state, 20, 1)
    outcome = operate(situation.incident, situation.state, policy, needs)
    assert outcome.minutes_out.shape == (6, 20)
    rows = {c.tag: c for c in situation.state.cylinders}
    assert (rows["D-04"].place, rows["D-04"].since_min) == ("slope", 15.0)
    assert rows["D-01"].status == "connected"
    assert entry_payload(LogEntry("m", 5.0, Died("C6")), "world")["kind"] == "news"


def test_nothing_known_at_the_start_stays_nothing() -> None:
    """Players who know of no cylinder and no regulator still know of none after a round trip."""
    exercise = read_exercise(SCENARIOS / "corvenna-traverse-exercise.toml")
    bare = replace(exercise, known=KnownAtStart(patients=exercise.known.patients))
    back = exercise_from(exercise_document(bare, is_embedded=True), bare.incident)
    assert back.known == bare.known
    assert back.known.cylinders == ()


def test_keys_are_counted_where_they_are_listed() -> None:
    """One key at the slope: a second connection waits for it, and none comes without one."""
    incident = CORVENNA.incident
    sundries = tuple(s for s in incident.sundries if s.kind != "key")
    one_key = (*sundries, SundryStock("key", 1, "slope"))
    exercise = replace(CORVENNA, incident=replace(incident, sundries=one_key))
    good = {"do": "connect", "patient": "C1", "cylinder": "D-01", "device": "non-rebreather",
            "flow_lpm": "15"}  # fmt: skip
    entry = decide(exercise, _ready(), good)
    assert isinstance(entry, LogEntry)
    truth = truth_at(exercise, log_run(2.0, replace(entry, id="c")))
    free = 2.0 + incident.swap_min
    assert dict(truth.keys or ()) == {
        p.name: (free,) if p.name == "slope" else () for p in incident.places
    }
    assert [h.has_key for h in truth.hands if h.free_from_min == free] == [True]
    told = (*_ready().told, Told(replace(entry, id="c"), "players", 2.0))
    busy = Run(minute=free - 0.5, told=told)
    again = good | {"do": "swap", "cylinder": "D-02"}
    faults = decide(exercise, busy, again)
    assert isinstance(faults, tuple)
    assert any("key free at slope" in f.allowed and "next is free" in f.mend for f in faults)
    gone = Given(Inject(1, "t", "a", "b", 1, changes=(Change("key gone", "slope"),)), 1.0)
    lost = replace(_ready(), given=(gone,))
    faults = decide(exercise, lost, good)
    assert isinstance(faults, tuple)
    assert any(f.mend == "There is none at slope." for f in faults)
    state = situation_at(exercise, lost)
    assert keys(state.incident) == (0,) * len(incident.places)
    listed_none = replace(CORVENNA, incident=replace(incident, sundries=sundries))
    assert truth_at(listed_none, lost).keys is None
