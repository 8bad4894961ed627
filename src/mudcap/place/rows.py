"""Driven rows: the fewest drive rows from which all sites can be served, and a bound on how few there can be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix

from mudcap.place.problem import PlacementProblem

if TYPE_CHECKING:
    from mudcap.place.swap import Service


def drive_rows(tree_rows: ArrayLike) -> NDArray[np.int64]:
    """Return for each site the drive row it is served from, so that as few drive rows as possible are driven.

    Drive row d runs between the tree rows d and d + 1: a site in tree row r may be served from drive row r - 1 or r.
    The choice is that of the classic rule for stabbing intervals: the first unserved row is served from its farther
    side, which serves the next row too; no choice needs fewer.

    >>> drive_rows([1, 2, 5, 7, 8]).tolist()
    [1, 1, 5, 7, 7]
    """
    rows = np.asarray(tree_rows, np.int64).reshape(-1)
    served: dict[int, int] = {}
    last = None
    for row in np.unique(rows).tolist():
        if last is None or row - 1 > last:
            last = row
        served[row] = last
    return np.array([served[row] for row in rows.tolist()], np.int64)


def num_driven(tree_rows: ArrayLike) -> int:
    """Return the smallest number of drive rows that serve sites in these tree rows.

    >>> num_driven([3, 3, 4, 5])
    2
    """
    return len(np.unique(drive_rows(tree_rows)))


def beside(candidate_row: NDArray[np.int64], driven: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which candidates stand beside one of these drive rows."""
    return np.isin(candidate_row, np.concatenate([driven, driven + 1]))


def only_beside(problem: PlacementProblem, candidate_row: NDArray[np.int64], driven: NDArray[np.int64]) -> PlacementProblem:
    """Return the problem with sites only beside these drive rows, fixed ones apart."""
    closed = np.flatnonzero(~beside(candidate_row, driven))
    return replace(problem, banned=np.setdiff1d(np.union1d(problem.banned, closed), problem.fixed))


def even_pattern(low: int, high: int, count: int, shift: float) -> NDArray[np.int64]:
    """Return ``count`` drive rows spread evenly over the tree rows ``low`` to ``high``, moved by ``shift`` rows.

    >>> even_pattern(1, 60, 20, 0.0)[:3].tolist()
    [1, 4, 7]
    """
    pitch = (high - low + 1) / count
    middle = low - 0.5 + (np.arange(count) + 0.5) * pitch + shift
    # the middle of drive row d lies at d + 0.5; a tie goes to the lower one
    rows = np.ceil(middle - 1 - 1e-9).astype(np.int64)
    return np.unique(np.clip(rows, low - 1, high))


def pitch_pattern(tree_rows: ArrayLike, pitch: int) -> NDArray[np.int64]:
    """Return every ``pitch``-th drive row among these tree rows, as far from the first row as from the last.

    >>> pitch_pattern(range(1, 61), 3)[:3].tolist()
    [1, 4, 7]
    """
    rows = np.unique(np.asarray(tree_rows, np.int64))
    span = int(rows[-1] - rows[0]) + 1
    count = -(-span // pitch)
    first = int(rows[0]) + max(0, span - (count - 1) * pitch - 2) // 2
    return np.minimum(first + pitch * np.arange(count), int(rows[-1]))


def fewest_driven(problem: PlacementProblem, service: Service) -> int:
    """Return a number of drive rows that no layout within the cap of the service lists can go below.

    Every demand point needs a site within the cap, so that one of the drive rows beside such candidates is driven:
    the smallest such set is found by integer programming over the distinct sets of drive rows; its proven bound counts.
    """
    row = problem.candidate_row
    if row is None:
        raise ValueError("candidate_row is needed to count driven rows.")
    needs: set[tuple[int, ...]] = {(int(r) - 1, int(r)) for r in np.unique(row[problem.fixed])}
    needs |= _needed_sets(row, service)
    least = (
        [n for n in needs if not any(set(o) < set(n) for o in needs)] if len(needs) < 2000 else list(needs)
    )
    return _cover(least) if least else int(problem.count > 0)


def _needed_sets(row: NDArray[np.int64], service: Service) -> set[tuple[int, ...]]:
    """Return the distinct sets of drive rows of which each unserved demand point needs one."""
    unserved = np.flatnonzero(service.outside_cost == service.penalty)
    point = np.repeat(np.arange(service.num_demand), np.diff(service.demand_start))
    least = int(row.min()) - 1
    drive = row[service.demand_candidate] - least
    near = csr_matrix(
        (np.ones(2 * len(point), np.bool_), (np.tile(point, 2), np.concatenate([drive, drive - 1]))),
        shape=(service.num_demand, int(row.max()) - least + 1),
    )[unserved]
    near.sum_duplicates()
    near = near[np.diff(near.indptr) > 0]
    first, last = near.indices[near.indptr[:-1]], near.indices[near.indptr[1:] - 1]
    unbroken = last - first + 1 == np.diff(near.indptr)
    runs = np.unique(np.column_stack([first, last])[unbroken], axis=0) + least
    broken = near[~unbroken]
    sets = {tuple(range(low, high + 1)) for low, high in runs.tolist()}
    return sets | {tuple((part + least).tolist()) for part in np.split(broken.indices, broken.indptr[1:-1]) if len(part)}


def _cover(needs: list[tuple[int, ...]]) -> int:
    from scipy.optimize import Bounds, LinearConstraint, milp  # only a process that solves needs to load it

    columns = sorted({c for need in needs for c in need})
    place = {c: k for k, c in enumerate(columns)}
    pointer = np.cumsum([0] + [len(need) for need in needs])
    entries = np.array([place[c] for need in needs for c in need])
    matrix = csr_matrix((np.ones(len(entries)), entries, pointer), shape=(len(needs), len(columns)))
    solved = milp(
        np.ones(len(columns)), integrality=np.ones(len(columns)), bounds=Bounds(0, 1),
        constraints=LinearConstraint(matrix, 1, np.inf), options={"node_limit": 2000},
    )  # fmt: skip
    bound = solved.mip_dual_bound
    return int(np.ceil(bound - 1e-6)) if bound is not None and np.isfinite(bound) else 1
