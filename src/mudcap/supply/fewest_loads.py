"""The fewest loads in any order: bin packing in whole units, with a proven bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Final

STEPS: Final = 1000
"""Steps of the search for each load: counted work."""
ROUNDS: Final = 600
WORK: Final = 30.0
"""Deterministic work (about seconds) of the exact search."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packing:
    """Items in loads, and how many loads any packing needs."""

    loads: tuple[tuple[int, ...], ...]
    """Indices of the items of each load."""
    bound: int
    """Proven: fewer loads cannot carry them."""

    @property
    def is_optimal(self) -> bool:
        """Whether no packing has fewer loads."""
        return len(self.loads) == self.bound


def fewest_loads(sizes: Sequence[Sequence[int]], capacity: Sequence[int], *, work: float = WORK) -> Packing:
    """Items of `sizes` (n, d) in whole units packed into as few loads of `capacity` (d,) as can be found, with a bound.

    Fullest load first, holding the largest item left (minimum bin slack); where that misses the bound, an exact search by
    OR-tools CP-SAT for the number of the bound, then one more, and so on. The stop is counted work.

    Raises ``ValueError`` where an item alone is more than a load, or for a negative size.

    References: Fleszar & Hindi 2002, Comput. Oper. Res. 29:821–839 (minimum bin slack); Martello & Toth 1990, Knapsack
    Problems, ch. 8 (bound L2); both from memory.
    """
    for item in sizes:
        if len(item) != len(capacity) or any(s < 0 for s in item) or any(s > c for s, c in zip(item, capacity, strict=True)):
            raise ValueError("an item has as many sizes as a load has limits, none below 0 or above its limit.")
    bound = lower_bound(sizes, capacity)
    found = min((_fill(sizes, capacity, look) for look in (False, True)), key=len)
    found = _again(found, sizes, capacity, bound)
    number = bound
    while number < len(found):
        better, impossible = _exact(sizes, capacity, number, work)
        if better is not None:
            found = better
            break
        if not impossible:
            break
        number += 1
    return Packing(loads=tuple(found), bound=min(number, len(found)))


def lower_bound(sizes: Sequence[Sequence[int]], capacity: Sequence[int]) -> int:
    """Loads that any packing needs: the greatest of the bounds L2 of each size.

    >>> lower_bound([(6,), (6,), (6,)], (10,))
    3
    """
    return max((_l2([item[d] for item in sizes], limit) for d, limit in enumerate(capacity)), default=0)


