"""Step 1 of the allocation: packages chosen by cuts on a small master, with a proven bound.

    min   sum over p of cost[p] z[p] + sum over tiers a of theta[a]
    s.t.  one package each, nothing given out twice (planner.allocation.packages)
          theta[a] >= mu W[a] x expected worst shortage of tier a, in usual cylinders

The last row is convex and is built up from cuts (planner.allocation.rows). A first good plan is
dealt out; the linear relaxation collects cuts, taken half-way between its solution and the best
point so far, which keeps it from jumping about, and is rounded; the best choice is kicked about;
packages whose reduced cost alone exceeds the known gap are struck out; CP-SAT solves what is left,
and each of its solutions is weighed in the true objective and gives new cuts. Lower bound: the
master's. Upper bound: the true objective of the best choice weighed. Everything is counted in
deterministic time.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from planner.allocation.master import Problem, solve_master
from planner.allocation.packages import Choice
from planner.allocation.relaxation import SAFE, Relaxed
from planner.allocation.rounding import Dealer
from planner.allocation.rows import TIERS, Cut, Numbers, Rows, chosen_of, uses_of
from planner.demand import Floats, Needs
from planner.errors import SolverError
from planner.incident import Incident
from planner.policy import Policy, Promise
from planner.shelf import default_order
from planner.solver import Settings
from planner.state import Hookup, Line, State
from planner.streams import stream

WEIGHING_S: Final = 2e-8  # deterministic seconds of one number in a weighing (about 1 s of work)
PIVOT_S: Final = 2e-8  # of one non-zero in one simplex iteration, likewise
NEIGHBOURS: Final = 5  # of the best choice, weighed for more cuts after every solve of the master
KICKING: Final = 0.2  # share of the time left that kicks may take
KICKED: Final = 3  # people given other packages by one kick
SLICE: Final = 0.3  # of the time left, for one solve of the master; all of it after one in vain
ENOUGH_OF_GAP: Final = 0.25  # of the gap left: a master proved closer would not help more


CLOCK: Final = "stopped by the clock"  # status when the outer guard cut it short


@dataclass(frozen=True, slots=True)
class Limits:
    """When step 1 stops, besides the solver's settings.

    Parameters
    ----------
    samples : int
        The first so many samples are used.
    gap : float
        Enough when the bound is this close, as a share of the objective.
    relaxations, rounds : int
        Solves of the linear relaxation, and of the master.
    passes : int
        Exchanges of everyone in the first good plan.
    kicks : int
        Times the best choice is kicked about.
    """

    samples: int = 300
    gap: float = 0.005
    relaxations: int = 80
    rounds: int = 40
    passes: int = 20
    kicks: int = 200


@dataclass(frozen=True, slots=True)
class Mark:
    """Where things stood: seconds by the clock, deterministic seconds, objective and bound."""

    clock_s: float
    deterministic_s: float
    objective: float
    bound: float


@dataclass(frozen=True, slots=True)
class StepOne:
    """The policy of step 1, and what was proved.

    ``objective`` is the true one of the policy's packages on the samples used; no choice of
    packages is below ``bound``. ``status`` is "optimal" (within the gap asked for, or 2e-6),
    "feasible" or "stopped by the clock". ``chosen`` are numbers of packages. ``marks`` tell the
    way there; only their clock times may differ between equal runs.
    """

    policy: Policy
    objective: float
    bound: float
    status: str
    rounds: int
    deterministic_s: float
    chosen: tuple[int, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def gap(self) -> float:
        """Distance from bound to objective as a share of the objective."""
        return (self.objective - self.bound) / max(abs(self.objective), 1e-12)


def allocate(
    incident: Incident,
    state: State,
    needs: Needs,
    settings: Settings,
    limits: Limits | None = None,
) -> StepOne:
    """Choose options, first connections and promised kit; the rest is left to the list.

    Parameters
    ----------
    incident : Incident
    state : State
    needs : Needs
        Joint samples; the first ``limits.samples`` are used.
    settings : Settings
        Deterministic seconds bind; the clock is an outer guard only.
    limits : Limits or None
        None: the defaults.

    Returns
    -------
    StepOne

    Raises
    ------
    SolverError
        When time was up before the first plan.
    """
    limits = limits if limits is not None else Limits()
    choice = Choice.of(incident, state, first_samples(needs, limits.samples))
    return choose(choice, settings, limits)


def choose(choice: Choice, settings: Settings, limits: Limits) -> StepOne:
    """Choose among packages already made; see :func:`allocate`."""
    if not choice.people:
        return StepOne(policy_of_packages(choice, ()), 0.0, 0.0, "optimal", 0, 0.0)
    work = _Work(Rows.of(choice), *uses_of(choice), settings=settings, limits=limits)
    work.run()
    return StepOne(
        policy_of_packages(choice, work.best),
        work.objective,
        min(work.bound, work.objective),
        work.status(),
        work.rounds,
        work.spent,
        work.best,
        tuple(work.marks),
    )


def first_samples(needs: Needs, count: int) -> Needs:
    """Return needs with the first samples only."""
    if count >= needs.num_samples:
        return needs
    return replace(
        needs,
        num_samples=count,
        start_min=needs.start_min[:, :count],
        is_needed=needs.is_needed[:, :count],
        transfer_min=needs.transfer_min[:, :count],
        phase_score=needs.phase_score[:, :, :count],
        resupply_min=needs.resupply_min[:, :count],
        gauge_error_psi=needs.gauge_error_psi[:, :count],
        regulator_factor=needs.regulator_factor[:, :count],
        valve_factor=needs.valve_factor[:, :count],
    )


@dataclass(slots=True)
class _Work:
    """Best choice, bound, cuts and time spent, as they go."""

    rows: Rows
    uses: Numbers
    counts: Numbers
    settings: Settings
    limits: Limits
    cuts: list[Cut] = field(default_factory=list)
    best: tuple[int, ...] = ()
    objective: float = np.inf
    bound: float = -np.inf
    rounds: int = 0
    is_moving: bool = True
    spent: float = 0.0
    begun: float = field(default_factory=time.monotonic)
    marks: list[Mark] = field(default_factory=list)
    weighed: set[tuple[int, ...]] = field(default_factory=set)

    def run(self) -> None:
        """Deal, relax, then solve the master until the gap is closed or time is up."""
        dealer = Dealer(self.rows, self.uses, self.counts)
        if self._left() <= 0 or self._is_late():
            raise SolverError("the solver gave no plan: no time")
        dealer.deal()
        self._weigh(dealer)
        dealer.improve(self.limits.passes)
        self._weigh(dealer)
        relaxed = Relaxed(self.rows, self.uses, self.counts)
        self._relax(relaxed, dealer)
        self._kick(dealer)
        while self._goes_on(self.limits.rounds):
            self.rounds += 1
            self._solve_master(relaxed, dealer)

    def _kick(self, dealer: Dealer) -> None:
        """Leave local optima: kick the best about and improve, for a share of the time left."""
        random = stream(self.settings.seed, "kick", "")
        end = self.spent + KICKING * self._left()
        for _ in range(self.limits.kicks):
            if self.spent >= end or not self._goes_on(self.limits.rounds):
                break
            dealer.start_from(self.best)
            dealer.kick(random, KICKED)
            dealer.improve(self.limits.passes)
            self._weigh(dealer, is_cut=False)
        dealer.start_from(self.best)
        self._weigh(dealer)

    def status(self) -> str:
        """Return how it ended; "optimal" only where bound and objective meet."""
        if self.objective - self.bound <= 2 * SAFE:
            return "optimal"
        if self._is_closed():
            return "within the gap asked for"
        return CLOCK if self._is_late() else "feasible"

    def _left(self) -> float:
        return self.settings.deterministic_s - self.spent

    def _is_late(self) -> bool:
        wall_s = self.settings.wall_s
        return wall_s is not None and time.monotonic() - self.begun > wall_s

    def _is_closed(self) -> bool:
        gap = self.limits.gap * abs(self.objective)
        return self.objective - self.bound <= max(gap, 2 * SAFE)

    def _goes_on(self, rounds: int) -> bool:
        in_time = self._left() > 0 and not self._is_late()
        return in_time and self.rounds < rounds and not self._is_closed()

    def _gap(self) -> float:
        return float((self.objective - self.bound) / max(abs(self.objective), 1e-12))

    def _mark(self) -> None:
        elapsed = time.monotonic() - self.begun
        self.marks.append(Mark(elapsed, self.spent, self.objective, self.bound))

    def _weigh(self, dealer: Dealer, *, is_cut: bool = True) -> None:
        """Take up a dealer's choice: cuts there if wanted, and the best if it is."""
        numbers = self.rows.supply.size * TIERS
        self.spent += dealer.weighings * numbers * WEIGHING_S
        dealer.weighings = 0
        chosen = tuple(dealer.chosen)
        if chosen in self.weighed:
            return
        z = chosen_of(self.rows, chosen)
        if is_cut:
            self.weighed.add(chosen)
            value, cuts = self.rows.cuts(z)
            self.cuts.extend(cuts)
        else:
            value = self.rows.value(z)
        if value.total < self.objective:
            self.best, self.objective = chosen, value.total
        self._mark()

    def _relax(self, relaxed: Relaxed, dealer: Dealer) -> None:
        """Collect cuts by the linear relaxation, then round it."""
        relaxed.add(self.cuts)
        centre, lowest = chosen_of(self.rows, self.best), self.objective
        for _ in range(self.limits.relaxations):
            if not self._goes_on(self.limits.rounds):
                return
            z = self._relaxed_bound(relaxed)
            between = 0.5 * (z + centre)
            value, cuts = self.rows.cuts(between)
            if value.total < lowest:
                centre, lowest = between, value.total
            new = [cut for cut in cuts if relaxed.is_violated(cut, z)]
            if len(new) < TIERS:
                value, cuts = self.rows.cuts(z)
                if value.total < lowest:
                    centre, lowest = z, value.total
                new += [cut for cut in cuts if relaxed.is_violated(cut, z)]
            relaxed.add(new)
            self.cuts.extend(new)
            if not new or relaxed.has_failed or lowest - self.bound <= 1e-4 * abs(lowest):
                break
        for wish in (centre, z):
            dealer.deal(wish)
            dealer.improve(self.limits.passes)
            self._weigh(dealer)
        relaxed.add(self.cuts[relaxed.num_cuts :])
        self._relaxed_bound(relaxed)

    def _relaxed_bound(self, relaxed: Relaxed) -> Floats:
        z, low = relaxed.solve()
        self.spent += relaxed.work() * PIVOT_S
        if low - SAFE > self.bound:
            self.bound = low - SAFE
            self._mark()
        return z

    def _solve_master(self, relaxed: Relaxed, dealer: Dealer) -> None:
        """Solve the master on what may still be better, weigh the answer and add its cuts."""
        keep = relaxed.may_be_better(self.objective)
        slice_s = SLICE * self._left() if self.is_moving else self._left()
        before = (self.objective, self.bound)
        wall_s = self.settings.wall_s
        if wall_s is not None:
            wall_s = max(0.1, wall_s - (time.monotonic() - self.begun))
        try:
            answer = solve_master(
                Problem(self.rows, self.uses, self.counts), keep, self.cuts,
                (self.rows.value(chosen_of(self.rows, self.best)), self.best),
                Settings(self.settings.seed, slice_s, wall_s), ENOUGH_OF_GAP * self._gap(),
            )  # fmt: skip
        except SolverError:  # nothing within its slice; the best so far stands
            self.spent += slice_s
            self.is_moving = False
            return
        self.spent += answer.deterministic_s
        # What was struck out is no better than the objective, so that bounds it too.
        self.bound = max(self.bound, min(answer.bound, self.objective))
        for chosen in answer.found:
            dealer.start_from(sorted(chosen, key=lambda k: int(self.rows.person[k])))
            self._weigh(dealer)
        dealer.improve(1)
        self._weigh(dealer)
        dealer.start_from(self.best)
        for beside in dealer.neighbours(NEIGHBOURS):
            dealer.start_from(beside)
            self._weigh(dealer)
        relaxed.add(self.cuts[relaxed.num_cuts :])
        self._relaxed_bound(relaxed)
        self.is_moving = (self.objective, self.bound) != before
        self._mark()


