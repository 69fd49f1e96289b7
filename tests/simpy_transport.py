"""A process model of vehicles and the people they fetch, one sample at a time.

Written from the words of the file format alone, with SimPy processes: a vehicle drives, arrives,
lets people in and drives on; a person is found and then waits at a place. What is uncertain is
given in minutes: when a vehicle first arrives, how long each of its round trips takes, when a
person is found. Nothing of :mod:`planner.transport` is used.

Within one instant people are found before anyone boards, and vehicles board in the file's order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any

import simpy

Process = Generator[simpy.Event, Any, None]
RANK = {"immediate": 0, "delayed": 1, "minimal": 2, "expectant": 3, "dead": 4}


@dataclass
class Person:
    """Somebody at one place; ``vehicle`` is the only one that may fetch, where one is named."""

    tag: str
    triage: str
    row: int
    found_min: float  # infinite: never
    vehicle: str | None = None
    left_min: float = math.inf


@dataclass
class Car:
    """A vehicle: what it is and what was drawn for it; ``trips`` None: without end."""

    name: str
    row: int
    capacity: int
    order: str
    first_min: float
    round_trip: Callable[[int], float] | None
    trips: int | None


@dataclass
class Place:
    """Who waits here, and which vehicles stand here at this instant."""

    env: simpy.Environment
    waiting: list[Person] = field(default_factory=list)
    docked: list[Car] = field(default_factory=list)

    def found(self, person: Person) -> Process:
        if math.isfinite(person.found_min):
            yield self.env.timeout(max(0.0, person.found_min - self.env.now))
            self.waiting.append(person)

    def drive(self, car: Car, until_min: float) -> Process:
        if not math.isfinite(car.first_min):
            return
        yield self.env.timeout(car.first_min)
        trip = 0
        while self.env.now <= until_min:
            trip += 1
            self.docked.append(car)
            yield self.env.timeout(0)  # everyone due at this instant speaks first
            for here in sorted(self.docked, key=lambda c: c.row):
                self.board(here)
            self.docked.clear()
            if car.round_trip is None or trip == car.trips:
                return
            yield self.env.timeout(car.round_trip(trip - 1))

    def board(self, car: Car) -> None:
        mine = [p for p in self.waiting if p.vehicle in {None, car.name}]
        if car.order == "triage":
            mine.sort(key=lambda p: (RANK[p.triage], p.row))
        else:
            mine.sort(key=lambda p: p.row)
        for person in mine[: car.capacity]:
            person.left_min = self.env.now
            self.waiting.remove(person)


def simulate(people: list[Person], cars: list[Car], until_min: float) -> dict[str, float]:
    """Return when each person of one place is fetched, infinite where nobody comes by then."""
    env = simpy.Environment()
    place = Place(env)
    for person in people:
        env.process(place.found(person))
    for car in cars:
        env.process(place.drive(car, until_min))
    env.run(until=until_min + 1)
    return {p.tag: p.left_min for p in people}
