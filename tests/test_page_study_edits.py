"""Changes of a study's rows: every one leaves a study that reads, and nothing else changes."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.cache.study_document import study_document
from planner.page import caches, study_edits
from planner.page.edits import Path, row_at

SHIPPED = sorted(caches.shipped())


def tree_of(name: str) -> dict[str, Any]:
    path = caches.shipped()[name]
    return study_document(caches.study_of(caches.parsed(path.name, path.read_bytes())))


def paths_of(tree: dict[str, Any]) -> list[Path]:
    """Every row that has a form."""
    found: list[Path] = [("study",), ("limits",), ("uncertainty",)]
    for name in ("caches", "families", "incidents", "items"):
        found += [(name, number) for number in range(len(tree.get(name, ())))]
    for number, family in enumerate(tree.get("families", ())):
        for within in study_edits.WITHIN:
            found += [("families", number, within, i) for i in range(len(family.get(within, ())))]
    return found


def all_texts(tree: dict[str, Any]) -> dict[tuple[Path, str], tuple[str, ...]]:
    return {
        (path, field.name): study_edits.texts_of(tree, path, field)
        for path in paths_of(tree)
        for field in study_edits.fields_at(tree, path)
    }


@pytest.mark.parametrize("name", SHIPPED)
def test_a_form_sent_unchanged_changes_nothing(name: str) -> None:
    tree = tree_of(name)
    assert study_edits.with_texts(tree, all_texts(tree)) == tree


@pytest.mark.parametrize("name", SHIPPED)
def test_what_is_typed_anew_as_it_was_means_the_same(name: str) -> None:
    tree = tree_of(name)
    for path in paths_of(tree):
        for field in study_edits.fields_at(tree, path):
            texts = study_edits.texts_of(tree, path, field)
            if not any(texts) or field.name == "name":
                continue
            emptied = deepcopy(tree)
            for spelling in field.spellings:
                row_at(emptied, path).pop(spelling, None)
            new = study_edits.with_texts(emptied, {(path, field.name): texts})
            assert row_at(new, path) == row_at(tree, path), (path, field.name)


def test_new_names_are_followed() -> None:
    tree = tree_of("Tarvel Lofts")
    texts = {
        (("caches", 0), "name"): ("top loft",),
        (("families", 1, "transfer_groups", 0), "name"): ("big helicopter",),
    }
    study = caches.study_of(study_edits.with_texts(tree, texts))
    assert [cache.name for cache in study.caches] == ["top loft", "lower loft"]
    assert dict(study.cases[0].spots[0].arrive_min) == {"top loft": 8, "lower loft": 31}
    assert {p.transfer_group for p in study.cases[1].people} == {"big helicopter"}


def test_a_row_that_goes_takes_along_what_refers_to_it() -> None:
    tree = tree_of("Tarvel Lofts")
    study = caches.study_of(study_edits.without(tree, ("caches", 1)))
    assert [cache.name for cache in study.caches] == ["upper loft"]
    assert not any(item.held for item in study.items if item.name == "5 L")
    study = caches.study_of(study_edits.without(tree, ("families", 1, "transfer_groups", 0)))
    assert {p.transfer_group for p in study.cases[1].people} == {None}
    study = caches.study_of(study_edits.without(tree, ("families", 0, "spots", 0)))
    assert [s.chance for s in study.cases[0].spots] == pytest.approx([0.35 / 0.6, 0.25 / 0.6])


@pytest.mark.parametrize("name", SHIPPED)
def test_rows_that_are_added_leave_a_study_that_reads(name: str) -> None:
    tree = tree_of(name)
    before = caches.study_of(tree)
    for table in ("caches", "families"):
        tree = study_edits.with_added(tree, (table,))
    for within in study_edits.WITHIN:
        tree = study_edits.with_added(tree, ("families", 0, within))
    for kind in ("cylinder", "regulator", "device", "key", "washer"):
        tree = study_edits.with_added(tree, ("items",), kind)
    for file, place in caches.known_incidents().items():
        tree = study_edits.with_incident(tree, file, place)
    after = caches.study_of(tree)
    assert len(after.items) == len(before.items) + 5
    assert len(after.cases) == len(before.cases) + 1 + len(caches.known_incidents())
    assert len(after.caches) == len(before.caches) + 1


def test_an_item_of_another_kind_keeps_what_is_for_that_kind() -> None:
    tree = tree_of("Serrin Hut")
    number = next(n for n, item in enumerate(tree["items"]) if item["kind"] == "key")
    texts = {(("items", number), "kind"): ("regulator",)}
    new = caches.study_of(study_edits.with_texts(tree, texts)).items[number]
    assert (new.kind, new.connection) == ("regulator", "CGA 870")


@given(
    st.dictionaries(st.integers(0, 60), st.floats(0, 1, allow_nan=False), min_size=1, max_size=8)
)
def test_numbers_of_patients_survive_their_text(chances: dict[int, float]) -> None:
    raw = {"counts": list(chances), "chances": list(chances.values())}
    assert study_edits.counts_of(study_edits.counts_text(raw)) == raw


def test_numbers_of_patients_are_read_in_each_way() -> None:
    assert study_edits.counts_of("3") == 3
    assert study_edits.counts_of("Poisson 2.5, at most 7") == {"poisson": 2.5, "most": 7}
    assert study_edits.counts_of("1: x, 2") == {"counts": [1, 2], "chances": ["x", ""]}
    assert study_edits.counts_of("many") == "many"
