"""A giant tour through all blocks split among shifts, and the order of blocks for which the split is best.

References
----------
Beasley 1983, Omega 11:403–408 (route first, cluster second); Prins 2004, Comput. Oper. Res. 31:1985–2002 (split of a giant
tour, which is then improved by local search). From memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.route.chance import begin as begin_chance
from mudcap.route.chance import draw


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Visits:
    """All visits, block by block, each block's in the order of its own round; times for each class of crews."""

    block: NDArray[np.int64]
    """(n,)"""
    stop: NDArray[np.int64]
    """(n,) stop of the block's graph."""
    service_s: NDArray[np.float64]
    load: NDArray[np.float64]
    onward_s: NDArray[np.float64]
    """(c, n) from each visit to the next one of its block."""
    home_s: NDArray[np.float64]
    """(c, n, e) between each visit and the access points of its block."""
    points: NDArray[np.int64]
    """(c, k + 1) where each block's access points begin in `road_s`, and their number."""
    road_s: NDArray[np.float64]
    """(c, g, g) between the yard (0) and the access points."""
    opens_s: NDArray[np.float64]
    """(k,)"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slots:
    """One crew's one day each, by day."""

    kind: NDArray[np.int64]
    """(s,) class of the crew."""
    day: NDArray[np.int64]
    begin_s: NDArray[np.float64]
    """(s,) from midnight of the first day."""
    limit_s: NDArray[np.float64]
    """(s,) longest time from begin to being back."""
    room: NDArray[np.float64]
    capacity: NDArray[np.float64]
    """(s,) `room` is what is free at the beginning."""
    reload_s: NDArray[np.float64]
    pause_after_s: NDArray[np.float64]
    """(s, 2) seconds from begin after which break and lunch fall due."""
    pause_s: NDArray[np.float64]
    """(s, 2)"""
    first_s: NDArray[np.float64]
    """(s, g) from where the crew is to the yard and to the access points."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Order:
    """In which order visits are made and slots filled."""

    visits: NDArray[np.int64]
    slots: NDArray[np.int64]


def split(
    visits: Visits, slots: Slots, order: Order, slack: NDArray[np.float64], *, by_finish: bool
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where each slot's share ends when the slots are filled in turn up to their limits, and the seconds each takes.

    With ``by_finish`` all slots get such a common latest end that the last crew is back soonest. ``slack`` is by how much more
    than its limit each slot may take by estimate, since its exact rounds are shorter.
    """
    given = (*_arrays(visits), *_slot_arrays(slots), order.slots, order.visits)
    if by_finish:
        cuts, used, _ = _soonest(*given, slack)
    else:
        cuts, used, _ = _split(*given, slots.limit_s * slack)
    return cuts, used


def weave(
    visits: Visits, slots: Slots, order: Order, slack: NDArray[np.float64], *, by_finish: bool
) -> tuple[Order, NDArray[np.int64], NDArray[np.float64]]:
    """An order in which each slot goes to what is open until something else opens, then there; with cuts and seconds as `split`.

    Both are taken from the front of the given order, so that all crews come to a block that opens in the middle of the day,
    and none has to begin there.
    """
    whole = slots.limit_s * slack
    best = _woven(visits, slots, order, whole)
    if not by_finish or best[1].max() < len(order.visits):
        return best
    low, high = float(slots.begin_s.min()), float((slots.begin_s + slots.limit_s).max())
    for _ in range(24):
        middle = (low + high) / 2
        found = _woven(visits, slots, order, np.minimum(whole, (middle - slots.begin_s) * slack))
        if found[1].max() == len(order.visits):
            best, high = found, middle
        else:
            low = middle
    return best


