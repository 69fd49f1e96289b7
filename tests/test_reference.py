"""The reference tables: complete, sourced, consistent, immutable; and broken ones are refused."""

from __future__ import annotations

import copy
import dataclasses
import re
import subprocess
import sys
from typing import Any

import pytest

from planner import reference as ref
from planner.errors import ReferenceTableError

TABLES = ["cylinders", "connections", "regulators", "devices", "protocol_example", "cautions"]

SIZES = [
    "M6",
    "M9",
    "D",
    "aluminium D",
    "jumbo D",
    "E",
    "aluminium E",
    "M60",
    "M",
    "G",
    "H",
    "K",
    "2 L",
    "3 L",
    "5 L",
    "10 L",
    "UK D",
    "UK CD",
    "UK E",
    "UK F",
]

# name: water L, service psi, litres, empty kg, connections.
US_VALUES = {
    "M6": (1.02, 2216, 165, 1.0, ["CGA 870"]),
    "M9": (1.69, 2015, 248, 1.7, ["CGA 870"]),
    "D": (2.38, 2015, 350, 3.4, ["CGA 870"]),
    "aluminium D": (2.89, 2015, 425, 2.4, ["CGA 870"]),
    "jumbo D": (4.35, 2015, 640, 3.6, ["CGA 870"]),
    "E": (4.25, 2015, 625, 6.4, ["CGA 870"]),
    "aluminium E": (4.62, 2015, 680, 3.6, ["CGA 870"]),
    "M60": (10.7, 2216, 1738, 9.9, ["CGA 540", "CGA 870"]),
    "M": (21.3, 2216, 3455, 17.5, ["CGA 540"]),
    "G": (36, 2015, 5300, 44, ["CGA 540"]),
    "H": (43, 2200, 6900, 55, ["CGA 540"]),
    "K": (43, 2200, 6900, 55, ["CGA 540"]),
}
# name: water L, service bar, litres, connections.
METRIC_VALUES = {
    "2 L": (2, 200, 426, ["ISO 407", "DIN 477 no. 9", "built-in"]),
    "3 L": (3, 200, 639, ["ISO 407", "DIN 477 no. 9", "built-in"]),
    "5 L": (5, 200, 1064, ["ISO 407", "DIN 477 no. 9", "built-in"]),
    "10 L": (10, 200, 2128, ["ISO 407", "DIN 477 no. 9", "BS 341 no. 3", "built-in"]),
    "UK D": (2.32, 137, 340, ["ISO 407"]),
    "UK CD": (1.9, 230, 460, ["built-in"]),
    "UK E": (4.65, 137, 680, ["ISO 407"]),
    "UK F": (9.3, 137, 1360, ["BS 341 no. 3"]),
}
PUBLISHED_FACTORS = {"D": 0.16, "E": 0.28, "G": 2.41, "H": 3.14, "K": 3.14, "M": 1.56}
PSI_PER_BAR = 14.5037738

