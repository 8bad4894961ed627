"""Where the shelters stand: candidate sites, demand, the placement problem, its solution and its bounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mudcap.place.problem import Level, Placement, PlacementProblem

if TYPE_CHECKING:
    from mudcap.place.solve import solve

__all__ = ["Level", "Placement", "PlacementProblem", "solve"]


def __getattr__(name: str) -> Any:
    """`solve` on first use: its compiled kernels cost a second to load, which only the process that solves should pay."""
    if name == "solve":
        from mudcap.place.solve import solve

        return solve
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
