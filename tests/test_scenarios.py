"""The shipped incidents: they read, warn only where meant to, hold what was sketched, survive.

Counts are those of the scenario sketches, counted by hand.
"""

from __future__ import annotations

import runpy
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from planner.errors import InputError
from planner.exercise.setup import is_exercise
from planner.files import (
    Reading,
    digest,
    incident_from,
    incident_text,
    parse_file,
    parse_text,
    read_incident,
)
from planner.incident import TRIAGE_ORDER, Incident
from planner.oxygen_options import is_indicated, options_of

FOLDER = Path(__file__).parents[1] / "scenarios"
GENERATOR = runpy.run_path(str(Path(__file__).parent / "bench" / "generate_forty.py"))
FORTY = "harrow-col-forty"


@dataclass(frozen=True)
class Sketch:
    """What a file must hold: counts, the expected warnings as (row, field), words of its head."""

    triage: tuple[int, int, int, int, int]  # immediate delayed minimal expectant dead
    num_on_oxygen: int  # people with oxygen indicated, found or not
    sizes: dict[str, int]
    arriving: dict[str, int]
    regulators: dict[str, int]  # without the resupply
    num_responders: int
    masks: dict[tuple[str, str], int]
    words: tuple[str, ...]
    warnings: tuple[tuple[str, str], ...] = ()


SKETCHES = {
    "ulvaren-bowl": Sketch(
        (4, 2, 1, 0, 0), 5, {"D": 9, "jumbo D": 2}, {"E": 4}, {"CGA 870": 4}, 5,
        {("non-rebreather", "adult"): 5, ("simple mask", "adult"): 2, ("cannula", "adult"): 4,
         ("bag-valve-mask", "adult"): 1},
        ("carrying", "hands", "minute 60   the snowcat"),
    ),
    "quessel-hut": Sketch(
        (2, 5, 2, 0, 0), 7, {"M60": 2, "D": 6, "E": 2}, {"M": 3}, {"CGA 870": 4, "CGA 540": 1}, 3,
        {("non-rebreather", "adult"): 6, ("non-rebreather", "child"): 1,
         ("bag-valve-mask", "adult"): 1},
        ("minutes", "who comes first", "requested", "Not modelled yet"),
    ),
    "drommick-chair": Sketch(
        (3, 5, 5, 1, 0), 5, {"aluminium D": 3, "D": 2, "jumbo D": 3, "M60": 1}, {"2 L": 2},
        {"CGA 870": 4, "CGA 540": 1}, 8,
        {("non-rebreather", "adult"): 5, ("simple mask", "adult"): 2, ("cannula", "adult"): 4},
        ("nine of fourteen", "connections", "Not modelled yet"),
        (("D4", "triage"),),  # respiratory distress, Delayed: re-triage? The lesson of that row.
    ),
    "pelvarra-camp": Sketch(
        (2, 2, 1, 0, 0), 3, {"3 L": 4, "10 L": 1}, {}, {"DIN 477 no. 9": 3}, 3,
        {("non-rebreather", "adult"): 1, ("simple mask", "adult"): 2, ("cannula", "adult"): 6},
        ("in bar", "may not come", "Not modelled: a pressure chamber", "concentrator"),
    ),
    "ostrenga-pass": Sketch(
        (4, 4, 3, 0, 0), 6, {"E": 4, "aluminium D": 6, "D": 3}, {}, {"CGA 870": 4}, 4,
        {("non-rebreather", "adult"): 4, ("non-rebreather", "child"): 1,
         ("simple mask", "child"): 2, ("cannula", "infant"): 1, ("bag-valve-mask", "adult"): 1,
         ("bag-valve-mask", "child"): 1, ("venturi 28", "adult"): 1},
        ("four regulators", "washers", "infant sizes"),
    ),
    # Not in the sketches: made when vehicles came in. V4 and V5 take seats without oxygen.
    "velmar-icefall": Sketch(
        (3, 3, 2, 0, 0), 5, {"D": 6, "jumbo D": 1, "E": 2}, {}, {"CGA 870": 5}, 4,
        {("non-rebreather", "adult"): 5, ("simple mask", "adult"): 3, ("cannula", "adult"): 3},
        ("holds the helicopter", "seats", "walks down", "Not modelled yet"),
    ),
    # Not in the sketches: made when people could be carried along legs.
    "tamsel-gully": Sketch(
        (3, 2, 1, 0, 0), 5, {"D": 3, "jumbo D": 4, "M60": 2, "E": 2}, {},
        {"CGA 870": 3, "CGA 540": 1}, 5,
        {("non-rebreather", "adult"): 5, ("simple mask", "adult"): 2, ("cannula", "adult"): 2},
        ("before leaving", "shares one", "Not modelled yet"),
    ),
    # A finished exercise with its log beside it.
    "hallimoor-rib": Sketch(
        (2, 1, 0, 0, 0), 3, {"aluminium D": 7}, {"E": 3}, {"CGA 870": 3}, 4,
        {("non-rebreather", "adult"): 4, ("simple mask", "adult"): 2, ("cannula", "adult"): 2},
        ("washer", "turned back", "hallimoor-rib-log.csv"),
    ),
    # Not in the sketches: a second finished exercise, in bar, in which oxygen was asked for early.
    "brennick-saddle": Sketch(
        (2, 1, 0, 0, 0), 3, {"5 L": 4}, {"5 L": 2}, {"ISO 407": 3}, 3,
        {("non-rebreather", "adult"): 3, ("simple mask", "adult"): 2},
        ("asking early", "turned back", "brennick-saddle-log.csv"),
    ),
    # Not in the sketches: made for an exercise of six patients.
    "corvenna-traverse": Sketch(
        (3, 2, 1, 0, 0), 4, {"D": 6, "jumbo D": 1}, {"E": 4}, {"CGA 870": 4}, 4,
        {("non-rebreather", "adult"): 3, ("simple mask", "adult"): 2},
        ("nobody has read", "asking before", "carried"),
    ),
    # Not in the sketches; its numbers are those asked of it: 40 people, 130 cylinders in place.
    FORTY: Sketch(
        (16, 12, 10, 1, 1), 25,
        {"D": 90, "aluminium D": 22, "jumbo D": 10, "E": 5, "M60": 3}, {"E": 4},
        {"CGA 870": 22, "CGA 540": 2}, 19,
        {("non-rebreather", "adult"): 20, ("non-rebreather", "child"): 3,
         ("simple mask", "adult"): 13, ("simple mask", "child"): 4, ("cannula", "adult"): 16,
         ("cannula", "child"): 2, ("bag-valve-mask", "adult"): 2, ("venturi 28", "adult"): 1},
        ("two\n# connections", "not yet found", "generate_forty.py"),
    ),
}  # fmt: skip


