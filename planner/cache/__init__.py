"""Cache planning: what to stock so that it holds for the incidents one plans for.

A study (:mod:`planner.cache.study`) says what may happen, what may be bought and what limits it.
Joint samples of it (:mod:`planner.cache.pictures`) become rows of a CP-SAT model
(:mod:`planner.cache.choosing`); every stock that is told is tried in operation on fresh samples
(:mod:`planner.cache.trying`).
"""
