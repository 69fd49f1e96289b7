"""What a connection takes, looked at when it is decided: regulator, mask, flow, hands, key, washer.

What is missing is told as players would see it on trying.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from planner.exercise.decision_form import Form, tell_where
from planner.exercise.truth_rows import TruePatient, TrueRegulator
from planner.incident import BUILT_IN, Cylinder
from planner.intake import listed, nearest
from planner.reference import find_device, load_connections, load_devices

HANDS_OF_BAGGING: Final = 2  # as planner.operation counts a bag-valve-mask (job.md)
#: Masks and cannulas of the trade that may be planned with.
_KINDS: Final = tuple(name for name, kind in load_devices().items() if kind.is_plannable)


def valve_of(
    draft: Form, person: TruePatient, bottle: Cylinder, place: str
) -> TrueRegulator | None:  # fmt: skip
    """Return the regulator to use: the one said, the one on, or the first there that fits."""
    if bottle.connection == BUILT_IN or bottle.power_min is not None:
        if "regulator" in draft.said:
            draft.tell("regulator", f"none: {bottle.tag} has its own valve", "Leave it empty.")
        return None
    kinds = {r.tag: r for r in draft.exercise.incident.all_regulators}
    known = draft.tags("regulators")
    said = draft.said.get("regulator", person.regulator or "")
    if not said:
        free = [
            r for r in draft.truth.regulators
            if r.tag in known and not (r.users or r.is_broken or r.is_gone or r.to_arrive)
            and kinds[r.tag].connection == bottle.connection
            and r.place == place and r.there_from_min <= draft.at_min
        ]  # fmt: skip
        if not free:
            words = f"a regulator for {bottle.connection} that is free at {place}"
            draft.tell("regulator", words, "Move one there, or take one off somebody.")
            return None
        said = free[0].tag
    if said not in known:
        mend = nearest(said, known) or f"Known: {listed(known)}."
        draft.tell("regulator", "a regulator that you know of", mend)
        return None
    valve = draft.truth.regulator(said)
    if valve.is_broken or valve.is_gone:
        why = "does not work" if valve.is_broken else "is not there any more"
        draft.tell("regulator", "one that works and is there", f"{said} {why}: take another.")
        return None
    if kinds[said].connection != bottle.connection:
        words = f"{said} ({kinds[said].connection}) does not fit {bottle.tag} ({bottle.connection})"
        draft.tell("regulator", f"one for {bottle.connection}", f"{words}: take another.")
        return None
    if not valve.users:
        tell_where(draft, "regulator", said, (valve.place, valve.there_from_min), place)
    draft.entry["regulator"] = said
    return valve


def settings_of(draft: Form, valve: TrueRegulator) -> tuple[float, ...]:
    """Return the settings of a regulator's dial."""
    return next(
        r.settings_lpm for r in draft.exercise.incident.all_regulators if r.tag == valve.tag
    )  # fmt: skip


def tell_sharing(
    draft: Form, bottle: Cylinder, valve: TrueRegulator | None, users: tuple[str, ...]
) -> None:  # fmt: skip
    """Tell what is in use and has no outlet free for one more line."""
    others = [tag for tag in users if tag != draft.said.get("patient")]
    kinds = {r.tag: r for r in draft.exercise.incident.all_regulators}
    if others:
        on = {draft.truth.patient(tag).regulator for tag in others}
        outlets = kinds[valve.tag].outlets if valve is not None else 1
        if valve is None or on != {valve.tag} or len(others) >= outlets:
            words = f"{bottle.tag} is on {listed(others)}"
            draft.tell("cylinder", "one that is free, or a free outlet of its regulator",
                       f"{words}: take another.")  # fmt: skip
    elif valve is not None:
        held = [tag for tag in valve.users if tag != draft.said.get("patient")]
        # A swap of a shared source takes the others along with the regulator.
        is_own = draft.said.get("patient") in valve.users
        if held and not is_own:
            mend = f"{valve.tag} is on {listed(held)}: take another."
            draft.tell("regulator", "one that is free", mend)