@pytest.fixture(params=SKETCHES, scope="module")
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def reading(name: str) -> Reading:
    return read_incident(FOLDER / f"{name}.toml")


def _incident(name: str) -> Incident:
    return read_incident(FOLDER / f"{name}.toml").incident


def test_every_file_has_a_sketch() -> None:
    others = ("-study", "-exercise")
    incidents = {p for p in FOLDER.glob("*.toml") if not p.stem.endswith(others)}
    assert {path.stem for path in incidents} == set(SKETCHES)
    # An exercise keeps to the ending, so that none is taken for an incident or left out for one.
    exercises = {p for p in FOLDER.glob("*.toml") if is_exercise(parse_file(p)[0])}
    assert exercises == set(FOLDER.glob("*-exercise.toml"))


def test_warnings_are_the_expected_ones(name: str, reading: Reading) -> None:
    assert tuple((w.row, w.field) for w in reading.warnings) == SKETCHES[name].warnings
    assert all(w.severity == "warning" for w in reading.warnings)


def test_head_says_what_it_teaches(name: str) -> None:
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    head, _, body = text.partition("\nschema = 1\n")
    assert body
    assert "EXERCISE - NOT FOR PATIENT CARE" in head.splitlines()[0]
    assert "# Teaches: " in head
    assert "People, places, times and numbers are invented" in head
    assert "No published\n# distribution" in head or "No published distribution" in head
    for word in SKETCHES[name].words:
        assert word in (text if word.startswith("minute") else head)


def test_note_is_one_or_two_sentences(reading: Reading) -> None:
    note = reading.incident.note or ""
    assert note[-1:] in {".", "?"}
    assert 1 <= note.count(". ") + note.count("? ") + 1 <= 2


def test_counts(name: str, reading: Reading) -> None:
    want, incident = SKETCHES[name], reading.incident
    triage = Counter(p.triage for p in incident.patients)
    assert tuple(triage[t] for t in TRIAGE_ORDER) == want.triage
    assert sum(is_indicated(incident, p) for p in incident.patients) == want.num_on_oxygen
    assert Counter(c.size for c in incident.cylinders) == want.sizes
    assert Counter(c.size for r in incident.resupply for c in r.cylinders) == want.arriving
    assert Counter(r.connection for r in incident.regulators) == want.regulators
    assert len(incident.responders) == want.num_responders
    masks: Counter[tuple[str, str]] = Counter()
    for stock in incident.devices:
        masks[stock.kind, stock.age] += stock.count
    assert masks == want.masks


def test_everyone_indicated_has_a_mask_that_can_be_given(reading: Reading) -> None:
    # Harder than the reader's own check, which looks past the step-down floor: of the options
    # left at the reading, one must be on a listed mask of the age.
    incident = reading.incident
    masks = {(d.kind, d.age) for d in incident.devices}
    for patient in incident.patients:
        options = options_of(incident, patient)
        assert not options or any((o.device, patient.age) in masks for o in options), patient.tag


