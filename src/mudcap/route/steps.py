"""One step of the frontier programme: a way of the graph, what may be done with it, and its room in the states."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MAX_SLOTS = 12
"""Frontier vertices that fit one state."""
MAX_FLOW_SLOTS = 6
"""The same where ways have directions."""
MAX_GUIDED_SLOTS = 9
"""The same where the programme is guided by lines (see `courses`)."""
MAX_GROUP_BITS = 62
"""Bits of a state for the open groups."""

CLOSED = 1 << 61
"""Slots of a state whose round is complete."""

NONE, TOUCH_TAIL, TOUCH_HEAD, TOUCH_BOTH, SINGLE, DOUBLE = range(6)
"""What an option of a way does to its two ends."""


class TooWide(ValueError):
    """The frontier programme cannot take a graph."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flow:
    """What the options of a step drive one way, of which as much has to leave a vertex as comes to it."""

    kinds: NDArray[np.int64]
    """(k, 3) what options do to the ends: effect; passes from tail to head less passes from head to tail; 1 where an option
    stands for itself and all with more passes, which are not followed."""
    kind: NDArray[np.int64]
    """(o,) row of `kinds` of each option."""
    layout: tuple[int, int]
    """As of `states.Layout`."""
    begins: tuple[int, int]
    """Passes out less passes in with which tail and head enter the frontier: -1 at the start, 1 at the end, where they differ."""


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
    priced: NDArray[np.float64]
    """(o,) the cost less what the option is paid for (see `dues`); the cost itself where nothing is paid for."""
    left: NDArray[np.int16]
    """(o, 2g) for each group: the first stop left over and the one after the last; equal where none is."""
    shift: NDArray[np.int64]
    """(g,) where the group lies among the bits of a state."""
    width: NDArray[np.int64]
    """(g,) bits of each of its two numbers."""
    closes: NDArray[np.bool_]
    """(g,) True where this edge is the second one of the group: nothing may be left over after it."""
    flow: Flow | None = None
    """On ground with one-way ways what each option drives one way; None where only degrees count."""
