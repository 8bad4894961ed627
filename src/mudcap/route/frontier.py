"""The frontier programme: exact dynamic programming over the edges of a graph, one after the other.

A state says, for each vertex of the frontier (those with edges done and edges still to come), the parity of its degree and
the component it belongs to, and for each group of stops shared by two edges which of them the first edge left over.

References
----------
Ratliff & Rosenthal 1983, Oper. Res. 31:507–521 (two cross-aisles); Roodbergen & de Koster 2001, Eur. J. Oper. Res.
133:32–43 (three); Cambazard & Catusse 2018, Eur. J. Oper. Res. 270:419–429 (any number, as a rectilinear Steiner problem);
Pansart, Catusse & Cambazard 2018, Comput. Oper. Res. 100:139–148. All cited from memory. The shared groups are our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.route.balance import expand_flow
from mudcap.route.dues import Dues
from mudcap.route.relax import Layer, find, index, scatter
from mudcap.route.steps import (
    CLOSED,
    DEAD,
    DOUBLE,
    MAX_SLOTS,
    NONE,
    SINGLE,
    TOUCH_BOTH,
    TOUCH_HEAD,
    TOUCH_TAIL,
    Flow,
    Step,
)  # fmt: skip

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
    upper: float = np.inf,
    max_work: float = np.inf,
    give_up: bool = False,
    is_proof: bool = False,
) -> Outcome | None:
    """Return the cheapest options such that all degrees are even (or as entered) and all that is touched hangs together.

    None where no choice does, or as soon as states times options, summed over the steps, exceed ``max_work``, or, with
    ``give_up``, as soon as there are more than ``max_states`` states after a step. Otherwise those that promise least are
    kept; with ``is_proof`` the run ends, without a choice, as soon as all kept promise no less than the best one dropped. ``layers`` are lower bounds on what is still to pay (see `relax`), ``dues`` what the options are paid
    for, where the steps are priced; states that cannot cost less than ``upper`` are left out. Ties are broken by the order of options, so the same steps give the
    same outcome.
    """
    front = _Front(np.zeros(1, np.int64), np.zeros(1, np.int64), np.zeros(1), np.zeros(1), np.zeros(1))
    sums = np.zeros((1, dues.width if dues else 0), np.int16)
    paid = dues.paid if dues else 0.0
    trail: list[tuple[NDArray[np.int32], NDArray[np.uint16]]] = []
    dropped, peak, work = np.inf, 1, 0
    for k, step in enumerate(steps):
        work += len(front.cost) * len(step.cost)
        if work > max_work:
            return None
        front, parent, option, lost = _advance(step, front, layers[k + 1] if layers else None, upper - paid)
        dropped = min(dropped, lost + paid)
        peak = max(peak, len(front.cost))
        sums = sums[parent]
        if dues:
            surplus, keeps = dues.settle(k, sums, option)
            front = replace(front, priced=front.priced + surplus)
            keep = np.flatnonzero(keeps & (front.priced + front.to_go <= upper - paid + _EPS))
            if len(keep) < len(keeps):
                front, parent, option, sums = front.take(keep), parent[keep], option[keep], sums[keep]
        if len(front.cost) > max_states:
            if give_up:
                return None
            promise = front.priced + front.to_go
            order = np.argpartition(promise, max_states)
            dropped = min(dropped, float(promise[order[max_states:]].min()) + paid)
            keep = np.sort(order[:max_states])
            front, parent, option, sums = front.take(keep), parent[keep], option[keep], sums[keep]
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
    step: Step, front: _Front, layer: Layer | None, upper: float
) -> tuple[_Front, NDArray[np.int32], NDArray[np.uint16], float]:
    """The states after a step, where they come from and by which option, and the least promise of what had no room."""
    capacity = 1 << max(8, int(3 * len(front.cost)).bit_length())
    if layer is None:
        ahead = (False, front.slots[:0], front.groups[:0], front.cost[:0], 0, np.full(1, -1, np.int32))
    else:
        ahead = (True, layer.odd, layer.groups, layer.to_go, layer.mask, index(layer.odd, layer.groups))
    if step.flow is not None:
        return _advance_flow(step, step.flow, front, capacity, upper, ahead)
    while True:
        n, slots, groups, cost, priced, to_go, parent, chosen = _expand(
            front.slots, front.groups, front.cost, front.priced, step.tail_slot, step.head_slot, step.tail_enters, step.head_enters,
            step.tail_leaves, step.head_leaves, step.effect, step.cost, step.priced, step.left, step.shift, step.width, step.closes,
            capacity, upper + _EPS, *ahead,
        )  # fmt: skip
        if n >= 0:
            copies = (a[:n].copy() for a in (slots, groups, cost, priced, to_go))
            return _Front(*copies), parent[:n].copy(), chosen[:n].copy(), np.inf
        capacity *= 4


def _advance_flow(
    step: Step, flow: Flow, front: _Front, capacity: int, upper: float, ahead: tuple[Any, ...]
) -> tuple[_Front, NDArray[np.int32], NDArray[np.uint16], float]:
    """The same where ways have directions."""
    kinds, kind = np.unique(np.column_stack([step.effect, flow.gain, flow.is_over]), axis=0, return_inverse=True)
    ends = np.array(
        [
            (step.tail_slot, step.tail_enters, flow.begins[0], step.tail_leaves),
            (step.head_slot, step.head_enters, flow.begins[1], step.head_leaves),
        ],
        np.int64,
    )
    while True:
        n, lost, slots, groups, cost, priced, to_go, parent, chosen = expand_flow(
            front.slots, front.groups, front.cost, front.priced, ends, kinds.astype(np.int64), kind.ravel(),
            step.cost, step.priced, step.left, step.shift, step.width, step.closes, capacity, upper + _EPS, *ahead,
        )  # fmt: skip
        if n >= 0:
            copies = (a[:n].copy() for a in (slots, groups, cost, priced, to_go))
            return _Front(*copies), parent[:n].copy(), chosen[:n].copy(), float(lost)
        capacity *= 4


@njit(cache=True)
def _next(key, tail, head, tail_enters, head_enters, effect, tail_leaves, head_leaves, label, odd):  # type: ignore[no-untyped-def]
    """The slots after one option, packed with components numbered by first appearance; -1 where it leads nowhere."""
    if key & CLOSED:
        return key if effect == NONE and tail_enters == 0 and head_enters == 0 else DEAD
    for i in range(MAX_SLOTS):
        bits = (key >> (5 * i)) & 31
        label[i] = bits >> 1
        odd[i] = bits & 1
    if tail_enters:
        label[tail], odd[tail] = 20, tail_enters - 1
    if head_enters:
        label[head], odd[head] = 21, head_enters - 1
    if effect in (TOUCH_TAIL, TOUCH_BOTH, SINGLE, DOUBLE) and label[tail] == 0:
        label[tail] = 22
    if effect in (TOUCH_HEAD, TOUCH_BOTH, SINGLE, DOUBLE) and label[head] == 0:
        label[head] = 23
    if effect in (SINGLE, DOUBLE):
        old, new = label[head], label[tail]
        for i in range(MAX_SLOTS):
            if label[i] == old:
                label[i] = new
        if effect == SINGLE:
            odd[tail] ^= 1
            odd[head] ^= 1
    closed = False
    for which in range(2):
        if (which == 0 and not tail_leaves) or (which == 1 and not head_leaves):
            continue
        slot = tail if which == 0 else head
        if odd[slot]:
            return DEAD
        gone = label[slot]
        label[slot] = 0
        if gone == 0:
            continue
        alone, others = True, False
        for i in range(MAX_SLOTS):
            if label[i] == gone:
                alone = False
            elif label[i]:
                others = True
        if alone and others:
            return DEAD
        closed = closed or alone
    if closed:
        return CLOSED
    packed = 0
    number = np.int64(0)
    seen = np.int64(0)  # bit l: label l has a number
    names = np.int64(0)  # 4 bits for each of the first 15 labels; the rest below
    extra = np.int64(0)
    for i in range(MAX_SLOTS):
        old = label[i]
        if old == 0:
            continue
        if not (seen >> old) & 1:
            number += 1
            seen |= np.int64(1) << old
            if old < 16:
                names |= number << (4 * (old - 1))
            else:
                extra |= number << (4 * (old - 20))
        new = (names >> (4 * (old - 1))) & 15 if old < 16 else (extra >> (4 * (old - 20))) & 15
        packed |= ((new << 1) | odd[i]) << (5 * i)
    return packed


@njit(cache=True)
def _parity(key):  # type: ignore[no-untyped-def]
    """One bit a slot: whether its degree is odd."""
    odd = np.int64(0)
    for i in range(MAX_SLOTS):
        odd |= ((key >> (5 * i)) & 1) << i
    return odd


@njit(cache=True)
def _expand(  # type: ignore[no-untyped-def]
    slots, groups, cost, priced, tail, head, tail_enters, head_enters, tail_leaves, head_leaves,
    effect, option_cost, option_priced, left, shift, width, closes, capacity,
    upper, bounded, odd_ahead, groups_ahead, cost_ahead, kept_ahead, table_ahead,
):  # fmt: skip
    """All states after one step, each with its cheapest way there; (-1, …) where the table is too small."""
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
    count = 0
    after = np.empty(6, np.int64)
    known = np.zeros(6, np.bool_)
    label = np.zeros(MAX_SLOTS, np.int64)
    odd = np.zeros(MAX_SLOTS, np.int64)
    for i in range(len(cost)):
        known[:] = False
        for o in range(len(effect)):
            e = effect[o]
            if not known[e]:
                known[e] = True
                after[e] = _next(
                    slots[i], tail, head, tail_enters, head_enters, e, tail_leaves, head_leaves, label, odd
                )
            if after[e] < 0:
                continue
            u = groups[i]
            served = True
            for g in range(len(shift)):
                low = np.int64(left[o, 2 * g])
                high = np.int64(left[o, 2 * g + 1])
                ones = (np.int64(1) << width[g]) - 1
                if closes[g]:
                    first = (u >> shift[g]) & ones
                    last = (u >> (shift[g] + width[g])) & ones
                    if max(low, first) < min(high, last):
                        served = False
                        break
                    u &= ~((ones | (ones << width[g])) << shift[g])
                elif low < high:
                    u |= (low | (high << width[g])) << shift[g]
            if not served:
                continue
            key = after[e]
            value = cost[i] + option_cost[o]
            promised = priced[i] + option_priced[o]
            h = scatter(key, u) & mask
            while table[h] >= 0 and (new_slots[table[h]] != key or new_groups[table[h]] != u):
                h = (h + 1) & mask
            at = table[h]
            if at < 0:
                ahead = 0.0
                if bounded:
                    there = find(table_ahead, odd_ahead, groups_ahead, _parity(key), u & kept_ahead)
                    ahead = cost_ahead[there] if there >= 0 else np.inf
                if promised + ahead > upper:
                    continue
                if count == limit:
                    return -1, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
                to_go[count] = ahead
                table[h] = count
                new_slots[count] = key
                new_groups[count] = u
                new_cost[count] = value
                new_priced[count] = promised
                parent[count] = i
                chosen[count] = o
                count += 1
            elif value < new_cost[at] - 1e-9:
                new_cost[at] = value
                new_priced[at] = promised
                parent[at] = i
                chosen[at] = o
    return count, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
