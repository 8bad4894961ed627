"""The states of the frontier programme on ground with one-way ways: the balance of each vertex in the place of its parity.

A vertex of the frontier has ten bits of a state: three for the component it belongs to, seven for the passes away from it less
the passes to it. What hangs together and is balanced everywhere (but for start and end) is one directed walk (Euler; for the
mixed and the directed rural postman see Edmonds & Johnson 1973, Math. Program. 5:88-124, and Christofides et al. 1986, Math.
Program. Study 26:155-166, from memory).

Where a balance has no room, or an option stands for more passes than are followed, the least promise of what is left out is
handed back, so that the bound covers it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from mudcap.route.relax import find, scatter
from mudcap.route.steps import CLOSED, DEAD, DOUBLE, NONE, SINGLE, TOUCH_BOTH, TOUCH_HEAD, TOUCH_TAIL

FLOW_SLOTS = 6
"""Frontier vertices that fit one state: ten bits each."""
_BALANCE = 127
_MOST = 63
_OVER = -2
"""Slots of no state: the balance has no room."""
_UNKNOWN = -3


@njit(cache=True)
def _next(key, ends, effect, gain, label, balance):  # type: ignore[no-untyped-def]
    """The slots after one option, packed with components numbered by first appearance; `DEAD` where it leads nowhere.

    Rows of ``ends``, for tail and head: slot, how the vertex enters, its balance then, whether it leaves.
    """
    if key & CLOSED:
        return key if effect == NONE and ends[0, 1] == 0 and ends[1, 1] == 0 else DEAD
    for i in range(FLOW_SLOTS):
        bits = (key >> (10 * i)) & 1023
        label[i] = bits >> 7
        balance[i] = ((bits & _BALANCE) ^ 64) - 64
    tail, head = ends[0, 0], ends[1, 0]
    for k in range(2):
        if ends[k, 1]:
            label[ends[k, 0]], balance[ends[k, 0]] = 20 + k, ends[k, 2]
    through = effect in (SINGLE, DOUBLE)
    if (through or effect in (TOUCH_TAIL, TOUCH_BOTH)) and label[tail] == 0:
        label[tail] = 22
    if (through or effect in (TOUCH_HEAD, TOUCH_BOTH)) and label[head] == 0:
        label[head] = 23
    if through:
        old, new = label[head], label[tail]
        for i in range(FLOW_SLOTS):
            if label[i] == old:
                label[i] = new
        balance[tail] += gain
        balance[head] -= gain
    closed = False
    for k in range(2):
        if not ends[k, 3]:
            continue
        slot = ends[k, 0]
        if balance[slot]:
            return DEAD
        gone = label[slot]
        label[slot] = 0
        if gone == 0:
            continue
        alone, others = True, False
        for i in range(FLOW_SLOTS):
            if label[i] == gone:
                alone = False
            elif label[i]:
                others = True
        if alone and others:
            return DEAD
        closed = closed or alone
    if closed:
        return CLOSED
    packed = np.int64(0)
    number = 0
    for i in range(FLOW_SLOTS):
        if label[i] == 0:
            continue
        if abs(balance[i]) > _MOST:
            return _OVER
        new = 0
        for j in range(i):
            if label[j] == label[i]:
                new = (packed >> (10 * j + 7)) & 7
                break
        if new == 0:
            number += 1
            new = number
        packed |= ((new << 7) | (balance[i] & _BALANCE)) << (10 * i)
    return packed


@njit(cache=True)
def _may_be_over(key, ends, gain):  # type: ignore[no-untyped-def]
    """Whether as many passes as the gain or more, as even or odd, and the same way, may follow on a state.

    A vertex that leaves says how many they have to be.
    """
    if key & CLOSED:
        return False
    if ends[0, 0] == ends[1, 0]:
        return True
    for k in range(2):
        if not ends[k, 3]:
            continue
        held = ((((key >> (10 * ends[k, 0])) & _BALANCE) ^ 64) - 64) + (ends[k, 2] if ends[k, 1] else 0)
        needed = held if k else -held
        if (needed > 0) != (gain > 0) or abs(needed) < abs(gain) or (needed - gain) % 2:
            return False
    return True


@njit(cache=True)
def _parity(key):  # type: ignore[no-untyped-def]
    """One bit a slot: whether its degree is odd."""
    odd = np.int64(0)
    for i in range(FLOW_SLOTS):
        odd |= ((key >> (10 * i)) & 1) << i
    return odd


@njit(cache=True)
def _parity_after(key, ends, effect):  # type: ignore[no-untyped-def]
    """The same after an option, of a state that need not have room."""
    odd = np.int64(0) if key & CLOSED else _parity(key)
    for k in range(2):
        if ends[k, 1] and ends[k, 2]:
            odd |= np.int64(1) << ends[k, 0]
    if effect == SINGLE:
        odd ^= (np.int64(1) << ends[0, 0]) ^ (np.int64(1) << ends[1, 0])
    return odd


@njit(cache=True)
def expand_flow(  # type: ignore[no-untyped-def]
    slots, groups, cost, priced, ends, kinds, kind, option_cost, option_priced, left, shift, width, closes, capacity,
    upper, bounded, odd_ahead, groups_ahead, cost_ahead, kept_ahead, table_ahead,
):  # fmt: skip
    """All states after one step, each with its cheapest way there, after the least promise of what had no room.

    (-1, …) where the table is too small. ``kinds`` (k, 3) are effect, gain and whether it stands for more, ``kind`` (o,) that of
    each option.
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
    label = np.zeros(FLOW_SLOTS, np.int64)
    balance = np.zeros(FLOW_SLOTS, np.int64)
    for i in range(len(cost)):
        after[:] = _UNKNOWN
        for o in range(len(kind)):
            promised = priced[i] + option_priced[o]
            if promised + least > upper:
                continue
            k = kind[o]
            if after[k] == _UNKNOWN:
                if kinds[k, 2]:
                    after[k] = _OVER if _may_be_over(slots[i], ends, kinds[k, 1]) else DEAD
                else:
                    after[k] = _next(slots[i], ends, kinds[k, 0], kinds[k, 1], label, balance)
            key = after[k]
            if key == DEAD:
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
            value = cost[i] + option_cost[o]
            if key == _OVER:
                ahead = 0.0
                if bounded:
                    ahead = np.inf
                    odd = _parity_after(slots[i], ends, kinds[kind[o], 0])
                    there = find(table_ahead, odd_ahead, groups_ahead, odd, u & kept_ahead)
                    if there >= 0:
                        ahead = cost_ahead[there]
                if promised + ahead <= upper:
                    lost = min(lost, promised + ahead)
                continue
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
                    return -1, lost, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
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
    return count, lost, new_slots, new_groups, new_cost, new_priced, to_go, parent, chosen
