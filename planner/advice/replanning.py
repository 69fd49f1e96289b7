"""Planning again with a measure: the search, begun from the kept policy, with a small effort.

What a measure brings then is compared with planning again *without* it and with twice the effort,
as the thing's search begins from what that found: else a measure would be praised for what a
longer search alone brings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.advice.effects import Stop
from planner.advice.setting import Setting
from planner.allocation.search import Effort, Search
from planner.allocation.sketch import Board, sketch_of
from planner.demand import sample
from planner.operation.judge import Bench
from planner.policy import Policy
from planner.workflow import judge_on


@dataclass(frozen=True, slots=True)
class Again:
    """How much may be spent on planning again.

    Parameters
    ----------
    evaluations : float
        Of the judge, each; 0 takes the best start.
    samples, seed : int
        Choosing samples.
    is_stopped : callable
        True ends the search with the best so far.
    """

    evaluations: float
    samples: int
    seed: int
    is_stopped: Stop = lambda: False


def planned_again(setting: Setting, starts: tuple[Policy, ...], again: Again) -> Setting:
    """Return the setting with the best policy found from its own and some starts.

    On the choosing samples it is never worse in J than its own policy or any start; that holds
    for the samples only, so on fresh ones it may be worse by chance.
    """
    incident, state = setting.incident, setting.state
    board = Board.of(incident, state)
    judge = judge_on(Bench.of(incident, state, sample(incident, state, again.samples, again.seed)))
    candidates = list(dict.fromkeys((setting.policy, *starts)))
    if again.evaluations > 0:
        effort = Effort(again.evaluations, again.samples, again.seed, again.is_stopped)
        sketches = [sketch_of(board, policy) for policy in candidates]
        candidates.append(Search(board, judge, effort).run(sketches).policy)
    # The first of equals: a policy that brings nothing more does not replace the printed one.
    judged = [float(np.mean(judge(policy, 0, again.samples))) for policy in candidates]
    return replace(setting, policy=candidates[int(np.argmin(judged))])
