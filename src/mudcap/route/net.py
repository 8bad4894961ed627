"""A round's ground as the search for broken rows sees it: ways between vertices, and what serves each stop from where."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Net(NamedTuple):
    """What the search for rows needs to know of the ground; ways are those driven through from one vertex to another."""

    tail: Ints
    """(w,)"""
    head: Ints
    """(w,)"""
    single: Ints
    """(w,) column of driving through once; -1 where there is none."""
    double: Ints
    """(w,) column of driving through twice; -1 where there is none."""
    more: Ints
    """(w,) column that counts passes without limit; -1 where there is none."""
    at_ptr: Ints
    """(v + 1,) range of each vertex in `at_way`."""
    at_way: Ints
    """Ways that meet each vertex."""
    stop_ptr: Ints
    """(n + 1,) range of each stop in the next three."""
    stop_column: Ints
    """Columns that serve the stop."""
    stop_one: Ints
    """Vertex from which the column serves it."""
    stop_other: Ints
    """The other vertex where the way is driven through; -1 where it is not, or where both are the same."""
    near_ptr: Ints
    """(v + 1,) range of each vertex in `near_stop`, `near_column` and `near_other`: the same, vertex by vertex."""
    near_stop: Ints
    near_column: Ints
    near_other: Ints
    way_of: Ints
    """(columns,) way that the column drives through; -1 where it does not."""
    mark: Ints
    """(v,) odd numbers to tell sets of vertices apart."""
    start: int
    end: int


def build_net(
    *,
    num_vertices: int,
    num_columns: int,
    ways: tuple[Ints, Ints, Ints, Ints, Ints],
    serves: tuple[Ints, Ints, Ints, Ints],
    num_stops: int,
    terminals: tuple[int, int],
) -> Net:
    """Lay out a net: ``ways`` as in its first five fields, ``serves`` (stop, column, one vertex, other vertex or -1)."""
    tail, head, single, double, more = ways
    at_ptr, order = _by(np.concatenate([tail, head]), num_vertices)
    at_way = np.tile(np.arange(len(tail)), 2)[order]
    stop, column, one, other = serves
    stop_ptr, order = _by(stop, num_stops)
    through = np.flatnonzero(other >= 0)
    twice = np.concatenate([np.arange(len(stop)), through])
    near_ptr, near = _by(np.concatenate([one, other[through]]), num_vertices)
    beyond = np.concatenate([other, one[through]])
    way_of = np.full(num_columns, -1, np.int64)
    for columns in (single, double, more):
        way_of[columns[columns >= 0]] = np.flatnonzero(columns >= 0)
    mark = np.random.default_rng(0).integers(1, 1 << 62, num_vertices)
    return Net(
        tail=tail, head=head, single=single, double=double, more=more, at_ptr=at_ptr, at_way=at_way,
        stop_ptr=stop_ptr, stop_column=column[order], stop_one=one[order], stop_other=other[order],
        near_ptr=near_ptr, near_stop=stop[twice[near]], near_column=column[twice[near]], near_other=beyond[near],
        way_of=way_of, mark=mark, start=terminals[0], end=terminals[1],
    )  # fmt: skip


def _by(key: Ints, count: int) -> tuple[Ints, Ints]:
    """Ranges and order of entries sorted by a number from 0 to ``count`` - 1."""
    ptr = np.concatenate([[0], np.cumsum(np.bincount(key, minlength=count))]).astype(np.int64)
    return ptr, np.argsort(key, kind="stable").astype(np.int64)


@njit(cache=True)
def passes(columns, z):  # type: ignore[no-untyped-def]
    """(w,) values of one column a way, 0 where it has none."""
    value = np.zeros(len(columns))
    for w in range(len(columns)):
        if columns[w] >= 0:
            value[w] = z[columns[w]]
    return value
