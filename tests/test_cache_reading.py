"""Studies of caches out of and into files: faults with their words, twins, round trips, a region.

EXERCISE - NOT FOR PATIENT CARE. Invented.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from planner.cache.reading import (
    full_mass_kg,
    read_study,
    study_document,
    study_from,
    write_study,
)
from planner.cache.region import Region, read_region, region_from, studies_of
from planner.cache.study import Family, KnownIncident, Stock, held_stock, stock_mass_kg, stock_price
from planner.errors import InputError
from planner.incident import ThreePoint
from planner.units import Pressure, Temperature

SCENARIOS = Path(__file__).parents[1] / "scenarios"
REGION = SCENARIOS / "ondrel-region-study.toml"
STUDIES = sorted(p for p in SCENARIOS.glob("*-study.toml") if p != REGION)

GOOD = """\
schema = 1
[study]
name = "Tried"
change_at_psi = 500
[limits]
load_kg = 18.0
pack_kg = 1.8
budget = 4000.0
[[caches]]
name = "hut"
carriers = 3
[[caches]]
name = "road"
[[families]]
name = "slab avalanche"
weight = 3
num_patients = { poisson = 2.5, most = 7 }
air_temperature_c = -12
responders = 4
spots = [{ name = "bowl", arrive_min = { hut = 14, road = 30 } }]
transfer_groups = [{ name = "helicopter", no_show_chance = 0.1, fallback_min = [100, 150, 240] }]
people = [
  { share = 0.5, triage = "immediate", indication = "major trauma", transfer_min = [50, 80, 140], transfer_group = "helicopter", late_chance = 0.2, found_min = [20, 35, 60] },
  { share = 0.5, triage = "delayed", indication = "trauma, reading below 94" },
]
[[families]]
name = "two in the gully"
num_patients = 2
weather = [{ air_temperature_c = -12, chance = 0.7 }, { air_temperature_f = 30, chance = 0.3 }]
responders = 2
spots = [{ name = "a", chance = 0.6, arrive_min = { hut = 14 } }, { name = "b", chance = 0.4, arrive_min = { road = 9 } }]
people = [{ triage = "immediate", indication = "major trauma" }]
[[incidents]]
name = "known"
file = "ulvaren-bowl.toml"
places = { hut = "hut" }
keep_kit = true
[[items]]
name = "small"
kind = "cylinder"
size = "aluminium D"
price = 95.0
most = 12
held = { hut = 2 }
[[items]]
name = "with a valve"
kind = "cylinder"
size = "5 L"
connection = "built-in"
mass_kg = 8
gauge_bar = 180
[[items]]
name = "regulator"
kind = "regulator"
connection = "CGA 870"
mass_kg = 0.6
[[items]]
name = "key"
kind = "key"
mass_kg = 0.05
[[items]]
name = "mask"
kind = "device"
device = "non-rebreather"
mass_kg = 0.1
[[items]]
name = "thin mask"
kind = "device"
device = "simple mask"
mass_kg = 0.1
"""  # noqa: E501 - rows of TOML stand on one line
TREE = tomllib.loads(GOOD)
Tree = dict[str, Any]
Change = Callable[[Tree], object]


def changed(change: Change) -> Tree:
    tree = copy.deepcopy(TREE)
    change(tree)
    return tree


def faults(tree: Tree, read: Callable[..., object] = study_from) -> list[str]:
    """Return the faults as people see them; none where it reads."""
    try:
        read(tree, SCENARIOS, "x.toml")
    except InputError as error:
        return [str(fault) for fault in error.faults]
    return []


def row(table: str, number: int, **values: object) -> Change:
    """Set values of one row; None removes one."""

    def change(tree: Tree) -> None:
        for name, value in values.items():
            tree[table][number].pop(name, None)
            if value is not None:
                tree[table][number][name] = value

    return change


def inner(table: str, number: int, own: str, which: int, **values: object) -> Change:
    """Set values of a row inside a row."""
    return lambda tree: row(own, which, **values)(tree[table][number])


def head(table: str, **values: object) -> Change:
    return lambda tree: tree[table].update(values)


def both(*changes: Change) -> Change:
    return lambda tree: [change(tree) for change in changes]


@dataclass(frozen=True)
class Case:
    """A change that makes one fault, what is told of it, and a change like it that makes none."""

    name: str
    change: Change
    told: str
    twin: Change


CASES = [
    Case("schema", lambda t: t.update(schema=2),
         "x.toml schema: received 2; allowed: schema = 1. Put schema = 1 on top.",
         lambda t: t.update(schema=1)),
    Case("unknown table", lambda t: t.update(cashes=[]),
         "x.toml cashes: received an empty list; allowed: a known table. Did you mean caches?",
         lambda t: None),
    Case("unknown field", row("families", 0, responder=3),
         "x.toml [families] slab avalanche responder: received 3; allowed: a known field of "
         "families. Did you mean responders?", row("families", 0, responders=3)),
    Case("two heads", lambda t: t.update(study=[{"name": "Tried"}]),
         "x.toml [study]: received [a table]; allowed: one table. Write it as [study].",
         lambda t: t.update(study={"name": "Tried"})),
    Case("hostile name", head("study", name="a\x1b[2J"),
         "x.toml [study] name: received 'a\\x1b[2J'; allowed: printable text without control "
         "characters or escape sequences. Remove the character U+001B.",
         head("study", name="<b>&amp;")),
    Case("residual above change", head("study", safe_residual_psi=600),
         "x.toml [study] safe_residual_psi: received 600 psi; allowed: at most 500 psi, where a "
         "swap is due (change_at). Lower it, or change earlier.",
         head("study", safe_residual_psi=500)),
    Case("gap longer than swap", head("study", swap_gap_min=4),
         "x.toml [study] swap_gap_min: received 4; allowed: at most 3 min, the whole swap "
         "(swap_min). Lower it.", head("study", swap_gap_min=3)),
    Case("budget below 0", head("limits", budget=-1),
         "x.toml [limits] budget: received -1; allowed: 0 to 1e+09. Check the digits.",
         head("limits", budget=0)),
    Case("nothing to hold for", lambda t: [t.pop("families"), t.pop("incidents")],
         "x.toml [families]: received nothing; allowed: at least one family or incident. Say what "
         "the cache is for: add [[families]] or [[incidents]].", lambda t: t.pop("families")),
    Case("no weight at all", both(row("families", 0, weight=0), row("families", 1, weight=0),
                                  row("incidents", 0, weight=0)),
         "x.toml [families] slab avalanche weight: received 0; allowed: at least one above 0. Say "
         "which of them counts.", both(row("families", 0, weight=0), row("families", 1, weight=0))),
    Case("cache twice", lambda t: t["caches"].append({"name": "hut"}),
         "x.toml [caches] hut name: received 'hut'; allowed: each cache once. Another row has it "
         "too: rename one.", lambda t: t["caches"].append({"name": "hut 2"})),
    Case("family named as an incident", row("incidents", 0, name="slab avalanche"),
         "x.toml [incidents] slab avalanche name: received 'slab avalanche'; allowed: each family "
         "or incident once. Another row has it too: rename one.",
         row("incidents", 0, name="Slab avalanche")),
    Case("item twice", row("items", 5, name="mask"),
         "x.toml [items] mask name: received 'mask'; allowed: each item once. Another row has it "
         "too: rename one.", row("items", 5, name="mask 2")),
    # ----- families ------------------------------------------------------------------------------
    Case("half a patient", row("families", 1, num_patients=2.5),
         "x.toml [families] two in the gully num_patients: received 2.5; allowed: a whole number "
         "up to 60, { poisson = 2.5, most = 7 } or { counts = [1, 2], chances = [0.6, 0.4] }. "
         "Write it in one of the three ways.", row("families", 1, num_patients=3)),
    Case("how many not said", row("families", 1, num_patients=None),
         "x.toml [families] two in the gully num_patients: received nothing; allowed: how many "
         "patients there are. Add it, such as { poisson = 2.5, most = 7 }.",
         row("families", 1, num_patients=1)),
    Case("two ways at once", row("families", 0, num_patients={"poisson": 2, "counts": [1]}),
         "x.toml [num_patients] slab avalanche: received counts, poisson; allowed: poisson with "
         "most, or counts with chances. Keep one of the two pairs.",
         row("families", 0, num_patients={"poisson": 2, "most": 3})),
    Case("chances of counts", row("families", 0,
                                  num_patients={"counts": [1, 2], "chances": [0.5, 0.4]}),
         "x.toml [num_patients] slab avalanche chances: received [0.5, 0.4]: in all 0.9; allowed: "
         "1 in all. Change them so that their sum is 1.",
         row("families", 0, num_patients={"counts": [1, 2], "chances": [0.5, 0.5]})),
    Case("one chance missing", row("families", 0,
                                   num_patients={"counts": [1, 2], "chances": [1.0]}),
         "x.toml [num_patients] slab avalanche chances: received [1]; allowed: 2 chances, one "
         "for each of the counts. Correct one of the lists.",
         row("families", 0, num_patients={"counts": [1], "chances": [1.0]})),
    Case("never a patient", row("families", 0, num_patients={"counts": [0], "chances": [1]}),
         "x.toml [num_patients] slab avalanche counts: received [0]; allowed: a number above 0 "
         "that may be. As it stands there is never a patient.",
         row("families", 0, num_patients={"counts": [0, 1], "chances": [0.9, 0.1]})),
    Case("no weather", row("families", 0, air_temperature_c=None),
         "x.toml [families] slab avalanche air_temperature_c: received nothing; allowed: "
         "air_temperature_c or _f, or weather. Say how cold it is: a cold cylinder gives less.",
         row("families", 0, air_temperature_c=None, air_temperature_f=10)),
    Case("weather said twice", row("families", 1, air_temperature_c=-3),
         "x.toml [families] two in the gully air_temperature_c: received air_temperature and "
         "weather; allowed: air_temperature_c or _f, or weather. Keep one of them.",
         row("families", 1, air_temperature_c=-3, weather=None)),
    Case("chances of weather", inner("families", 1, "weather", 0, chance=0.6),
         "x.toml [families] two in the gully weather: received chance 0.6, 0.3: in all 0.9; "
         "allowed: 1 in all. Change them so that their sum is 1.",
         both(inner("families", 1, "weather", 0, chance=0.6),
              inner("families", 1, "weather", 1, chance=0.4))),
    Case("no people", row("families", 0, people=[]),
         "x.toml [families] slab avalanche people: received an empty list; allowed: at least one "
         "kind of patient. Add people = [{ share = 1, ... }].",
         lambda t: t["families"][0]["people"].pop() and row("families", 0, people=[
             {"triage": "immediate", "indication": "major trauma"}])(t)),
    Case("shares of people", inner("families", 0, "people", 0, share=0.6),
         "x.toml [families] slab avalanche people: received share 0.6, 0.5: in all 1.1; allowed: "
         "1 in all. Change them so that their sum is 1.",
         both(inner("families", 0, "people", 0, share=0.6),
              inner("families", 0, "people", 1, share=0.4))),
    Case("chances of spots", inner("families", 1, "spots", 0, chance=0.5),
         "x.toml [families] two in the gully spots: received chance 0.5, 0.4: in all 0.9; "
         "allowed: 1 in all. Change them so that their sum is 1.",
         inner("families", 1, "spots", 0, chance=0.6)),
    Case("no cache reaches it", inner("families", 0, "spots", 0, arrive_min={}),
         "x.toml [spots] slab avalanche #1 arrive_min: received an empty table; allowed: minutes "
         "until at least one cache is there, such as { hut = 14 }. Add the minutes of a cache that "
         "reaches it, or remove the spot.",
         inner("families", 0, "spots", 0, arrive_min={"road": 1})),
    Case("minutes left out", inner("families", 0, "spots", 0, arrive_min=None),
         "x.toml [spots] slab avalanche #1 arrive_min: received nothing; allowed: minutes until "
         "at least one cache is there, such as { hut = 14 }. Add the minutes of a cache that "
         "reaches it, or remove the spot.",
         inner("families", 0, "spots", 0, arrive_min={"hut": 0})),
    Case("unknown cache", inner("families", 0, "spots", 0, arrive_min={"hutt": 14}),
         "x.toml [spots] slab avalanche #1 arrive_min: received 'hutt'; allowed: one of hut, road. "
         "Did you mean hut?", inner("families", 0, "spots", 0, arrive_min={"hut": 14})),
    Case("minutes below 0", inner("families", 0, "spots", 0, arrive_min={"hut": -1}),
         "x.toml [spots] slab avalanche #1 arrive_min: received a table; allowed: minutes by name: "
         "at 'hut' 0 to 10080 min. Check the digits and the unit.",
         inner("families", 0, "spots", 0, arrive_min={"hut": 0})),
    Case("unknown transport", inner("families", 0, "people", 0, transfer_group="heli"),
         "x.toml [people] slab avalanche #1 transfer_group: received 'heli'; allowed: one of "
         "helicopter. Check the spelling, or add it to the family's transfer_groups.",
         inner("families", 0, "people", 0, transfer_group=None)),
    Case("found when", inner("families", 0, "people", 1, late_chance=0.3),
         "x.toml [people] slab avalanche #2 found_min: received nothing; allowed: when they are "
         "found, in minutes. Add found_min, or remove late_chance.",
         inner("families", 0, "people", 1, late_chance=0.3, found_min=40)),
    Case("found but never late", inner("families", 0, "people", 0, late_chance=None),
         "x.toml [people] slab avalanche #1 late_chance: received 0; allowed: above 0 where "
         "found_min is given. Add it, or remove found_min.",
         inner("families", 0, "people", 0, late_chance=None, found_min=None)),
    # ----- incidents -----------------------------------------------------------------------------
    Case("file elsewhere", row("incidents", 0, file="../ulvaren-bowl.toml"),
         "x.toml [incidents] known file: received '../ulvaren-bowl.toml'; allowed: a file in the "
         "same folder or below it. Put the incident beside the study.",
         row("incidents", 0, file="ulvaren-bowl.toml")),
    Case("no such file", row("incidents", 0, file="no.toml"),
         "no.toml: received nothing (no such file or directory); allowed: a file that can be read. "
         "Check name and folder.", row("incidents", 0, file="pelvarra-camp.toml", places=None)),
    Case("no place", row("incidents", 0, places={}),
         "x.toml [incidents] known places: received an empty table; allowed: the place of at least "
         "one cache's stock. Places there: debris, collection point, hut.",
         row("incidents", 0, places={"road": "debris"})),
    Case("unknown place", row("incidents", 0, places={"hut": "nowhere"}),
         "x.toml [incidents] known places: received 'nowhere'; allowed: one of debris, collection "
         "point, hut. Check the spelling, or add it to the places of ulvaren-bowl.toml.",
         row("incidents", 0, places={"hut": "collection point"})),
    # ----- items ---------------------------------------------------------------------------------
    Case("more there than may be", row("items", 0, held={"hut": 13}),
         "x.toml [items] small held: received 13 at hut; allowed: at most 12 in one cache (most). "
         "Raise most, or count again.", row("items", 0, held={"hut": 12, "road": 12})),
    Case("held where", row("items", 0, held=3),
         "x.toml [items] small held: received 3; allowed: counts by name. Write it like held = "
         "{ hut = 2 }.", row("items", 0, held={})),
    Case("a field of another kind", row("items", 3, size="D"),
         "x.toml [items] key size: received 'D'; allowed: nothing for a key. Remove it, or correct "
         "kind = 'key'.", row("items", 0, size="D")),
    Case("not weighed", row("items", 2, mass_kg=None),
         "x.toml [items] regulator mass_kg: received nothing; allowed: 0.001 to 200 kg. Weigh one "
         "and add it.", row("items", 1, mass_kg=None)),
    Case("which valve", row("items", 1, connection=None),
         "x.toml [items] with a valve connection: received nothing; allowed: one of ISO 407, DIN "
         "477 no. 9, built-in. Read it off the valve: it comes with any.",
         row("items", 0, connection=None)),
    Case("unknown size", row("items", 0, size="6 L"),
         "x.toml [items] small size: received '6 L'; allowed: one of M6, M9, D, aluminium D, jumbo "
         "D, E, aluminium E, M60 and 12 more. Did you mean 5 L?", row("items", 0, size="M9")),
    Case("no regulator for it", both(row("items", 1, connection="ISO 407")),
         "x.toml [items] with a valve connection: received ISO 407; allowed: one for which a "
         "regulator is listed: there is none for ISO 407. Add such a regulator to [[items]].",
         both(row("items", 1, connection="ISO 407"), lambda t: t["items"].append(
             {"name": "r", "kind": "regulator", "connection": "ISO 407", "mass_kg": 1}))),
    Case("a regulator for another valve", row("items", 2, connection="CGA 780"),
         "x.toml [items] regulator connection: received 'CGA 780'; allowed: one of CGA 870, CGA "
         "540, ISO 407, DIN 477 no. 9, BS 341 no. 3. Did you mean CGA 870?", lambda t: None),
    Case("other words for a device", row("items", 4, device="NRB"),
         "x.toml [items] mask device: received 'NRB'; allowed: one of non-rebreather, simple mask, "
         "cannula, venturi 24, venturi 28, venturi 35, venturi 40, venturi 60 and 1 more. Write "
         "non-rebreather.", row("items", 4, device="cannula")),
    Case("a wrong device and no other mask",
         both(row("items", 4, device="non rebreather mask"), lambda t: t["items"].pop()),
         "x.toml [items] mask device: received 'non rebreather mask'; allowed: one of "
         "non-rebreather, simple mask, cannula, venturi 24, venturi 28, venturi 35, venturi 40, "
         "venturi 60 and 1 more. Did you mean non-rebreather?", lambda t: t["items"].pop(4)),
    Case("a wrong kind and no other mask",
         both(row("items", 4, kind="mask"), lambda t: t["items"].pop()),
         "x.toml [items] mask kind: received 'mask'; allowed: one of cylinder, regulator, device, "
         "key, washer. Write one of these words.", lambda t: t["items"].pop(4)),
    Case("a mask that none of them is given", both(
        inner("families", 0, "people", 1, age="child"), lambda t: None),
         "x.toml [people] slab avalanche #2 indication: received 'trauma, reading below 94'; "
         "allowed: a device among the items that gives it: simple mask, cannula, size child. Add "
         "one to [[items]].",
         both(inner("families", 0, "people", 1, age="child"), lambda t: t["items"].append(
             {"name": "c", "kind": "device", "device": "cannula", "age": "child",
              "mass_kg": 0.1}))),
    Case("too little to carry", head("limits", load_kg=5.0),
         "x.toml [limits] load_kg: received 5; allowed: more than 5.48 kg: the pack with the "
         "lightest cylinder, a regulator that fits and a mask. Raise it, or list something "
         "lighter.", head("limits", load_kg=5.5)),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_one_fault_told_and_none_in_its_twin(case: Case) -> None:
    assert faults(changed(case.change)) == [case.told]
    assert faults(changed(case.twin)) == []


def test_all_faults_at_once_each_once() -> None:
    several = [case for case in CASES if case.name in {
        "hostile name", "budget below 0", "shares of people", "chances of weather", "no such file",
        "more there than may be", "not weighed"}]  # fmt: skip
    told = faults(changed(both(*(case.change for case in several))))
    assert sorted(told) == sorted(case.told for case in several)
    assert len(several) == 7


def test_an_unreadable_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("schema = ", encoding="utf-8")
    for read in (read_study, read_region):
        with pytest.raises(InputError):
            read(path)


# ----- what is read -------------------------------------------------------------------------------


def test_what_is_read_and_what_was_assumed() -> None:
    study = study_from(TREE, SCENARIOS)
    first, second, known = study.cases
    assert isinstance(first, Family)
    assert isinstance(second, Family)
    assert isinstance(known, KnownIncident)
    chances = first.num_patients.chances
    assert sum(chances) == pytest.approx(1, abs=1e-12)
    for n, (a, b) in enumerate(pairwise(chances)):
        assert b / a == pytest.approx(2.5 / (n + 1))  # Poisson: each by the one before
    assert second.num_patients.counts == (2,)
    assert second.weather[1].temperature == Temperature(30.0, "F")
    assert known.places == (("hut", "hut"),)
    assert known.keeps_kit
    person = first.people[0]
    assert (person.transfer, person.found) == (ThreePoint(50, 80, 140), ThreePoint(20, 35, 60))
    assert (person.transfer_group, person.late_chance) == ("helicopter", 0.2)
    assert study.weights == pytest.approx((0.6, 0.2, 0.2))
    small = study.item("small")
    assert (small.connection, small.gauge) == ("CGA 870", Pressure(2015.0, "psi"))
    assert any("small: kept at 2015 psi" in line for line in study.assumed)
    assert held_stock(study) == Stock.of({("hut", "small"): 2})
    assert stock_price(study, Stock.of({("hut", "small"): 3, ("road", "small"): 1})) == 2 * 95


def test_mass_of_a_full_cylinder() -> None:
    """Filled at 70 F it holds its nominal 425 L (table), .564 kg by 1.326 g/L, in 2.4 kg."""
    assert full_mass_kg("aluminium D", 2.89, Pressure(2015.0, "psi"), Temperature(70.0, "F")) == (
        pytest.approx(2.4 + 425 * 1.326e-3, abs=0.006)
    )


def test_a_cylinder_that_reads_less_weighs_less() -> None:
    light = study_from(changed(row("items", 0, gauge_psi=1000)), SCENARIOS).item("small")
    assert light.mass_kg < study_from(TREE, SCENARIOS).item("small").mass_kg - 0.2
    assert light.mass_kg > 2.4


# ----- round trips --------------------------------------------------------------------------------


def test_all_that_a_study_may_say_survives() -> None:
    study = study_from(TREE, SCENARIOS)
    tree = study_document(study)
    assert study_from(tree, SCENARIOS) == study
    assert study_document(study_from(tree, SCENARIOS)) == tree
    assert "mass_kg" not in tree["items"][0]  # it follows from the table
    assert tree["items"][1]["mass_kg"] == 8
    # One number changed is another study: the comparison above sees it.
    tree["families"][0]["people"][0]["late_chance"] = 0.25
    assert study_from(tree, SCENARIOS) != study


@pytest.mark.parametrize("path", [*STUDIES, REGION], ids=lambda path: path.stem)
@pytest.mark.parametrize("ending", ["toml", "json"])
def test_a_shipped_study_survives(path: Path, ending: str, tmp_path: Path) -> None:
    study = read_region(path).study if path == REGION else read_study(path)
    again = tmp_path / f"again.{ending}"
    write_study(study, again)
    assert read_study(again) == study


@pytest.mark.parametrize("path", [*STUDIES, REGION], ids=lambda path: path.stem)
def test_a_shipped_study_says_what_it_is(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    assert lines[0].endswith("EXERCISE - NOT FOR PATIENT CARE. Invented.")
    assert lines[2].startswith("# Teaches: ")
    assert max(map(len, (line for line in lines if line.startswith("#")))) <= 100


def test_shipped_studies_are_of_their_kinds() -> None:
    hut, lofts = (read_study(path) for path in STUDIES)
    assert [p.stem for p in STUDIES] == ["serrin-hut-study", "tarvel-lofts-study"]
    assert len(hut.cases) == 3
    assert sum(item.kind == "cylinder" for item in hut.items) == 5
    assert {item.kind for item in hut.items} == {"cylinder", "regulator", "device", "key", "washer"}
    assert len(lofts.caches) == 2
    for family in lofts.cases:
        assert isinstance(family, Family)
        assert len(family.spots) == 3
        # Each loft is the nearer one somewhere.
        first = [min(dict(s.arrive_min), key=dict(s.arrive_min).__getitem__) for s in family.spots]
        assert set(first) == {"upper loft", "lower loft"}


# ----- regions ------------------------------------------------------------------------------------


def in_region(change: Change = lambda tree: None) -> Tree:
    tree = changed(lambda t: t.update(
        region={"name": "Tried region"},
        valleys=[{"name": "here"}, {"name": "there", "weights": {"known": 5, "slab avalanche": 0},
                                    "extra_min": {"hut": 6}, "temperature_shift_c": -4}],
        stocks=[{"name": "S", "cache": "hut", "items": {"small": 3, "regulator": 1}},
                {"name": "S", "cache": "road", "items": {"small": 1}},
                {"name": "T", "cache": "road", "items": {}}],
    ))  # fmt: skip
    change(tree)
    return tree


def test_a_valley_changes_what_it_says_and_nothing_else() -> None:
    region = region_from(in_region(), SCENARIOS)
    (one, here), (other, there) = studies_of(region)
    assert (one, other) == ("here", "there")
    assert here == replace(region.study, name="Tried, here")
    assert [case.weight for case in there.cases] == [0, 1, 5]
    slab, gully = there.cases[:2]
    assert isinstance(slab, Family)
    assert isinstance(gully, Family)
    assert slab.spots[0].arrive_min == (("hut", 20.0), ("road", 30.0))
    assert [w.temperature.c for w in gully.weather] == pytest.approx([-16, (30 - 32) / 1.8 - 4])
    assert there.cases[2] == replace(region.study.cases[2], weight=5)
    assert there.items == here.items


def test_rows_of_a_stock_go_together() -> None:
    stocks = dict(region_from(in_region(), SCENARIOS).stocks)
    assert stocks == {
        "S": Stock.of({("hut", "small"): 3, ("hut", "regulator"): 1, ("road", "small"): 1}),
        "T": Stock(),
    }


REGION_CASES = [
    Case("no valley", lambda t: t.update(valleys=[]),
         "x.toml [valleys]: received nothing; allowed: at least one valley. Add it as "
         "[[valleys]].", lambda t: t["valleys"].pop()),
    Case("valley twice", row("valleys", 1, name="here"),
         "x.toml [valleys] here name: received 'here'; allowed: each valley once. Another row has "
         "it too: rename one.", row("valleys", 1, name="here 2")),
    Case("unknown family", row("valleys", 1, weights={"slab": 1}),
         "x.toml [valleys] there weights: received 'slab'; allowed: one of slab avalanche, two in "
         "the gully, known. Check the spelling, or add it to [[families]] or [[incidents]].",
         row("valleys", 1, weights={"known": 1})),
    Case("nothing counts there", row("valleys", 1, weights={
        "slab avalanche": 0, "two in the gully": 0, "known": 0}),
         "x.toml [valleys] there weights: received only weights of 0; allowed: at least one weight "
         "above 0. Say what counts there.",
         row("valleys", 1, weights={"slab avalanche": 0, "known": 0})),
    Case("before the alarm", row("valleys", 1, extra_min={"road": -10}),
         "x.toml [valleys] there extra_min: received a cache at minute -1; allowed: so much that "
         "no cache is there before the alarm. Come closer to 0.",
         row("valleys", 1, extra_min={"road": -9})),
    Case("colder than allowed", row("valleys", 1, temperature_shift_c=-40),
         "x.toml [valleys] there temperature_shift_c: received air of -52 C; allowed: air from -50 "
         "to 50 C. Come closer to 0.", row("valleys", 1, temperature_shift_c=-38)),
    Case("unknown item", row("stocks", 0, items={"smal": 1}),
         "x.toml [stocks] S items: received 'smal'; allowed: one of small, with a valve, "
         "regulator, key, mask, thin mask. Did you mean small?",
         row("stocks", 0, items={"small": 1})),
    Case("which cache", row("stocks", 2, cache=None),
         "x.toml [stocks] T cache: received nothing; allowed: one of hut, road. Say in which cache "
         "it lies.", row("stocks", 2, cache="hut")),
    Case("stock twice", row("stocks", 1, cache="hut"),
         "x.toml [stocks] S name: received 'S'; allowed: each stock once for a cache. Another row "
         "has it too: rename one.", row("stocks", 1, cache="hut", name="U")),
    Case("a fault in its study", row("items", 2, mass_kg=None),
         "x.toml [items] regulator mass_kg: received nothing; allowed: 0.001 to 200 kg. Weigh one "
         "and add it.", row("items", 2, mass_kg=0.7)),
]  # fmt: skip


@pytest.mark.parametrize("case", REGION_CASES, ids=lambda case: case.name)
def test_one_fault_of_a_region_and_none_in_its_twin(case: Case) -> None:
    assert faults(in_region(case.change), region_from) == [case.told]
    assert faults(in_region(case.twin), region_from) == []


@pytest.fixture(scope="module")
def ondrel() -> Region:
    return read_region(REGION)


def test_the_shipped_region(ondrel: Region) -> None:
    studies = studies_of(ondrel)
    assert (len(studies), len(ondrel.study.cases), len(ondrel.stocks)) == (12, 3, 4)
    assert len(dict(studies)) == 12
    arvenmouth, hesk = studies[0][1], dict(studies)["Hesk"]
    assert arvenmouth.cases == ondrel.study.cases
    assert hesk.weights == pytest.approx((8 / 10, 1 / 10, 1 / 10))
    slab = hesk.cases[0]
    assert isinstance(slab, Family)
    assert slab.spots[0].arrive_min == (("box", 28.0),)
    assert slab.weather[0].temperature == Temperature(-16.0, "C")


def test_the_stocks_of_the_shipped_region_can_be_carried(ondrel: Region) -> None:
    limits, most = ondrel.study.limits, ondrel.study.caches[0].carriers
    assert limits.load_kg is not None
    assert limits.budget is not None
    assert most is not None
    for name, stock in ondrel.stocks:
        assert stock_mass_kg(ondrel.study, stock) <= most * (limits.load_kg - limits.pack_kg), name
        assert stock_price(ondrel.study, stock) <= limits.budget, name
        for (_, item), count in stock.counts:
            assert count <= ondrel.study.item(item).most, name
