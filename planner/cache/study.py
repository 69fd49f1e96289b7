"""What a study of a cache is: what may happen, what may be bought, what limits it; frozen data.

Minute 0 of what a family draws is the moment at which the first cache is on the scene; times in a
study run from the alarm, as people know them, and are moved when a picture is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from planner.incident import Age, Incident, ThreePoint, TransferGroup, Triage, Uncertainty
from planner.units import Pressure, Temperature

ItemKind = Literal["cylinder", "regulator", "device", "key", "washer"]
Flows = Literal["first choice", "lowest"]
KINDS: Final[tuple[ItemKind, ...]] = ("cylinder", "regulator", "device", "key", "washer")
FLOWS: Final[tuple[Flows, ...]] = ("first choice", "lowest")
MOST_EACH: Final = 40  # of one item in one cache, where a row does not say; our own


@dataclass(frozen=True, slots=True)
class Item:
    """Something that may be bought or is there already.

    Parameters
    ----------
    name : str
        Unique in the study; rows of stock name it.
    kind : {"cylinder", "regulator", "device", "key", "washer"}
    mass_kg, volume_l, price : float
        Of one, full and ready to carry; ``volume_l`` is the room it takes on the shelf.
    most : int
        Of it in one cache, what is there already included.
    held : tuple of (cache, count)
        There already: no price, but its mass counts, and it may be left out of the loads.
    unusable_chance : float
        Chance that one of them turns out empty or broken, each on its own.
    size : str
        Cylinders: a row of the cylinder table.
    connection : str
        Cylinders and regulators.
    gauge : Pressure or None
        Cylinders: what they are kept at, read at ``filled_at``.
    water_volume_l, factor_l_per_psi : float
        Cylinders: as in an incident.
    settings_lpm : tuple of float
        Regulators, and cylinders whose flow selector is built in.
    outlets : int
        Regulators.
    device : str
        Devices: kind, such as ``non-rebreather``.
    age : {"adult", "child", "infant"}
        Devices.
    """

    name: str
    kind: ItemKind
    mass_kg: float
    volume_l: float = 0.0
    price: float = 0.0
    most: int = MOST_EACH
    held: tuple[tuple[str, int], ...] = ()
    unusable_chance: float = 0.0
    size: str = ""
    connection: str = ""
    gauge: Pressure | None = None
    filled_at: Temperature = Temperature(15.0, "C")
    water_volume_l: float = 0.0
    factor_l_per_psi: float = 0.0
    settings_lpm: tuple[float, ...] = ()
    outlets: int = 1
    device: str = ""
    age: Age = "adult"


@dataclass(frozen=True, slots=True)
class Cache:
    """A place where stock lies, and how many can carry from it (None: no limit on loads)."""

    name: str
    carriers: int | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """What a stock may be at most; None where nothing limits it.

    Parameters
    ----------
    load_kg : float or None
        Of one carrier's load, the pack included.
    pack_kg : float
        Of an empty pack.
    budget : float or None
        For what is bought, all caches together.
    shelf_l : float or None
        Room in each cache.
    currency : str
    """

    load_kg: float | None = None
    pack_kg: float = 0.0
    budget: float | None = None
    shelf_l: float | None = None
    currency: str = "EUR"


@dataclass(frozen=True, slots=True)
class Person:
    """A kind of patient that a family draws, with its share; times from the alarm.

    ``late_chance`` is the chance that one of these is not found when the cache arrives but
    ``found`` later; without it everyone is there when the cache is.
    """

    share: float
    triage: Triage
    indication: str
    age: Age = "adult"
    spo2: float | None = None
    transfer: ThreePoint | None = None
    transfer_group: str | None = None
    late_chance: float = 0.0
    found: ThreePoint | None = None


@dataclass(frozen=True, slots=True)
class NumPatients:
    """How many patients: counts with their chances, which sum to 1."""

    counts: tuple[int, ...]
    chances: tuple[float, ...]

    @property
    def most(self) -> int:
        """The largest number that may be drawn."""
        return max(self.counts)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a family's incident may be: its chance, and minutes until each cache is there.

    Minutes from the alarm. A cache without minutes does not reach it.
    """

    name: str
    chance: float
    arrive_min: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Weather:
    """An air temperature with its chance."""

    temperature: Temperature
    chance: float


