"""Cross-checks of vehicles: whom they fetch, whether there are seats, what must be said."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from planner.draft import Draft
from planner.errors import Fault
from planner.intake import Row
from planner.telling import is_readable, tell, unknown

TYPED = ("transfer_min", "transfer_after_found_min")


def vehicles_that_fetch(draft: Draft, patient: Row) -> list[Row]:
    """Return the rows of the vehicles that may fetch a patient, as far as they are known."""
    if patient.get("triage") == "dead" or any(name in patient.raw_names for name in TYPED):
        return []
    place = place_of_transport(patient)
    here = [v for v in draft.rows["vehicles"] if place is not None and v.get("place") == place]
    name = patient.get("vehicle")
    return [v for v in here if v.get("name") == name] if "vehicle" in patient.raw_names else here


def place_of_transport(patient: Row) -> object:
    """Return where a patient is fetched: where its legs end, or where it is."""
    legs = patient.get("legs")
    return legs[-1].get("to") if legs else patient.get("place")


def legs_lead_somewhere(draft: Draft) -> Iterator[Fault]:
    """Let each leg go to a place of the file that the patient is not at already."""
    places = draft.names("places")
    for patient in draft.rows["patients"]:
        at = patient.get("place")
        for leg in patient.get("legs") or ():
            yield from unknown(draft, leg, "to", places)
            if leg.get("to") is not None and leg.get("to") == at:
                words = ("another place than where the patient is then", "Correct it.")
                yield tell(draft, leg, "to", words)
            at = leg.get("to")


def carried_with_a_source_of_its_own(draft: Draft) -> Iterator[Fault]:
    """Whoever is to be carried is on a cylinder alone, and on no concentrator, at the start."""
    machines = {row.get("tag") for row in draft.rows["concentrators"]}
    sources = Counter(
        row.get("regulator")
        for patient in draft.rows["patients"]
        if isinstance(row := patient.get("connected"), Row)
    )
    for patient in draft.rows["patients"]:
        row = patient.get("connected")
        if not patient.get("legs") or not isinstance(row, Row):
            continue
        if row.get("cylinder") in machines:
            words = ("a cylinder for somebody who is carried on", "A concentrator stays.")
            yield tell(draft, row, "cylinder", words)
        if row.get("regulator") is not None and sources[row.get("regulator")] > 1:
            words = ("a regulator alone for somebody who is carried on", "Others are on it too.")
            yield tell(draft, row, "regulator", words)


def vehicles_are_known(draft: Draft) -> Iterator[Fault]:
    """Let a patient name a vehicle that exists and comes to its place, and no other transport."""
    vehicles = {row.get("name"): row for row in draft.rows["vehicles"]}
    for row in draft.rows["patients"]:
        vehicle = vehicles.get(row.get("vehicle"))
        if is_readable(draft, "vehicles"):
            yield from unknown(draft, row, "vehicle", draft.names("vehicles"))
        place = vehicle and vehicle.get("place")
        if place in draft.names("places") and place_of_transport(row) not in {None, place}:
            words = (
                f"a vehicle that fetches from {place_of_transport(row)}",
                f"{row.get('vehicle')} fetches from {place}: correct one of the two.",
            )
            yield tell(draft, row, "vehicle", words)
        for name in TYPED:
            if "vehicle" in row.raw_names and name in row.raw_names:
                words = (f"a vehicle or {name}, not both", "Keep one of the two.")
                yield tell(draft, row, "vehicle", words)
        if "transfer_group" in row.raw_names and vehicles_that_fetch(draft, row):
            words = (
                "nothing for somebody whom a vehicle fetches",
                "Remove it, or give transfer_min: then no vehicle does.",
            )
            yield tell(draft, row, "transfer_group", words)


def vehicles_are_whole(draft: Draft) -> Iterator[Fault]:
    """Say how long a hold and a round trip take where there may be one."""
    for row in draft.rows["vehicles"]:
        chance = row.get("hold_chance")
        if chance and "hold_min" not in row.raw_names:
            words = ("how long a hold lasts, in minutes", "Add hold_min, or remove hold_chance.")
            yield tell(draft, row, "hold_min", words)
        if "hold_min" in row.raw_names and chance == 0:
            words = ("more than 0 where hold_min is given", "Give it, or remove hold_min.")
            yield tell(draft, row, "hold_chance", words)
        if (row.get("trips") or 1) > 1 and "round_trip_min" not in row.raw_names:
            words = ("minutes from one arrival to the next", "Add it, or remove trips.")
            yield tell(draft, row, "round_trip_min", words)


def vehicles_have_seats(draft: Draft) -> Iterator[Fault]:
    """Ask about vehicles that nobody waits for, and about people for whom no seat is left."""
    waiting: Counter[int] = Counter()
    alone: Counter[int] = Counter()  # who waits for this one and no other
    for patient in draft.rows["patients"]:
        able = [id(vehicle) for vehicle in vehicles_that_fetch(draft, patient)]
        waiting.update(able)
        alone.update(able if len(able) == 1 else ())
    for vehicle in draft.rows["vehicles"]:
        place = vehicle.get("place")
        if place is not None and not waiting[id(vehicle)] and is_readable(draft, "patients"):
            words = (
                f"somebody at {place} without a typed-in transfer time",
                "Nobody waits for it: check its place, or remove it.",
            )
            yield tell(draft, vehicle, "name", words, "warning")
        mine, seats = alone[id(vehicle)], _seats(vehicle)
        if seats is not None and mine > seats:
            field = "trips" if "trips" in vehicle.raw_names else "round_trip_min"
            words = (
                f"enough for all {mine} who wait for it alone",
                f"As it stands it takes {seats:g}; the others stay until the plan ends.",
            )
            yield tell(draft, vehicle, field, words, "warning")


def _seats(vehicle: Row) -> float | None:
    """Seats of all trips of a vehicle; None when not known."""
    capacity, trips = vehicle.get("capacity"), vehicle.get("trips")
    if capacity is None or ("trips" in vehicle.raw_names and trips is None):
        return None
    if "round_trip_min" not in vehicle.raw_names:
        return float(capacity)
    return math.inf if trips is None else float(capacity * trips)


__all__ = [
    "carried_with_a_source_of_its_own", "legs_lead_somewhere", "place_of_transport",
    "vehicles_are_known", "vehicles_are_whole", "vehicles_have_seats", "vehicles_that_fetch",
]  # fmt: skip
