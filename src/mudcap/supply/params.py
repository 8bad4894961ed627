"""Options of stocking. Every number carries its unit word: females, males, cavities."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class StockingParams:
    """Released bees an acre and cavities for each female."""

    preset: str = ""
    """Name of a preset in supply.stocking; '' = the crop's own."""
    females_per_acre: float | None = None
    """Overrides the preset."""
    males_per_female: float | None = None
    cavities_per_female: float = 2.0
    """At least two for each female released: common practice, no source; 0.9–1.4 tubes were used a female in field tunnels
    (Schmolke, Galic & Hinarejos 2023, J. Appl. Ecol. 60:2573–2585, tables)."""
    cavities_warn: int = 100
    """Boxes with more than 100 holes are less attractive (NC State Extension, citing Artz et al. 2013, 2014)."""
