"""Three families, five sizes, target 5 %: seconds to a verified answer, gaps, what binds.

``python -m tests.bench.cache_three``. EXERCISE - NOT FOR PATIENT CARE.
"""

from __future__ import annotations

import os
import sys
from time import perf_counter

from planner.cache.answer import Effort, answer
from planner.cache.beside import Bench, what_binds
from planner.cache.executors import process_pool
from planner.cache.pictures import draw_case
from planner.cache.trying import try_stock
from tests.cache_studies import three_families


def main() -> None:
    study, effort = three_families(), Effort()
    load = os.getloadavg()[0]
    began = perf_counter()
    with process_pool(2) as crew:
        found = answer(study, effort, executor=crew.executor)
    print(f"answer {perf_counter() - began:.0f} s on {os.cpu_count()} cores, load {load:.1f}")
    for offer in found.offers:
        chance = offer.chance
        told = f"{offer.mass_kg:.1f} kg, {offer.price:.0f}, {chance.value:.4f} "
        told += f"({chance.low:.4f}-{chance.high:.4f}), {offer.word}"
        if offer.model is not None:
            model = offer.model
            told += f"; model {model.value:.1f}, bound {model.bound:.1f}, gap {model.gap:.4f}"
        if offer.proof is not None:
            proof = offer.proof
            gap = 1 - proof.bound_kg / offer.mass_kg
            told += f"; none lighter than {proof.bound_kg:.1f} of {proof.tried} tried: {gap:.4f}"
        print(f"{offer.name}: {told}")
    draws = [draw_case(study, c, effort.fresh_samples, 7) for c in range(3)]
    began = perf_counter()
    for draw in draws:
        try_stock(study, draw, found.offers[0].stock)
    print(f"one stock, {3 * effort.fresh_samples} samples: {perf_counter() - began:.2f} s")
    for change in what_binds(Bench(study, effort), found.offers[0].stock):
        print(f"two more: {change.what} {change.by.value:+.4f}")


if __name__ == "__main__":
    sys.exit(main())