def _woven(
    visits: Visits, slots: Slots, order: Order, limits: NDArray[np.float64]
) -> tuple[Order, NDArray[np.int64], NDArray[np.float64]]:
    """The slots filled in turn up to their limits, each with what is open first."""
    left = order.visits
    opens_s = visits.opens_s[visits.block]
    laid: list[NDArray[np.int64]] = []
    cuts, used = np.zeros(len(slots.kind), np.int64), np.zeros(len(slots.kind))
    at = 0
    for c in order.slots.tolist():
        begin = slots.begin_s[c]
        if limits[c] > 0 and len(left):
            late = (opens_s[left] > begin) & (opens_s[left] < begin + limits[c])
            first, then = left[opens_s[left] <= begin], left[late]
            then = then[np.argsort(opens_s[then], kind="stable")]
            given = (*_arrays(visits), *_of_slot(slots, c))
            until = (
                _fill(*given, first, 0, min(opens_s[then[0]] - begin, limits[c]))[0]
                if len(then)
                else len(first)
            )
            mine = np.concatenate([first[:until], then, first[until:]])
            taken, used[c], _ = _fill(*given, mine, 0, limits[c])
            laid.append(mine[:taken])
            at += taken
            left = left[~np.isin(left, mine[:taken])]
        cuts[c] = at
    return Order(visits=np.concatenate([*laid, left]), slots=order.slots), cuts, used


def _of_slot(s: Slots, c: int) -> tuple[object, ...]:
    """What `_fill` needs of one slot."""
    return (
        s.kind[c], s.begin_s[c], s.room[c], s.capacity[c], s.reload_s[c], s.pause_after_s, s.pause_s, s.first_s, c,
    )  # fmt: skip


def best_order(
    visits: Visits, slots: Slots, blocks: NDArray[np.int64], *, by_finish: bool, trials: int, seed: int = 0
) -> Order:
    """Return the order of the visits and that of the slots that local search finds best, beginning with an order of the blocks.

    Blocks change places, move, are run through backwards; crews of one day change places. What counts is what stays undone,
    then when the last is back (``by_finish``) or the seconds of all, then the other of the two.
    """
    size = np.bincount(visits.block, minlength=len(visits.opens_s))
    begin = np.cumsum(size) - size
    found = _search(
        *_arrays(visits), *_slot_arrays(slots), begin.astype(np.int64), size.astype(np.int64),
        blocks.astype(np.int64), slots.day, by_finish, trials, begin_chance(seed),
    )  # fmt: skip
    return Order(visits=found[0], slots=found[1])


def _arrays(v: Visits) -> tuple[NDArray[np.generic], ...]:
    kinds = np.arange(len(v.road_s))[:, None]
    size = np.diff(v.points, axis=1)[:, v.block]
    at = np.minimum(v.points[:, v.block][:, :, None] + np.arange(v.home_s.shape[2]), v.points[:, -1:, None] - 1)
    there = np.arange(v.home_s.shape[2]) < size[:, :, None]
    back_s = np.where(there, v.home_s + v.road_s[kinds[:, :, None], at, 0], np.inf).min(axis=2)
    return v.block, v.service_s, v.load, v.onward_s, v.home_s, back_s, v.points, v.road_s, v.opens_s


def _slot_arrays(s: Slots) -> tuple[NDArray[np.generic], ...]:
    return (
        s.kind, s.begin_s, s.limit_s, s.room, s.capacity, s.reload_s, s.pause_after_s, s.pause_s, s.first_s,
    )  # fmt: skip


@njit(cache=True)
def _come(road, at, home, size):  # type: ignore[no-untyped-def]
    """Seconds from somewhere to a visit by the best access point of its block, the last part being that from there."""
    least, inside = np.inf, 0.0
    for e in range(size):
        seconds = road[at + e] + home[e]
        if seconds < least:
            least, inside = seconds, home[e]
    return least, inside


@njit(cache=True)
def _cross(home_before, begin, size_before, road, at, home, size):  # type: ignore[no-untyped-def]
    """The same from a visit of another block, by the best of its access points."""
    least, inside = np.inf, 0.0
    for e in range(size_before):
        seconds, part = _come(road[begin + e], at, home, size)
        if home_before[e] + seconds < least:
            least, inside = home_before[e] + seconds, part
    return least, inside


