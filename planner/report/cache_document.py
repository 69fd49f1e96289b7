"""What a study of a cache came to as plain data: the one tree that every surface is made from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from planner.banner import BANNER
from planner.cache.answer import Less, Offer
from planner.cache.beside import Change, Holds, Point, Simple, SizeFact
from planner.cache.loads import Load
from planner.cache.study import KINDS, Stock, Study, stock_mass_kg, stock_volume_l
from planner.cache.whole import Whole, main_offer
from planner.estimate import Estimate

SCHEMA: Final = 1
KIND: Final = "cache"


def cache_document(whole: Whole) -> dict[str, Any]:
    """Return a study's answer, with all that stands beside it, as a plain tree.

    Chances are shares from 0 to 1 with their 95 % interval and their samples; masses are in kg,
    packs included, litres in L, times in minutes. What is not a finite number is null.
    """
    found, study = whole.answer, whole.answer.study
    main = main_offer(found)
    effort, limits = found.effort, study.limits
    return {
        "schema": SCHEMA,
        "kind": KIND,
        "banner": BANNER,
        "study": {
            "name": study.name, "note": study.note, "target_chance": study.target_chance,
            "currency": limits.currency, "load_kg": limits.load_kg, "pack_kg": limits.pack_kg,
            "budget": limits.budget, "shelf_l": limits.shelf_l,
            "caches": [{"name": c.name, "carriers": c.carriers} for c in study.caches],
            "cases": [
                {"name": c.name, "share": share}
                for c, share in zip(study.cases, study.weights, strict=True)
            ],
            "approved_by": study.approved_by, "review_on": _text(study.review_on),
        },
        "run": {
            "seed": effort.seed,
            "samples": {
                "model": effort.model_samples, "choosing": effort.choosing_samples,
                "fresh": effort.fresh_samples,
            },
            "deterministic_s": effort.deterministic_s, "versions": dict(found.versions),
            "cores": found.cores, "is_complete": whole.is_complete,
        },
        "is_reachable": bool(found.offers),
        "first_line": _first(whole, main),
        "offers": [_offer(study, o) for o in (*found.offers, *_reached(whole))],
        "rules": [_rule(study, rule) for rule in whole.rules],
        "frontier": [_point(study, point) for point in whole.frontier],
        "binds": [_change(one) for one in whole.binds],
        "next_best": [_change(one) for one in whole.next_best],
        "what_ifs": [_change(one) for one in whole.what_ifs],
        "sizes": [_size(one) for one in whole.sizes],
        "holds": [_holds(one) for one in whole.holds],
        "assumptions": list(study.assumed),
    }  # fmt: skip


def estimate_of(tree: Mapping[str, Any]) -> Estimate:
    """Return an estimate from the tree's."""
    value = tree["chance"] if "chance" in tree else tree["value"]
    return Estimate(value, tree["low"], tree["high"], tree["samples"])


def _reached(whole: Whole) -> tuple[Offer, ...]:
    reached = whole.answer.reachable
    return () if reached is None else (reached,)


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _chance(one: Estimate) -> dict[str, Any]:
    return {"chance": one.value, "low": one.low, "high": one.high, "samples": one.samples}


def _value(one: Estimate) -> dict[str, Any]:
    return {"value": one.value, "low": one.low, "high": one.high, "samples": one.samples}


def _first(whole: Whole, main: Offer) -> dict[str, Any]:
    """Return what the first line is made from: what the main stock holds, and what not."""
    tried = [one for one in whole.holds if one.most > 0]
    return {
        "stock": main.name,
        "holds": [_held(one) for one in tried if one.patients > 0],
        "does_not_hold": [
            {"case": one.case, "from_patients": one.patients + 1}
            for one in tried if one.patients < one.most
        ],
    }  # fmt: skip


def _held(one: Holds) -> dict[str, Any]:
    return {"case": one.case, "patients": one.patients, "for_min": _finite(one.median_min)}


