"""How evenly a block is served."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, QhullError, cKDTree
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from mudcap.place.near import tolerance


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


def coverage(
    site_xy: ArrayLike,
    demand_xy: ArrayLike,
    weights: ArrayLike | None,
    area_m2: float,
    polygon: BaseGeometry | None = None,
) -> Coverage:
    """Return the service distances [m] of the demand points, the trees per site and how regular the sites stand.

    ``weights`` count in the mean, the quantile and the trees per site; points of weight 0 want nothing and are left
    out everywhere. Equally near sites share their trees as evenly as can be. ``polygon`` gives the perimeter of the
    edge correction; without one it is that of the convex hull of the demand points.

    Raises ``ValueError`` where there is no site, no demand point, or an area that is not positive.

    >>> coverage([(0, 0)], [(3, 4), (0, 0)], None, 100.0).farthest_m
    5.0

    References
    ----------
    Covering of the plane by equal discs: Kershner 1939, "The number of circles covering a set", American Journal of
    Mathematics 61:665-671 (from memory).
    """
    from mudcap.place.swap_ties import (
        balance,
        tied_sites,
    )  # compiled kernels, which a finished plan's coverage_of never needs

    sites, demand = np.asarray(site_xy, float).reshape(-1, 2), np.asarray(demand_xy, float).reshape(-1, 2)
    need = np.ones(len(demand)) if weights is None else np.asarray(weights, float)
    wants = need > 0
    if not len(sites) or not wants.any():
        raise ValueError("coverage needs at least one site and one demand point of positive weight.")
    if not area_m2 > 0:
        raise ValueError(f"area_m2 must be positive, got {area_m2}.")
    demand, need = demand[wants], need[wants]
    start, near, away = tied_sites(sites, demand, tolerance(sites, demand))
    _, load = balance(start, near, need, len(sites))
    return coverage_of(away, need, load, sites, area_m2, _perimeter_m(demand, polygon))


def coverage_of(
    away_m: NDArray[np.float64],
    need: NDArray[np.float64],
    load: NDArray[np.float64],
    sites: NDArray[np.float64],
    area_m2: float,
    perimeter_m: float,
) -> Coverage:
    """Return the coverage of distances (m,) and needs (m,) > 0 of points that are served, and of loads (n,) of sites (n, 2).

    The points and the loads need not be of the same sites: a neighbour may serve some of the points, and a site may serve
    points beyond the border.
    """
    farthest, yardstick = float(away_m.max()), yardstick_m(area_m2, len(sites))
    return Coverage(
        mean_m=float(np.average(away_m, weights=need)), p95_m=weighted_quantile(away_m, need, 0.95), farthest_m=farthest,
        trees_min=float(load.min()), trees_mean=float(load.mean()), trees_max=float(load.max()),
        trees_cv=float(load.std() / load.mean()) if load.mean() > 0 else 0.0,
        clark_evans=clark_evans(sites, area_m2, perimeter_m), yardstick_m=yardstick,
        ratio=farthest / yardstick,
    )  # fmt: skip


def yardstick_m(area_m2: float, num_sites: int) -> float:
    """Return the radius [m] at which ``num_sites`` equal discs in hexagonal order cover an area without edges.

    References
    ----------
    Kershner 1939, American Journal of Mathematics 61:665-671 (covering density 2π/(3√3); from memory).
    """
    return float(np.sqrt(2 * area_m2 / (3 * np.sqrt(3) * num_sites)))


def weighted_quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float:
    """Return the smallest value at or below which at least this share of the weight lies.

    >>> weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 2.0]), 0.75)
    2.0
    """
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weights[order])
    rank = int(np.searchsorted(running, share * running[-1] * (1 - 1e-12)))
    return float(values[order[min(rank, len(values) - 1)]])


def clark_evans(site_xy: NDArray[np.float64], area_m2: float, perimeter_m: float) -> float:
    """Return the mean distance to the nearest other site over that of random sites, edges corrected; nan below two.

    1 is random, 2·√(2/√3) = 2.149 the hexagonal lattice without edges, 2 the square one. ``perimeter_m`` 0 leaves
    the edges uncorrected.

    References
    ----------
    Clark & Evans 1954, "Distance to nearest neighbor as a measure of spatial relationships in populations", Ecology
    35:445-453. Edge correction 0.0514·P/n + 0.041·P/n^1.5: Donnelly 1978, "Simulations to determine the variance and
    edge effect of total nearest-neighbour distance", in Hodder (ed.), *Simulation Methods in Archaeology*, 91-95, as
    quoted in public statistical code (the original was not seen; meant for rectangles, an approximation elsewhere).
    """
    n = len(site_xy)
    if n < 2:
        return float("nan")
    away, _ = cKDTree(site_xy).query(site_xy, k=2)
    expected = 0.5 * np.sqrt(area_m2 / n) + (0.0514 + 0.041 / np.sqrt(n)) * perimeter_m / n
    return float(away[:, 1].mean() / expected)


def _perimeter_m(demand_xy: NDArray[np.float64], polygon: BaseGeometry | None) -> float:
    if polygon is not None:
        return float(polygon.length)
    try:
        return float(Polygon(demand_xy[ConvexHull(demand_xy).vertices]).length)
    except (QhullError, ValueError):
        # fewer than three points, or all in one line: both sides of that line are edge
        return 2 * float(np.hypot(*np.ptp(demand_xy, axis=0)))