@dataclass(frozen=True, slots=True)
class Family:
    """Incidents of one kind, as distributions.

    Parameters
    ----------
    name : str
        Such as "slab avalanche, winter noon"; it stands in the first line.
    weight : float
        How much it counts, against the other rows.
    """

    name: str
    weight: float
    num_patients: NumPatients
    people: tuple[Person, ...]
    spots: tuple[Spot, ...]
    weather: tuple[Weather, ...]
    responders: int
    transfer_groups: tuple[TransferGroup, ...] = ()
    altitude_m: float = 0.0


@dataclass(frozen=True, slots=True)
class KnownIncident:
    """An incident file that the cache must hold for.

    Parameters
    ----------
    file : str
        As the study names it.
    places : tuple of (cache, place)
        Where each cache's stock lies in it, from minute 0 on.
    keeps_kit : bool
        Whether the file's own cylinders, regulators, devices and sundries stay besides.
    """

    name: str
    weight: float
    file: str
    incident: Incident
    places: tuple[tuple[str, str], ...]
    keeps_kit: bool = False


Case = Family | KnownIncident


@dataclass(frozen=True, slots=True)
class Study:
    """One study; ``cases`` in the order of the file, families before incidents."""

    name: str
    cases: tuple[Case, ...]
    items: tuple[Item, ...]
    caches: tuple[Cache, ...]
    limits: Limits = Limits()
    target_chance: float = 0.05
    flows: Flows = "first choice"
    change_at: Pressure = Pressure(500.0, "psi")
    safe_residual: Pressure = Pressure(200.0, "psi")
    swap_min: float = 3.0
    swap_gap_min: float = 1.0
    horizon_min: float = 480.0
    contents: Literal["real gas", "handbook"] = "real gas"
    protocol: str = "example"
    uncertainty: Uncertainty = Uncertainty()
    note: str | None = None
    approved_by: str | None = None
    review_on: str | None = None
    assumed: tuple[str, ...] = field(default=(), compare=False)

    def item(self, name: str) -> Item:
        """Return an item by its name.

        Raises
        ------
        KeyError
            For a name that no item has.
        """
        found = next((item for item in self.items if item.name == name), None)
        if found is None:
            raise KeyError(f"no item is named {name!r}")
        return found

    @property
    def weights(self) -> tuple[float, ...]:
        """Weights of the cases as shares that sum to 1."""
        total = sum(case.weight for case in self.cases)
        return tuple(case.weight / total for case in self.cases)


@dataclass(frozen=True, slots=True)
class Stock:
    """How many of each item lie in each cache: (cache, item) names with counts, in order."""

    counts: tuple[tuple[tuple[str, str], int], ...] = ()

    @classmethod
    def of(cls, counts: dict[tuple[str, str], int]) -> Stock:
        """Make one from counts; zeros fall away, order is by cache and item name.

        Raises
        ------
        ValueError
            For a count below 0.
        """
        for key, count in counts.items():
            if count < 0:
                raise ValueError(f"count of {key} is {count}; allowed: 0 or more")
        return cls(tuple(sorted((key, count) for key, count in counts.items() if count)))

    def count(self, cache: str, item: str) -> int:
        """Return how many of an item lie in a cache."""
        return dict(self.counts).get((cache, item), 0)

    def with_more(self, cache: str, item: str, by: int = 1) -> Stock:
        """Return it with so many more of one item (fewer below 0, not under none)."""
        counts = dict(self.counts)
        counts[cache, item] = max(0, counts.get((cache, item), 0) + by)
        return Stock.of(counts)


def held_stock(study: Study) -> Stock:
    """Return what is there already."""
    return Stock.of({
        (cache, item.name): count for item in study.items for cache, count in item.held
    })  # fmt: skip


def stock_mass_kg(study: Study, stock: Stock) -> float:
    """Return the mass of all items of a stock, without packs."""
    return sum(study.item(name).mass_kg * count for (_, name), count in stock.counts)


def stock_volume_l(study: Study, stock: Stock, cache: str) -> float:
    """Return the room that a stock takes in one cache."""
    return sum(
        study.item(name).volume_l * count for (where, name), count in stock.counts if where == cache
    )


def stock_price(study: Study, stock: Stock) -> float:
    """Return what has to be paid: what goes beyond what is there already."""
    held = dict(held_stock(study).counts)
    return sum(
        study.item(key[1]).price * max(0, count - held.get(key, 0)) for key, count in stock.counts
    )
