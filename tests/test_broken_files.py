"""Broken files are told fault by fault: where, what, what is allowed, how to mend; no crash."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import Fault, InputError
from planner.fields import TABLES as FIELD_TABLES
from planner.files import Reading, incident_from, parse_text, read_incident
from tests.broken_cases import (
    GOOD,
    GOOD_CSV,
    TABLES,
    TEXTS,
    TREES,
    WITH_CSV,
    TextCase,
    TreeCase,
    good_tree,
)

pytestmark = pytest.mark.timeout(20)
FUZZ = settings(derandomize=True, max_examples=150, deadline=None, database=None)
# Four parts of at most 60, 60, 200 and 60 characters, the allowed values and the mend: a screenful.
LONGEST = 1000


def faults_of(call: Callable[[], object]) -> tuple[Fault, ...]:
    """Run a reader that must refuse, and look at how each fault is told."""
    with pytest.raises(InputError) as caught:
        call()
    faults = caught.value.faults
    assert faults
    for fault in faults:
        assert_told_well(fault)
    assert str(caught.value).count("\n") == len(faults) - 1  # one line a fault
    return faults


def assert_told_well(fault: Fault) -> None:
    assert fault.file
    assert fault.received
    assert fault.allowed
    assert fault.mend
    assert fault.mend.endswith((".", "?"))
    assert len(str(fault)) <= LONGEST
    for char in str(fault):
        assert unicodedata.category(char) not in {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}, fault
    assert "planner." not in str(fault)
    for mark in ("(value=", "Row(", "datetime.", "None", "True"):  # no Python objects
        assert mark not in fault.received.split("'")[0], fault


def assert_found(faults: tuple[Fault, ...], case: TreeCase | TextCase) -> None:
    told = "\n".join(map(str, faults))
    assert any(case.place in f.place and case.words in str(f) for f in faults), told
    assert len(faults) == case.num, told  # nothing besides: no fault brings others after it


def test_good_file_has_no_fault() -> None:
    assert incident_from(good_tree(), "file.toml").incident.name == "Slide above the upper lift"


@pytest.mark.parametrize("case", [c for c in TREES if c.num], ids=lambda case: case.name)
def test_wrong_value_is_told(case: TreeCase) -> None:
    assert_found(faults_of(lambda: incident_from(case.tree(), "file.toml")), case)


@pytest.mark.parametrize("case", [c for c in TREES if not c.num], ids=lambda case: case.name)
def test_unusual_value_is_taken(case: TreeCase) -> None:
    assert isinstance(incident_from(case.tree(), "file.toml"), Reading)


@pytest.mark.parametrize("case", [*TEXTS, *TABLES], ids=lambda case: case.name)
def test_broken_file_is_told(case: TextCase, tmp_path: Path) -> None:
    assert_found(faults_of(lambda: read_incident(laid_out(case, tmp_path))), case)


def laid_out(case: TextCase, folder: Path) -> Path:
    inner = folder / "incidents"
    inner.mkdir()
    for name, content in (("file" + case.suffix, case.content), *case.csv):
        data = content if isinstance(content, bytes) else content.encode()
        (inner / name).write_bytes(data)
    return inner / ("file" + case.suffix)


def test_there_are_enough_cases() -> None:
    names = [case.name for case in (*TREES, *TEXTS, *TABLES)]
    assert len(names) >= 120
    assert len(set(names)) == len(names)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path, "a\0b.toml"):
        (fault,) = faults_of(lambda path=path: read_incident(path))
        assert "Check name and folder" in fault.mend


def test_name_of_the_file_cannot_write_to_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[2Jb.toml"
    path.write_text("x", encoding="utf-8")
    (fault,) = faults_of(lambda: read_incident(path))
    assert fault.file == "a\\x1b[2Jb.toml"


def test_ten_faults_are_told_at_once(tmp_path: Path) -> None:
    # One of each kind: shape, range, unit, text, choice, unknown field, name, twin, pair, CSV cell.
    text = (
        WITH_CSV.replace("schema = 1", "schema = 2")
        .replace("swap_min = 3.0", "swap_min = 300")
        .replace("swap_gap_min = 1.0", "swap_gap = 1.0")
        .replace("safe_residual_psi = 200", "safe_residual_psi = 600")
        .replace("gauge_psi = 1850", "gauge_kpa = 12755\ngauge_psi = 1850")
        .replace('size = "E"\ncount = 3', 'size = "EE"\ncount = 3')
        .replace('tag = "R-B"', 'tag = "R-A"')
        .replace('kind = "key"', 'kind = "kee"')
        .replace("arrive_min = [40, 60, 90]", "arrive_min = [40, 90, 60]")
    )
    csv = GOOD_CSV.replace("U2,minimal", "U2,minimum")
    case = TextCase("ten", text, "", csv=(("p.csv", csv),))
    faults = faults_of(lambda: read_incident(laid_out(case, tmp_path)))
    places = [fault.place.removeprefix("file.toml ") for fault in faults]
    assert sorted(places) == sorted(
        [
            "schema",
            "[incident] swap_min",
            "[incident] swap_gap",
            "[incident] safe_residual_psi",
            "[cylinders] D-A gauge_kpa",
            "[cylinders] EE-01, EE-02, EE-03 size",
            "[regulators] R-A tag",
            "[sundries] #1 kind",
            "[resupply] #1 arrive_min",
            "p.csv [patients] U2 triage",
        ]
    ), places


def test_same_fault_of_many_cylinders_is_told_once() -> None:
    tree = good_tree()
    tree["cylinders"][1] |= {"size": "EE", "count": 400}
    (fault,) = faults_of(lambda: incident_from(tree, "file.toml"))
    assert fault.row == "EE-01, EE-02, EE-03 and 397 more"


def test_every_field_refuses_what_no_field_takes() -> None:
    # A set of values none of which fits any kind of field, put into every field of every table.
    for table in FIELD_TABLES.values():
        for field in table.fields:
            for value in (object(), b"x", float("nan"), 3 + 4j):
                tree = good_tree()
                row = {field.spellings[0]: value}
                put_row(tree, table.name, row)
                places = [f.place for f in faults_of(lambda t=tree: incident_from(t, "file.toml"))]
                assert any(f"[{table.name}]" in p or field.name in p for p in places), field.name


def put_row(tree: dict[str, Any], table: str, row: dict[str, object]) -> None:
    if table in {"connected", "options", "legs"}:
        tree["patients"][2][table] = row if table == "connected" else [row]
    elif table == "phases":
        tree["patients"][1]["options"][0]["phases"] = [row]
    elif table.startswith("resupply "):
        tree["resupply"][0][table.split()[1]] = [row]
    elif FIELD_TABLES[table].is_single:
        tree[table] = row
    else:
        tree[table] = [*tree[table], row]


# --- random trees, bytes, tables -----------------------------------------------------------------

WORDS = st.sampled_from(
    [
        *sorted({s for t in FIELD_TABLES.values() for f in t.fields for s in f.spellings}),
        *("U1", "D-A", "R-A", "hut", "debris", "E", "UK CD", "M60", "built-in", "CGA 870"),
        *("non-rebreather", "cannula", "venturi 28", "immediate", "dead", "expectant", "infant"),
        *("CGA 540", "limb injury", ""),
    ]
)
LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(-2, 40),
    st.floats(),
    st.floats(0, 2000),
    st.text(max_size=20),
    WORDS,
    st.datetimes(),
    st.dates(),
    st.times(),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(WORDS | st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=8,
)


def spots(tree: Any, way: tuple[object, ...] = ()) -> list[tuple[Any, Any]]:
    """List every (container, key) of a tree."""
    found = []
    for key in list(tree) if isinstance(tree, dict) else range(len(tree)):
        found.append((tree, key))
        if isinstance(tree[key], dict | list):
            found += spots(tree[key], (*way, key))
    return found


@st.composite
def mutated_trees(draw: st.DrawFn) -> dict[str, Any]:
    tree = good_tree()
    for _ in range(draw(st.integers(1, 4))):
        places = spots(tree)
        if not places:
            break
        box, key = draw(st.sampled_from(places))
        act = draw(st.sampled_from(["replace", "delete", "rename", "double", "swap"]))
        if act == "replace":
            box[key] = draw(VALUES)
        elif act == "delete":
            del box[key]
        elif act == "rename" and isinstance(box, dict):
            box[draw(WORDS | st.text(max_size=12))] = box.pop(key)
        elif act == "double" and isinstance(box, list):
            box.append(box[key])
        else:
            other, name = draw(st.sampled_from(places))
            if (isinstance(other, dict) and name in other) or (
                isinstance(other, list) and name < len(other)
            ):
                # A copy by way of text, so that no tree ever holds itself.
                box[key] = json.loads(json.dumps(other[name], default=str))
    return tree


def read_or_refuse(call: Callable[[], object]) -> bool:
    """Run a reader; say whether it read. Anything but a Reading or an InputError fails."""
    try:
        reading = call()
    except InputError as error:
        refused = error.faults
    else:
        assert isinstance(reading, Reading)
        return True
    assert refused
    for fault in refused:
        assert_told_well(fault)
    return False


def test_mutated_tree_is_read_or_refused() -> None:
    seen: set[bool] = set()

    @FUZZ
    @given(mutated_trees())
    def look(tree: dict[str, Any]) -> None:
        seen.add(read_or_refuse(lambda: incident_from(tree, "file.toml")))

    look()
    assert seen == {True, False}  # else the mutations are too weak or too strong to tell anything


@FUZZ
@given(
    content=st.binary(max_size=300)
    | st.text(max_size=300).map(lambda t: t.encode("utf-8", "surrogatepass"))
    | st.tuples(st.integers(0, len(GOOD)), st.binary(max_size=6)).map(
        lambda cut: GOOD[: cut[0]].encode() + cut[1] + GOOD[cut[0] :].encode()
    ),
    suffix=st.sampled_from([".toml", ".json"]),
)
def test_random_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, suffix: str
) -> None:
    path = tmp_path_factory.getbasetemp() / ("random" + suffix)
    path.write_bytes(content)
    read_or_refuse(lambda: read_incident(path))


CELLS = st.text(max_size=12) | st.sampled_from(
    ["U1", "minimal", "[]", "hut", "1/2/3", '"', '"a', "1e9", "{}", "[{}]", "=1", ";", "\t", "\r"]
)


@FUZZ
@given(
    text=st.text(max_size=200)
    | st.lists(st.lists(CELLS, max_size=8).map(",".join), max_size=6).map(
        lambda lines: "\n".join([GOOD_CSV.split("\n", maxsplit=1)[0], *lines])
    )
    | st.tuples(st.integers(0, len(GOOD_CSV)), st.text(max_size=6)).map(
        lambda cut: GOOD_CSV[: cut[0]] + cut[1] + GOOD_CSV[cut[0] :]
    )
)
def test_random_table_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "random_table.toml").write_text(
        WITH_CSV.replace("p.csv", "random.csv"), encoding="utf-8"
    )
    (folder / "random.csv").write_bytes(text.encode("utf-8", "surrogatepass"))
    read_or_refuse(lambda: read_incident(folder / "random_table.toml"))


@FUZZ
@given(text=st.text(max_size=200), is_json=st.booleans())
def test_random_text_is_parsed_or_refused(text: str, is_json: bool) -> None:
    try:
        tree = parse_text(text, "file", is_json)
    except InputError as error:
        refused = error.faults
    else:
        assert isinstance(tree, dict)
        return
    assert len(refused) == 1
    assert_told_well(refused[0])
