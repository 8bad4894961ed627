"""Where the shelters stand: candidate sites, demand, the placement problem, its solution and its bounds."""

from mudcap.place.problem import Level, Placement, PlacementProblem

# the function takes the name of its module here: import it eagerly (it loads its kernels at the first call)
from mudcap.place.solve import solve

__all__ = ["Level", "Placement", "PlacementProblem", "solve"]
