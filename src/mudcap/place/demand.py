"""Demand points: the trees that want a shelter near them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


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