def take_mask(draft: Form, person: TruePatient) -> None:
    """Put the mask said into the entry, where one is free and in reach."""
    said = draft.said.get("device", "")
    if not said:
        if person.device is None:
            draft.tell("device", "a mask or cannula", f"Say which: {listed(_KINDS)}.")
        return
    kind = find_device(said)
    name = kind.name if kind is not None else said
    here = [m for m in draft.truth.masks if m.kind == name and not m.is_gone and not m.to_arrive]
    free = [
        m for m in here
        if m.holder in {None, person.tag}
        and _is_in_reach(draft, m.place, m.there_from_min, person)
    ]  # fmt: skip
    if not free:
        # Not a word of what lies where: this goes to players, who are to look.
        mend = nearest(said, _KINDS) if kind is None else ""
        draft.tell("device", f"one that is free and at {person.place} by now",
                   mend or "Have somebody look what there is, or take another kind.")  # fmt: skip
        return
    draft.entry["device"] = name


def _is_in_reach(draft: Form, origin: str, since: float, person: TruePatient) -> bool:
    """Masks are light: they come along from wherever carrying takes no longer than time passed."""
    minutes = draft.exercise.incident.carry_min(origin, person.place)
    return minutes is not None and since + minutes <= draft.at_min


def take_flow(
    draft: Form, settings: Collection[float], stuck: float | None, before: float | None
) -> None:  # fmt: skip
    """Put the flow said into the entry, where the dial has it."""
    text = draft.said.get("flow_lpm")
    if text is None:
        if before is None:
            draft.tell("flow_lpm", "a flow", "Say what the dial is set to.")
        elif before not in settings and settings and before > 0:
            draft.tell("flow_lpm", _dial(settings), "The flow so far is not on this dial: say one.")
        return
    try:
        flow = float(text)
    except ValueError:
        flow = -1.0
    if stuck is not None and flow != stuck:
        draft.tell("flow_lpm", f"{stuck:g}", f"The dial does not move off {stuck:g}.")
    elif flow not in settings and not (flow == 0 and draft.entry["event"] == "flow changed"):
        draft.tell("flow_lpm", _dial(settings), "Choose a setting of the dial.")
    else:
        draft.entry["flow_lpm"] = flow


def _dial(settings: Collection[float]) -> str:
    return "one of " + ", ".join(f"{s:g}" for s in sorted(settings))


def tell_hands(draft: Form, person: TruePatient, place: str) -> None:
    """Tell that nobody there is free to connect."""
    if draft.at_min <= 0:
        return  # as planner.operation: first connections at the start take no time
    here = [h for h in draft.truth.hands if h.place == place and not h.is_out]
    free = [h for h in here if h.free_from_min <= draft.at_min]
    bagging = sum(
        HANDS_OF_BAGGING for p in draft.truth.patients
        if p.is_here and p.place == place and p.patient.airway_device and p.device is not None
    )  # fmt: skip
    if len(free) - bagging >= 1:
        return
    later = sorted(h.free_from_min for h in here if h.free_from_min > draft.at_min)
    when = f"The next is free at {draft.time(later[0])}." if later else "Hands are needed there."
    draft.tell("patient", f"a responder free at {place} for {person.tag}", when, "no free hands")


def tell_small_things(draft: Form, bottle: Cylinder, place: str, *, is_joining: bool) -> None:
    """Tell that no key is free there, or no washer left."""
    needs = load_connections().get(bottle.connection)
    keys = dict(draft.truth.keys or ())
    takes_key = needs is not None and needs.needs_key and not is_joining and draft.at_min > 0
    if takes_key and draft.truth.keys is not None:
        held = keys.get(place, ())
        if not any(minute <= draft.at_min for minute in held):
            later = f"The next is free at {draft.time(min(held))}." if held else (
                f"There is none at {place}.")  # fmt: skip
            draft.tell("cylinder", f"a key free at {place}", later, "no key free")
    washers = dict(draft.truth.washers or ())
    if draft.truth.washers is None or needs is None or not needs.needs_washer or is_joining:
        return
    if washers.get(place, 0) < 1:
        draft.tell("cylinder", "a washer for it", f"There is none left at {place}.", "no washer")
