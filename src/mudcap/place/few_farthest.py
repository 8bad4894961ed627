"""The farthest level where few sites serve very many points: by a small part of the demand, which grows where it must.

What a part of the demand needs, the whole needs: a radius at which no sites cover the part is too small. Sites that cover
the part at a radius are tried on all points; those they leave farther off join the part, until the radius is reached or
proven too small. The radii between the two ends are halved until none is left.

References: the scheme: Chen & Chen 2009, Computers & Operations Research 36:1646-1655; Contardo, Iori & Kramer 2019,
Computers & Operations Research 103:211-220 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from mudcap.place.bounds import linear_price, needed_columns, solve_cover, whole_price
from mudcap.place.cover_search import greedy_columns, search_cover
from mudcap.place.few_cover import DenseCover, search_few, thin_out
from mudcap.place.near import Floats, farthest_points, measured, nearest_m
from mudcap.place.problem import Distance, Effort

Sites = NDArray[np.int64]
Halt = Callable[[], bool]

_FIRST_SHARE, _FIRST_ROWS = 8, 50
_FIRST_NODES = 200
_FEW, _CANDIDATES_A_SITE = 60, 20
_SIMPLEX, _CORE_SHARE = 10**6, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class FewParams:
    """How much work each radius gets; all of it counted."""

    search_steps: int
    """Swaps of the tabu search."""
    nodes: int
    """Branches of the search by prices."""
    last_nodes: int
    """The same right below the best value."""
    work: int
    """Nodes of branch and bound by integer programming there, times entries of the cover; 0 = none."""
    covers: int
    """Covers looked at in all before the rest of the work goes into the bound."""
    precision: float
    """Share of the value below which two radii are told apart only right below the best value."""


EFFORTS: dict[Effort, FewParams] = {
    "quick": FewParams(search_steps=3_000, nodes=3_000, last_nodes=50_000, work=0, covers=80, precision=1e-3),
    "normal": FewParams(search_steps=20_000, nodes=30_000, last_nodes=400_000, work=10_000_000, covers=1_000, precision=1e-4),
    "long": FewParams(search_steps=100_000, nodes=200_000, last_nodes=4_000_000, work=200_000_000, covers=20_000, precision=1e-5),
}


def are_few(count: int, num_candidates: int) -> bool:
    """Whether sites are so few among the candidates that this way is faster than lists of all pairs within reach.

    An orchard with a shelter for every dozen trees is not meant.
    """
    return count <= _FEW and num_candidates >= _CANDIDATES_A_SITE * count


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FewTask:
    """Candidates that may be sites, what each demand point is served at already, and how many sites to choose."""

    candidate_xy: Floats
    demand_xy: Floats
    base: Floats
    count: int
    distance: Distance
    tol: float

    def away_m(self, sites: Sites) -> Floats:
        """Return how far (m,) each demand point is served with these sites."""
        near = nearest_m(self.candidate_xy[sites], self.demand_xy, distance=self.distance, tolerance_m=self.tol)
        return np.minimum(self.base, near)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FewFound:
    """The sites, their farthest distance and its certified bound; the same number where the sites are proven optimal."""

    sites: Sites
    value: float
    bound: float


def few_farthest(
    task: FewTask, params: FewParams, *, seed: int, begin: Sites | None, halt: Halt
) -> FewFound:
    """Return the best sites found and what is proven of them. Some point must be served from farther than 0."""
    if task.count == 1:
        return _one(task)
    search = _Search(task, params, seed, begin)
    while not halt():
        radius = search.next_radius()
        if radius is None:
            break
        search.settle(radius, halt)
    return FewFound(sites=search.sites, value=search.value, bound=search.bound)


def _one(task: FewTask) -> FewFound:
    """The best single site, by looking at all."""
    order = np.argsort(-task.base, kind="stable")
    centre = task.demand_xy.mean(axis=0)
    outer = np.argsort(-np.hypot(*(task.demand_xy - centre).T), kind="stable")
    order = outer if np.isinf(task.base).all() else order
    site, value = _best_one(
        task.candidate_xy, task.demand_xy[order], task.base[order], task.distance == "euclid_floor", task.tol
    )
    return FewFound(sites=np.array([site]), value=float(value), bound=float(value))


class _Search:
    """The part of the demand that counts so far, and the two ends between which the optimum lies."""

    def __init__(self, task: FewTask, params: FewParams, seed: int, begin: Sites | None) -> None:
        self.task, self.params, self.seed = task, params, seed
        self.rows = np.empty(0, np.int64)
        self.away = np.empty((0, len(task.candidate_xy)))
        wanted = np.flatnonzero(task.base > 0)
        self._join(wanted[_scattered(task.demand_xy[wanted], max(_FIRST_SHARE * task.count, _FIRST_ROWS))])
        self.sites, self.value = np.arange(task.count), np.inf
        self.offer(self._farthest_first())
        if begin is not None:
            self.offer(begin)
        self.low = 0.0
        self.undecided = (np.inf, -np.inf)
        """Radii from and to which the work allowed was not enough."""
        self.is_closed = self.is_last = False
        self.covers_left = params.covers
        self.core = np.empty(0, np.int64)
        """Rows that had a price when last a proof was tried."""

    @property
    def bound(self) -> float:
        """The certified lower bound."""
        return self.value if self.is_closed else min(self.low, self.value)

    def offer(self, sites: Sites) -> float:
        """Take the sites, filled up to the count, where they are better; return their farthest distance."""
        away = self.task.away_m(sites)
        full = list(dict.fromkeys(sites.tolist()))
        while len(full) < self.task.count:
            full.append(self._nearest_free(full, int(away.argmax())))
            away = np.minimum(away, self.task.away_m(np.array(full[-1:])))
        value = float(away.max())
        if value < self.value:
            self.sites, self.value = np.array(full), value
        return value

    def next_radius(self) -> float | None:
        """Return the radius to settle next, None where nothing more can be done.

        Halfway between the ends or, where some radii were left undecided, beside these; in the end, with more work, the one
        right below the value, since that proof alone would do.
        """
        radii = self._radii()
        if not len(radii):
            self.is_closed = True
            return None
        if self.is_last:
            return None
        is_spent = self.covers_left <= 0
        lower, upper = radii[radii < self.undecided[0] - self.task.tol], radii[radii > self.undecided[1] + self.task.tol]
        side = radii if np.isinf(self.undecided[0]) else upper if self._is_wide(upper) and not is_spent else lower
        if not self._is_wide(side):
            self.is_last = True
            return None if is_spent else float(radii.max())
        middle = (len(side) - 1) // 2
        return float(np.partition(side, middle)[middle])

    def settle(self, radius: float, halt: Halt) -> None:
        """Find out whether the radius can be reached, and move an end accordingly."""
        columns = self.sites
        for attempt in range(len(self.task.base) + 1):
            if attempt and self.covers_left <= 0:
                answer = "undecided"
            else:
                answer, columns = self._cover(radius, attempt)
            if answer == "none":
                beyond = np.concatenate([self.away.ravel(), self.task.base[self.rows]])
                self.low = max(self.low, float(beyond[beyond > radius + self.task.tol].min()))
                break
            if answer == "undecided":
                self.undecided = (min(self.undecided[0], radius), max(self.undecided[1], radius))
                return
            away = self.task.away_m(columns)
            self.offer(columns)
            if halt() or away.max() <= radius + self.task.tol:
                break
            self._join(farthest_points(self.task.demand_xy, away, self.task.count, radius + self.task.tol))
        self.is_last = False
        if self.value - self.task.tol <= self.undecided[0] or self.low > self.undecided[1]:
            self.undecided = (np.inf, -np.inf)

    def _cover(self, radius: float, attempt: int) -> tuple[Literal["found", "none", "undecided"], Sites]:
        """Whether the count of sites covers the part of the demand at the radius, and sites that do."""
        self.covers_left -= 1
        limit = radius + self.task.tol
        wanting = np.flatnonzero(self.task.base[self.rows] > limit)
        matrix = self.away[wanting] <= limit
        if not matrix.any(axis=1).all():
            return "none", self.sites
        small = thin_out(matrix)
        found, is_proven = self._cover_columns(small, wanting[small.row], attempt)
        if found is None:
            return ("none" if is_proven else "undecided"), self.sites
        return "found", small.column[found]

    def _cover_columns(self, small: DenseCover, row: Sites, attempt: int) -> tuple[Sites | None, bool]:
        """Columns that cover all rows, or None and whether it is proven that there are none; the cheapest ways first."""
        count, params = self.task.count, self.params
        found, is_proven = search_few(small, count, np.ones(len(small.matrix), np.int64), nodes=_FIRST_NODES)
        if found is not None or is_proven:
            return found, is_proven
        cover = small.listed()
        greedy = greedy_columns(cover, seed=self.seed + attempt)
        if len(greedy) <= count:
            return greedy, True
        trial = search_cover(cover, greedy[:count], steps=params.search_steps, seed=self.seed + attempt)
        if not trial.num_uncovered:
            return trial.columns, True
        return self._prove(small, row, attempt)

    def _prove(self, small: DenseCover, row: Sites, attempt: int) -> tuple[Sites | None, bool]:
        """The same from the rows that mattered last, to which those join that their columns leave uncovered.

        A proof then has less to look at.
        """
        rows = np.flatnonzero(np.isin(row, self.core))
        if len(rows) < self.task.count:
            rows = np.arange(len(row))[-_CORE_SHARE * self.task.count :]
        while True:
            part = thin_out(small.matrix[rows])
            found, is_proven = self._search_part(part, row[rows], attempt)
            if found is None:
                return None, is_proven
            columns = part.column[found]
            missed = np.flatnonzero(~small.matrix[:, columns].any(axis=1))
            if not len(missed):
                return columns, True
            scarce = np.argsort(small.matrix[missed].sum(axis=1), kind="stable")[: max(3, self.task.count // 3)]
            rows = np.union1d(rows, missed[scarce])

    def _search_part(self, part: DenseCover, row: Sites, attempt: int) -> tuple[Sites | None, bool]:
        cover, count, params = part.listed(), self.task.count, self.params
        greedy = greedy_columns(cover, seed=self.seed + attempt)
        trial = search_cover(cover, greedy[:count], steps=params.search_steps, seed=self.seed + attempt)
        if not trial.num_uncovered:
            return trial.columns, True
        price = linear_price(cover, iterations=2000, simplex_nonzeros=_SIMPLEX)
        if needed_columns(cover, price).exceeds(count):
            return None, True
        self.core = row[part.row[price > 0]]
        nodes = params.last_nodes if self.is_last else params.nodes
        found, is_proven = search_few(part, count, whole_price(price), nodes=nodes)
        if found is not None or is_proven or not self.is_last or not params.work:
            return found, is_proven
        answer = solve_cover(cover, count, nodes=max(params.work // len(cover.row_column), 1))
        return answer.columns, answer.is_impossible

    def _is_wide(self, radii: Floats) -> bool:
        return len(radii) > 0 and float(radii.max() - radii.min()) >= self.params.precision * self.value

    def _radii(self) -> Floats:
        """Distances that the optimum of the part may have: from the lower end to below the value."""
        high = self.value - self.task.tol
        base = self.task.base[self.rows]
        parts = [away[(away >= self.low) & (away < high)] for away in (self.away, base)]
        return np.concatenate(parts)

    def _join(self, rows: Sites) -> None:
        rows = np.setdiff1d(rows, self.rows)
        gap = self.task.demand_xy[rows, None, :] - self.task.candidate_xy[None, :, :]
        away = measured(np.hypot(gap[:, :, 0], gap[:, :, 1]), self.task.distance, self.task.tol)
        self.rows, self.away = np.concatenate([self.rows, rows]), np.concatenate([self.away, away])

    def _nearest_free(self, taken: list[int], point: int) -> int:
        gap = self.task.candidate_xy - self.task.demand_xy[point]
        away = np.hypot(gap[:, 0], gap[:, 1])
        away[taken] = np.inf
        return int(away.argmin())

    def _farthest_first(self) -> Sites:
        """One site after another at the point that is served from farthest."""
        middle = self.task.candidate_xy - self.task.demand_xy.mean(axis=0)
        return np.array([int((middle**2).sum(axis=1).argmin())])


def _scattered(xy: Floats, count: int) -> Sites:
    return farthest_points(xy, np.full(len(xy), np.inf), count, 0.0)


@njit(cache=True)
def _best_one(candidate_xy, demand_xy, base, is_floor, tol):  # type: ignore[no-untyped-def]
    """Return the candidate with the least farthest distance, the first of equal ones, and that distance."""
    best, value = 0, np.inf
    for i in range(len(candidate_xy)):
        worst = 0.0
        for j in range(len(demand_xy)):
            if base[j] > worst:
                away = np.sqrt(
                    (demand_xy[j, 0] - candidate_xy[i, 0]) ** 2 + (demand_xy[j, 1] - candidate_xy[i, 1]) ** 2
                )
                if is_floor:
                    away = np.floor(away + tol)
                worst = max(worst, min(base[j], away))
                if worst >= value:
                    break
        if worst < value:
            best, value = i, worst
    return best, value
