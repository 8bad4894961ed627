"""Sparse neighbours: which candidates lie within a radius of which demand points, and how far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.problem import Distance

Floats = NDArray[np.float64]
Indices = NDArray[np.int32]
Pointers = NDArray[np.int64]

_EXTENT_SHARE = 1e-10
_ROUNDINGS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Near:
    """All pairs of candidate and demand point within ``radius_m``, from both sides; arrays are read-only."""

    radius_m: float
    tolerance_m: float
    """Two distances closer than this [m] count as equal."""
    demand_ptr: Pointers
    """(m+1,) where each demand point's run begins in the two arrays below."""
    demand_candidate: Indices
    """Candidates near each demand point, nearest first."""
    demand_m: Floats
    """Distances [m] of ``demand_candidate``."""
    candidate_ptr: Pointers
    """(n+1,) where each candidate's run begins in the two arrays below."""
    candidate_demand: Indices
    """Demand points near each candidate, nearest first."""
    candidate_m: Floats
    """Distances [m] of ``candidate_demand``."""

    @property
    def num_candidates(self) -> int:
        """Number of candidates, those without any neighbour included."""
        return len(self.candidate_ptr) - 1

    @property
    def num_demand(self) -> int:
        """Number of demand points, those without any neighbour included."""
        return len(self.demand_ptr) - 1

    def candidates_of(self, demand: int) -> tuple[Indices, Floats]:
        """Return the candidates near one demand point and their distances [m], nearest first."""
        run = slice(self.demand_ptr[demand], self.demand_ptr[demand + 1])
        return self.demand_candidate[run], self.demand_m[run]

    def demand_of(self, candidate: int) -> tuple[Indices, Floats]:
        """Return the demand points near one candidate and their distances [m], nearest first."""
        run = slice(self.candidate_ptr[candidate], self.candidate_ptr[candidate + 1])
        return self.candidate_demand[run], self.candidate_m[run]


def tolerance(candidate_xy: Floats, demand_xy: Floats) -> float:
    """Return the distance [unit of the coordinates] below which two distances count as equal.

    It is well above the rounding of a distance between float64 coordinates of this size, also after a
    rotation or a shift of the plane: without it a true optimum can look infeasible at its own radius.
    """
    both = (candidate_xy, demand_xy)
    low = np.min([xy.min(axis=0) for xy in both], axis=0)
    high = np.max([xy.max(axis=0) for xy in both], axis=0)
    largest = max(float(np.abs(xy).max()) for xy in both)
    rounding = _ROUNDINGS * float(np.finfo(np.float64).eps) * largest
    return rounding + _EXTENT_SHARE * float(np.hypot(*(high - low)))


def within(
    candidate_xy: Floats,
    demand_xy: Floats,
    radius_m: float,
    *,
    distance: Distance = "euclid",
    tolerance_m: float | None = None,
) -> Near:
    """Return all pairs of candidate and demand point no farther apart than ``radius_m`` (plus the tolerance).

    ``euclid_floor`` rounds each distance down to an integer first. ``tolerance_m`` defaults to
    :func:`tolerance`; pass the whole problem's when calling on a part of it.

    >>> near = within(np.array([[0.0, 0.0], [9.0, 0.0]]), np.array([[1.0, 0.0], [5.0, 5.0]]), 3.0)
    >>> near.demand_candidate.tolist(), near.demand_ptr.tolist()
    ([0], [0, 1, 1])
    """
    tol = tolerance(candidate_xy, demand_xy) if tolerance_m is None else tolerance_m
    reach = (np.floor(radius_m + tol) + 1.0 if distance == "euclid_floor" else radius_m) + tol
    pairs = cKDTree(demand_xy).sparse_distance_matrix(cKDTree(candidate_xy), reach, output_type="ndarray")
    demand, candidate = pairs["i"].astype(np.int32), pairs["j"].astype(np.int32)
    away = measured(pairs["v"], distance, tol)
    del pairs
    if distance == "euclid_floor":
        keep = away <= radius_m + tol
        demand, candidate, away = demand[keep], candidate[keep], away[keep]
    order = np.lexsort((candidate, away, demand))
    by_demand = _csr(demand[order], candidate[order], away[order], len(demand_xy))
    order = np.lexsort((demand, away, candidate))
    by_candidate = _csr(candidate[order], demand[order], away[order], len(candidate_xy))
    return Near(
        radius_m=float(radius_m), tolerance_m=tol,
        demand_ptr=by_demand[0], demand_candidate=by_demand[1], demand_m=by_demand[2],
        candidate_ptr=by_candidate[0], candidate_demand=by_candidate[1], candidate_m=by_candidate[2],
    )  # fmt: skip


