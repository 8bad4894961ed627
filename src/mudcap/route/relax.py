"""What is at least still to pay from each state: the frontier programme with connectivity left out.

Degrees stay even, stops stay served (those of the groups kept) and each cut between two columns with something to visit on
both sides is crossed, but beyond that the ways chosen need not hang together. There are few such states, so the cost to go is worked out backwards for each of them; it never exceeds the true one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.route.states import leave_over
from mudcap.route.steps import DOUBLE, SINGLE, Step


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """Lower bounds on the cost to go, for the relaxed states between two steps."""

    odd: NDArray[np.int64]
    """(s,) bit i is set where the vertex in slot i has odd degree so far."""
    groups: NDArray[np.int64]
    """(s,) what is left over in the groups kept."""
    to_go: NDArray[np.float64]
    """(s,)"""
    mask: int
    """Bits of the groups kept."""


_CUT_BIT = 16
_CUT_BITS = 40
_ODD_BITS = (1 << _CUT_BIT) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """The cut that a step's way crosses."""

    number: int = -1
    """-1: none that has to be crossed."""
    is_last: bool = False
    """True for the last way of the cut."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Relaxed:
    """A step with only the groups kept, and only the cheapest of options that differ in nothing else."""

    single: NDArray[np.bool_]
    crosses: NDArray[np.bool_]
    cut: int
    """Bit of the cut that options which cross set; -1 for none."""
    cut_ends: bool
    cost: NDArray[np.float64]
    left: NDArray[np.int16]
    shift: NDArray[np.int64]
    width: NDArray[np.int64]
    closes: NDArray[np.bool_]


def relax(
    steps: Sequence[Step], kept: Sequence[NDArray[np.bool_]], cuts: Sequence[Cut], *, max_states: int
) -> list[Layer] | None:
    """Return the layers before step 0, 1, …, and after the last one; None where there are more than ``max_states`` in one.

    ``kept`` says for each step which of its groups are kept; the rest count as served.
    """
    relaxed = [_reduce(*given) for given in zip(steps, kept, cuts, strict=True)]
    odd, groups = np.zeros(1, np.int64), np.zeros(1, np.int64)
    fronts = [(odd, groups)]
    masks, mask = [0], 0
    for step, small in zip(steps, relaxed, strict=True):
        count, odd, groups = _forward(odd, groups, *_ends(step), *_choices(small), 16 * max_states)
        if count < 0 or count > max_states:
            return None
        odd, groups = odd[:count].copy(), groups[:count].copy()
        fronts.append((odd, groups))
        for shift, width, closes in zip(small.shift, small.width, small.closes, strict=True):
            bits = ((1 << (2 * int(width))) - 1) << int(shift)
            mask = mask & ~bits if closes else mask | bits
        masks.append(mask)
    to_go = np.zeros(len(odd))
    layers = [Layer(odd=odd, groups=groups, to_go=to_go, mask=mask)]
    for k in range(len(steps) - 1, -1, -1):
        after = layers[-1]
        table = index(after.odd, after.groups)
        before = fronts[k]
        to_go = _backward(
            *before, *_ends(steps[k]), *_choices(relaxed[k]), after.odd, after.groups, after.to_go, table
        )
        layers.append(Layer(odd=before[0], groups=before[1], to_go=to_go, mask=masks[k]))
    return [_forget_cuts(layer) for layer in layers[::-1]]


def _forget_cuts(layer: Layer) -> Layer:
    """The layer without its cut bits, which the states to be looked up do not have: the least of each two."""
    odd = layer.odd & _ODD_BITS
    if not len(odd) or not (odd != layer.odd).any():
        return layer
    order = np.lexsort((layer.groups, odd))
    odd, groups, to_go = odd[order], layer.groups[order], layer.to_go[order]
    first = np.flatnonzero(np.append(True, (odd[1:] != odd[:-1]) | (groups[1:] != groups[:-1])))
    least = np.minimum.reduceat(to_go, first)
    return Layer(odd=odd[first], groups=groups[first], to_go=least, mask=layer.mask)


def _reduce(step: Step, keep: NDArray[np.bool_], cut: Cut) -> _Relaxed:
    columns = np.repeat(keep, 2)
    left = step.left[:, columns]
    single = step.effect == SINGLE
    crosses = (single | (step.effect == DOUBLE)) & (cut.number >= 0)
    kind = np.column_stack([single, crosses, left])
    order = np.argsort(step.priced, kind="stable")
    _, first = np.unique(kind[order], axis=0, return_index=True)
    chosen = order[np.sort(first)]
    return _Relaxed(
        single=single[chosen],
        crosses=crosses[chosen],
        cut=_CUT_BIT + cut.number % _CUT_BITS if cut.number >= 0 else -1,
        cut_ends=cut.is_last,
        cost=step.priced[chosen],
        left=np.ascontiguousarray(left[chosen]),
        shift=step.shift[keep],
        width=step.width[keep],
        closes=step.closes[keep],
    )


def _ends(step: Step) -> tuple[int, int, int, int, bool, bool]:
    return (
        step.tail_slot, step.head_slot, step.tail_enters, step.head_enters, step.tail_leaves, step.head_leaves,
    )  # fmt: skip


def _choices(small: _Relaxed) -> tuple[NDArray[np.generic] | int | bool, ...]:
    return (
        small.single, small.crosses, small.cut, small.cut_ends, small.cost, small.left, small.shift, small.width, small.closes,
    )  # fmt: skip


@njit(cache=True, inline="always")
def scatter(a, b):  # type: ignore[no-untyped-def]
    """A well-mixed number from two keys."""
    h = (a * np.int64(-7046029254386353131) + b) * np.int64(-4417276706812531889)
    return h ^ (h >> 31)


@njit(cache=True)
def index(first, second):  # type: ignore[no-untyped-def]
    """Open-addressing table of the positions of pairs of keys."""
    capacity = 16
    while capacity < 3 * len(first):
        capacity *= 2
    table = np.full(capacity, -1, np.int32)
    for i in range(len(first)):
        h = scatter(first[i], second[i]) & (capacity - 1)
        while table[h] >= 0:
            h = (h + 1) & (capacity - 1)
        table[h] = i
    return table


@njit(cache=True)
def find(table, first, second, a, b):  # type: ignore[no-untyped-def]
    """Position of a pair of keys, or -1."""
    mask = len(table) - 1
    h = scatter(a, b) & mask
    while table[h] >= 0:
        at = table[h]
        if first[at] == a and second[at] == b:
            return at
        h = (h + 1) & mask
    return -1


@njit(cache=True)
def _step(odd, groups, ends, single, crosses, cut, cut_ends, left, shift, width, closes):  # type: ignore[no-untyped-def]
    """The relaxed state after one option, or (-1, 0)."""
    tail, head, tail_enters, head_enters, tail_leaves, head_leaves = ends
    if tail_enters == 2:
        odd |= np.int64(1) << tail
    if head_enters == 2:
        odd |= np.int64(1) << head
    if single:
        odd ^= (np.int64(1) << tail) ^ (np.int64(1) << head)  # a way back to its own vertex turns nothing odd
    if (tail_leaves and (odd >> tail) & 1) or (head_leaves and (odd >> head) & 1):
        return np.int64(-1), np.int64(0)
    if cut >= 0:
        if crosses:
            odd |= np.int64(1) << cut
        if cut_ends:
            if not (odd >> cut) & 1:
                return np.int64(-1), np.int64(0)
            odd &= ~(np.int64(1) << cut)
    groups = leave_over(groups, left, shift, width, closes)
    if groups < 0:
        return np.int64(-1), np.int64(0)
    return odd, groups


@njit(cache=True)
def _forward(  # type: ignore[no-untyped-def]
    odd, groups, tail, head, tail_enters, head_enters, tail_leaves, head_leaves,
    single, crosses, cut, cut_ends, cost, left, shift, width, closes, capacity,
):  # fmt: skip
    """All relaxed states after one step; -1 where they are too many."""
    ends = (tail, head, tail_enters, head_enters, tail_leaves, head_leaves)
    size = 16
    while size < 4 * len(odd) * len(cost) and size < capacity:
        size *= 2
    table = np.full(size, -1, np.int32)
    new_odd, new_groups = np.empty(size // 2, np.int64), np.empty(size // 2, np.int64)
    count = 0
    for i in range(len(odd)):
        for o in range(len(cost)):
            p, u = _step(
                odd[i], groups[i], ends, single[o], crosses[o], cut, cut_ends, left[o], shift, width, closes
            )
            if p < 0:
                continue
            h = scatter(p, u) & (size - 1)
            while table[h] >= 0 and (new_odd[table[h]] != p or new_groups[table[h]] != u):
                h = (h + 1) & (size - 1)
            if table[h] < 0:
                if count == size // 2:
                    return -1, new_odd, new_groups
                table[h] = count
                new_odd[count], new_groups[count] = p, u
                count += 1
    return count, new_odd, new_groups


@njit(cache=True)
def _backward(  # type: ignore[no-untyped-def]
    odd, groups, tail, head, tail_enters, head_enters, tail_leaves, head_leaves,
    single, crosses, cut, cut_ends, cost, left, shift, width, closes, next_odd, next_groups, next_to_go, table,
):  # fmt: skip
    """The cost to go of each state before a step, from that after it; inf where nothing leads on."""
    ends = (tail, head, tail_enters, head_enters, tail_leaves, head_leaves)
    to_go = np.full(len(odd), np.inf)
    for i in range(len(odd)):
        for o in range(len(cost)):
            p, u = _step(
                odd[i], groups[i], ends, single[o], crosses[o], cut, cut_ends, left[o], shift, width, closes
            )
            if p < 0:
                continue
            at = find(table, next_odd, next_groups, p, u)
            if at >= 0 and cost[o] + next_to_go[at] < to_go[i]:
                to_go[i] = cost[o] + next_to_go[at]
    return to_go