# Written down apart from the shipped table: name, category, options by level, target, need.
PROTOCOL = """
major trauma # I # NRB 15 | NRB 10-12; SM 8 | SM 6; NC 4-6 # 94-98 # protective
trauma, reading below 94 # D # SM 6-8 | NC 2-4 | NC 1-2 # 94-98 # protective
trauma, 94 or above # D M # none # 94 # none
shock, bleeding # I # NRB 15 | NRB 10 | SM 8; NC 6 # 94-98 # protective
head injury, not obeying # I # NRB 15 | NRB 10 | SM 8-10 # 94 # protective
concussion, alert, 94 or above # D M # none # # none
chest injury # I # NRB 15 | NRB 10; SM 8 | SM 6; NC 4 # 94-98 # protective
respiratory distress, below 85 # I # NRB 15 | NRB 10 | SM 8 # 94-98 # sustaining
respiratory illness, 85-93 # D # SM 6 | NC 2-4 | NC 1-2 # 94-98 # protective
anaphylaxis, seizure in progress # I # NRB 15 | NRB 10 | SM 8 # 94-98 # sustaining
inadequate breathing, after arrest # I # BVM 15 | BVM 10 | # 94-98 # sustaining
drowning, asphyxia after burial # I # NRB 15 | NRB 10 | SM 8; NC 4 # 94-98 # sustaining
burial, alert, normal # D M # none # # none
hypothermia, alert # D M # none # # none
hypothermia, impaired # I # NRB 10 | SM 6 | NC 2-4 # # protective
carbon monoxide, symptoms # I D # NRB 15 | NRB 10-12 | SM 10 # # sustaining
carbon monoxide, none # M # none # # none
smoke inhalation # I D # NRB 15 | NRB 10 | SM 10 # # sustaining
altitude: AMS # D M # none # 90 # none
altitude: HACE # I # NC 4 | NC 2 | NC 1 # 90 # sustaining
altitude: HAPE # I D # SM 6 | NC 4 | NC 2; NC 1 # 90 # sustaining
cardiac pain, 90 or above # D # none # 90 # none
cardiac pain, below 90 # I D # NC 4 | NC 2 | NC 1 # 90-96 # protective
stroke, above 94 # D # none # 94 # none
stroke, 94 or below # I D # NC 2-4 | NC 1-2 | # 94 # protective
COPD, breathless, below 88 # I D # V28 4 | NC 2 | NC 1 # 88-92 # protective
limb injury # D M # none # # none
cold but well # D M # none # # none
anxiety, 94 or above # D M # none # # none
"""
LETTERS = {"I": "immediate", "D": "delayed", "M": "minimal"}


def protocol_lines() -> list[list[str]]:
    return [[p.strip() for p in line.split("#")] for line in PROTOCOL.strip().splitlines()]


def raw(name: str) -> dict[str, Any]:
    """A copy of a raw table that may be damaged."""
    return copy.deepcopy(dict(ref.raw_table(name)))


def row_of(table: dict[str, Any], key: str, name: str) -> dict[str, Any]:
    return next(row for row in table[key] if row["name"] == name)


