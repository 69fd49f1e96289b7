"""Small studies of caches, made in code; invented. EXERCISE - NOT FOR PATIENT CARE."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from planner.cache.study import (
    Cache,
    Family,
    Item,
    Limits,
    NumPatients,
    Person,
    Spot,
    Study,
    Weather,
)
from planner.incident import ThreePoint, TransferGroup
from planner.reference import find_size
from planner.units import Pressure, Temperature

SETTINGS = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0)


def cylinder(name: str, mass_kg: float, price: float, **more: object) -> Item:
    size = find_size(name)
    item = Item(
        name=name, kind="cylinder", mass_kg=mass_kg, price=price, size=size.name,
        connection=size.connections[0], gauge=Pressure(2000.0, "psi"), volume_l=5.0,
        water_volume_l=size.water_volume_l, factor_l_per_psi=size.factor_l_per_psi, most=16,
    )  # fmt: skip
    return replace(item, **more)


REGULATOR = Item(
    name="regulator", kind="regulator", mass_kg=0.5, price=90.0, connection="CGA 870",
    settings_lpm=SETTINGS, most=8, volume_l=1.0,
)  # fmt: skip
MASK = Item(
    name="mask", kind="device", mass_kg=0.1, price=3.0, device="non-rebreather", most=10,
)  # fmt: skip
SIMPLE = Item(
    name="simple mask", kind="device", mass_kg=0.1, price=2.0, device="simple mask", most=10,
)  # fmt: skip
CANNULA = Item(
    name="cannula", kind="device", mass_kg=0.05, price=1.0, device="cannula", most=10,
)  # fmt: skip


def family(name: str, weight: float, num: NumPatients, **more: object) -> Family:
    made = Family(
        name=name, weight=weight, num_patients=num,
        people=(
            Person(0.5, "immediate", "major trauma", transfer=ThreePoint(50, 80, 130),
                   transfer_group="helicopter"),
            Person(0.5, "delayed", "trauma, reading below 94", spo2=91,
                   transfer=ThreePoint(60, 95, 150), transfer_group="helicopter"),
        ),
        spots=(Spot("bowl", 1.0, (("hut", 14.0),)),),
        weather=(Weather(Temperature(-12.0, "C"), 1.0),),
        responders=4,
        transfer_groups=(TransferGroup("helicopter"),),
    )  # fmt: skip
    return replace(made, **more)


def fixed(count: int) -> NumPatients:
    return NumPatients((count,), (1.0,))


def three_families() -> Study:
    """Three families, five sizes: the one of the reach."""
    few = NumPatients((1, 2, 3, 4), (0.35, 0.35, 0.2, 0.1))
    return Study(
        name="Three families",
        cases=(
            family("slab avalanche, winter noon", 3, few),
            family("slab avalanche, helicopter out", 1, few, transfer_groups=(
                TransferGroup("helicopter", 1.0, ThreePoint(90, 130, 190)),)),
            family("fall at the ridge, summer", 2, NumPatients((1, 2), (0.8, 0.2)),
                   weather=(Weather(Temperature(12.0, "C"), 1.0),)),
        ),
        items=(
            cylinder("aluminium D", 2.9, 110), cylinder("jumbo D", 4.4, 150),
            cylinder("E", 7.2, 140), cylinder("aluminium E", 4.5, 160), cylinder("M9", 2.0, 90),
            REGULATOR, MASK, SIMPLE, CANNULA,
        ),
        caches=(Cache("hut", 4),),
        limits=Limits(load_kg=18.0, pack_kg=1.8, budget=6000.0),
    )  # fmt: skip


def until_stopped(is_stopped: Callable[[], bool]) -> str:
    """A piece of work that ends only when it is asked to."""
    for _ in range(2_000):
        if is_stopped():
            return "stopped"
        time.sleep(0.02)
    return "never stopped"
