"""What a study came to, in words: honest about what holds, hostile text literal everywhere."""

from __future__ import annotations

import csv
import json
import re
from copy import deepcopy
from dataclasses import replace
from functools import cache
from io import StringIO
from typing import Any

import pytest

from planner.banner import BANNER
from planner.cache.answer import Effort
from planner.cache.study import Cache, Limits, NumPatients, Study
from planner.cache.whole import Whole, whole_answer
from planner.report.cache_csv import cache_csv
from planner.report.cache_document import cache_document
from planner.report.cache_sheets import cache_html
from planner.report.cache_words import (
    FEW,
    binds_line,
    cache_text,
    called,
    first_line,
    limit_lines,
    missing_words,
    next_line,
    notes,
    shown_offers,
    target_line,
)
from tests.cache_studies import MASK, REGULATOR, SIMPLE, cylinder, family

EFFORT = Effort(model_samples=20, choosing_samples=60, fresh_samples=120)
HOSTILE = "<b>=fall</b> Does not hold: |x|"


def small(**more: Any) -> Study:
    return replace(Study(
        name="<script>hut</script>",
        cases=(family(HOSTILE, 1, NumPatients((1, 2), (0.7, 0.3))),),
        items=(cylinder("jumbo D", 4.4, 150, most=8), REGULATOR, MASK, SIMPLE),
        caches=(Cache("hut", 3),),
        limits=Limits(load_kg=18.0, pack_kg=1.8, budget=6000.0),
        target_chance=0.1,
    ), **more)  # fmt: skip


@cache
def small_content() -> str:
    """What the small study comes to, as JSON; worked out once a process."""
    return json.dumps(cache_document(small_whole()))


@cache
def small_whole() -> Whole:
    return whole_answer(small(), EFFORT)


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return dict(json.loads(small_content()))


def test_the_document_is_plain_json_and_complete(document: dict[str, Any]) -> None:
    again = json.loads(json.dumps(document, allow_nan=False))
    assert again == document
    assert document["kind"] == "cache"
    assert document["run"]["seed"] == EFFORT.seed
    assert document["run"]["samples"]["fresh"] == EFFORT.fresh_samples
    assert document["run"]["is_complete"]
    for part in ("offers", "rules", "frontier", "binds", "next_best", "what_ifs", "sizes", "holds"):
        assert document[part], part


def test_loads_hold_the_stock_exactly_and_each_is_complete(document: dict[str, Any]) -> None:
    for offer in document["offers"]:
        inside: dict[str, int] = {}
        for load in offer["loads"]:
            assert load["mass_kg"] <= 18.0
            for row in load["items"]:
                inside[row["item"]] = inside.get(row["item"], 0) + row["count"]
            assert {"jumbo D", "regulator"} <= {row["item"] for row in load["items"]}
        assert inside == {row["item"]: row["count"] for row in offer["stock"]}
        assert sum(load["mass_kg"] for load in offer["loads"]) == pytest.approx(offer["mass_kg"])


def test_the_first_line_says_what_holds_and_what_does_not(document: dict[str, Any]) -> None:
    tree = deepcopy(document)
    tree["first_line"] |= {
        "holds": [
            {"case": "winter noon", "patients": 4, "for_min": 90.2},
            {"case": "the helicopter out", "patients": 2, "for_min": None},
        ],
        "does_not_hold": [
            {"case": "the helicopter out", "from_patients": 3},
            {"case": "smoke", "from_patients": 1},
        ],
    }
    assert first_line(tree) == (
        "Holds 4 oxygen patients for 90 min at winter noon; 2 at the helicopter out. "
        "Does not hold: 3 or more at the helicopter out; any oxygen patient at smoke."
    )
    tree["first_line"]["does_not_hold"] = []
    assert first_line(tree).endswith("Holds all that was tried.")
    tree["holds"] = []  # stopped before
    assert "not worked out" in first_line(tree)
    assert "Holds all" not in first_line(tree)


def test_the_first_line_agrees_with_what_was_tried(document: dict[str, Any]) -> None:
    for one in document["holds"]:
        held = [row for row in document["first_line"]["holds"] if row["case"] == one["case"]]
        assert [row["patients"] for row in held] == ([one["patients"]] if one["patients"] else [])
        missing = [r["case"] for r in document["first_line"]["does_not_hold"]]
        assert (one["case"] in missing) == (one["patients"] < one["most"])


