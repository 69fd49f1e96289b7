"""Measures: the single changes that might help, and what a setting is with one of them.

Each has a default use and nothing more: a new cylinder stands in the printed list at its default
place, a new regulator, mask or responder joins the free kit, everything else of the policy stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, Literal, cast

from planner.advice.setting import Delivery, Setting, fresh_tags, with_delivery
from planner.advice.steps import stepped
from planner.incident import (
    Age,
    Cylinder,
    DeviceStock,
    Option,
    Patient,
    Regulator,
    Responder,
    SundryStock,
    ThreePoint,
)

Kind = Literal[
    "cylinder", "regulator", "device", "key", "washer", "responder", "move one", "move all",
    "transfer earlier", "vehicle earlier", "resupply earlier", "spare regulator", "change lower",
    "step down", "step up",
]  # fmt: skip
EARLIER_MIN: Final = 15.0  # our own choice of a useful step
SPARE_GAP_MIN: Final = 10 / 60  # the mask's tubing only is moved over: common practice, no source
LEAST_MIN: Final = 0.5  # a time moved earlier stays after the start; our own
#: Things that may be left in their box, so that having them need not change what is done.
OPTIONAL: Final = frozenset(
    {"cylinder", "regulator", "device", "key", "washer", "responder", "move one", "move all"}
)
#: Things that there can be two of.
COUNTED: Final = frozenset({"cylinder", "regulator", "device", "key", "washer", "responder"})


@dataclass(frozen=True, slots=True)
class Measure:
    """One change.

    Parameters
    ----------
    kind : str
    name : str
        Size, connection, kind of mask, transfer group, vehicle, tag of a patient or a cylinder; a
        delivery's number from 1.
    place : str
        Where to.
    age : str
        Of a mask.
    origin : str
        Where from; the patient, for one who is in no transfer group.
    model : Cylinder, Regulator, Option or None
        What is added, or the option that a step leads to.
    """

    kind: Kind
    name: str = ""
    place: str = ""
    age: str = ""
    origin: str = ""
    model: Cylinder | Regulator | Option | None = None

    @property
    def key(self) -> tuple[str, ...]:
        """What it is sorted by where nothing else tells two apart; no file order in it."""
        connection = getattr(self.model, "connection", "")
        return (self.kind, self.name, self.age, self.place, self.origin, connection)


def applied(measure: Measure, setting: Setting) -> Setting:
    """Return the setting with a measure.

    Raises
    ------
    ValueError
        When it cannot be had in this setting, as two measures may stand in each other's way.
    """
    return _APPLIED[measure.kind](measure, setting)


def _cylinder(measure: Measure, setting: Setting) -> Setting:
    assert isinstance(measure.model, Cylinder)  # noqa: S101 - for the type checker
    (tag,) = fresh_tags(setting, measure.name, 1)
    new = replace(measure.model, tag=tag)
    return with_delivery(setting, Delivery(measure.place, cylinders=(new,)))


def _regulator(measure: Measure, setting: Setting) -> Setting:
    assert isinstance(measure.model, Regulator)  # noqa: S101 - for the type checker
    (tag,) = fresh_tags(setting, measure.name, 1)
    new = replace(measure.model, tag=tag, place=None)
    return with_delivery(setting, Delivery(measure.place, regulators=(new,)))


def _device(measure: Measure, setting: Setting) -> Setting:
    new = DeviceStock(measure.name, cast(Age, measure.age), 1, None)
    return with_delivery(setting, Delivery(measure.place, devices=(new,)))


def _key(measure: Measure, setting: Setting) -> Setting:
    rows = (*setting.incident.sundries, SundryStock("key", 1, measure.place))
    return replace(setting, incident=replace(setting.incident, sundries=rows))


def _washer(measure: Measure, setting: Setting) -> Setting:
    left = setting.state.washers
    if left is None:
        raise ValueError("washers are not listed, so they never run out")
    places = [p.name for p in setting.incident.places]
    more = tuple(n + (p == measure.place) for n, p in zip(left, places, strict=True))
    return replace(setting, state=replace(setting.state, washers=more))


def _responder(measure: Measure, setting: Setting) -> Setting:
    from planner.state import ResponderNow

    incident, state = setting.incident, setting.state
    (tag,) = fresh_tags(setting, "responder", 1)
    new = Responder(tag, measure.place, state.at_min)
    now = ResponderNow(tag, measure.place, state.at_min)
    return replace(
        setting,
        incident=replace(incident, responders=(*incident.responders, new)),
        state=replace(state, responders=(*state.responders, now)),
    )


def _moved(measure: Measure, setting: Setting) -> Setting:
    """Let reserve stand at another place from the state's minute on, as though put there before."""
    tags = (measure.name,) if measure.kind == "move one" else movable(setting, measure.origin)
    if not tags or any(tag not in movable(setting, measure.origin) for tag in tags):
        raise ValueError(f"nothing in reserve at {measure.origin}")
    at = setting.state.at_min
    rows = tuple(
        replace(c, place=measure.place, since_min=at) if c.tag in tags else c
        for c in setting.state.cylinders
    )
    return replace(setting, state=replace(setting.state, cylinders=rows))