@njit(cache=True)
def _fill(  # type: ignore[no-untyped-def]
    block, service, load, onward, home, back, points, road, opens,
    kind, begin, room, capacity, reload, pause_after, pause, first, crew, order, at, limit,
):  # fmt: skip
    """The first visit of the order that no longer fits a slot which begins with visit ``at``, the seconds before it, and
    those of them that were not waited."""
    clock, used, where = 0.0, 0.0, -1
    idle, paid = 0.0, 0.0
    free = room
    paused = 0
    for i in range(at, len(order)):
        v, before = order[i], order[i - 1]
        b = block[v]
        here, size = points[kind, b], points[kind, b + 1] - points[kind, b]
        fresh = False
        if where >= 0:
            for q in range(pause.shape[1]):
                if not (paused >> q) & 1 and clock >= pause_after[crew, q]:
                    paused |= 1 << q
                    clock += pause[crew, q]
        inside = 0.0
        if load[v] > free + 1e-9:
            come, inside = _come(road[kind, 0], here, home[kind, v], size)
            clock += (first[crew, 0] if where < 0 else back[kind, before]) + reload + come
            free, fresh = capacity, True
        elif where < 0:
            come, inside = _come(first[crew], here, home[kind, v], size)
            clock += come
        elif b != where:
            left = points[kind, where]
            come, inside = _cross(
                home[kind, before], left, points[kind, where + 1] - left, road[kind], here, home[kind, v], size
            )
            clock += come
        elif v == before + 1:
            clock += onward[kind, before]
        elif v == before - 1:
            clock += onward[kind, v]
        else:
            least = np.inf
            for e in range(size):
                least = min(least, home[kind, before, e] + home[kind, v, e])
            clock += least
        ready = opens[b] - begin + inside
        if (b != where or fresh) and ready > clock:
            for q in range(pause.shape[1]):
                if not (paused >> q) & 1 and pause_after[crew, q] < ready:
                    paused |= 1 << q
                    early = max(pause_after[crew, q] - clock, 0.0)
                    idle += early
                    clock += early + pause[crew, q]
            idle += max(ready - clock, 0.0)
            clock = max(ready, clock)
        where = b
        clock += service[v]
        free -= load[v]
        end = clock + back[kind, v]
        if end > limit:
            return i, used, paid
        used, paid = end, end - idle
    return len(order), used, paid


@njit(cache=True)
def _split(  # type: ignore[no-untyped-def]
    block, service, load, onward, home, back, points, road, opens,
    kind, begin, limit, room, capacity, reload, pause_after, pause, first, crews, order, limits,
):  # fmt: skip
    cuts, used, paid = np.zeros(len(kind), np.int64), np.zeros(len(kind)), np.zeros(len(kind))
    at = 0
    for c in crews:
        if at < len(order) and limits[c] > 0:
            at, used[c], paid[c] = _fill(
                block, service, load, onward, home, back, points, road, opens, kind[c], begin[c], room[c], capacity[c], reload[c],
                pause_after, pause, first, c, order, at, limits[c],
            )  # fmt: skip
        cuts[c] = at
    return cuts, used, paid


@njit(cache=True)
def _soonest(  # type: ignore[no-untyped-def]
    block, service, load, onward, home, back, points, road, opens,
    kind, begin, limit, room, capacity, reload, pause_after, pause, first, crews, order, slack,
):  # fmt: skip
    whole = limit * slack
    best_cuts, best_used, best_paid = _split(
        block, service, load, onward, home, back, points, road, opens,
        kind, begin, limit, room, capacity, reload, pause_after, pause, first, crews, order, whole,
    )  # fmt: skip
    if len(order) and best_cuts.max() == len(order):
        low, high = begin.min(), (begin + whole).max()
        for _ in range(24):
            middle = (low + high) / 2
            cuts, used, paid = _split(
                block, service, load, onward, home, back, points, road, opens,
                kind, begin, limit, room, capacity, reload, pause_after, pause, first, crews, order,
                np.minimum(whole, (middle - begin) * slack),
            )  # fmt: skip
            if cuts.max() == len(order):
                best_cuts, best_used, best_paid, high = cuts, used, paid, middle
            else:
                low = middle
    return best_cuts, best_used, best_paid