def example_without(name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    table = raw("protocol_example")
    return table, row_of(table, "indications", name)


# --- sources ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TABLES)
def test_every_number_has_a_source(name: str) -> None:
    assert ref.unsourced(ref.raw_table(name)) == []


def raw_rows(table: dict[str, Any]) -> list[dict[str, Any]]:
    return [r for v in table.values() for r in (v if isinstance(v, list) else [v])]


@pytest.mark.parametrize("name", [name for name in TABLES if name != "cautions"])
def test_a_number_without_a_source_is_found_in_any_row(name: str) -> None:
    """Strip the marks of one row at a time: a row with a number must be reported, each time."""
    num_rows = len(raw_rows(raw(name)))
    num_found = 0
    for i in range(num_rows):
        table = raw(name)
        row = raw_rows(table)[i]
        # Independent of the walker under test: digits left once all quoted text is gone.
        bare = re.sub(r"'[^']*'|\"[^\"]*\"", "", repr({**row, "sources": {}}))
        has_number = bool(re.search(r"\d", bare))
        row["sources"] = {}
        assert bool(ref.unsourced(table)) == has_number, row
        num_found += has_number
    assert num_found >= 2


def test_a_single_mark_taken_away_is_found_and_the_loader_refuses() -> None:
    table = raw("regulators")
    del table["defaults"]["sources"]["flow_error"]
    assert ref.unsourced(table) == ["defaults: flow_error"]
    with pytest.raises(ReferenceTableError, match="no source for defaults: flow_error"):
        ref.read_regulator_defaults(table)
    table = raw("cylinders")
    marks = row_of(table, "sizes", "D")["sources"]
    del marks["*"], marks["empty_kg"]
    # What keeps a mark of its own is not reported; the rest of the row is.
    expected = {f"sizes 'D': {name}" for name in ("nominal_l", "factor_l_per_psi", "empty_kg")}
    assert set(ref.unsourced(table)) == expected
    with pytest.raises(ReferenceTableError, match="no source"):
        ref.read_cylinders(table)


def test_numbers_inside_options_and_at_the_top_level_are_seen() -> None:
    table, row = example_without("altitude: HAPE")
    del row["sources"]["options"], row["sources"]["*"]
    found = ref.unsourced(table)
    assert "indications 'altitude: HAPE': options.first choice.flow_lpm" in found
    assert "indications 'altitude: HAPE': target_low" in found
    # The mark of if_target_missed stands, so its flow must not be reported.
    assert not any("if_target_missed" in item for item in found)
    assert ref.unsourced({"loose": 3}) == ["loose"]
    assert ref.unsourced({"t": {"nested": {"deep": [1, 2]}}}) == ["t: nested.deep"]


@pytest.mark.parametrize("mark", ["", "P:", "P: ", "X: text", "somebody said so", "P: no key here"])
def test_a_mark_that_says_nothing_is_refused(mark: str) -> None:
    table = raw("devices")
    table["devices"][0]["sources"]["*"] = mark
    with pytest.raises(ReferenceTableError, match="mark"):
        ref.read_devices(table)


def test_a_published_mark_must_name_a_known_citation() -> None:
    table = raw("devices")
    table["devices"][0]["sources"]["*"] = "P: nobody1999"
    with pytest.raises(ReferenceTableError, match="nobody1999"):
        ref.read_devices(table)


def test_every_citation_is_used_and_complete() -> None:
    text = "".join(str(ref.raw_table(name)) for name in TABLES)
    # Marks and notes name their keys; SALT gives the categories and is named in a comment.
    for key, citation in ref.load_citations().items():
        assert key == citation.key
        assert len(citation.citation) > 30
        assert key in text or key == "salt2008"


def test_source_of_climbs_from_the_part_to_the_row() -> None:
    size = ref.load_cylinders()["D"]
    assert ref.source_of(size, "factor_l_per_psi").keys == ("md0542", "va_oems2010")
    assert ref.source_of(size, "empty_kg").kind == "M"
    assert ref.source_of(size, "water_volume_l").kind == "D"
    row = ref.load_protocol().indication("head injury, not obeying")
    assert row is not None
    assert ref.source_of(row, "options.first choice.flow_lpm").kind == "P"
    assert ref.source_of(row, "options.minimum.flow_lpm").kind == "M"
    bare = dataclasses.replace(size, sources={})
    with pytest.raises(ReferenceTableError, match="empty_kg"):
        ref.source_of(bare, "empty_kg")


# --- cylinders and connections ----------------------------------------------------------------


def test_sizes_are_complete_and_in_order() -> None:
    assert list(ref.load_cylinders()) == SIZES
    assert set(US_VALUES) | set(METRIC_VALUES) == set(SIZES)


@pytest.mark.parametrize("name", US_VALUES)
def test_us_sizes_are_as_written_here(name: str) -> None:
    water, psi, litres, empty, connections = US_VALUES[name]
    size = ref.load_cylinders()[name]
    found = (size.water_volume_l, size.service_psi, size.nominal_l, size.empty_kg)
    assert found == (water, psi, litres, empty)
    assert list(size.connections) == connections
    assert size.nominal_at_c == 21.1


@pytest.mark.parametrize("name", METRIC_VALUES)
def test_metric_sizes_are_as_written_here(name: str) -> None:
    water, bar, litres, connections = METRIC_VALUES[name]
    size = ref.load_cylinders()[name]
    assert (size.water_volume_l, size.nominal_l, size.nominal_at_c) == (water, litres, 15)
    # Rounded up to a tenth of a psi, so that a gauge at service pressure is never over it.
    assert 0 <= size.service_psi - bar * PSI_PER_BAR < 0.1
    assert list(size.connections) == connections
    # Handbook method there: litres = water volume x bar; factor carries six digits.
    assert size.factor_l_per_psi * PSI_PER_BAR == pytest.approx(water, rel=1e-5)


def test_published_handbook_factors() -> None:
    sizes = ref.load_cylinders()
    assert {name: sizes[name].factor_l_per_psi for name in PUBLISHED_FACTORS} == PUBLISHED_FACTORS
    # The other US sizes follow the convention litres / 2200, rounded to the digits of the table.
    for name in set(US_VALUES) - set(PUBLISHED_FACTORS):
        assert sizes[name].factor_l_per_psi == pytest.approx(sizes[name].nominal_l / 2200, rel=0.01)
        assert ref.source_of(sizes[name], "factor_l_per_psi").kind == "M"


def rough_litres(size: ref.CylinderSize) -> float:
    """Z = 0.94 between 138 and 230 bar at room temperature (equation of state: 0.936 to 0.939)."""
    return size.water_volume_l * (size.service_psi + 14.7) / 14.7 / 0.94


def test_nominal_litres_are_near_what_the_volume_holds() -> None:
    sizes = ref.load_cylinders()
    for size in sizes.values():
        assert size.nominal_l == pytest.approx(rough_litres(size), rel=0.04), size.name
    # The twin: an aluminium D's litres in a textbook D's volume must not pass.
    mixed = dataclasses.replace(sizes["D"], nominal_l=sizes["aluminium D"].nominal_l)
    assert mixed.nominal_l != pytest.approx(rough_litres(mixed), rel=0.04)


def test_an_ambiguous_letter_is_the_smaller_and_says_what_else() -> None:
    sizes = ref.load_cylinders()
    for letter, other in (("D", "aluminium D"), ("D", "jumbo D"), ("E", "aluminium E")):
        assert sizes[letter].water_volume_l < sizes[other].water_volume_l
        assert f"{sizes[other].nominal_l:g} L" in sizes[letter].note
    for letter in ("G", "H", "K", "M"):
        assert re.search(r"\d{4}", sizes[letter].note)


def test_only_sizes_sold_with_several_valves_want_a_connection() -> None:
    undecided = {s.name for s in ref.load_cylinders().values() if s.connection is None}
    assert undecided == {"M60", "2 L", "3 L", "5 L", "10 L"}
    assert ref.load_cylinders()["UK CD"].connection == "built-in"


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("M15", "aluminium D"),
        ("m24", "aluminium E"),
        ("M122", "M"),
        ("B", "M6"),
        ("c", "M9"),
        ("H/K", "H"),
        ("h,k", "H"),
        ("  Jumbo   d ", "jumbo D"),
        ("10L", "10 L"),
        ("uk-cd", "UK CD"),
        *[(size, size) for size in SIZES],
    ],
)
def test_find_size_by_name_alias_and_any_case(asked: str, name: str) -> None:
    found = ref.find_size(asked)
    assert found is not None
    assert found.name == name


