"""The frontier programme: exact dynamic programming over the edges of a graph, one after the other.

A state says, for each vertex of the frontier (those with edges done and edges still to come), the parity of its degree (its
balance where ways have directions) and the component it belongs to, and for each group of stops shared by two edges which of them the first edge left over.

References
----------
Ratliff & Rosenthal 1983, Oper. Res. 31:507–521 (two cross-aisles); Roodbergen & de Koster 2001, Eur. J. Oper. Res.
133:32–43 (three); Cambazard & Catusse 2018, Eur. J. Oper. Res. 270:419–429 (any number, as a rectilinear Steiner problem);
Pansart, Catusse & Cambazard 2018, Comput. Oper. Res. 100:139–148. All cited from memory. The shared groups are our own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.route.courses import Courses
from mudcap.route.dues import Dues
from mudcap.route.relax import Layer, find, index, scatter
from mudcap.route.states import DEAD, OVER, Layout, leave_over, may_be_over, next_slots, parity, parity_after
from mudcap.route.steps import CLOSED, MAX_SLOTS, SINGLE, Step

PARITY: Layout = (MAX_SLOTS, 1)
_KINDS = np.array([(effect, effect == SINGLE, False) for effect in range(6)], np.int64)
"""What each effect does where ways have none (see `Flow.kinds`)."""
_EPS = 1e-6
"""Costs [s] closer than this count as equal when states are left out because they cannot win."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """The cheapest choice of options found, one a step, and what is proven of it."""

    cost: float
    """inf where every state was dropped."""
    options: NDArray[np.int64]
    bound: float
    """No choice costs less; equal to the cost where nothing that could win was dropped."""
    peak_states: int


def run(
    steps: Sequence[Step],
    *,
    max_states: int,
    layers: Sequence[Layer] | None = None,
    dues: Dues | None = None,
    courses: Courses | None = None,
    upper: float = np.inf,
    max_work: float = np.inf,
    give_up: bool = False,
    is_proof: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> Outcome | None:
    """Return the cheapest options such that all degrees are even (or as entered) and all that is touched hangs together.

    None where no choice does, or as soon as states times options, summed over the steps, exceed ``max_work`` (with ``is_proof`` the
    bound so far), or, with ``give_up``, as soon as there are more than ``max_states`` states after a step. Otherwise those that promise least are
    kept; with ``is_proof`` the run ends, without a choice, as soon as all kept promise no less than the best one dropped.
    Once ``stop`` says so, it ends without a choice, with the bound so far.

    ``layers`` are lower bounds on what is still to pay (see `relax`), ``dues`` what the options are paid for and ``courses`` what is
    paid at lines, where the steps are priced; states that cannot cost less than ``upper`` are left out. Ties are broken by the order of options, so the same steps
    give the same outcome.
    """
    front = _Front(np.zeros(1, np.int64), np.zeros(1, np.int64), np.zeros(1), np.zeros(1), np.zeros(1))
    sums = np.zeros((1, dues.width if dues else 0), np.int16)
    standing = courses.start() if courses else None
    paid = (dues.paid if dues else 0.0) + (courses.limit if courses else 0.0)
    trail: list[tuple[NDArray[np.int32], NDArray[np.uint16]]] = []
    dropped, peak, work = np.inf, 1, 0
    for k, step in enumerate(steps):
        work += len(front.cost) * len(step.cost)
        if work > max_work or stop():
            bound = min(dropped, float((front.priced + front.to_go).min(initial=np.inf)) + paid, upper)
            is_told = is_proof or work <= max_work
            return Outcome(cost=np.inf, options=np.empty(0, np.int64), bound=bound, peak_states=peak) if is_told else None
        rise = (courses.rise(k, standing), courses.kind[k]) if courses and standing else None
        front, parent, option, lost = _advance(step, front, layers[k + 1] if layers else None, rise, upper - paid)
        dropped = min(dropped, lost + paid)
        peak = max(peak, len(front.cost))
        sums = sums[parent]
        if courses and standing:
            standing = courses.follow(k, standing.take(parent.astype(np.int64)), option)
        if dues:
            surplus, keeps = dues.settle(k, sums, option)
            front = replace(front, priced=front.priced + surplus)
            keep = np.flatnonzero(keeps & (front.priced + front.to_go <= upper - paid + _EPS))
            if len(keep) < len(keeps):
                front, parent, option, sums = front.take(keep), parent[keep], option[keep], sums[keep]
                standing = standing.take(keep) if standing else None
        if len(front.cost) > max_states:
            if give_up:
                return None
            promise = front.priced + front.to_go
            order = np.argpartition(promise, max_states)
            dropped = min(dropped, float(promise[order[max_states:]].min()) + paid)
            keep = np.sort(order[:max_states])
            front, parent, option, sums = front.take(keep), parent[keep], option[keep], sums[keep]
            standing = standing.take(keep) if standing else None
        if is_proof:
            if float((front.priced + front.to_go).min(initial=np.inf)) + paid >= min(dropped, upper):
                return Outcome(cost=np.inf, options=np.empty(0, np.int64), bound=min(dropped, upper), peak_states=peak)
            continue
        trail.append((parent, option))
    done = np.flatnonzero((front.slots == CLOSED) & (front.groups == 0)) if steps else np.zeros(1, np.int64)
    if not len(done):
        if np.isfinite(dropped) or np.isfinite(upper):
            return Outcome(
                cost=np.inf, options=np.empty(0, np.int64), bound=min(dropped, upper), peak_states=peak
            )
        return None
    best = int(done[np.argmin(front.cost[done])])
    cost = float(front.cost[best])
    return Outcome(cost=cost, options=_trace(trail, best), bound=min(cost, upper, dropped), peak_states=peak)


def _trace(trail: Sequence[tuple[NDArray[np.int32], NDArray[np.uint16]]], at: int) -> NDArray[np.int64]:
    """The options on the way to a state after the last step."""
    options = np.empty(len(trail), np.int64)
    for k in range(len(trail) - 1, -1, -1):
        options[k] = trail[k][1][at]
        at = int(trail[k][0][at])
    return options


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """The states between two steps."""

    slots: NDArray[np.int64]
    groups: NDArray[np.int64]
    cost: NDArray[np.float64]
    priced: NDArray[np.float64]
    """The same with what is paid taken off, and what was paid too much put back; the cost itself where nothing is paid."""
    to_go: NDArray[np.float64]
    """Lower bound on what is still to pay."""

    def take(self, keep: NDArray[np.int64]) -> _Front:
        """The states at some positions."""
        return _Front(self.slots[keep], self.groups[keep], self.cost[keep], self.priced[keep], self.to_go[keep])


def _advance(
    step: Step,
    front: _Front,
    layer: Layer | None,
    rise: tuple[NDArray[np.float64], NDArray[np.int64]] | None,
    upper: float,
) -> tuple[_Front, NDArray[np.int32], NDArray[np.uint16], float]:
    """The states after a step, where they come from and by which option, and the least promise of what had no room.

    ``rise`` is how much each kind of option raises what is paid and to be paid at the lines, and each option's kind.
    """
    capacity = 1 << max(8, int(3 * len(front.cost)).bit_length())
    if layer is None:
        ahead = (False, front.slots[:0], front.groups[:0], front.cost[:0], 0, np.full(1, -1, np.int32))
    else:
        ahead = (True, layer.odd, layer.groups, layer.to_go, layer.mask, index(layer.odd, layer.groups))
    layout, kinds, kind = PARITY, _KINDS, step.effect.astype(np.int64)
    begins = int(step.tail_enters == 2), int(step.head_enters == 2)
    if step.flow is not None:
        layout, kinds, kind, begins = step.flow.layout, step.flow.kinds, step.flow.kind, step.flow.begins
    lines = rise or (np.zeros((1, 1)), np.zeros(len(kind), np.int64))
    ends = np.array(
        [
            (step.tail_slot, step.tail_enters, begins[0], step.tail_leaves),
            (step.head_slot, step.head_enters, begins[1], step.head_leaves),
        ],
        np.int64,
    )
    while True:
        n, lost, slots, groups, cost, priced, to_go, parent, chosen = _expand(
            front.slots, front.groups, front.cost, front.priced, layout, ends, kinds, kind, step.cost, step.priced,
            *lines, step.left, step.shift, step.width, step.closes, capacity, upper + _EPS, *ahead,
        )  # fmt: skip
        if n >= 0:
            copies = (a[:n].copy() for a in (slots, groups, cost, priced, to_go))
            return _Front(*copies), parent[:n].copy(), chosen[:n].copy(), float(lost)
        capacity *= 4


@njit(cache=True)
def _expand(  # type: ignore[no-untyped-def]
    slots, groups, cost, priced, layout, ends, kinds, kind, option_cost, option_priced, rise, course, left, shift, width, closes,
    capacity, upper, bounded, odd_ahead, groups_ahead, cost_ahead, kept_ahead, table_ahead,
):  # fmt: skip
    """All states after one step, each with its cheapest way there, after the least promise of what had no room.

    (-1, …) where the table is too small. ``kinds`` (k, 3) are effect, gain and whether it stands for more, ``kind`` (o,) that of
    each option; ``rise`` (s or 1, r) and ``course`` (o,) as of `courses.Courses`.
    """
    mask = capacity - 1
    table = np.full(capacity, -1, np.int32)
    limit = capacity // 2
    new_slots = np.empty(limit, np.int64)
    new_groups = np.empty(limit, np.int64)
    new_cost = np.empty(limit, np.float64)
    new_priced = np.empty(limit, np.float64)
    to_go = np.zeros(limit, np.float64)
    parent = np.empty(limit, np.int32)
    chosen = np.empty(limit, np.uint16)
    count, lost = 0, np.inf
    least = cost_ahead.min() if bounded and len(cost_ahead) else 0.0
    after = np.empty(len(kinds), np.int64)
    known = np.zeros(len(kinds), np.bool_)
    label = np.zeros(layout[0], np.int64)
    balance = np.zeros(layout[0], np.int64)
    for i in range(len(cost)):
        known[:] = False
        for o in range(len(kind)):
            promised = priced[i] + option_priced[o] + rise[i if len(rise) > 1 else 0, course[o]]
            if promised + least > upper:
                continue
            k = kind[o]
            if not known[k]:
                known[k] = True
                if not kinds[k, 2]:
                    after[k] = next_slots(slots[i], layout, ends, kinds[k, 0], kinds[k, 1], label, balance)
                else:
                    after[k] = OVER if may_be_over(slots[i], layout, ends, kinds[k, 1]) else DEAD
            key = after[k]
            if key == DEAD:
                continue
            u = leave_over(groups[i], left[o], shift, width, closes)
            if u < 0:
                continue
            at = np.int32(-1)
            if key != OVER:
                h = scatter(key, u) & mask
                while table[h] >= 0 and (new_slots[table[h]] != key or new_groups[table[h]] != u):
                    h = (h + 1) & mask
                at = table[h]
            if at < 0:
                ahead = 0.0
                if bounded:
                    odd = parity(key, layout) if key != OVER else parity_after(slots[i], layout, ends, kinds[k, 0])
                    there = find(table_ahead, odd_ahead, groups_ahead, odd, u & kept_ahead)
                    ahead = cost_ahead[there] if there >= 0 else np.inf
                if promised + ahead > upper:
                    continue
                if key == OVER:
                    lost = min(lost, promised + ahead)
                    continue
                if count == limit:
                    return -1, lost, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
                to_go[count] = ahead
                table[h] = count
                at = np.int32(count)
                new_slots[at], new_groups[at] = key, u
                count += 1
            elif cost[i] + option_cost[o] >= new_cost[at] - 1e-9:
                continue
            new_cost[at], new_priced[at] = cost[i] + option_cost[o], promised
            parent[at], chosen[at] = i, o
    return count, lost, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
