"""How evenly a block is served."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Service distances and trees per site of one block."""

    mean_m: float
    p95_m: float
    farthest_m: float
    trees_min: float
    trees_mean: float
    trees_max: float
    trees_cv: float
    """Standard deviation over mean of (weighted) trees per site."""
    clark_evans: float
    """Nearest-neighbour ratio with edge correction; 1 random, 2.149 hexagonal; nan below two sites."""
    yardstick_m: float
    """sqrt(2A/(3√3·N)): covering radius of the plane by equal discs; an area yardstick, no bound for trees."""
    ratio: float
    """farthest_m / yardstick_m"""