def movable(setting: Setting, place: str) -> tuple[str, ...]:
    """Return the reserve cylinders at a place that the policy connects or promises to nobody."""
    spoken = {tag for h in setting.policy.hookups for tag in h.cylinders}
    spoken |= {tag for p in setting.policy.promises for tag in p.cylinders}
    return tuple(
        c.tag for c in setting.state.cylinders
        if c.place == place and c.status == "reserve" and c.tag not in spoken
    )  # fmt: skip


def _transfer(measure: Measure, setting: Setting) -> Setting:
    incident = setting.incident

    def is_meant(patient: Patient) -> bool:
        if measure.name:
            return patient.transfer_group == measure.name
        return patient.tag == measure.origin

    people = tuple(
        replace(p, transfer=earlier(p.transfer), transfer_after_found=earlier(
            p.transfer_after_found)) if is_meant(p) else p
        for p in incident.patients
    )  # fmt: skip
    groups = tuple(
        replace(g, fallback=earlier(g.fallback)) if g.name == measure.name else g
        for g in incident.transfer_groups
    )
    return replace(setting, incident=replace(incident, patients=people, transfer_groups=groups))


def _vehicle(measure: Measure, setting: Setting) -> Setting:
    """Let a vehicle come earlier with every trip: they follow from its first arrival."""
    rows = tuple(
        replace(v, first_arrival=earlier(v.first_arrival) or v.first_arrival)
        if v.name == measure.name else v
        for v in setting.incident.vehicles
    )  # fmt: skip
    return replace(setting, incident=replace(setting.incident, vehicles=rows))


def _resupply(measure: Measure, setting: Setting) -> Setting:
    rows = list(setting.incident.resupply)
    number = int(measure.name) - 1
    sooner = earlier(rows[number].arrive)
    assert sooner is not None  # noqa: S101 - for the type checker
    rows[number] = replace(rows[number], arrive=sooner)
    return replace(setting, incident=replace(setting.incident, resupply=tuple(rows)))


def earlier(time: ThreePoint | None) -> ThreePoint | None:
    """Return a three-point time 15 min sooner, its points kept in order and after minute 0."""
    if time is None or time.p50_min <= 0:
        return time
    low, middle, high = (
        max(min(LEAST_MIN, m), m - EARLIER_MIN) for m in (time.p10_min, time.p50_min, time.p90_min)
    )
    return ThreePoint(low, middle, high)


def _spare(_: Measure, setting: Setting) -> Setting:
    return replace(setting, incident=replace(setting.incident, swap_gap_min=SPARE_GAP_MIN))


def _change(_: Measure, setting: Setting) -> Setting:
    incident = setting.incident
    return replace(setting, incident=replace(incident, change_at=incident.safe_residual))


def _step(measure: Measure, setting: Setting) -> Setting:
    assert isinstance(measure.model, Option)  # noqa: S101 - for the type checker
    policy = stepped(setting.incident, setting.state, setting.policy, (measure.name, measure.model))
    if policy is None:
        raise ValueError(f"no mask or dial for {measure.name} on {measure.model.device}")
    return replace(setting, policy=policy)


_APPLIED: Final[Mapping[str, Callable[[Measure, Setting], Setting]]] = MappingProxyType(
    {
        "cylinder": _cylinder, "regulator": _regulator, "device": _device, "key": _key,
        "washer": _washer, "responder": _responder, "move one": _moved, "move all": _moved,
        "transfer earlier": _transfer, "vehicle earlier": _vehicle,
        "resupply earlier": _resupply, "spare regulator": _spare,
        "change lower": _change, "step down": _step, "step up": _step,
    }
)  # fmt: skip
