"""How hard to try: the frontier programme outright, or, where its states are too many, guided by lower bounds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.route.courses import Courses
from mudcap.route.dues import Dues
from mudcap.route.frontier import Outcome, run
from mudcap.route.relax import Cut, relax
from mudcap.route.steps import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Who hears how far the search for a round is, and may end it."""

    tell: Callable[[float, float], None] = lambda cost, bound: None
    """Hears of the cost of the best round so far, inf without one, and of what no round costs less than [s]."""
    stop: Callable[[], bool] = lambda: False
    """Says, once and for all, that no more than a round is wanted: the best so far, or, where there is none, one that is found soon."""

    def goes_on(self, cost: float, bound: float) -> bool:
        """Tell how far it is; whether to go on."""
        self.tell(cost, bound)
        return not self.stop()

    def above(self, known: float) -> Watch:
        """The same, who hears of no bound less than ``known`` [s]."""
        return replace(self, tell=lambda cost, bound: self.tell(cost, max(known, bound)))


UNWATCHED = Watch()
Priced = tuple[list[Step], Dues, float]
"""The steps with what each option is paid for taken off its cost, what is paid, and a bound on all rounds [s]."""

_PLAIN_WORK = 3e7
"""States times options that are tried outright: one or two seconds."""
_VALUES, _RELAXED_STATES = 32, 16_384
"""Values of open groups that the relaxed programme keeps, and its states."""
_WIDTHS = (300, 3_000)
NEAR = 0.01
"""Share of the cost by which the bound may lack where no more work is put into it."""
_HARDER = ((2, 9), (4, 25))
"""Where the bound lacks more than that, times as many states as asked for, and before it for a run for the bound alone, which ends
early; found by trial with 12,000 asked for."""


def cheapest(
    steps: Sequence[Step],
    cuts: Sequence[Cut],
    *,
    plain_states: int,
    max_states: int,
    upper: float = np.inf,
    price: Callable[[Sequence[Step]], Priced] | None = None,
    watch: Watch = UNWATCHED,
) -> Outcome | None:
    """Return the cheapest options with the bound proven; None where no choice serves all, or none for less than ``upper``.

    First outright. Where that takes too many states, rounds of growing width keep the most promising ones by their cost so
    far and the relaxed cost to go; each round leaves out what cannot beat the one before. A round that drops nothing which
    could win proves its result; where none does, the same again with options paid for what they are worth (``price``).
    """
    plain = run(steps, max_states=plain_states, max_work=_PLAIN_WORK, give_up=True)
    if plain is not None:
        return plain
    found = Guided(steps, cuts, upper, watch=watch)
    widths = [w for w in (*_WIDTHS, max_states) if w <= max_states]
    found.widen(widths if price is None else widths[:-1] or widths)
    if price is not None and not found.is_proven and not found.is_over:
        found.pay(price)
        found.widen(widths)
        for times, proof in _HARDER:
            if not found.is_near:
                found.raise_bound(proof * max_states)
            if not found.is_near:
                found.widen([times * max_states])
    for width in (4 * max_states, 16 * max_states):
        if found.best is None and not np.isfinite(upper):  # wider than asked only where nothing at all was found
            found.widen([width])
    return found.outcome()


class Guided:
    """Runs guided by a relaxation, and the best and the bound that they leave."""

    def __init__(
        self,
        steps: Sequence[Step],
        cuts: Sequence[Cut],
        upper: float,
        price: Callable[[Sequence[Step]], Priced] | None = None,
        courses: Courses | None = None,
        watch: Watch = UNWATCHED,
    ) -> None:
        self.steps, self.cuts, self.upper, self.courses, self.watch = steps, cuts, upper, courses, watch
        self.dues: Dues | None = None
        self.best: Outcome | None = None
        self.bound, self.peak = 0.0, 1
        self.has_failed = False
        if price is None:
            self.relax()
        else:
            self.pay(price)

    def relax(self) -> None:
        """Work out what is at least still to pay from each relaxed state."""
        self.layers = relax(self.steps, choose_kept(self.steps, _VALUES), self.cuts, max_states=_RELAXED_STATES)
        if self.layers:
            paid = (self.dues.paid if self.dues else 0.0) + (self.courses.limit if self.courses else 0.0)
            self.bound = max(self.bound, float(self.layers[0].to_go[0]) + paid)

    def pay(self, price: Callable[[Sequence[Step]], Priced]) -> None:
        """Go on with priced steps."""
        self.steps, self.dues, bound = price(self.steps)
        self.bound = max(self.bound, bound)
        self.relax()

    @property
    def is_proven(self) -> bool:
        """Whether nothing cheaper can be found."""
        return self.has_failed or self.bound >= self.upper - 1e-6

    @property
    def is_near(self) -> bool:
        """Whether the bound is as near as is asked for."""
        return self.is_proven or self.bound >= (1 - NEAR) * self.upper

    @property
    def is_over(self) -> bool:
        """Whether there is a round and no more is wanted."""
        return bool(np.isfinite(self.upper)) and self.watch.stop()

    def widen(self, widths: Sequence[int]) -> None:
        """Keep more and more states, until the best is proven."""
        for width in widths:
            if self.is_proven or self.is_over:
                return
            found = self._run(width, self.upper)
            if found is None:
                self.has_failed = True
                return
            self.bound, self.peak = max(self.bound, found.bound), max(self.peak, found.peak_states)
            if found.cost < self.upper:
                self.best, self.upper = found, found.cost

    def raise_bound(self, width: int, *, enough: float = np.inf, max_work: float = np.inf) -> None:
        """Look only for a higher bound, up to ``enough`` [s] and with so much work (see `frontier.run`)."""
        found = self._run(width, min(self.upper, enough), is_proof=True, max_work=max_work)
        if found is not None:
            self.bound, self.peak = max(self.bound, found.bound), max(self.peak, found.peak_states)

    def _run(
        self, width: int, upper: float, *, is_proof: bool = False, max_work: float = np.inf
    ) -> Outcome | None:
        self.watch.tell(self.upper, self.bound)
        return run(
            self.steps, max_states=width, layers=self.layers, dues=self.dues, courses=self.courses, upper=upper,
            is_proof=is_proof, max_work=max_work, stop=lambda: self.is_over,
        )  # fmt: skip

    def outcome(self) -> Outcome | None:
        """The best, with the bound of all runs."""
        if self.best is None:
            return None
        return replace(self.best, bound=min(self.bound, self.best.cost), peak_states=self.peak)


def choose_kept(steps: Sequence[Step], most_values: int) -> list[NDArray[np.bool_]]:
    """For each step which of its groups the relaxed programme keeps: those open for the shortest time first.

    At no time may the kept ones that are open take more than ``most_values`` values together.
    """
    lives: list[tuple[int, int, int, int, int]] = []
    opened: dict[int, tuple[int, int, int]] = {}
    room = np.zeros(len(steps))
    for k, step in enumerate(steps):
        for g, (shift, closes) in enumerate(zip(step.shift.tolist(), step.closes.tolist(), strict=True)):
            if closes:
                begin, column, values = opened.pop(shift)
                lives.append((k - begin, begin, column, g, values))
            else:
                values = len(np.unique(step.left[:, 2 * g : 2 * g + 2], axis=0))
                opened[shift] = (k, g, values)
    kept = [np.zeros(len(step.shift), bool) for step in steps]
    for span, begin, column, other, values in sorted(lives):
        during = slice(begin, begin + span)
        if room[during].max() + np.log(values) <= np.log(most_values):
            room[during] += np.log(values)
            kept[begin][column] = kept[begin + span][other] = True
    return kept
