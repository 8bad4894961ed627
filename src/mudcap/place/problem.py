"""The placement problem and its solution, for any candidate sites and demand points in a plane."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Objective = Literal["farthest", "mean", "even", "fewest"]
Distance = Literal["euclid", "euclid_floor"]
Effort = Literal["quick", "normal", "long"]
LevelName = Literal["farthest", "mean", "mean_square", "cv", "driven_rows", "number"]
Status = Literal["optimal", "feasible", "bound_unknown", "stopped"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacementProblem:
    """Choose ``count`` of the candidates so that the demand points are served evenly.

    Coordinates are metres in one plane (any unit will do as long as it is the same throughout). Arrays are read-only.
    """

    candidate_xy: NDArray[np.float64]
    """(n, 2) where a shelter may stand."""
    demand_xy: NDArray[np.float64]
    """(m, 2) what wants a shelter near it: one point a tree in an orchard."""
    weights: NDArray[np.float64]
    """(m,) non-negative bloom need of each demand point; 1 for a tree of the main variety."""
    count: int
    """Number of sites to choose, the fixed ones included."""
    fixed: NDArray[np.int64]
    """(k,) candidates that are sites whatever else happens, ascending."""
    banned: NDArray[np.int64]
    """(b,) candidates that are never sites, ascending."""
    served_m: NDArray[np.float64]
    """(m,) distance to a site outside this problem (a neighbouring block's) that already serves the point; inf if none."""
    candidate_row: NDArray[np.int64] | None = None
    """(n,) tree-row number of each candidate, consecutive where rows are neighbours; None where there are no rows."""
    objective: Objective = "even"
    distance: Distance = "euclid"
    slack: float = 0.04
    """Share of the best farthest distance that may be given up for the levels after it (`even`)."""
    row_economy: float = 0.03
    """Share of the best mean distance that may be given up for fewer driven rows (`even`, with candidate_row)."""
    previous: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Candidates that were sites in an earlier plan; a moved site costs `move_penalty`."""
    move_penalty: float = 0.0
    """Mean-square cost [m² per site] of each earlier site given up; 0 = free to move."""
    holds_rest: bool = False
    """True to hold all other points to what they can have where a few that no candidate is near set the farthest level alone
    (`even`); the mean square may be a little larger for it."""
    within_m: float = np.inf
    """Radius within which every demand point must be served (`fewest`, which chooses the count itself); with `even`, how far few
    moves from a kept plan may widen what the farthest level allows."""

    @property
    def has_kept(self) -> bool:
        """Whether sites of an earlier plan are worth something in themselves."""
        return self.move_penalty > 0 and len(self.previous) > 0

    @classmethod
    def from_points(
        cls,
        candidates_xy: ArrayLike,
        demand_xy: ArrayLike,
        count: int,
        weights: ArrayLike | None = None,
        fixed: Sequence[int] = (),
        banned: Sequence[int] = (),
        objective: Objective = "even",
        distance: Distance = "euclid",
        slack: float = 0.04,
        row_economy: float = 0.03,
        *,
        candidate_row: ArrayLike | None = None,
        served_m: ArrayLike | None = None,
        previous: Sequence[int] = (),
        move_penalty: float = 0.0,
        holds_rest: bool = False,
        within_m: float = np.inf,
    ) -> PlacementProblem:
        """Return a checked problem; raises ``ValueError`` naming the argument that is wrong."""
        cand = _plane("candidates_xy", candidates_xy)
        dem = _plane("demand_xy", demand_xy)
        n, m = len(cand), len(dem)
        w = np.ones(m) if weights is None else np.asarray(weights, float)
        if w.shape != (m,) or not np.isfinite(w).all() or (w < 0).any():
            raise ValueError(f"weights: {m} finite numbers of at least 0 are needed, one a demand point.")
        fix, ban = _indices("fixed", fixed, n), _indices("banned", banned, n)
        both = np.intersect1d(fix, ban)
        if both.size:
            raise ValueError(f"candidate {both[0]} is both fixed and banned.")
        if not len(fix) <= count <= n - len(ban) or count < 1:
            raise ValueError(
                f"count: {count} sites cannot be chosen with {len(fix)} fixed and {n - len(ban)} candidates allowed."
            )
        if objective not in ("farthest", "mean", "even", "fewest"):
            raise ValueError(f"objective: {objective!r} is none of farthest, mean, even, fewest.")
        if distance not in ("euclid", "euclid_floor"):
            raise ValueError(f"distance: {distance!r} is none of euclid, euclid_floor.")
        if not 0 <= slack <= 1 or not 0 <= row_economy <= 1:
            raise ValueError("slack and row_economy are shares between 0 and 1.")
        served = np.full(m, np.inf) if served_m is None else np.asarray(served_m, float)
        if served.shape != (m,) or np.isnan(served).any() or (served < 0).any():
            raise ValueError(f"served_m: {m} distances of at least 0 are needed (inf where none).")
        row = None if candidate_row is None else np.asarray(candidate_row, np.int64)
        if row is not None and row.shape != (n,):
            raise ValueError(f"candidate_row: {n} row numbers are needed, one a candidate.")
        problem = cls(
            candidate_xy=cand, demand_xy=dem, weights=w, count=int(count), fixed=fix, banned=ban, served_m=served,
            candidate_row=row, objective=objective, distance=distance, slack=slack, row_economy=row_economy,
            previous=_indices("previous", previous, n), move_penalty=float(move_penalty),
            holds_rest=bool(holds_rest), within_m=float(within_m),
        )  # fmt: skip
        for array in (cand, dem, w, fix, ban, served, row, problem.previous):
            if array is not None:
                array.setflags(write=False)
        return problem


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level of the objective: its value, a certified lower bound and what is proven of it."""

    name: LevelName
    value: float
    bound: float | None
    """Valid lower bound on this level [same unit], given the levels before it; None where none was computed."""
    status: Status

    @property
    def gap(self) -> float | None:
        """(value - bound) / value; 0 where the value is 0, None without a bound."""
        if self.bound is None:
            return None
        return 0.0 if self.value == 0 else (self.value - self.bound) / self.value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """The chosen sites, where each demand point is served from, and what is proven of it."""

    sites: NDArray[np.int64]
    """(count,) candidate indices, ascending."""
    assigned: NDArray[np.int64]
    """(m,) candidate index of the nearest site, ties split for balance; -1 where a site outside serves the point."""
    distance_m: NDArray[np.float64]
    """(m,) distance to the serving site, capped by `served_m`."""
    levels: tuple[Level, ...]
    seed: int
    effort: Effort
    stopped: bool = False
    """True where the search was stopped by hand or by the safety clock: the best so far."""
    fallback: bool = False
    """True where no search had a hand in it: the plain hexagonal layout stands in."""

    @property
    def objective(self) -> float:
        """Value of the first level."""
        return self.levels[0].value

    @property
    def bound(self) -> float | None:
        """Certified lower bound of the first level."""
        return self.levels[0].bound

    @property
    def gap(self) -> float | None:
        """Relative optimality gap of the first level."""
        return self.levels[0].gap

    @property
    def status(self) -> Status:
        """What is proven of the first level."""
        return self.levels[0].status


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SolveJob:
    """What a solver needs for one block."""

    name: str
    problem: PlacementProblem
    effort: Effort
    seed: int
    start: NDArray[np.int64] | None = None


SolveAll = Callable[[Sequence[SolveJob]], Sequence[Placement]]
"""Solves jobs, in any order and place, and hands the placements back in the jobs' order."""


def _plane(name: str, points: ArrayLike) -> NDArray[np.float64]:
    xy = np.array(points, float, ndmin=2)
    if xy.ndim != 2 or xy.shape[1] != 2 or not len(xy) or not np.isfinite(xy).all():
        raise ValueError(
            f"{name}: an array of shape (n, 2) with n ≥ 1 and finite numbers is needed, got {xy.shape}."
        )
    return xy


def _indices(name: str, values: Sequence[int], n: int) -> NDArray[np.int64]:
    index = np.unique(np.asarray(values, np.int64).reshape(-1))
    if index.size and (index[0] < 0 or index[-1] >= n):
        raise ValueError(f"{name}: candidate numbers run from 0 to {n - 1}.")
    return index