def test_a_stock_over_the_target_is_called_so(document: dict[str, Any]) -> None:
    tree = deepcopy(document)
    tree["is_reachable"] = False
    assert target_line(tree).startswith("NO STOCK WITHIN THE LIMITS")
    assert not target_line(document).startswith("NO STOCK")
    tree["offers"][0]["word"] = "over the target"
    assert FEW not in notes(tree)
    assert FEW in notes(tree | {"is_reachable": True})


def test_the_same_stock_is_shown_once(document: dict[str, Any]) -> None:
    tree = deepcopy(document)
    one = tree["offers"][0]
    tree["offers"] = [one, {**one, "name": "cheapest"}, {**one, "name": "between"}]
    assert len(shown_offers(tree)) == 1
    assert called(tree, "between") == "lightest and cheapest"


def test_the_bound_is_told_only_of_what_was_made_small(document: dict[str, Any]) -> None:
    tree = deepcopy(document)
    tree["offers"] = tree["offers"][:1]
    offer = tree["offers"][0]
    assert offer["lighter"]["none_below_kg"] <= offer["mass_kg"]
    assert f"lighter than {offer['lighter']['none_below_kg']:.1f} kg" in next(limit_lines(tree))
    offer["lighter"] |= {"is_whole": False}
    assert "Heavier ones were not all tried" in next(limit_lines(tree))
    offer["lighter"] |= {"none_below_kg": 0.0}
    assert "too many lighter sets" in next(limit_lines(tree))
    del offer["lighter"]  # as in a document that was kept before it was tried
    offer["model"] |= {"made_small": "mass", "bound": offer["mass_kg"] + 3.0}
    (line,) = limit_lines(tree)
    assert f"lighter than {offer['mass_kg'] + 3.0:.1f} kg" in line
    assert "The one offered is less" in line
    offer["model"]["bound"] = offer["mass_kg"] - 1.0
    assert "is less" not in next(limit_lines(tree))
    offer["model"]["made_small"] = "both"
    assert not list(limit_lines(tree))


def test_only_clear_gains_within_the_limits_are_recommended(document: dict[str, Any]) -> None:
    tree = deepcopy(document)
    by = {"value": -0.02, "low": -0.03, "high": -0.01, "samples": 9}
    row = {"what": "size A", "anyone": tree["offers"][0]["anyone"], "mass_kg": 4.0, "price": 9.0,
           "by": by, "is_within": True}  # fmt: skip
    unclear = row | {"what": "size B", "by": by | {"high": 0.01}}
    tree["next_best"] = [unclear, row]
    assert next_line(tree).startswith(
        "Next best to buy: 1 x size A for 9 EUR and 4.0 kg: 2.0 points"
    )
    tree["next_best"] = [row | {"price": 0.0}]  # there already, or no prices given
    assert next_line(tree).startswith("Next best to add: 1 x size A of 4.0 kg: 2.0 points")
    tree["next_best"] = [row | {"is_within": False}]
    assert next_line(tree).startswith("No single item more within the limits")
    tree["binds"] = [unclear]
    assert "clearly" in binds_line(tree)
    tree["binds"] = [row]
    assert binds_line(tree).startswith("Size A bind")


def test_hostile_text_is_literal_everywhere(document: dict[str, Any]) -> None:
    text = cache_text(document)
    assert text.startswith(BANNER)
    assert text.rstrip().endswith(BANNER)
    assert "<script>hut</script>" in text
    html = cache_html(document)
    assert "<script>" not in html
    assert "<b>=" not in html
    assert "&lt;b&gt;=fall&lt;/b&gt;" in html
    files = cache_csv(document)
    cells = [c for n, t in files.items() if n.endswith(".csv")
             for row in csv.reader(StringIO(t)) for c in row]  # fmt: skip
    assert cells
    assert not [c for c in cells if re.match(r"[=+@]", c)]


def test_each_page_of_the_print_has_the_banner_and_the_first_has_what_a_payer_asks(
    document: dict[str, Any],
) -> None:
    html = cache_html(document, "revision 7")
    pages = html.split('<section class="sheet')[1:]
    assert len(pages) == 3
    assert all(BANNER in page and "revision 7" in page for page in pages)
    heads = re.findall(r'<th scope="row">([^<]+)</th>', pages[0])
    assert heads == ["Holds", "Covers", "Does not cover", "Cost", "Next best spent", "Approved by",
                     "Review date"]  # fmt: skip
    if missing_words(document):
        assert "Does not hold: |x|" in pages[0]
    assert "<svg" in pages[2]
    assert not re.search(r"\b(src|href)=|url\(|@import|<script", html)
