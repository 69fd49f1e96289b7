"""The random incidents have the properties of their recipe."""

from __future__ import annotations

import pytest

from planner.files import digest, incident_from, incident_text, parse_text
from planner.incident import Incident
from planner.oxygen_options import options_of
from planner.state import initial_state
from tests.bench.generate_forty import supply_and_need_l
from tests.generator import DEBRIS, DIN, HUT, PIN, POINT, random_incident

SEEDS = range(30)
WANTED = [0.8, 1.0, 1.3]


def _built(seed: int) -> Incident:
    return random_incident(seed, supply_ratio=WANTED[seed % 3])


@pytest.mark.parametrize("seed", SEEDS)
def test_recipe(seed: int) -> None:
    incident = _built(seed)
    assert len(incident.patients) == 12
    assert incident.carry_min(HUT, DEBRIS) is None
    assert incident.carry_min(DEBRIS, POINT) == incident.carry_min(POINT, DEBRIS)
    assert incident.carry_min(HUT, POINT) is not None
    assert {c.connection for c in incident.all_cylinders} == {PIN, DIN}
    assert {r.connection for r in incident.regulators} == {PIN, DIN}
    helicopter, snowcat, road = incident.transfer_groups
    assert helicopter.no_show_chance > 0
    assert helicopter.fallback is not None
    assert snowcat.kit_return_min is not None
    assert (road.no_show_chance, road.kit_return_min) == (0, None)
    assert incident.uncertainty.shared_delay == 0.5
    assert {p.transfer_group for p in incident.patients} == {"helicopter", "snowcat", "road"}
    assert all(3 <= len(options_of(incident, p)) <= 4 for p in incident.patients)
    assert {"immediate", "delayed"} <= {p.triage for p in incident.patients}
    unknown = [p for p in initial_state(incident).patients if p.status == "unknown"]
    assert len(unknown) == 2  # 15 % of 12 is 1.8
    (supply,) = incident.resupply
    assert supply.cylinders
    assert {r.place for r in incident.responders} == {DEBRIS, POINT, HUT}


@pytest.mark.parametrize("seed", SEEDS)
def test_supply_ratio(seed: int) -> None:
    # Gauges are whole psi: at 36 cylinders that is far inside the 2 % that is promised.
    incident = _built(seed)
    supply_l, need_l = supply_and_need_l(incident)
    assert supply_l / need_l == pytest.approx(WANTED[seed % 3], rel=0.02)
    assert all(600 <= c.gauge.psi <= 2200 for c in incident.all_cylinders)
    # A part-used one was read here, at the air temperature, a full one in the warm store.
    here = incident.cylinders
    partial = sum(c.read_at == incident.air_temperature for c in here)
    assert partial == pytest.approx(0.4 * len(here), abs=2)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("patients", "cylinders"), [(4, 8), (5, 12)])
def test_small_ones(seed: int, patients: int, cylinders: int) -> None:
    incident = random_incident(seed, num_patients=patients, num_cylinders=cylinders)
    supply_l, need_l = supply_and_need_l(incident)
    assert len(incident.patients) == patients
    assert supply_l / need_l == pytest.approx(1.0, rel=0.02)
    assert {c.connection for c in incident.all_cylinders} == {PIN, DIN}


def test_same_arguments_same_incident() -> None:
    assert digest(random_incident(5)) == digest(random_incident(5))


def test_twin_other_arguments_other_incident() -> None:
    others = [
        random_incident(6),
        random_incident(5, num_patients=11),
        random_incident(5, supply_ratio=1.2),
    ]
    assert len({digest(i) for i in [random_incident(5), *others]}) == 4


@pytest.mark.parametrize("seed", range(3))
def test_survives_the_file(seed: int) -> None:
    incident = random_incident(seed)
    again = incident_from(parse_text(incident_text(incident), "random.toml", False)).incident
    assert digest(again) == digest(incident)


def test_over_many_seeds_kit_is_sometimes_short() -> None:
    # Promised as interesting: over the seeds some lack a regulator for somebody, most do not.
    short = 0
    for seed in SEEDS:
        incident = _built(seed)
        short += any(
            sum(r.place == place.name for r in incident.regulators)
            < sum(p.place == place.name for p in incident.patients)
            for place in incident.places
        )
    assert 0 < short < len(SEEDS)