def test_round_trip(reading: Reading) -> None:
    # What is written reads back as the same incident, assumptions and warnings included.
    for as_json in (False, True):
        text = incident_text(reading.incident, as_json=as_json)
        again = incident_from(parse_text(text, "again", as_json), "again")
        assert again.incident == reading.incident
        assert digest(again.incident) == digest(reading.incident)
        assert len(again.warnings) == len(reading.warnings)


def test_a_changed_file_does_not_round_trip_as_the_same() -> None:
    # The twin of the test above: a lost gauge or place would be seen.
    text = incident_text(_incident("ulvaren-bowl"))
    assert text.count("gauge_psi = 900.0") == 1
    other = incident_from(
        parse_text(text.replace("gauge_psi = 900.0", "gauge_psi = 950.0"), "", False)
    )
    assert other.incident != _incident("ulvaren-bowl")
    with pytest.raises(InputError):
        incident_from(parse_text(text.replace('"debris"', '"debri"', 1), "", False))


def test_places_and_hands_of_ulvaren() -> None:
    incident = _incident("ulvaren-bowl")
    assert incident.carry_min("hut", "debris") == incident.carry_min("debris", "hut") == 14
    assert incident.carry_min("hut", "collection point") == 8
    assert incident.carry_min("debris", "collection point") == 7
    assert Counter(r.place for r in incident.responders) == {"debris": 4, "hut": 1}
    assert [p.tag for p in incident.patients if p.chance_needed < 1] == ["U5", "U6"]
    # 91 % is under the protocol's floor of 92: no lower level for U3.
    u3 = next(p for p in incident.patients if p.tag == "U3")
    assert [o.level for o in options_of(incident, u3)] == ["first choice"]


def test_top_and_aid_are_out_of_reach_in_drommick() -> None:
    incident = _incident("drommick-chair")
    assert incident.carry_min("top", "aid") is None
    assert incident.carry_min("top", "line") == 9
    assert incident.carry_min("aid", "line") == 15


def test_lower_levels_are_open_at_pelvarra() -> None:
    # The file's own floor of 60 stands in place of the protocol's 90; the lowest reading is 62.
    incident = _incident("pelvarra-camp")
    for tag in ("P1", "P2", "P3"):
        patient = next(p for p in incident.patients if p.tag == tag)
        assert {o.level for o in options_of(incident, patient)} >= {"reduced", "minimum"}


def test_small_things_bind_at_ostrenga() -> None:
    incident = _incident("ostrenga-pass")
    assert {s.kind: s.count for s in incident.sundries} == {"key": 2, "washer": 5}
    num_wanting = sum(is_indicated(incident, p) for p in incident.patients)
    assert num_wanting > len(incident.all_regulators) > len(incident.regulators)
    assert len(incident.cylinders) > 2 * num_wanting


def test_forty_is_what_its_script_writes() -> None:
    written = (FOLDER / f"{FORTY}.toml").read_text(encoding="utf-8")
    assert GENERATOR["text"]() == written
    assert GENERATOR["text"]() == GENERATOR["text"]()


def test_forty_is_as_asked() -> None:
    incident = _incident(FORTY)
    assert len(incident.patients) == 40
    assert len(incident.cylinders) == 130
    assert {c.place for c in incident.cylinders} == {p.name for p in incident.places}
    assert len({c.connection for c in incident.all_cylinders}) == 2
    names = [p.name for p in incident.places]
    gaps = [(a, b) for a in names for b in names if a < b and incident.carry_min(a, b) is None]
    assert gaps == [("debris field", "hut")]
    # 40 % part-used: 52 of 130, all still of use above the change pressure.
    assert sum(c.gauge.psi < 1900 for c in incident.cylinders) == 52
    assert all(c.gauge.psi > incident.change_at.psi for c in incident.cylinders)
    assert sum(p.chance_needed < 1 for p in incident.patients) == 6  # 15 % of 40
    groups = incident.transfer_groups
    assert len(groups) == 3
    assert [g.no_show_chance > 0 for g in groups] == [True, True, False]
    assert [g.kit_return_min is not None for g in groups] == [False, True, True]
    assert len(incident.resupply) == 1
    assert sum(p.age == "child" and is_indicated(incident, p) for p in incident.patients) >= 3


def test_forty_has_a_little_less_than_it_needs() -> None:
    # The seed is fixed, so these are numbers, not estimates; 0.5 % leaves room for the last digits.
    supply, need = GENERATOR["supply_and_need_l"](_incident(FORTY))
    assert 0.8 <= supply / need <= 1.0
    assert supply == pytest.approx(33_677, rel=0.005)
    assert need == pytest.approx(35_410, rel=0.005)
