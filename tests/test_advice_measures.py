"""Every kind of measure: its direction argued by hand, and that it disturbs no other draw.

All by the builders of ``tests/rule_incidents.py``: 10 L/min, 100 L above the change pressure in a
cylinder, so 10 min each, a gap of 1 min at a swap that counts as no time out. Nothing uncertain.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from planner.advice.candidates import measures_of
from planner.advice.measures import Measure, applied, earlier
from planner.advice.setting import KG_PER_L, Setting, judged, mass_kg, models_of
from planner.demand import sample
from planner.incident import Incident, Option, Phase, Place, SundryStock, ThreePoint, Vehicle
from planner.policy import Policy
from planner.real_gas import compressibility
from planner.rules import triage_order
from planner.state import initial_state
from planner.units import ATM_BAR
from tests.generator import random_incident
from tests.rule_incidents import (
    NRB,
    YOKE,
    A,
    B,
    C,
    at,
    cyl,
    flows,
    hand,
    masks,
    on,
    pat,
    plan,
    reg,
    supply,
    world,
)


def setting_of(incident: Incident, policy: Policy | None = None) -> Setting:
    state = initial_state(incident)
    return Setting(incident, state, policy or triage_order(incident, state))


def the(setting: Setting, kind: str, place: str = "", name: str = "") -> Measure:
    """The one measure of a kind (at a place, of a name)."""
    found = [
        m for m in measures_of(setting)
        if m.kind == kind and place in {"", m.place} and name in {"", m.name}
    ]  # fmt: skip
    assert len(found) == 1, found
    return found[0]


def minutes(setting: Setting) -> float:
    return float(judged(setting, 50, 1).minutes_out.mean())


def lone(*cylinders: Any, **more: Any) -> Setting:
    """P until minute 25 on 2 x 100 L: out from 10 + 1 + 10 = 21 on, 4 minutes."""
    gone = more.pop("gone", 25)
    return setting_of(world([pat("P", gone=gone)], cylinders or (cyl("c1", 100), cyl("c2", 100)),
                            **more))  # fmt: skip


def found_together(count: int = 2, **more: Any) -> Setting:
    """So many found at minute 5, until 30, a cylinder each; a connection keeps hands 3 min."""
    people = [pat(f"P{k}", found=5, gone=12) for k in range(count)]
    cylinders = [cyl(f"c{k}", 100, connection=more.get("connection", "CGA 540"))
                 for k in range(count)]  # fmt: skip
    more.pop("connection", None)
    return setting_of(world(people, cylinders, **more))


def waiting(**more: Any) -> Setting:
    """P and Q with plenty of oxygen until minute 9."""
    people = [pat("P", gone=9), pat("Q", gone=9)]
    return setting_of(world(people, [cyl("c1", 100), cyl("c2", 100), cyl("c3", 100)], **more))


def two_keys(count: int) -> Setting:
    return found_together(
        connection=YOKE,
        regulators=(reg("r1", connection=YOKE), reg("r2", connection=YOKE)),
        responders=(hand("R1"), hand("R2")),
        sundries=(SundryStock("key", count, A),),
    )


def washers(count: int) -> Setting:
    return lone(
        cyl("c1", 100, connection=YOKE), cyl("c2", 200, connection=YOKE),
        regulators=(reg("r1", connection=YOKE),), sundries=(SundryStock("washer", count, A),),
        gone=25,
    )  # fmt: skip


# setting, kind, place, minutes out before and after, why
DIRECTIONS: list[tuple[Setting, str, str, float, float, str]] = [
    (lone(), "cylinder", A, 4, 0, "a full D holds 151 L above 500 psi: 15 min more than enough"),
    (waiting(regulators=(reg("r1"),)), "regulator", A, 9, 0,
     "Q waits for a regulator all along; with one it is connected at minute 0, gap not counted"),
    (waiting(devices=(masks(1),)), "device", A, 9, 0, "Q waits for a mask all along, likewise"),
    (two_keys(1), "key", A, 3, 0, "the one key is in the first one's hand for 3 min"),
    (washers(1), "washer", A, 5, 0,
     "the first connection (200 L, to minute 20) used the only washer: no second one, out to 25"),
    (found_together(), "responder", A, 3, 0, "the one responder is with the first for 3 min"),
    (lone(cyl("c1", 100), cyl("c2", 200, C)), "move one", A, 15, 0,
     "c2 lies out of reach: out from 10 on; standing here it lasts from 11 to 31"),
    (lone(cyl("c1", 100), cyl("c2", 100, C), cyl("c3", 100, C)), "move all", A, 15, 0,
     "the same with two: 10 + 1 + 10 + 1 + 10"),
    (lone(), "transfer earlier", "", 4, 0, "gone at 10 instead of 25, when the first ends"),
    (lone(cyl("c1", 100), resupply=(supply(20, cyl("c2", 200)),), gone=25),
     "resupply earlier", "", 10, 0, "out from 10 to 20; at 5 it is there before the swap is due"),
    (lone(), "spare regulator", "", 4, 5 - 1 / 6,
     "the gap counts as no time out and saves litres: 10 s of it instead of 1 min end 50 s sooner"),
    (lone(), "change lower", "", 4, 0, "30 L more from each of two: 13 + 1 + 13 = 27"),
]  # fmt: skip


@pytest.mark.parametrize("case", DIRECTIONS, ids=[row[1] for row in DIRECTIONS])
def test_direction_by_hand(case: tuple[Setting, str, str, float, float, str]) -> None:
    setting, kind, place, before, after, _ = case
    assert minutes(setting) == pytest.approx(before)
    assert minutes(applied(the(setting, kind, place), setting)) == pytest.approx(after)


def test_a_vehicle_earlier_fetches_earlier() -> None:
    # The lone patient, fetched at 25 by a vehicle: as with a typed-in time.
    setting = lone()
    person = replace(setting.incident.patients[0], transfer=None)
    car = Vehicle("car", person.place, 1, at(25))
    incident = replace(
        setting.incident, patients=(person, *setting.incident.patients[1:]), vehicles=(car,)
    )
    fetched = replace(setting, incident=incident)
    assert minutes(fetched) == pytest.approx(4)
    assert not [m for m in measures_of(fetched) if m.kind == "transfer earlier"]
    assert minutes(applied(the(fetched, "vehicle earlier"), fetched)) == pytest.approx(0)
    # Twin: a vehicle that fetches nobody who wants oxygen is not offered.
    elsewhere = replace(fetched, incident=replace(incident, vehicles=(replace(car, place=B),)))
    assert not [m for m in measures_of(elsewhere) if m.kind == "vehicle earlier"]


def test_steps_take_the_next_level_and_its_price() -> None:
    # At 5 L/min 200 L last 41 min with the gap: never out, for one step of .04. Up again: 4 min.
    options = (flows(Phase(10.0)), Option(NRB, "reduced", (Phase(5.0),)))
    incident = world([pat("P", gone=25, options=options)], [cyl("c1", 100), cyl("c2", 100)])
    setting = setting_of(incident)
    down = applied(the(setting, "step down"), setting)
    assert minutes(down) == 0
    assert judged(down, 50, 1).objective.mean() == pytest.approx(0.04)
    assert minutes(applied(the(down, "step up"), down)) == pytest.approx(4)
    assert not [m for m in measures_of(setting) if m.kind == "step up"]


def test_step_to_a_mask_that_is_not_there_or_a_flow_off_the_dial_is_not_offered() -> None:
    # Twin of the above: a cannula nobody has, and 7 L/min on a dial of 2, 5 and 10.
    for other in (Option("cannula", "reduced", (Phase(5.0),)),
                  Option(NRB, "reduced", (Phase(7.0),))):  # fmt: skip
        options = (flows(Phase(10.0)), other)
        setting = setting_of(world([pat("P", gone=25, options=options)], [cyl("c1", 100)]))
        assert not [m for m in measures_of(setting) if m.kind == "step down"]


def test_what_cannot_matter_is_not_offered() -> None:
    # C is out of reach of A, where everybody is; no file of washers or keys: they never run out.
    setting = lone()
    kinds = {(m.kind, m.place) for m in measures_of(setting)}
    assert ("cylinder", B) in kinds
    assert ("cylinder", C) not in kinds
    assert not {"key", "washer"} & {kind for kind, _ in kinds}
    # Already at the safe residual, and a gap of 10 s: neither rule is left to change.
    same = replace(setting.incident, change_at=setting.incident.safe_residual, swap_gap_min=1 / 6)
    left = {m.kind for m in measures_of(replace(setting, incident=same))}
    assert not {"change lower", "spare regulator"} & left


def test_time_earlier_keeps_its_order_and_stays_after_the_start() -> None:
    assert earlier(ThreePoint(20, 30, 50)) == ThreePoint(5, 15, 35)
    assert earlier(ThreePoint(5, 12, 40)) == ThreePoint(0.5, 0.5, 25)
    assert earlier(at(0)) == at(0)
    assert earlier(None) is None


@pytest.mark.parametrize("seed", [3, 8])
def test_no_measure_disturbs_a_draw_it_does_not_touch(seed: int) -> None:
    # Streams are keyed by tag (deliveries by number), so what is new stands beside what was there.
    setting = setting_of(random_incident(seed, num_patients=5, num_cylinders=12))
    before = sample(setting.incident, setting.state, 40, 7)
    tags = [c.tag for c in setting.incident.all_cylinders]
    kinds = set()
    for measure in measures_of(setting):
        other = applied(measure, setting)
        kinds.add(measure.kind)
        after = sample(other.incident, other.state, 40, 7)
        rows = [k for k, c in enumerate(other.incident.all_cylinders) if c.tag in tags]
        assert [other.incident.all_cylinders[k].tag for k in rows] == tags
        assert np.array_equal(after.gauge_error_psi[rows], before.gauge_error_psi)
        count = len(setting.incident.all_regulators)
        assert np.array_equal(after.regulator_factor[:count], before.regulator_factor)
        assert np.array_equal(after.start_min, before.start_min)
        if measure.kind != "transfer earlier":
            assert np.array_equal(after.transfer_min, before.transfer_min)
        if measure.kind != "resupply earlier":
            many = len(setting.incident.resupply)
            assert np.array_equal(after.resupply_min[:many], before.resupply_min)
    assert {"cylinder", "regulator", "device", "responder", "move one", "transfer earlier",
            "resupply earlier", "step down"} <= kinds  # fmt: skip


def test_new_things_stand_after_everything_and_masks_keep_their_numbers() -> None:
    setting = setting_of(random_incident(3, num_patients=5, num_cylinders=12))
    measure = next(m for m in measures_of(setting) if m.kind == "device")
    other = applied(measure, setting)
    assert other.state.devices[: len(setting.state.devices)] == setting.state.devices
    assert len(other.state.devices) == len(setting.state.devices) + 1


def test_new_cylinder_stands_in_the_list_before_the_first_that_holds_less() -> None:
    setting = lone(cyl("c1", 100), cyl("c2", 300), cyl("c3", 90))
    assert setting.policy.order == ("c1", "c3")  # c2, the largest, is on P
    (tag,) = set(applied(the(setting, "cylinder", A), setting).policy.order) - {"c1", "c3"}
    assert applied(the(setting, "cylinder", A), setting).policy.order == (tag, "c1", "c3")
    # Twin: between two, when it holds less than the first.
    setting = lone(cyl("c1", 180), cyl("c2", 300), cyl("c3", 90))
    assert applied(the(setting, "cylinder", A), setting).policy.order[1] not in {"c1", "c3"}


def test_order_of_rows_does_not_matter_for_what_is_offered() -> None:
    setting = setting_of(random_incident(5, num_patients=5, num_cylinders=12))
    incident = replace(
        setting.incident,
        cylinders=setting.incident.cylinders[::-1],
        regulators=setting.incident.regulators[::-1],
    )
    state = initial_state(incident)
    other = Setting(incident, state, setting.policy)
    assert [m.key for m in measures_of(other)] == [m.key for m in measures_of(setting)]


def test_mass_is_the_tables_empty_mass_and_the_oxygen() -> None:
    # Oxygen at 70 F and 1 atm: 31.999 g/mol over Z R T / p.
    molar_l = compressibility(ATM_BAR, 21.111) * 8.314462618 * 294.261 / 101.325
    assert pytest.approx(31.999e-3 / molar_l, rel=2e-4) == KG_PER_L
    (model,) = models_of(replace(lone().incident, contents="real gas"))
    mass = mass_kg(replace(model, water_volume_l=2.38))
    assert mass == pytest.approx(3.4 + 350 * KG_PER_L, rel=2e-3)  # steel D: 3.4 kg and 350 L


def test_going_on_flow_is_stepped_on_the_same_mask_only() -> None:
    options = (flows(Phase(10.0)), Option(NRB, "reduced", (Phase(5.0),)))
    incident = world([pat("P", gone=25, options=options)], [cyl("c1", 100), cyl("c2", 100)],
                     places=(Place(A),))  # fmt: skip
    setting = setting_of(incident, plan(incident, on("P", "c1", "r1"), order=("c2",)))
    down = applied(the(setting, "step down"), setting)
    assert down.policy.hookups[0].lines[0].flow_lpm == 5.0
    assert down.policy.hookups[0].cylinders == ("c1",)