def test_unknown_names_are_none() -> None:
    assert ref.find_size("Z9") is None
    assert ref.find_size("") is None
    assert ref.find_connection("CGA 999") is None
    assert ref.find_device("tent") is None


def test_aliases_and_names_are_unique() -> None:
    """No two rows share a name, case and spaces aside; a table in which they do is refused."""
    for rows in (ref.load_cylinders(), ref.load_connections(), ref.load_devices()):
        names = [n.casefold().replace(" ", "") for r in rows.values() for n in (r.name, *r.aliases)]
        assert len(names) == len(set(names))
    table = raw("cylinders")
    row_of(table, "sizes", "M")["aliases"].append("m-6")
    with pytest.raises(ReferenceTableError, match="already another's name"):
        ref.read_cylinders(table)
    table = raw("cylinders")
    table["sizes"].append(table["sizes"][0])
    with pytest.raises(ReferenceTableError, match="repeated"):
        ref.read_cylinders(table)


def test_connections() -> None:
    rows = ref.load_connections()
    expected = ["CGA 870", "CGA 540", "ISO 407", "DIN 477 no. 9", "BS 341 no. 3", "built-in"]
    assert list(rows) == expected
    assert rows["CGA 870"].pins == (2, 5)
    assert rows["CGA 870"].needs_key
    assert rows["CGA 870"].needs_washer
    assert not rows["built-in"].needs_regulator
    for row in rows.values():
        # Settings belong to the valve only where no regulator goes on it.
        assert bool(row.settings_lpm) != row.needs_regulator


