"""The even levels where few sites serve very many points: on a part of the candidates, then on those near the sites found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.place.problem import PlacementProblem
from mudcap.place.rows import beside, drive_rows, fewest_driven
from mudcap.place.swap import build_service

Sites = NDArray[np.int64]

_PART, _NEAR = 300, 400
"""Candidates of the part, and all candidates near the sites in the end."""
_ROW_POINTS = 200
"""Demand points that ask for a driven row in the bound."""


def part_of_candidates(problem: PlacementProblem, keep: Sites, seed: int) -> PlacementProblem:
    """Return the problem with all candidates banned but some by lot, and those to keep."""
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), problem.banned)
    some = np.random.default_rng(seed).permutation(free)[: max(_PART, 6 * problem.count)]
    return _only(problem, np.union1d(some, keep))


def near_sites(problem: PlacementProblem, sites: Sites) -> PlacementProblem:
    """Return the problem with all candidates banned but those nearest to the sites, beside the drive rows of these."""
    free = np.setdiff1d(np.arange(len(problem.candidate_xy)), problem.banned)
    if problem.candidate_row is not None and problem.row_economy > 0:
        free = free[beside(problem.candidate_row[free], drive_rows(problem.candidate_row[sites]))]
    k = min(len(free), max(12, _NEAR // len(sites)))
    _, near = cKDTree(problem.candidate_xy[free]).query(problem.candidate_xy[sites], k=np.arange(1, k + 1))
    return _only(problem, np.union1d(free[np.unique(near)], sites))


def fewest_driven_of_few(problem: PlacementProblem, cap_m: float) -> int:
    """Return a number of drive rows that no layout within the cap can go below, from what some of the points ask for."""
    asking = np.flatnonzero(problem.weights > 0)
    chosen = asking[np.linspace(0, len(asking) - 1, min(len(asking), _ROW_POINTS)).astype(int)] if len(asking) else asking
    weights = np.zeros(len(problem.weights))
    weights[chosen] = 1.0
    few = replace(problem, weights=weights)
    return fewest_driven(few, build_service(few, power=2, cap_m=cap_m))


def _only(problem: PlacementProblem, keep: Sites) -> PlacementProblem:
    keep = np.union1d(keep, problem.fixed)
    banned = np.union1d(problem.banned, np.setdiff1d(np.arange(len(problem.candidate_xy)), keep))
    return replace(problem, banned=banned)
