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
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

MAX_SLOTS = 12
"""Frontier vertices that fit one state: five bits each."""
MAX_GROUP_BITS = 62
"""Bits of a state for the open groups."""

NONE, TOUCH_TAIL, TOUCH_HEAD, TOUCH_BOTH, SINGLE, DOUBLE = range(6)
"""What an option of an edge does to its two ends."""

_CLOSED = 1 << 60
_DEAD = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """One edge, its options, and what becomes of its two ends; slots are places in the state."""

    tail_slot: int
    head_slot: int
    """-1 for a dead end."""
    tail_enters: int
    """0: in the frontier already, or new and not to be visited; 1: new, must be visited; 2: the same with odd degree."""
    head_enters: int
    tail_leaves: bool
    head_leaves: bool
    effect: NDArray[np.int8]
    """(o,) of each option."""
    cost: NDArray[np.float64]
    """(o,)"""
    left: NDArray[np.int16]
    """(o, 2g) for each group: the first stop left over and the one after the last; equal where none is."""
    shift: NDArray[np.int64]
    """(g,) where the group lies among the bits of a state."""
    width: NDArray[np.int64]
    """(g,) bits of each of its two numbers."""
    closes: NDArray[np.bool_]
    """(g,) True where this edge is the second one of the group: nothing may be left over after it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """The cheapest choice of options, one a step."""

    cost: float
    options: NDArray[np.int64]
    is_exact: bool
    """False where states were dropped to stay within the limit."""
    peak_states: int


def run(steps: Sequence[Step], *, max_states: int) -> Outcome | None:
    """Return the cheapest options such that all degrees are even (or as entered) and all that is touched hangs together.

    None where no choice does. With more than ``max_states`` states after a step the cheapest are kept, and `is_exact` is
    False. Ties are broken by the order of options, so the same steps give the same outcome.
    """
    slots, groups = np.zeros(1, np.int64), np.zeros(1, np.int64)
    cost = np.zeros(1)
    trail: list[tuple[NDArray[np.int32], NDArray[np.uint16]]] = []
    is_exact, peak = True, 1
    for step in steps:
        slots, groups, cost, parent, option = _advance(step, slots, groups, cost)
        peak = max(peak, len(cost))
        if len(cost) > max_states:
            is_exact = False
            keep = np.sort(np.argpartition(cost, max_states)[:max_states])
            slots, groups, cost = slots[keep], groups[keep], cost[keep]
            parent, option = parent[keep], option[keep]
        if not len(cost):
            return None
        trail.append((parent, option))
    done = np.flatnonzero((slots == _CLOSED) & (groups == 0)) if steps else np.zeros(1, np.int64)
    if not len(done):
        return None
    best = int(done[np.argmin(cost[done])])
    options = np.empty(len(steps), np.int64)
    at = best
    for k in range(len(steps) - 1, -1, -1):
        options[k] = trail[k][1][at]
        at = int(trail[k][0][at])
    return Outcome(cost=float(cost[best]), options=options, is_exact=is_exact, peak_states=peak)


_State = tuple[
    NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int32], NDArray[np.uint16]
]


def _advance(
    step: Step, slots: NDArray[np.int64], groups: NDArray[np.int64], cost: NDArray[np.float64]
) -> _State:
    capacity = 1 << max(8, int(3 * len(cost)).bit_length())
    while True:
        out = _expand(
            slots, groups, cost, step.tail_slot, step.head_slot, step.tail_enters, step.head_enters,
            step.tail_leaves, step.head_leaves, step.effect, step.cost, step.left, step.shift, step.width, step.closes,
            capacity,
        )  # fmt: skip
        if out[0] >= 0:
            n = out[0]
            return out[1][:n], out[2][:n], out[3][:n], out[4][:n].copy(), out[5][:n].copy()
        capacity *= 4


@njit(cache=True)
def _next(key, tail, head, tail_enters, head_enters, effect, tail_leaves, head_leaves, label, odd):  # type: ignore[no-untyped-def]
    """The slots after one option, packed with components numbered by first appearance; -1 where it leads nowhere."""
    if key & _CLOSED:
        return key if effect == NONE and tail_enters == 0 and head_enters == 0 else _DEAD
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
            return _DEAD
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
            return _DEAD
        closed = closed or alone
    if closed:
        return _CLOSED
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
def _expand(  # type: ignore[no-untyped-def]
    slots, groups, cost, tail, head, tail_enters, head_enters, tail_leaves, head_leaves,
    effect, option_cost, left, shift, width, closes, capacity,
):  # fmt: skip
    """All states after one step, each with its cheapest way there; (-1, …) where the table is too small."""
    mask = capacity - 1
    table = np.full(capacity, -1, np.int32)
    limit = capacity // 2
    new_slots = np.empty(limit, np.int64)
    new_groups = np.empty(limit, np.int64)
    new_cost = np.empty(limit, np.float64)
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
            h = (key * np.int64(-7046029254386353131) + u) * np.int64(-4417276706812531889)
            h = (h ^ (h >> 31)) & mask
            while table[h] >= 0 and (new_slots[table[h]] != key or new_groups[table[h]] != u):
                h = (h + 1) & mask
            at = table[h]
            if at < 0:
                if count == limit:
                    return -1, new_slots, new_groups, new_cost, parent, chosen
                table[h] = count
                new_slots[count] = key
                new_groups[count] = u
                new_cost[count] = value
                parent[count] = i
                chosen[count] = o
                count += 1
            elif value < new_cost[at] - 1e-9:
                new_cost[at] = value
                parent[at] = i
                chosen[at] = o
    return count, new_slots, new_groups, new_cost, parent, chosen
