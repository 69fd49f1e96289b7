"""Cross-checks of a study's rows, one rule each, before anything is constructed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from planner.cache.study_fields import MAX_CASES, OWN
from planner.cache.study_sizes import connection_of, mass_of
from planner.errors import Fault
from planner.fields import Kind
from planner.fields.kinds import AGES
from planner.incident import Incident
from planner.intake import Row, listed, nearest, printable, shown
from planner.reference import (
    find_connection,
    find_device,
    find_size,
    load_connections,
    load_cylinders,
    load_devices,
    load_protocol,
    options_for,
)
from planner.telling import in_unit, plannable

CHANCE_SLACK: Final = 1e-6


@dataclass(slots=True)
class Rows:
    """All rows of a study's file, with the incidents that it names, as far as they can be read."""

    file: str
    rows: dict[str, list[Row]]
    incidents: dict[int, Incident]

    @property
    def study(self) -> Row:
        """The head's row."""
        return self.rows["study"][0]

    @property
    def limits(self) -> Row:
        """The row of the limits."""
        return self.rows["limits"][0]

    def names(self, table: str) -> list[str]:
        """Return the names of a table's rows."""
        return [row.get("name") for row in self.rows[table] if row.get("name") is not None]


def tell(row: Row, field: str, words: tuple[str, str], received: str | None = None) -> Fault:
    """Make a fault about a field of a row; ``words`` are what is allowed and the mend."""
    value = row.get(field)
    if received is None:
        received = "nothing" if value is None else shown(value)
        if value == () and row.table.field(field).kind is Kind.ROW:
            received = "an empty table"  # values by name, which are kept as pairs
    return Fault(
        row.file, row.table.name, row.label, row.raw_names.get(field, field), received, *words
    )


def unknown_names(
    row: Row, field: str, names: Iterable[object], known: Collection[str], where: str
) -> Iterator[Fault]:
    """Tell each name that is not known; ``where`` says what lists them."""
    for name in names:
        if isinstance(name, str) and name not in known:
            allowed = f"one of {listed(known)}" if known else f"one of {where}: there is none"
            mend = nearest(name, known) or f"Check the spelling, or add it to {where}."
            yield tell(row, field, (allowed, mend), shown(name))


def twice(rows: Iterable[Row], what: str) -> Iterator[Fault]:
    """Tell names that stand several times."""
    seen: Counter[object] = Counter()
    for row in rows:
        name = row.get("name")
        seen[name] += 1
        if name is not None and seen[name] == 2:
            yield tell(row, "name", (f"each {what} once", "Another row has it too: rename one."))


def check(draft: Rows) -> Iterator[Fault]:
    """Yield every fault of a study's rows."""
    yield from _heads(draft)
    yield from _presence(draft)
    for row in draft.rows["families"]:
        yield from _family(draft, row)
    for index, row in enumerate(draft.rows["incidents"]):
        yield from _incident(draft, row, draft.incidents.get(index))
    for row in draft.rows["items"]:
        yield from _item(draft, row)
    yield from _regulators_fit(draft)
    yield from _masks_are_there(draft)
    yield from _load_is_enough(draft)


def _heads(draft: Rows) -> Iterator[Fault]:
    head = draft.study
    change, residual = head.get("change_at"), head.get("safe_residual")
    if change is not None and residual is not None and residual.psi > change.psi:
        allowed = f"at most {in_unit(change.psi, residual)}, where a swap is due (change_at)"
        yield tell(head, "safe_residual", (allowed, "Lower it, or change earlier."))
    swap, gap = head.get("swap_min"), head.get("swap_gap_min")
    if swap is not None and gap is not None and gap > swap:
        words = (f"at most {swap:g} min, the whole swap (swap_min)", "Lower it.")
        yield tell(head, "swap_gap_min", words)