@njit(cache=True)
def _lay(begin, size, blocks, turned, order):  # type: ignore[no-untyped-def]
    """Write the visits in the order of the blocks, those turned backwards."""
    n = 0
    for b in blocks:
        for k in range(size[b]):
            order[n] = begin[b] + (size[b] - 1 - k if turned[b] else k)
            n += 1


@njit(cache=True)
def _write(source, target):  # type: ignore[no-untyped-def]
    for k in range(len(source)):
        target[k] = source[k]


@njit(cache=True)
def _search(  # type: ignore[no-untyped-def]
    block, service, load, onward, home, back, points, road, opens,
    kind, start, limit, room, capacity, reload, pause_after, pause, first,
    begin, size, blocks, day, by_finish, trials, chance,
):  # fmt: skip
    m, s = len(blocks), len(kind)
    blocks, turned = blocks.copy(), np.zeros(len(size), np.bool_)
    crews = np.arange(s)
    order = np.zeros(len(block), np.int64)
    _lay(begin, size, blocks, turned, order)
    kept, kept_crews = order.copy(), crews.copy()
    horizon = np.inf
    now_left, now_time = np.inf, np.inf
    best_left, best_time = np.inf, np.inf
    old_blocks, old_turned, old_crews = blocks.copy(), turned.copy(), crews.copy()
    for trial in range(trials + 1):
        if trial:
            move = draw(chance, 5)
            i, j = draw(chance, m), draw(chance, m)
            if move == 0:
                blocks[i], blocks[j] = blocks[j], blocks[i]
            elif move == 1 or move == 2:
                moved = blocks[i]
                step = 1 if j > i else -1
                while i != j:
                    blocks[i] = blocks[i + step]
                    i += step
                blocks[j] = moved
                if move == 2:
                    turned[moved] = not turned[moved]
            elif move == 3:
                i, j = min(i, j), max(i, j)
                while i <= j:
                    turned[blocks[i]] = not turned[blocks[i]]
                    if i != j:
                        turned[blocks[j]] = not turned[blocks[j]]
                    blocks[i], blocks[j] = blocks[j], blocks[i]
                    i, j = i + 1, j - 1
            else:
                a, b = draw(chance, s), draw(chance, s)
                if day[a] != day[b] or a == b or draw(chance, 2):
                    turned[blocks[i]] = not turned[blocks[i]]
                else:
                    crews[a], crews[b] = crews[b], crews[a]
            _lay(begin, size, blocks, turned, order)
        cuts, _, paid = _split(
            block, service, load, onward, home, back, points, road, opens,
            kind, start, limit, room, capacity, reload, pause_after, pause, first, crews, order,
            np.minimum(limit, horizon - start),
        )  # fmt: skip
        left = 0.0
        for q in range(cuts.max(), len(order)):
            left += service[order[q]] + 1.0
        time = paid.sum()  # who would wait leaves the yard later
        if left < now_left - 1e-9 or (left <= now_left + 1e-9 and time <= now_time + 1e-9):
            now_left, now_time = left, time
            _write(blocks, old_blocks)
            _write(turned, old_turned)
            _write(crews, old_crews)
            if by_finish and left == 0.0 and len(order):
                low, high = start.min(), min(horizon, (start + limit).max())
                for _ in range(20):
                    middle = (low + high) / 2
                    cuts, _, paid = _split(
                        block, service, load, onward, home, back, points, road, opens,
                        kind, start, limit, room, capacity, reload, pause_after, pause, first, crews, order,
                        np.minimum(limit, middle - start),
                    )  # fmt: skip
                    if cuts.max() == len(order):
                        high = middle
                    else:
                        low = middle
                horizon = high - 1.0
                now_left, now_time = np.inf, np.inf
                best_left, best_time = 0.0, high
                _write(order, kept)
                _write(crews, kept_crews)
            elif left < best_left or (left == best_left and not by_finish and time < best_time):
                best_left, best_time = left, time
                _write(order, kept)
                _write(crews, kept_crews)
        else:
            _write(old_blocks, blocks)
            _write(old_turned, turned)
            _write(old_crews, crews)
    return kept, kept_crews, best_left, best_time
