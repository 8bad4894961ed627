"""The states of the frontier programme, packed into whole numbers: what an option makes of one.

A vertex of the frontier has a slot: the component it belongs to, and its balance, which is the passes away from it less those to
it. Where every way may be driven in either direction only the balance's parity counts, and one bit holds it; what hangs together
with even degrees is one walk. Where ways have directions the balance itself has to come to nothing (Euler; for the mixed and the
directed rural postman see Edmonds & Johnson 1973, Math. Program. 5:88-124, and Christofides et al. 1986, Math. Program. Study
26:155-166, from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit

from mudcap.route.steps import (
    CLOSED,
    DOUBLE,
    MAX_FLOW_SLOTS,
    MAX_SLOTS,
    NONE,
    SINGLE,
    TOUCH_BOTH,
    TOUCH_HEAD,
    TOUCH_TAIL,
)

Layout = tuple[int, int]
"""Slots of a state, and bits of the balance of each; above all balances lie the numbers of the components."""
_BITS: Final = 61
_LABEL_BITS: Final = np.array([(i + 1).bit_length() for i in range(MAX_SLOTS)], np.int64)
_LABEL_AT: Final = np.append(0, np.cumsum(_LABEL_BITS)).astype(np.int64)
"""Bits of a state; those of each slot's component, which are numbered by first appearance, and where they begin."""
DEAD: Final = -1
"""Slots of no state: where an option cannot be chosen."""
OVER: Final = -2
"""Slots of no state: what the option leads to has no room, or stands for more passes than are followed."""


def flow_layout(slots: int) -> Layout:
    """The layout with room for so many slots where ways have directions: balances to 63 either way in six, to 7 in nine."""
    slots = max(slots, MAX_FLOW_SLOTS)
    return slots, (_BITS - int(_LABEL_AT[slots])) // slots


@njit(cache=True, inline="always")
def _balance_at(key, layout, slot):  # type: ignore[no-untyped-def]
    """The balance of a slot, with its sign."""
    half = np.int64(1) << (layout[1] - 1)
    return (((key >> (layout[1] * slot)) & (2 * half - 1)) ^ half) - half


@njit(cache=True)
def next_slots(key, layout, ends, effect, gain, label, balance):  # type: ignore[no-untyped-def]
    """The slots after one option, packed with components numbered by first appearance; `DEAD` or `OVER` where there is no state.

    Rows of ``ends``, for tail and head: slot, how the vertex enters, its balance then, whether it leaves. ``gain`` is what the
    option adds to the tail's balance and takes from the head's. ``label`` and ``balance`` (slots,) are room to work in.
    """
    if key & CLOSED:
        return key if effect == NONE and ends[0, 1] == 0 and ends[1, 1] == 0 else np.int64(DEAD)
    count, held = layout
    most = (np.int64(1) << held) - 1
    labels = key >> (held * count)
    for i in range(count):
        label[i] = (labels >> _LABEL_AT[i]) & ((np.int64(1) << _LABEL_BITS[i]) - 1)
        balance[i] = _balance_at(key, layout, i)
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
        for i in range(count):
            if label[i] == old:
                label[i] = new
        balance[tail] += gain
        balance[head] -= gain
    closed = False
    for k in range(2):
        if not ends[k, 3]:
            continue
        slot = ends[k, 0]
        if balance[slot] & most:
            return np.int64(DEAD)
        gone = label[slot]
        label[slot] = 0
        if gone == 0:
            continue
        alone, others = True, False
        for i in range(count):
            if label[i] == gone:
                alone = False
            elif label[i]:
                others = True
        if alone and others:
            return np.int64(DEAD)
        closed = closed or alone
    if closed:
        return np.int64(CLOSED)
    packed, number = np.int64(0), np.int64(0)
    seen = np.int64(0)  # bit l: label l has a number
    names, extra = np.int64(0), np.int64(0)  # four bits for each of the first 15 labels, and of those from 20 on
    for i in range(count):
        old = label[i]
        if old == 0:
            continue
        if held > 1 and 2 * abs(balance[i]) > most:
            return np.int64(OVER)
        if not (seen >> old) & 1:
            number += 1
            seen |= np.int64(1) << old
            if old < 16:
                names |= number << (4 * (old - 1))
            else:
                extra |= number << (4 * (old - 20))
        new = (names >> (4 * (old - 1))) & 15 if old < 16 else (extra >> (4 * (old - 20))) & 15
        packed |= (new << (held * count + _LABEL_AT[i])) | ((balance[i] & most) << (held * i))
    return packed


@njit(cache=True)
def may_be_over(key, layout, ends, gain):  # type: ignore[no-untyped-def]
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
        held = _balance_at(key, layout, ends[k, 0]) + (ends[k, 2] if ends[k, 1] else 0)
        needed = held if k else -held
        if (needed > 0) != (gain > 0) or abs(needed) < abs(gain) or (needed - gain) % 2:
            return False
    return True


@njit(cache=True)
def parity(key, layout):  # type: ignore[no-untyped-def]
    """One bit a slot: whether its degree is odd."""
    odd = np.int64(0)
    for i in range(layout[0]):
        odd |= ((key >> (layout[1] * i)) & 1) << i
    return odd


@njit(cache=True)
def parity_after(key, layout, ends, effect):  # type: ignore[no-untyped-def]
    """The same after an option, of a state that need not have room."""
    odd = np.int64(0) if key & CLOSED else parity(key, layout)
    for k in range(2):
        if ends[k, 1] and ends[k, 2]:
            odd |= np.int64(1) << ends[k, 0]
    if effect == SINGLE:
        odd ^= (np.int64(1) << ends[0, 0]) ^ (np.int64(1) << ends[1, 0])
    return odd


@njit(cache=True, inline="always")
def leave_over(groups, left, shift, width, closes):  # type: ignore[no-untyped-def]
    """What is left over in the open groups after an option; -1 where a stop stays unserved.

    ``left`` (2g,) is what the option leaves of each group, ``shift``, ``width`` and ``closes`` (g,) as in `Step`.
    """
    for g in range(len(shift)):
        low, high = np.int64(left[2 * g]), np.int64(left[2 * g + 1])
        ones = (np.int64(1) << width[g]) - 1
        if closes[g]:
            if max(low, (groups >> shift[g]) & ones) < min(high, (groups >> (shift[g] + width[g])) & ones):
                return np.int64(-1)
            groups &= ~((ones | (ones << width[g])) << shift[g])
        elif low < high:
            groups |= (low | (high << width[g])) << shift[g]
    return groups