def test_regulators() -> None:
    defaults = ref.load_regulator_defaults()
    assert defaults.settings_lpm == (0.5, 1, 2, 3, 4, 6, 8, 10, 12, 15, 25)
    assert (defaults.flow_error, defaults.low_flow_error) == (0.20, 0.30)
    assert (defaults.low_flow_up_to_lpm, defaults.gauge_class_percent) == (1.5, 2.5)
    assert defaults.outlets == 1
    kinds = ref.load_regulators()
    served = {kind.connection for kind in kinds.values()}
    # A kind for every connection that takes a regulator, none for one that does not.
    assert served == {c.name for c in ref.load_connections().values() if c.needs_regulator}
    assert any(kind.outlets == 2 for kind in kinds.values())


# --- devices -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "flows", "oxygen"),
    [
        ("cannula", (1, 6), (0.24, 0.44)),
        ("simple mask", (5, 10), (0.35, 0.60)),
        ("non-rebreather", (10, 15), (0.60, 0.90)),
        ("venturi 24", (2, None), (0.24, 0.24)),
        ("venturi 28", (4, None), (0.28, 0.28)),
        ("venturi 35", (8, None), (0.35, 0.35)),
        ("venturi 40", (10, None), (0.40, 0.40)),
        ("venturi 60", (15, None), (0.60, 0.60)),
        ("bag-valve-mask", (None, 25), (0.90, 1.00)),
        ("demand valve", (8, 20), (0.90, 1.00)),
        ("CPAP", (60, None), (None, None)),
    ],
)
def test_devices_are_as_written_here(
    name: str, flows: tuple[float | None, ...], oxygen: tuple[float | None, ...]
) -> None:
    device = ref.load_devices()[name]
    found = (device.min_lpm, device.max_lpm, device.oxygen_low, device.oxygen_high)
    for value, expected in zip(found, (*flows, *oxygen), strict=True):
        assert expected is None or value == expected


def test_hands_caps_and_what_happens_without_flow() -> None:
    devices = ref.load_devices()
    assert len(devices) == 11
    bag = devices["bag-valve-mask"]
    assert (bag.hands_held(), bag.hands_held(has_airway_device=True)) == (2, 1)
    assert bag.usual_lpm == 15
    assert all(d.hands_held() == 0 for d in devices.values() if d is not bag)
    cannula = devices["cannula"]
    assert [cannula.max_lpm_for(age) for age in ref.AGES] == [6, 4, 2]
    assert [devices["simple mask"].max_lpm_for(age) for age in ref.AGES] == [10, 10, 10]
    assert devices["non-rebreather"].off_without_flow
    assert bag.room_air_without_flow
    assert not bag.off_without_flow
    for device in devices.values():
        assert device.off_without_flow != device.room_air_without_flow
    assert {d.name for d in devices.values() if not d.is_plannable} == {"demand valve", "CPAP"}
    assert devices["demand valve"].ages == ("adult",)
    assert devices["demand valve"].outlet_psi == 50


# --- protocol ----------------------------------------------------------------------------------


def test_indications_are_complete_and_in_order() -> None:
    rows = ref.load_protocol().rows
    assert [row.name for row in rows] == [line[0] for line in protocol_lines()]
    assert len({row.name for row in rows}) == len(rows) == 29


@pytest.mark.parametrize("line", protocol_lines(), ids=lambda line: line[0])
def test_each_row_is_as_written_here(line: list[str]) -> None:
    name, letters, options, target, need = line
    row = ref.load_protocol().indication(name)
    assert row is not None
    assert list(row.triage) == [LETTERS[letter] for letter in letters.split()]
    assert row.need == need
    low, _, high = target.partition("-")
    assert row.target_low == (float(low) if low else None)
    assert row.target_high == (float(high) if high else None)
    expected = []
    for level, cell in zip(ref.LEVELS, options.split("|"), strict=False):
        for part in filter(None, (p.strip() for p in cell.split(";"))):
            if part == "none":
                continue
            device, flow = part.split()
            ends = tuple(float(x) for x in flow.split("-"))
            # The upper end of a range is planned with: conservative for supply.
            expected.append((level, device, ends[-1], ends if len(ends) == 2 else None))
    found = []
    for option in row.options:
        device_kind = ref.load_devices()[option.device]
        found.append((option.level, device_kind.aliases[0], option.flow_lpm, option.flow_range_lpm))
    assert found == expected


