"""The travel network: where a vehicle may drive, where a crew walks, and how far it really is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TravelNetwork:
    """A weighted graph over roads, headlands, alleys and gates, as CSR arrays (read-only)."""

    node_xy: NDArray[np.float64]
    """(v, 2) [m]"""
    indptr: NDArray[np.int64]
    """(v + 1,) start of each node's edges."""
    target: NDArray[np.int64]
    """(e,) node at the far end; two-way ways appear once in each direction."""
    length_m: NDArray[np.float64]
    """(e,)"""
    mode: NDArray[np.uint8]
    """(e,) bit flags: 1 truck, 2 cart (ATV/UTV), 4 foot."""
    kind: NDArray[np.uint8]
    """(e,) 0 road, 1 headland, 2 alley, 3 link (gate, access stub)."""
    yard_node: int
    """Node where rounds start; -1 where no yard or road is known."""