def policy_of_packages(choice: Choice, chosen: tuple[int, ...]) -> Policy:
    """Give out tags: alike items in their order, largest cylinders of a stack to higher tiers.

    Who waits keeps the first option, for when kit comes free.
    """
    cylinders = [list(group.tags) for group in choice.stock.cylinders]
    regulators = [list(group.tags) for group in choice.stock.regulators]
    devices = [list(group.tags) for group in choice.stock.devices]
    hookups: dict[int, Hookup] = {}
    promises: dict[int, Promise] = {}
    options = {}
    order = sorted(chosen, key=lambda k: choice.people[choice.packages[k].person].tier)
    for package in (choice.packages[k] for k in order):
        person = choice.people[package.person]
        option = person.options[package.option or 0]
        tag = person.patient.tag
        options[tag] = option
        if person.hookup is not None:
            hookups[package.person] = person.hookup
            continue
        if package.devices is None:
            continue
        device = devices[package.devices].pop(0)
        regulator = (
            regulators[package.regulators].pop(0) if package.regulators is not None else None
        )
        if package.cylinders is None:
            promises[package.person] = Promise(tag, regulator, device)
        else:
            line = Line(tag, option.device, option.flow_lpm)
            cylinder = cylinders[package.cylinders].pop(0)
            hookups[package.person] = Hookup((cylinder,), regulator, (line,), choice.state.at_min)
    given = tuple(dict.fromkeys(hookups[k] for k in sorted(hookups)))
    taken = [tag for hookup in given for tag in hookup.cylinders]
    return Policy(
        hookups=given,
        options=tuple((p.patient.tag, options[p.patient.tag]) for p in choice.people),
        order=default_order(choice.incident, choice.state, taken),
        promises=tuple(promises[k] for k in sorted(promises)),
    )