def test_rows_without_oxygen_have_no_options_and_flows_fit_their_devices() -> None:
    protocol = ref.load_protocol()
    devices = ref.load_devices()
    for row in (*protocol.rows, *protocol.overrides):
        assert (row.need == "none") == (not row.options)
        flows = [option.flow_lpm for option in row.options]
        assert flows == sorted(flows, reverse=True), row.name
        levels = [ref.LEVELS.index(option.level) for option in row.options]
        assert levels == sorted(levels)
        for option in (*row.options, *row.if_target_missed):
            device = devices[option.device]
            assert device.is_plannable
            for flow in (option.flow_lpm, *(option.flow_range_lpm or ())):
                assert device.min_lpm <= flow <= device.max_lpm


def test_what_stands_beside_the_levels() -> None:
    protocol = ref.load_protocol()
    rows = {row.name: row for row in protocol.rows}
    untrusted = {row.name for row in protocol.rows if not row.is_titratable}
    assert untrusted == {
        "shock, bleeding",
        "inadequate breathing, after arrest",
        "hypothermia, impaired",
        "carbon monoxide, symptoms",
        "smoke inhalation",
    }
    assert "room air" in rows["inadequate breathing, after arrest"].below_minimum
    assert rows["head injury, not obeying"].never_under == 90
    assert [o.flow_lpm for o in rows["altitude: AMS"].if_target_missed] == [2]
    assert [o.device for o in rows["altitude: HAPE"].if_target_missed] == ["non-rebreather"]
    floors = {row.name: row.step_down_floor for row in protocol.rows if row.step_down_floor != 92}
    assert floors == {
        "altitude: HACE": 90,
        "altitude: HAPE": 90,
        "cardiac pain, below 90": 90,
        "COPD, breathless, below 88": 88,
    }
    rechecks = [row.recheck_min for row in protocol.rows if row.recheck_min is not None]
    assert rechecks == [10, 15, 30]


def test_the_example_says_that_nobody_approved_it() -> None:
    protocol = ref.load_protocol()
    assert (protocol.name, protocol.title) == ("example", "example protocol, not approved")
    assert not protocol.is_approved
    half = dataclasses.replace(protocol, approved_by="A. Director")
    assert not half.is_approved
    assert dataclasses.replace(half, approved_on="2027-01-05").is_approved
    assert ref.protocol_names() == ("example",)


def test_expectant_and_dead_override_any_indication() -> None:
    protocol = ref.load_protocol()
    expectant = protocol.row_for("major trauma", "expectant")
    dead = protocol.row_for("major trauma", "dead")
    immediate = protocol.row_for("Major  Trauma", "immediate")
    assert expectant is not None
    assert dead is not None
    assert immediate is not None
    assert (expectant.need, expectant.is_surplus_only) == ("comfort", True)
    assert [(o.device, o.flow_lpm) for o in expectant.options] == [("cannula", 2)]
    assert (dead.need, dead.options) == ("none", ())
    assert immediate.name == "major trauma"
    assert not immediate.is_surplus_only
    assert protocol.row_for("nothing known", "immediate") is None


def test_odd_triage_is_asked_about() -> None:
    protocol = ref.load_protocol()
    assert protocol.triage_concern("major trauma", "immediate") == ""
    assert "re-triage" in protocol.triage_concern("major trauma", "minimal")
    assert "re-triage" in protocol.triage_concern("limb injury", "immediate")
    # A category that stands over the indication is never odd.
    assert protocol.triage_concern("limb injury", "expectant") == ""
    # This one is warned about even where it is usual.
    assert "Re-triage" in protocol.triage_concern("respiratory illness, 85-93", "delayed")


def test_no_oxygen_threshold_falls_only_above_2500_m_and_not_for_co_shock_head() -> None:
    protocol = ref.load_protocol()
    rows = {row.name: row for row in protocol.rows}
    trauma = rows["trauma, 94 or above"]
    assert protocol.threshold(trauma, 2500) == 94
    assert protocol.threshold(trauma, 2501) == 90
    # A target already under the floor is not raised to it.
    assert protocol.threshold(rows["COPD, breathless, below 88"], 3000) == 88
    assert protocol.threshold(rows["head injury, not obeying"], 4350) == 94
    assert protocol.threshold(rows["shock, bleeding"], 4350) == 94
    assert protocol.threshold(rows["carbon monoxide, symptoms"], 4350) is None