def _presence(draft: Rows) -> Iterator[Fault]:
    rows = draft.rows
    cases = [*rows["families"], *rows["incidents"]]
    for table, is_there, allowed, mend in (
        ("families", bool(cases), "at least one family or incident",
         "Say what the cache is for: add [[families]] or [[incidents]]."),
        ("caches", bool(rows["caches"]), "at least one cache", "Add it as [[caches]]."),
        ("items", any(r.get("kind") in {"cylinder", None} for r in rows["items"]),
         "at least one cylinder", "Add what may be bought or is there as [[items]]."),
    ):  # fmt: skip
        if not is_there:
            yield Fault(draft.file, table, "", "", "nothing", allowed, mend)
    if len(cases) > MAX_CASES:
        words = (f"{len(cases)} rows", f"at most {MAX_CASES} families and incidents", "Split it.")
        yield Fault(draft.file, "families", "", "", *words)
    weights = [row.get("weight") for row in cases]
    if cases and None not in weights and sum(weights) <= 0:
        yield tell(cases[0], "weight", ("at least one above 0", "Say which of them counts."))
    yield from twice(rows["caches"], "cache")
    yield from twice(cases, "family or incident")
    yield from twice(rows["items"], "item")


def _sums_to_one(rows: list[Row], field: str, owner: Row, of: str) -> Iterator[Fault]:
    values = [row.get(field) for row in rows]
    if values and None not in values and abs(math.fsum(values) - 1) > CHANCE_SLACK:
        words = ("1 in all", "Change them so that their sum is 1.")
        yield tell(owner, of, words, f"{field} {listed(f'{v:g}' for v in values)}: in all "
                   f"{math.fsum(values):g}")  # fmt: skip


def _family(draft: Rows, row: Row) -> Iterator[Fault]:
    people, spots = row.get("people"), row.get("spots")
    groups = [g.get("name") for g in row.get("transfer_groups") or ()]
    if not people and (people is not None or "people" not in row.raw_names):
        words = ("at least one kind of patient", "Add people = [{ share = 1, ... }].")
        yield tell(row, "people", words)
    if not spots and (spots is not None or "spots" not in row.raw_names):
        words = ("at least one spot", 'Add spots = [{ name = "...", arrive_min = { ... } }].')
        yield tell(row, "spots", words)
    yield from _counts(row)
    yield from _air(row)
    yield from _sums_to_one(people or [], "share", row, "people")
    yield from _sums_to_one(spots or [], "chance", row, "spots")
    yield from twice(spots or (), "spot of a family")
    yield from twice(row.get("transfer_groups") or (), "transfer group of a family")
    for spot in spots or ():
        given = spot.get("arrive_min")
        if not given and (given is not None or "arrive_min" not in spot.raw_names):
            words = (
                "minutes until at least one cache is there, such as { hut = 14 }",
                "Add the minutes of a cache that reaches it, or remove the spot.",
            )
            yield tell(spot, "arrive_min", words)
        names = [name for name, _ in given or ()]
        yield from unknown_names(spot, "arrive_min", names, draft.names("caches"), "[[caches]]")
    for person in people or ():
        yield from _person(person, groups)


def _counts(row: Row) -> Iterator[Fault]:
    counted = row.get("num_patients")
    if counted is None:
        if "num_patients" not in row.raw_names:
            words = ("how many patients there are", "Add it, such as { poisson = 2.5, most = 7 }.")
            yield tell(row, "num_patients", words)
        return
    names, given = set(counted.raw_names), counted.values
    if names and names not in ({"poisson", "most"}, {"counts", "chances"}):
        words = ("poisson with most, or counts with chances", "Keep one of the two pairs.")
        yield tell(counted, "", words, listed(sorted(names)))
        return
    if not given:
        yield tell(counted, "", ("poisson with most, or counts with chances", "Add a pair."))
    counts, chances = given.get("counts"), given.get("chances")
    if counts is None or chances is None:
        return
    if any(n != int(n) for n in counts) or len(set(counts)) < len(counts):
        words = ("whole numbers, each once", "Correct the list.")
        yield tell(counted, "counts", words)
    elif not any(n > 0 and p > 0 for n, p in zip(counts, chances, strict=False)):
        words = ("a number above 0 that may be", "As it stands there is never a patient.")
        yield tell(counted, "counts", words)
    if len(counts) != len(chances):
        words = (f"{len(counts)} chances, one for each of the counts", "Correct one of the lists.")
        yield tell(counted, "chances", words)
    elif abs(math.fsum(chances) - 1) > CHANCE_SLACK:
        words = ("1 in all", "Change them so that their sum is 1.")
        yield tell(counted, "chances", words, f"{shown(chances)}: in all {math.fsum(chances):g}")


