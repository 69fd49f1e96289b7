"""Everything that is told about a study: its answer, and what stands beside it, in one go.

The parts do not depend on each other, so they may run in several processes; each makes the same
fresh samples from the same seed, so the whole is the same wherever its parts were made.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from typing import Any, Final

from planner.cache.answer import Answer, Effort, Offer, Tell, answer
from planner.cache.beside import (
    Bench,
    Change,
    Holds,
    Point,
    Simple,
    SizeFact,
    frontier,
    holds,
    next_best,
    simple_rules,
    size_facts,
    what_binds,
    what_ifs,
)
from planner.cache.study import Stock, Study

PREFERRED: Final = ("between", "lightest", "cheapest")


@dataclass(frozen=True, slots=True)
class Whole:
    """A study's answer with all that stands beside it.

    Parameters
    ----------
    answer : Answer
    main : str
        Name of the offer of which ``binds``, ``next_best``, ``what_ifs`` and ``holds`` tell.
    frontier : tuple of Point
    rules : tuple of Simple
    binds, next_best, what_ifs : tuple of Change
    holds : tuple of Holds
    sizes : tuple of SizeFact
    is_complete : bool
        Whether nothing was left out because it was stopped.
    """

    answer: Answer
    main: str
    frontier: tuple[Point, ...] = ()
    rules: tuple[Simple, ...] = ()
    binds: tuple[Change, ...] = ()
    next_best: tuple[Change, ...] = ()
    what_ifs: tuple[Change, ...] = ()
    holds: tuple[Holds, ...] = ()
    sizes: tuple[SizeFact, ...] = ()
    is_complete: bool = True


def main_offer(found: Answer) -> Offer:
    """Return the offer that is told of first: the one between, else the lightest, else the rest.

    Raises
    ------
    ValueError
        Where there is neither an offer nor one that was reached.
    """
    by_name = {offer.name: offer for offer in found.offers}
    for name in PREFERRED:
        if name in by_name:
            return by_name[name]
    if found.reachable is None:
        raise ValueError("an answer without offers has no best reachable stock either")
    return found.reachable


def whole_answer(
    study: Study, effort: Effort | None = None, tell: Tell = lambda _: None,
    is_stopped: Callable[[], bool] = lambda: False, executor: Executor | None = None,
) -> Whole:  # fmt: skip
    """Answer a study and work out what stands beside it.

    Parameters
    ----------
    study : Study
    effort : Effort or None
        None: the defaults.
    tell : callable
        Told in a few words what is being done.
    is_stopped : callable
        Asked between steps; True ends with what there is (``is_complete`` False).
    executor : Executor or None
        To work on; None: here, one after the other. The result is the same.
    """
    effort = effort or Effort()
    found = answer(study, effort, tell, is_stopped, executor)
    offer = main_offer(found)
    parts: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]] = {
        "frontier": (_frontier, (study, effort)),
        "simple rules": (_rules, (study, effort)),
        "how many it holds": (_holds, (study, effort, offer.stock)),
        "what binds": (_binds, (study, effort, offer.stock)),
        "the next best item": (_next, (study, effort, offer.stock)),
        "what if": (_ifs, (study, effort, offer.stock)),
    }
    made = _made(parts, tell, is_stopped, executor)
    return Whole(
        found, offer.name, frontier=made.get("frontier", ()), rules=made.get("simple rules", ()),
        binds=made.get("what binds", ()), next_best=made.get("the next best item", ()),
        what_ifs=made.get("what if", ()), holds=made.get("how many it holds", ()),
        sizes=size_facts(study), is_complete=found.is_complete and len(made) == len(parts),
    )  # fmt: skip


def _made(
    parts: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]], tell: Tell,
    is_stopped: Callable[[], bool], executor: Executor | None,
) -> dict[str, Any]:  # fmt: skip
    """Return what each part came to; those that were not begun when it was stopped are missing."""
    begun: dict[str, Future[Any]] = {}
    if executor is not None and not is_stopped():
        begun = {name: executor.submit(do, *given) for name, (do, given) in parts.items()}
    made: dict[str, Any] = {}
    for name, (do, given) in parts.items():
        if is_stopped():
            for future in begun.values():
                future.cancel()
            break
        tell(name)
        made[name] = begun[name].result() if begun else do(*given)
    return made


# Each makes its own bench: its samples would cost more to hand over than to draw.


def _frontier(study: Study, effort: Effort) -> tuple[Point, ...]:
    return frontier(Bench(study, effort))


def _rules(study: Study, effort: Effort) -> tuple[Simple, ...]:
    return simple_rules(Bench(study, effort))


def _holds(study: Study, effort: Effort, stock: Stock) -> tuple[Holds, ...]:
    return holds(Bench(study, effort), stock)


def _binds(study: Study, effort: Effort, stock: Stock) -> tuple[Change, ...]:
    return what_binds(Bench(study, effort), stock)


def _next(study: Study, effort: Effort, stock: Stock) -> tuple[Change, ...]:
    return next_best(Bench(study, effort), stock)


def _ifs(study: Study, effort: Effort, stock: Stock) -> tuple[Change, ...]:
    return what_ifs(Bench(study, effort), stock)


__all__ = ["Whole", "main_offer", "whole_answer"]