def listed(options: tuple[ref.OxygenOption, ...]) -> list[tuple[str, str, float]]:
    return [(o.level, o.device, o.flow_lpm) for o in options]


def test_options_for_children_cap_the_cannula_and_leave_masks_alone() -> None:
    row = ref.load_protocol().indication("major trauma")
    assert row is not None
    adult = listed(ref.options_for(row))
    child = listed(ref.options_for(row, "child"))
    infant = listed(ref.options_for(row, "infant"))
    assert adult[-1] == ("minimum", "cannula", 6)
    assert child == [*adult[:-1], ("minimum", "cannula", 4)]
    assert infant == [*adult[:-1], ("minimum", "cannula", 2)]


def test_an_option_that_the_cap_makes_equal_to_a_better_one_falls_out() -> None:
    # HACE: 4, 2, 1 L/min. An infant's cap of 2 makes first choice and reduced the same thing.
    row = ref.load_protocol().indication("altitude: HACE")
    assert row is not None
    expected = [("first choice", "cannula", 2), ("minimum", "cannula", 1)]
    assert listed(ref.options_for(row, "infant")) == expected
    assert len(ref.options_for(row, "child")) == 3


def test_a_device_not_made_for_the_age_falls_out() -> None:
    row = ref.load_protocol().indication("COPD, breathless, below 88")
    assert row is not None
    assert "venturi 28" not in [o.device for o in ref.options_for(row, "infant")]
    assert "venturi 28" in [o.device for o in ref.options_for(row, "child")]


def test_under_the_step_down_floor_only_the_first_choice_is_left() -> None:
    row = ref.load_protocol().indication("major trauma")
    assert row is not None
    assert listed(ref.options_for(row, spo2=91.9)) == [("first choice", "non-rebreather", 15)]
    # A low number counts even when untrusted; at the floor, or unmeasured, every level is open.
    assert len(ref.options_for(row, spo2=91.9, is_reading_trusted=False)) == 1
    assert len(ref.options_for(row, spo2=92)) == 5
    assert len(ref.options_for(row)) == 5


def test_phases_are_kept_only_where_the_reading_can_be_trusted() -> None:
    table, raw_row = example_without("chest injury")
    phases = [{"flow_lpm": 15, "for_min": 15}, {"flow_lpm": 6, "chance": 0.6}]
    raw_row["options"][1] = {"level": "reduced", "device": "non-rebreather", "phases": phases}
    row = ref.read_protocol(table).indication("chest injury")
    assert row is not None
    expected = (ref.FlowPhase(15, 15, 1.0), ref.FlowPhase(6, None, 0.6))
    assert ref.options_for(row)[1].phases == expected
    assert ref.options_for(row)[1].flow_lpm == 15
    # Untrusted: the flow stays at 15, which is the first choice once more and so falls out.
    untrusted = ref.options_for(row, is_reading_trusted=False)
    assert all(option.phases == () for option in untrusted)
    assert len(untrusted) == len(row.options) - 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"flow_lpm": 14, "level": "minimum"}, "no flow higher"),
        ({"flow_lpm": 9}, "10 to 15 L/min"),
        ({"flow_lpm": 16}, "10 to 15 L/min"),
        ({"device": "tent"}, "device is 'tent'"),
        ({"device": "demand valve"}, "plannable"),
        ({"level": "some"}, "level is 'some'"),
        ({"flow_range_lpm": [10, 12]}, "flow_range_lpm"),
        ({"colour": "green"}, "unknown field 'colour'"),
        ({"flow_lpm": "10"}, "a number"),
        ({"flow_lpm": True}, "a number"),
    ],
)
def test_a_broken_option_is_refused(change: dict[str, Any], says: str) -> None:
    table, row = example_without("shock, bleeding")
    # First choice 15, reduced 10; "minimum 14" goes behind reduced 10.
    index = 2 if change.get("level") == "minimum" else 1
    row["options"][index] = {"level": "reduced", "device": "non-rebreather", "flow_lpm": 10}
    row["options"][index] |= change
    with pytest.raises(ReferenceTableError, match=re.escape(says)):
        ref.read_protocol(table)


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("need", "none", "none when need is none"),
        ("need", "urgent", "need is 'urgent'"),
        ("options", [], "one or more"),
        ("triage", [], "triage"),
        ("triage", ["red"], "triage"),
        ("titratable", 1, "bool"),
        ("target_low", 940, "50 to 100"),
        ("name", "major trauma", "repeated"),
        ("extra", "x", "unknown field 'extra'"),
    ],
)
def test_a_broken_row_is_refused(field: str, value: object, says: str) -> None:
    table, row = example_without("shock, bleeding")
    row[field] = value
    with pytest.raises(ReferenceTableError, match=re.escape(says)):
        ref.read_protocol(table)


