"""A part of a large block, cut along its rows: what shows there how few rows need to be driven holds for the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.place.near import nearest_m, tolerance
from mudcap.place.problem import PlacementProblem


def window(
    problem: PlacementProblem, sites: NDArray[np.int64], num_sites: int
) -> tuple[PlacementProblem, NDArray[np.int64], NDArray[np.int64]]:
    """Return the middle part of a problem that holds about ``num_sites`` of the sites, their numbers in it, and its points.

    It is a rectangle along the rows, about as long as wide. Its points are served from the sites outside it as they are
    in the whole; fixed sites stay fixed.
    """
    row = problem.candidate_row
    if row is None:
        raise ValueError("candidate_row is needed to cut a window along the rows.")
    along = _row_direction(problem.candidate_xy, row)
    frame = np.column_stack([along, (-along[1], along[0])])
    candidate, demand = problem.candidate_xy @ frame, problem.demand_xy @ frame
    share = float(np.sqrt(min(1.0, num_sites / len(sites))))
    low, high = _middle(row[sites], share)
    strip = sites[(row[sites] >= low) & (row[sites] <= high)]
    begin, end = _middle(candidate[strip, 0], min(1.0, num_sites / len(strip)))
    inside = (row >= low) & (row <= high) & (candidate[:, 0] >= begin) & (candidate[:, 0] <= end)
    corner, opposite = candidate[inside].min(axis=0), candidate[inside].max(axis=0)
    mine = np.flatnonzero(inside)
    points = np.flatnonzero(((demand >= corner) & (demand <= opposite)).all(axis=1))
    across = nearest_m(
        problem.candidate_xy[np.setdiff1d(sites, mine)], problem.demand_xy[points], distance=problem.distance,
        tolerance_m=tolerance(problem.candidate_xy, problem.demand_xy),
    )  # fmt: skip
    inner = _renumbered(sites, mine)
    part = replace(
        problem, candidate_xy=problem.candidate_xy[mine], demand_xy=problem.demand_xy[points],
        weights=problem.weights[points], count=len(inner), fixed=_renumbered(problem.fixed, mine),
        banned=_renumbered(problem.banned, mine), candidate_row=row[mine],
        served_m=np.minimum(problem.served_m[points], across), previous=_renumbered(problem.previous, mine),
    )  # fmt: skip
    return part, inner, points


def _row_direction(xy: NDArray[np.float64], row: NDArray[np.int64]) -> NDArray[np.float64]:
    """Unit vector along the row of the most candidates."""
    keys, count = np.unique(row, return_counts=True)
    points = xy[row == keys[count.argmax()]]
    _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    return np.asarray(axes[0], float)


def _middle(values: NDArray[np.int64] | NDArray[np.float64], share: float) -> tuple[float, float]:
    """Limits between which the middle ``share`` of the values lies."""
    low, high = np.quantile(values, [0.5 - share / 2, 0.5 + share / 2], method="nearest")
    return float(low), float(high)


def _renumbered(chosen: NDArray[np.int64], mine: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.flatnonzero(np.isin(mine, chosen))
