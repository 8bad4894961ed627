"""The order in which the frontier programme takes the ways of a graph, and the room each takes in its states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.route.options import EdgeOptions, Group
from mudcap.route.relax import Cut
from mudcap.route.steps import MAX_GROUP_BITS, MAX_SLOTS, Step
from mudcap.route.stopgraph import StopGraph, levels, spans

_STATES_PER_VERTEX = 3.4
"""Growth of the number of states with each vertex of the frontier, measured; only used to compare two orders."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turn:
    """One way's turn: its slots, and which of its ends and groups begin or end with it."""

    edge: int
    slots: tuple[int, int]
    enters: tuple[bool, bool]
    leaves: tuple[bool, bool]


def sweeps(graph: StopGraph, groups: Sequence[Group]) -> list[NDArray[np.int64]]:
    """Return ranks of the vertices worth trying.

    Column by column; short runs of columns that share stops together; columns two by two; level by level.
    """
    level = levels(graph)
    column = graph.column
    ranks = [np.lexsort((level, column))]
    joined = {
        tuple(sorted((int(column[graph.tail[g.edges[0]]]), int(column[graph.tail[g.edges[1]]]))))
        for g in groups
    }
    num_columns = int(column.max()) + 1
    runs = [_runs(num_columns, joined, longest) for longest in (2, 3)]
    runs += [(np.arange(num_columns) + offset) // 2 for offset in (0, 1)]
    for run in runs:
        ranks.append(np.lexsort((column, level, run[column])))
    ranks.append(np.lexsort((column, level)))
    return [np.argsort(r) for r in ranks]


def _runs(num_columns: int, joined: set[tuple[int, ...]], longest: int) -> NDArray[np.int64]:
    """Number of the run that each column belongs to: columns that share stops, where no more than `longest` do."""
    run = np.zeros(num_columns, np.int64)
    for c in range(1, num_columns):
        run[c] = run[c - 1] + ((c - 1, c) not in joined)
    sizes = np.bincount(run)
    alone = sizes[run] > longest
    return np.cumsum(np.concatenate([[0], (run[1:] != run[:-1]) | alone[1:]]))


def take_turns(graph: StopGraph, rank: NDArray[np.int64]) -> list[Turn] | None:
    """Return the ways in the order of the ranks of their vertices; None where the frontier grows too wide."""
    num_edges = len(graph.tail)
    heads = np.where(graph.head >= 0, graph.head, graph.tail)
    first, last = np.minimum(rank[graph.tail], rank[heads]), np.maximum(rank[graph.tail], rank[heads])
    order = np.lexsort((np.arange(num_edges), first, last))
    open_edges = np.bincount(graph.tail, minlength=len(rank)) + np.bincount(
        graph.head[graph.head >= 0], minlength=len(rank)
    )
    slot: dict[int, int] = {}
    free = list(range(MAX_SLOTS))
    turns = []
    for e in order.tolist():
        ends = [int(graph.tail[e])] + ([int(graph.head[e])] if graph.head[e] >= 0 else [])
        enters, leaves, slots = [False, False], [False, False], [0, -1]
        for k, v in enumerate(ends):
            if v not in slot:
                if not free:
                    return None
                slot[v], enters[k] = free.pop(0), True
            slots[k] = slot[v]
        for k, v in enumerate(ends):
            open_edges[v] -= 1
            if not open_edges[v]:
                leaves[k] = True
                free.append(slot.pop(v))
        free.sort()
        turns.append(
            Turn(
                edge=e,
                slots=(slots[0], slots[1]),
                enters=(enters[0], enters[1]),
                leaves=(leaves[0], leaves[1]),
            )
        )
    return turns


def must_cross(graph: StopGraph, turns: Sequence[Turn]) -> list[Cut]:
    """For each turn the cut between two columns that its way crosses, where stops, start or end lie on both sides of it."""
    heads = np.where(graph.head >= 0, graph.head, graph.tail)
    one, other = graph.column[graph.tail], graph.column[heads]
    low, high = np.minimum(one, other), np.maximum(one, other)
    first, last_column = spans(graph)
    must = np.zeros(int(graph.column.max()) + 1, bool)
    must[last_column.min() : first.max()] = True
    for e in np.flatnonzero(high - low > 1):
        must[low[e] : high[e]] = False
    crossing = [int(low[t.edge]) if high[t.edge] > low[t.edge] and must[low[t.edge]] else -1 for t in turns]
    last = {c: k for k, c in enumerate(crossing)}
    return [Cut(number=c, is_last=c >= 0 and last[c] == k) for k, c in enumerate(crossing)]


def weigh(turns: Sequence[Turn], groups: Sequence[Group], of_edge: Sequence[Sequence[int]]) -> float:
    """Return an estimate of the states that an order makes, to compare it with another."""
    wide, states, total = 0, 1.0, 0.0
    is_open: set[int] = set()
    for turn in turns:
        wide += sum(turn.enters)
        for g in of_edge[turn.edge]:
            k = len(groups[g].stops)
            values = min(k * (k + 1) // 2 + 1, 4) if groups[g].alone else k * (k + 1) // 2 + 1
            states = states / values if g in is_open else states * values
            is_open ^= {g}
        wide -= sum(turn.leaves)
        total += states * _STATES_PER_VERTEX**wide
    return total


def lay_steps(
    graph: StopGraph,
    turns: Sequence[Turn],
    options: Sequence[EdgeOptions],
    groups: Sequence[Group],
    of_edge: Sequence[Sequence[int]],
) -> list[Step] | None:
    """Return the steps for `frontier.run`; None where the open groups need more bits than a state has."""
    squeezed = _squeeze(options, groups, of_edge)
    room: dict[int, tuple[int, int]] = {}
    steps = []
    for turn in turns:
        e = turn.edge
        mine = of_edge[e]
        closes = [g in room for g in mine]
        for g in mine:
            if g not in room:
                width = max(1, int(squeezed[g][2]).bit_length())
                shift = _first_free(room, 2 * width)
                if shift + 2 * width > MAX_GROUP_BITS:
                    return None
                room[g] = (shift, width)
        left = [squeezed[g][0 if groups[g].edges[0] == e else 1] for g in mine]
        num = len(options[e].cost)
        steps.append(
            Step(
                tail_slot=turn.slots[0],
                head_slot=turn.slots[1],
                tail_enters=_entry(graph, int(graph.tail[e])) if turn.enters[0] else 0,
                head_enters=_entry(graph, int(graph.head[e])) if turn.enters[1] else 0,
                tail_leaves=turn.leaves[0],
                head_leaves=turn.leaves[1],
                effect=options[e].effect,
                cost=options[e].cost,
                priced=options[e].cost,
                left=np.ascontiguousarray(np.hstack(left) if left else np.zeros((num, 0)), np.int16),
                shift=np.array([room[g][0] for g in mine], np.int64),
                width=np.array([room[g][1] for g in mine], np.int64),
                closes=np.array(closes, bool),
            )
        )
        for g, done in zip(mine, closes, strict=True):
            if done:
                del room[g]
    return steps


def _entry(graph: StopGraph, vertex: int) -> int:
    """How a vertex enters: start and end must be visited, with odd degree where they differ."""
    if vertex not in (graph.start, graph.end):
        return 0
    return 1 if graph.start == graph.end else 2


def _first_free(room: dict[int, tuple[int, int]], need: int) -> int:
    """Lowest bit where `need` bits in a row are free."""
    shift = 0
    for begin, width in sorted(room.values()):
        if begin - shift >= need:
            break
        shift = max(shift, begin + 2 * width)
    return shift


def _squeeze(
    options: Sequence[EdgeOptions], groups: Sequence[Group], of_edge: Sequence[Sequence[int]]
) -> list[tuple[NDArray[np.int64], NDArray[np.int64], int]]:
    """For each group what each way's options leave over, numbered by the cuts that occur, and the largest number."""
    squeezed = []
    for g, group in enumerate(groups):
        a, b = (options[e].left[of_edge[e].index(g)] for e in group.edges)
        cuts = np.unique(np.concatenate([a.ravel(), b.ravel(), [0]]))
        squeezed.append((np.searchsorted(cuts, a), np.searchsorted(cuts, b), len(cuts) - 1))
    return squeezed