def _air(row: Row) -> Iterator[Fault]:
    given = [name for name in ("air_temperature", "weather") if name in row.raw_names]
    if len(given) != 1:
        words = (
            "air_temperature_c or _f, or weather",
            "Keep one of them." if given else "Say how cold it is: a cold cylinder gives less.",
        )
        yield tell(row, "air_temperature_c", words, " and ".join(given) or "nothing")
    elif row.get("weather") == []:
        words = ("at least one row", "Add { air_temperature_c = -5, chance = 1 }.")
        yield tell(row, "weather", words)
    yield from _sums_to_one(row.get("weather") or [], "chance", row, "weather")


def _person(row: Row, groups: list[Any]) -> Iterator[Fault]:
    yield from unknown_names(
        row, "transfer_group", [row.get("transfer_group")], groups, "the family's transfer_groups"
    )
    protocol = load_protocol("example")
    yield from _in_table(row, "indication", [r.name for r in protocol.rows], protocol.indication)
    late = row.get("late_chance")
    if late and "found_min" not in row.raw_names:
        words = ("when they are found, in minutes", "Add found_min, or remove late_chance.")
        yield tell(row, "found_min", words)
    if late == 0 and "found_min" in row.raw_names:
        words = ("above 0 where found_min is given", "Add it, or remove found_min.")
        yield tell(row, "late_chance", words)


def _in_table(row: Row, field: str, known: Collection[str], find: Any) -> Iterator[Fault]:
    """Tell a name that a reference table does not have; other words for it are looked up."""
    value = row.get(field)
    if not isinstance(value, str) or value in known:
        return
    other = find(value)
    mend = f"Write {other.name}." if other is not None and other.name in known else ""
    mend = mend or nearest(value, known) or "Check the spelling."
    yield tell(row, field, (f"one of {listed(known)}", mend))


def _incident(draft: Rows, row: Row, incident: Incident | None) -> Iterator[Fault]:
    given, caches = row.get("places"), draft.names("caches")
    if incident is None:
        yield from unknown_names(row, "places", [c for c, _ in given or ()], caches, "[[caches]]")
        return
    places = [place.name for place in incident.places]
    if not given and len(places) > 1 and (given is not None or "places" not in row.raw_names):
        words = ("the place of at least one cache's stock", f"Places there: {listed(places)}.")
        yield tell(row, "places", words)
    yield from unknown_names(row, "places", [c for c, _ in given or ()], caches, "[[caches]]")
    there = f"the places of {printable(row.get('file'))}"
    yield from unknown_names(row, "places", [p for _, p in given or ()], places, there)


def _item(draft: Rows, row: Row) -> Iterator[Fault]:
    kind = row.get("kind")
    held = row.get("held") or ()
    yield from unknown_names(row, "held", [c for c, _ in held], draft.names("caches"), "[[caches]]")
    most = row.get("most")
    for cache, count in held:
        if most is not None and count > most:
            words = (f"at most {most} in one cache (most)", "Raise most, or count again.")
            yield tell(row, "held", words, f"{count} at {cache}")
    if kind is None:
        return
    for name in dict.fromkeys(n for names in OWN.values() for n in names):
        if name in row.raw_names and name not in OWN[kind]:
            words = (f"nothing for a {kind}", f"Remove it, or correct kind = {kind!r}.")
            yield tell(row, name, words)
    if kind != "cylinder" and "mass_kg" not in row.raw_names:
        yield tell(row, "mass_kg", ("0.001 to 200 kg", "Weigh one and add it."))
    if kind == "cylinder":
        yield from _cylinder(row)
    elif kind == "regulator":
        yield from _wanted(row, "connection", "what cylinder valve it fits")
        takes = [n for n, c in load_connections().items() if c.needs_regulator]
        yield from _in_table(row, "connection", takes, find_connection)
    elif kind == "device":
        yield from _wanted(row, "device", "which mask or cannula it is")
        yield from _in_table(row, "device", plannable(), find_device)
        device = load_devices().get(row.get("device"))
        if device is not None and row.get("age") not in {None, *device.ages}:
            words = (f"one of {listed(device.ages)}", f"A {device.name} comes in these only.")
            yield tell(row, "age", words)


def _wanted(row: Row, field: str, allowed: str) -> Iterator[Fault]:
    if field not in row.raw_names:
        yield tell(row, field, (allowed, "Add it."))


