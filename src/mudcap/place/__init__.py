"""Where the shelters stand: candidate sites, demand, the placement problem, its solution and its bounds."""

from mudcap.place.problem import Level, Placement, PlacementProblem
from mudcap.place.solve import solve

__all__ = ["Level", "Placement", "PlacementProblem", "solve"]