def _l2(sizes: Sequence[int], limit: int) -> int:
    """Items above half a load each need their own; what is left of these must hold the small ones, for every threshold."""
    best = 1 if sizes else 0
    if limit <= 0:
        return best
    for k in {0, *(s for s in sizes if 2 * s <= limit)}:
        large = [s for s in sizes if s > limit - k]
        middle = [s for s in sizes if limit >= s + k and 2 * s > limit]
        small = [s for s in sizes if k <= s and 2 * s <= limit]
        rest = sum(small) - (len(middle) * limit - sum(middle))
        best = max(best, len(large) + len(middle) + max(0, -(-rest // limit)))
    return best


def _again(
    found: list[tuple[int, ...]], sizes: Sequence[Sequence[int]], capacity: Sequence[int], bound: int
) -> list[tuple[int, ...]]:
    """The packing after `ROUNDS` times taking some loads apart and filling them anew; fuller full loads count as better."""
    weight = _weights(sizes, capacity)

    def worth(packing: Sequence[Sequence[int]]) -> tuple[int, float]:
        return len(packing), -sum(sum(weight[i] for i in load) ** 2 for load in packing)

    draw = Random(0)
    for _round in range(ROUNDS if len(found) > bound else 0):
        apart = set(draw.sample(range(len(found)), min(len(found), draw.randint(3, 9))))
        apart.add(min(range(len(found)), key=lambda b: sum(weight[i] for i in found[b])))
        items = [i for b in sorted(apart) for i in found[b]]
        draw.shuffle(items)
        if draw.random() < 0.5:
            items.sort(key=lambda i: -weight[i])
            rest = draw.randrange(len(items))
            items = items[rest:] + items[:rest]
        trial = [load for b, load in enumerate(found) if b not in apart]
        trial += _fill(sizes, capacity, True, items)
        if worth(trial) <= worth(found):
            found = trial
        if len(found) == bound:
            break
    return found


def _weights(sizes: Sequence[Sequence[int]], capacity: Sequence[int]) -> list[float]:
    return [sum(s / c for s, c in zip(item, capacity, strict=True) if c) for item in sizes]


def _fill(
    sizes: Sequence[Sequence[int]], capacity: Sequence[int], look: bool, order: Sequence[int] | None = None
) -> list[tuple[int, ...]]:
    """Load by load: the first item left (the largest, unless `order` says so), and as much as a search or first fit adds."""
    weight = _weights(sizes, capacity)
    left = sorted(range(len(sizes)), key=lambda i: (-weight[i], i)) if order is None else list(order)
    out = []
    while left:
        head, rest = left[0], sorted(left[1:], key=lambda i: (-weight[i], i))
        room = [c - s for c, s in zip(capacity, sizes[head], strict=True)]
        with_it = _fullest(rest, sizes, weight, room, STEPS) if look else _first_fit(rest, sizes, room)
        out.append((head, *with_it))
        gone = {head, *with_it}
        left = [i for i in left if i not in gone]
    return out


def _first_fit(items: Sequence[int], sizes: Sequence[Sequence[int]], room: Sequence[int]) -> list[int]:
    room, taken = list(room), []
    for i in items:
        if all(s <= r for s, r in zip(sizes[i], room, strict=True)):
            taken.append(i)
            room = [r - s for r, s in zip(room, sizes[i], strict=True)]
    return taken


def _fullest(
    items: Sequence[int], sizes: Sequence[Sequence[int]], weight: Sequence[float], room: Sequence[int], steps: int
) -> list[int]:
    """Items that fill `room` the most, by depth-first search of `steps` steps, larger items first."""
    best: list[int] = []
    best_weight, left = -1.0, steps
    stack: list[tuple[int, tuple[int, ...], tuple[int, ...], float]] = [(0, tuple(room), (), 0.0)]
    while stack and left:
        left -= 1
        start, room_now, chosen, full = stack.pop()
        if full > best_weight + 1e-12:
            best, best_weight = list(chosen), full
            if not any(room_now):
                break
        branches, seen = [], None
        for at in range(start, len(items)):
            item = sizes[items[at]]
            if item != seen and all(s <= r for s, r in zip(item, room_now, strict=True)):
                seen = item
                rest = tuple(r - s for r, s in zip(room_now, item, strict=True))
                branches.append((at + 1, rest, (*chosen, items[at]), full + weight[items[at]]))
        stack += reversed(branches)
    return best


def _exact(
    sizes: Sequence[Sequence[int]], capacity: Sequence[int], number: int, work: float
) -> tuple[list[tuple[int, ...]] | None, bool]:
    """A packing into `number` loads, and whether none exists; (None, False) where the work ran out."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    alike: dict[tuple[int, ...], list[int]] = {}
    for i, item in enumerate(sizes):
        alike.setdefault(tuple(item), []).append(i)
    take = [[model.new_int_var(0, len(own), "") for _load in range(number)] for own in alike.values()]
    for row, own in zip(take, alike.values(), strict=True):
        model.add(sum(row) == len(own))
    for d, limit in enumerate(capacity):
        loads = [sum(row[b] * item[d] for row, item in zip(take, alike, strict=True)) for b in range(number)]
        for load in loads:
            model.add(load <= limit)
    solver = cp_model.CpSolver()
    solver.parameters.catch_sigint_signal = False  # it would leave Ctrl-C to kill the process
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.max_deterministic_time = work
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None, bool(status == cp_model.INFEASIBLE)
    left = {item: list(own) for item, own in alike.items()}
    packed = [
        tuple(left[item].pop() for row, item in zip(take, alike, strict=True) for _n in range(solver.value(row[b])))
        for b in range(number)
    ]
    return [p for p in packed if p], False