def remeasured(near: Near, measure: Callable[[Floats, Floats], Floats], best_m: Floats) -> Near:
    """Return the same pairs at other distances: ``measure`` gets them with ``best_m`` (m,) of their demand points."""
    demand = np.repeat(np.arange(near.num_demand, dtype=np.int32), np.diff(near.demand_ptr))
    away = measure(near.demand_m, best_m[demand])
    order = np.lexsort((near.demand_candidate, away, demand))
    by_demand = _csr(demand[order], near.demand_candidate[order], away[order], near.num_demand)
    order = np.lexsort((demand, away, near.demand_candidate))
    by_candidate = _csr(near.demand_candidate[order], demand[order], away[order], near.num_candidates)
    return replace(
        near, demand_ptr=by_demand[0], demand_candidate=by_demand[1], demand_m=by_demand[2],
        candidate_ptr=by_candidate[0], candidate_demand=by_candidate[1], candidate_m=by_candidate[2],
    )  # fmt: skip


def nearest_m(
    site_xy: Floats, demand_xy: Floats, *, distance: Distance = "euclid", tolerance_m: float = 0.0
) -> Floats:
    """Return each demand point's distance [m] to the nearest of the sites (inf where there are none)."""
    if not len(site_xy):
        return np.full(len(demand_xy), np.inf)
    away, _ = cKDTree(site_xy).query(demand_xy)
    return measured(away, distance, tolerance_m)


def distinct_radii(distances_m: Floats, tolerance_m: float) -> Floats:
    """Return the distinct values, ascending; of a run of values closer than the tolerance the largest stays.

    >>> distinct_radii(np.array([2.0, 1.0, 1.0 + 1e-12]), 1e-9).tolist()
    [1.000000000001, 2.0]
    """
    values: Floats = np.unique(distances_m)
    if not len(values):
        return values
    last_of_run = np.append(np.diff(values) > tolerance_m, True)
    return np.asarray(values[last_of_run], np.float64)


def measured(raw: Floats, distance: Distance, tol: float) -> Floats:
    """Return distances as the problem counts them: as they are, or rounded down."""
    away: Floats = np.ascontiguousarray(raw, np.float64)
    # a distance of exactly 5 may arrive as 4.999…: the tolerance keeps its floor at 5
    if distance == "euclid_floor":
        away = np.floor(away + tol)
    return away


def _csr(owner: Indices, other: Indices, away: Floats, num_owners: int) -> tuple[Pointers, Indices, Floats]:
    ptr = np.zeros(num_owners + 1, np.int64)
    np.cumsum(np.bincount(owner, minlength=num_owners), out=ptr[1:])
    for array in (ptr, other, away):
        array.setflags(write=False)
    return ptr, other, away


def farthest_points(xy: Floats, away: Floats, count: int, limit: float) -> NDArray[np.int64]:
    """Return at most ``count`` points, each the farthest from those before, while farther than ``limit``."""
    left, chosen = away.copy(), [int(away.argmax())]
    while len(chosen) < count:
        gap = xy - xy[chosen[-1]]
        np.minimum(left, np.hypot(gap[:, 0], gap[:, 1]), out=left)
        if left.max() <= limit:
            break
        chosen.append(int(left.argmax()))
    return np.array(chosen)
