"""The main numbers of a study in simple forms; the rest is edited in its file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import streamlit as st

from planner.fields import MAX_TAG
from planner.page import look
from planner.store import Revision, new_command_id

Tree = dict[str, Any]
OnChange = Callable[[Revision, Callable[[Tree], Tree], str], None]


def show_forms(revision: Revision, on_change: OnChange) -> None:
    """Draw a form for each part; ``on_change`` takes what to change when one is sent."""
    tree = revision.tree
    with st.expander("Target, load, carriers, budget"):
        _head(revision, tree, on_change)
    for number, family in enumerate(tree.get("families", ())):
        with st.expander(look.label(f"Incident: {family['name']}")):
            _family(revision, number, family, on_change)
    with st.expander(f"Items: {len(tree.get('items', ()))}"):
        _items(revision, tree, on_change)


def _head(revision: Revision, tree: Mapping[str, Any], on_change: OnChange) -> None:
    key = f"cache_head_{revision.document}_{revision.number}"
    study, limits = tree["study"], tree.get("limits", {})
    with st.form(key, border=False):
        _text(f"{key}_name", "Name", study["name"])
        left, right = st.columns(2)
        with left:
            _number(f"{key}_target", "Target: chance that anyone runs out, %",
                    round(100 * study.get("target_chance", 0.05), 6))  # fmt: skip
            _number(f"{key}_budget", f"Budget, {look.label(limits.get('currency', 'EUR'))}",
                    limits.get("budget"))  # fmt: skip
            _number(f"{key}_shelf_l", "Room on each shelf, L", limits.get("shelf_l"))
        with right:
            _number(f"{key}_load_kg", "Load of one carrier with pack, kg", limits.get("load_kg"))
            _number(f"{key}_pack_kg", "Empty pack, kg", limits.get("pack_kg", 0.0))
            for number, cache in enumerate(tree.get("caches", ())):
                words = f"Carriers from {look.label(cache['name'])}"
                _number(f"{key}_carriers_{number}", words, cache.get("carriers"))
        _send("Keep these", revision, lambda new: _with_head(new, key), on_change)


def _with_head(tree: Tree, key: str) -> Tree:
    tree["study"]["name"] = _said(f"{key}_name")
    target = _said(f"{key}_target")
    _set(tree["study"], "target_chance", None if target is None else target / 100)
    limits = tree.setdefault("limits", {})
    for name in ("budget", "shelf_l", "load_kg", "pack_kg"):
        _set(limits, name, _said(f"{key}_{name}"))
    for number, cache in enumerate(tree["caches"]):
        _set(cache, "carriers", _whole(_said(f"{key}_carriers_{number}")))
    return tree


def _family(
    revision: Revision, number: int, family: Mapping[str, Any], on_change: OnChange
) -> None:
    key = f"cache_family_{revision.document}_{revision.number}_{number}"
    counted = family.get("num_patients") or {"counts": [], "chances": []}
    pairs = zip(counted["counts"], counted["chances"], strict=False)
    with st.form(key, border=False):
        _text(f"{key}_name", "Name", family["name"])
        _number(f"{key}_weight", "Weight against the others", family.get("weight", 1.0))
        _number(f"{key}_responders", "Responders", family.get("responders"))
        _text(f"{key}_num", "Patients, each number with its chance, such as 1: 0.6, 2: 0.4",
              ", ".join(f"{count}: {chance:g}" for count, chance in pairs))  # fmt: skip
        for row, person in enumerate(family.get("people", ())):
            words = f"Transfer of {person.get('triage')}, {person.get('indication')}"
            _text(f"{key}_transfer_{row}",
                  look.label(f"{words}: minutes from the alarm, early, usual, late"),
                  _times(person.get("transfer_min")))  # fmt: skip
        _send("Keep these", revision, lambda new: _with_family(new, key, number), on_change)


def _times(value: Any) -> str:
    times = value if isinstance(value, list | tuple) else [] if value is None else [value]
    return ", ".join(f"{one:g}" for one in times)


def _with_family(tree: Tree, key: str, number: int) -> Tree:
    family = tree["families"][number]
    family["name"] = _said(f"{key}_name")
    _set(family, "weight", _said(f"{key}_weight"))
    _set(family, "responders", _whole(_said(f"{key}_responders")))
    pairs = [part.split(":") for part in str(_said(f"{key}_num")).split(",") if part.strip()]
    family["num_patients"] = {
        "counts": [_whole(_read(pair[0])) for pair in pairs],
        "chances": [_read(pair[1]) if len(pair) == 2 else None for pair in pairs],
    }
    for row, person in enumerate(family["people"]):
        times = [_read(part) for part in str(_said(f"{key}_transfer_{row}")).split(",")
                 if part.strip()]  # fmt: skip
        _set(person, "transfer_min", (times[0] if len(times) == 1 else times) if times else None)
    return tree


def _items(revision: Revision, tree: Mapping[str, Any], on_change: OnChange) -> None:
    key = f"cache_items_{revision.document}_{revision.number}"
    caches = [cache["name"] for cache in tree["caches"]]
    with st.form(key, border=False):
        for number, item in enumerate(tree["items"]):
            at = f"{key}_{number}"
            name, mass, price, most, *held = st.columns([3, 2, 2, 2, *([2] * len(caches))])
            name.text(item["name"])
            with mass:
                _number(f"{at}_mass_kg", "kg (empty: the table's)", item.get("mass_kg"))
            with price:
                _number(f"{at}_price", "Price", item.get("price", 0.0))
            with most:
                _number(f"{at}_most", "At most", item.get("most"))
            for place, (column, cache) in enumerate(zip(held, caches, strict=True)):
                with column:
                    _number(f"{at}_held_{place}", look.label(f"There in {cache}"),
                            item.get("held", {}).get(cache, 0))  # fmt: skip
        _send("Keep these", revision, lambda new: _with_items(new, key), on_change)


def _with_items(tree: Tree, key: str) -> Tree:
    for number, item in enumerate(tree["items"]):
        at = f"{key}_{number}"
        _set(item, "mass_kg", _said(f"{at}_mass_kg"))
        _set(item, "price", _said(f"{at}_price"))
        _set(item, "most", _whole(_said(f"{at}_most")))
        held = {
            cache["name"]: _whole(count) for place, cache in enumerate(tree["caches"])
            if (count := _said(f"{at}_held_{place}"))
        }  # fmt: skip
        _set(item, "held", held or None)
    return tree


# ----- parts --------------------------------------------------------------------------------------


def _text(key: str, title: str, value: str) -> None:
    st.text_input(title, value=value, max_chars=4 * MAX_TAG, key=key)


def _number(key: str, title: str, value: float | None) -> None:
    st.number_input(title, value=None if value is None else float(value), format="%g", key=key)


def _said(key: str) -> Any:
    value = st.session_state.get(key)
    return value.strip() if isinstance(value, str) else value


def _read(text: str) -> Any:
    """Return a number where it is one, else the text: reading the study says what is wrong."""
    try:
        return float(text)
    except ValueError:
        return text.strip()


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _set(row: dict[str, Any], name: str, value: Any) -> None:
    """Put a value in, or leave the name out."""
    if value is None:
        row.pop(name, None)
    else:
        row[name] = value


def _send(
    words: str, revision: Revision, make: Callable[[Tree], Tree], on_change: OnChange
) -> None:
    st.form_submit_button(words, on_click=on_change, args=(revision, make, new_command_id()))
