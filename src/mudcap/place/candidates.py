"""Candidate sites: every station of the rows, each with what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """All stations of all blocks (read-only arrays), excluded ones too: the map shows why not."""

    xy: NDArray[np.float64]
    """(n, 2) [m]"""
    block: NDArray[np.int64]
    """(n,) index into orchard.blocks."""
    row: NDArray[np.int64]
    tree: NDArray[np.int64]
    """(n,) number of the tree at the station, or of the lower-numbered one of two."""
    walk_m: NDArray[np.float64]
    """(n,) walk from where the vehicle may stop; inf where nothing reaches it."""
    mud_m: NDArray[np.float64]
    """(n,) distance to the nearest clean mud source; inf where there is none."""
    lane_m: NDArray[np.float64]
    """(n,) clear distance from the nearest swept width of a spray lane; inf where there is none."""
    reasons: NDArray[np.int64]
    """(n,) orchard.model.Exclusion bit flags; 0 = a shelter may stand here."""