def _cylinder(row: Row) -> Iterator[Fault]:
    yield from _wanted(row, "size", f"one of {listed(load_cylinders())}")
    size = find_size(row.get("size")) if row.get("size") else None
    if size is None:
        yield from _in_table(row, "size", load_cylinders(), find_size)
    elif size.connection is None and "connection" not in row.raw_names:
        words = (f"one of {listed(size.connections)}", "Read it off the valve: it comes with any.")
        yield tell(row, "connection", words)
    yield from _in_table(row, "connection", load_connections(), find_connection)


def _is_known(rows: list[Row], kind: str, field: str, known: Collection[str]) -> bool:
    """Say whether it is known what all items of a kind are.

    Where one is not, its own fault is told, and what it leaves without is not told besides.
    """
    return all(
        row.get("kind") is not None and (row.get("kind") != kind or row.get(field) in known)
        for row in rows
    )


def _regulators_fit(draft: Rows) -> Iterator[Fault]:
    """Each connection has a regulator among the items, or with an incident that keeps its kit."""
    rows = draft.rows["items"]
    if not _is_known(rows, "regulator", "connection", load_connections()):
        return
    fits = {row.get("connection") for row in rows if row.get("kind") == "regulator"}
    for index, incident in draft.incidents.items():
        if draft.rows["incidents"][index].get("keep_kit"):
            fits |= {regulator.connection for regulator in incident.all_regulators}
    for row in rows:
        kind = load_connections().get(connection_of(row) or "")
        if row.get("kind") != "cylinder" or kind is None or not kind.needs_regulator:
            continue
        if kind.name not in fits:
            words = (f"one for which a regulator is listed: there is none for {kind.name}",
                     "Add such a regulator to [[items]].")  # fmt: skip
            yield tell(row, "connection", words, kind.name)


def _masks_are_there(draft: Rows) -> Iterator[Fault]:
    """Each kind of person who may get oxygen has a mask of some option among the items."""
    rows = draft.rows["items"]
    if not _is_known(rows, "device", "device", plannable()):
        return
    if not _is_known(rows, "device", "age", AGES):
        return
    masks = {(row.get("device"), row.get("age")) for row in rows if row.get("kind") == "device"}
    protocol = load_protocol("example")
    for person in (p for row in draft.rows["families"] for p in row.get("people") or ()):
        found = protocol.indication(person.get("indication") or "")
        age = person.get("age")
        if found is None or age is None or person.get("triage") in {None, "dead", "expectant"}:
            continue
        options = options_for(found, age)
        if options and not any((o.device, age) in masks for o in options):
            wanted = listed(o.device for o in options)
            words = (f"a device among the items that gives it: {wanted}, size {age}",
                     "Add one to [[items]].")  # fmt: skip
            yield tell(person, "indication", words)


def _load_is_enough(draft: Rows) -> Iterator[Fault]:
    """One carrier can carry at least a cylinder with what it takes to use it."""
    load, pack = draft.limits.get("load_kg"), draft.limits.get("pack_kg")
    lightest = _lightest_load(draft.rows["items"])
    if load is None or pack is None or lightest is None or load > pack + lightest:
        return
    words = (
        f"more than {pack + lightest:.2f} kg: the pack with the lightest cylinder, a regulator "
        "that fits and a mask",
        "Raise it, or list something lighter.",
    )
    yield tell(draft.limits, "load_kg", words)


def _lightest_load(rows: list[Row]) -> float | None:
    kit: dict[str, dict[str, float]] = {"regulator": {}, "device": {}}
    for row in rows:
        if row.get("kind") in kit and row.get("mass_kg") is not None:
            known = kit[row.get("kind")]
            fits = connection_of(row) or "" if row.get("kind") == "regulator" else ""
            known[fits] = min(row.get("mass_kg"), known.get(fits, math.inf))
    loads = []
    for row in rows:
        mass = mass_of(row) if row.get("kind") == "cylinder" else None
        kind = load_connections().get(connection_of(row) or "")
        if mass is None or kind is None:
            continue
        regulator = kit["regulator"].get(kind.name) if kind.needs_regulator else 0.0
        if regulator is not None:
            loads.append(mass + regulator + kit["device"].get("", 0.0))
    return min(loads, default=None)