def test_broken_tables_are_refused() -> None:
    for change, says in (
        ({"water_volume_l": -1}, "water_volume_l"),
        ({"connections": ["CGA 999"]}, "CGA 999"),
        ({"connections": []}, "connections"),
        ({"colour": "green"}, "colour"),
        ({"name": ""}, "missing"),
    ):
        table = raw("cylinders")
        table["sizes"][0] |= change
        with pytest.raises(ReferenceTableError, match=says):
            ref.read_cylinders(table)
    with pytest.raises(ReferenceTableError, match="no rows"):
        ref.read_cylinders({"size": []})
    with pytest.raises(ReferenceTableError, match="no table"):
        ref.load_protocol("../sources")
    table = raw("protocol_example")
    table["overrides"].append(table["overrides"][1])
    with pytest.raises(ReferenceTableError, match="two rows"):
        ref.read_protocol(table)
    table = raw("devices")
    row_of(table, "devices", "cannula")["max_lpm_infant"] = 0.5
    with pytest.raises(ReferenceTableError, match="caps"):
        ref.read_devices(table)
    table = raw("connections")
    row_of(table, "connections", "CGA 870")["settings_lpm"] = [1, 2]
    with pytest.raises(ReferenceTableError, match="settings_lpm"):
        ref.read_connections(table)


# --- cautions, and what holds for all ------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        "smoking, flame or stove",
        "Sunscreen, lip balm, ski wax and fuel on gloves count as grease",
        "valve slowly",
        "by hand",
        "washer",
        "Never leave one standing",
        "before fitting the regulator",
        "Fill the reservoir bag",
        "gauge, flow and bag",
        "tee",
        "filling",
        "Never warm",
        "Colour is no proof",
        "before a shock",
        "pilot",
    ],
)
def test_each_caution_is_there_and_short(words: str) -> None:
    found = [c for c in ref.load_cautions().values() if words in c.text]
    assert len(found) >= 1
    for caution in found:
        assert caution.where
        assert len(caution.text) < 130
        assert ref.load_cautions()[caution.id] is caution


def test_tables_cannot_be_changed_and_are_read_once() -> None:
    for load in (ref.load_cylinders, ref.load_devices, ref.load_connections, ref.load_cautions):
        table: Any = load()
        assert load() is table
        with pytest.raises(TypeError):
            table["new"] = next(iter(table.values()))
        row = next(iter(table.values()))
        with pytest.raises(dataclasses.FrozenInstanceError):
            row.sources = {}
        with pytest.raises(TypeError):
            row.sources["*"] = None
        assert isinstance(hash(row), int)
    assert ref.load_protocol() is ref.load_protocol()
    assert isinstance(hash(ref.load_protocol()), int)


def test_reading_every_table_imports_no_heavy_library() -> None:
    code = (
        "import sys; from planner import reference as r; r.load_cylinders(); r.load_protocol(); "
        "r.load_regulators(); r.load_cautions(); "
        "print([m for m in ('numpy', 'pandas', 'ortools', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_exported_names_exist() -> None:
    assert all(hasattr(ref, name) for name in ref.__all__)
    assert len(set(ref.__all__)) == len(ref.__all__)
