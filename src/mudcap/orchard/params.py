"""Options about the ground: rows, headlands, roads and how fast one gets about. All are conventions unless a source is named."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class RowParams:
    """Defaults where a block does not say; common practice, no source, unless named."""

    row_spacing_m: float = 22 * 0.3048
    """California almond rows are mostly 21–22 ft apart (The Almond Doctor, UC Cooperative Extension)."""
    tree_spacing_m: float = 18 * 0.3048
    headland_m: float = 25 * 0.3048
    corner: str = "SW"
    """Corner from which crews count, where the block does not say."""
    sprayed_every: int = 0
    """Every k-th alley is a spray lane; 0 = only those drawn; 1 = all (then a penalty, not an exclusion)."""
    between_trees: bool = False
    """Candidates between two trees of a row instead of at the trees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TravelParams:
    """Speeds and modes; common practice, no source. Headlands are driven like alleys."""

    truck_road_m_s: float = 15 / 3.6
    truck_alley_m_s: float = 6 / 3.6
    cart_road_m_s: float = 12 / 3.6
    cart_alley_m_s: float = 8 / 3.6
    foot_m_s: float = 1.2
    alley_mode: Literal["truck", "cart", "foot"] = "cart"
    """Slowest vehicle that goes into alleys: 'truck', 'cart', or 'foot' (nobody drives there)."""
    snap_m: float = 12.0
    """A road whose middle comes this close to a block's edge is joined to its ways; so are two road ends, or headlands of two blocks."""
    keys: str = ""
    """Locked gates whose key the crew has: their names, parted by commas, or "all"."""
