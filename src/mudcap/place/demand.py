"""Demand points: the trees that want a shelter near them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mudcap.orchard.model import Orchard


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Demand:
    """All trees of all blocks (read-only arrays)."""

    xy: NDArray[np.float64]
    """(m, 2) [m]"""
    weight: NDArray[np.float64]
    """(m,) bloom need, 1 for a tree of the main variety."""
    block: NDArray[np.int64]
    """(m,) index into orchard.blocks."""
    row: NDArray[np.int64]
    tree: NDArray[np.int64]


def lay_demand(orchard: Orchard) -> Demand:
    """Every tree of every block, those at excluded stations too: they must still be served."""
    blocks = [(k, b.rows) for k, b in enumerate(orchard.blocks) if b.rows is not None and len(b.rows.tree_xy)]
    whole = np.empty(0, np.int64)
    demand = Demand(
        xy=np.vstack([np.empty((0, 2)), *[r.tree_xy for _k, r in blocks]]),
        weight=np.concatenate([np.empty(0), *[r.weight for _k, r in blocks]]),
        block=np.concatenate([whole, *[np.full(len(r.tree_xy), k, np.int64) for k, r in blocks]]),
        row=np.concatenate([whole, *[r.tree_row for _k, r in blocks]]),
        tree=np.concatenate([whole, *[r.tree_number for _k, r in blocks]]),
    )
    for array in (demand.xy, demand.weight, demand.block, demand.row, demand.tree):
        array.setflags(write=False)
    return demand