def _rows(study: Study, stock: Stock) -> list[dict[str, Any]]:
    """Return a stock's rows: by kind, then as the study has its items."""
    items = sorted(study.items, key=lambda item: KINDS.index(item.kind))
    return [
        {"cache": cache.name, "item": item.name, "kind": item.kind, "count": count,
         "each_kg": item.mass_kg, "held": dict(item.held).get(cache.name, 0), "price": item.price}
        for cache in study.caches for item in items
        if (count := stock.count(cache.name, item.name))
    ]  # fmt: skip


def _load(study: Study, cache: str, number: int, load: Load) -> dict[str, Any]:
    bare = sum(study.item(name).mass_kg * count for name, count in load)
    order = {item.name: KINDS.index(item.kind) for item in study.items}
    rows = sorted(load, key=lambda row: order[row[0]])
    return {
        "cache": cache, "number": number, "mass_kg": bare + study.limits.pack_kg,
        "items": [{"item": name, "count": count} for name, count in rows],
    }  # fmt: skip


def _offer(study: Study, offer: Offer) -> dict[str, Any]:
    model = offer.model
    return {
        "name": offer.name,
        "stock": _rows(study, offer.stock),
        "mass_kg": offer.mass_kg or stock_mass_kg(study, offer.stock),
        "price": offer.price,
        "shelf_l": {c.name: stock_volume_l(study, offer.stock, c.name) for c in study.caches},
        "loads": [
            _load(study, cache, number, load)
            for cache, loads in offer.loads for number, load in enumerate(loads, start=1)
        ],
        "anyone": _chance(offer.chance),
        "by_case": [
            {"case": case.name, **_chance(one)}
            for case, one in zip(study.cases, offer.by_case, strict=True)
        ],
        "word": offer.word,
        "model": None if model is None else {
            "made_small": model.aim, "value": _finite(model.value), "bound": _finite(model.bound),
            "gap": _finite(model.gap), "missed": model.missed, "status": model.status,
        },
        "one_less": [_less(one) for one in offer.one_less],
        "lighter": None if offer.proof is None else {
            "none_below_kg": offer.proof.bound_kg, "tried": offer.proof.tried,
            "is_whole": offer.proof.is_whole,
        },
    }  # fmt: skip


def _less(one: Less) -> dict[str, Any]:
    return {"cache": one.cache, "item": one.item, **_chance(one.chance), "word": one.word}


def _rule(study: Study, rule: Simple) -> dict[str, Any]:
    return {
        "rule": rule.rule, "stock": _rows(study, rule.stock), "mass_kg": rule.mass_kg,
        "price": rule.price, "anyone": _chance(rule.chance), "is_within": rule.is_within,
    }  # fmt: skip


def _point(study: Study, point: Point) -> dict[str, Any]:
    return {
        "target": point.target, "stock": _rows(study, point.stock), "mass_kg": point.mass_kg,
        "price": point.price, "anyone": _chance(point.chance),
    }  # fmt: skip


def _change(one: Change) -> dict[str, Any]:
    return {
        "what": one.what, "anyone": _chance(one.chance), "by": _value(one.by),
        "mass_kg": one.mass_kg, "price": one.price, "is_within": one.is_within,
    }  # fmt: skip


def _size(one: SizeFact) -> dict[str, Any]:
    return {
        "item": one.item, "usable_l": one.usable_l, "litres_a_kg": one.litres_a_kg,
        "litres_a_price": one.litres_a_price,
        "swaps_an_hour": [{"flow_lpm": f, "swaps": _finite(n)} for f, n in one.swaps_an_hour],
    }  # fmt: skip


def _holds(one: Holds) -> dict[str, Any]:
    return {
        "case": one.case, "patients": one.patients, "most": one.most,
        "median_min": _finite(one.median_min),
        "chances": [{"patients": n, **_chance(chance)} for n, chance in one.chances],
    }  # fmt: skip


__all__ = ["KIND", "cache_document", "estimate_of"]
