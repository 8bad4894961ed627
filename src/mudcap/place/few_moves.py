"""An even layout by few moves from one that stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mudcap.place.cooling import lost_points, repair
from mudcap.place.mean import MeanParams, num_rounds
from mudcap.place.problem import PlacementProblem
from mudcap.place.rows import beside, drive_rows
from mudcap.place.swap import Cap, build_service, open_sites
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate
from mudcap.place.swap_ties import assign_evenly

_STEPS = 4
"""Steps by which the cap is widened until few moves lead within it."""


def few_moves(
    problem: PlacementProblem,
    cap_m: Cap,
    start: NDArray[np.int64],
    params: MeanParams,
    seed: int,
    stop: Callable[[], bool] | None,
) -> tuple[NDArray[np.int64], bool]:
    """Return sites of less cost than ``start`` (count,), what giving up a site of the kept plan costs included, and True if stopped.

    They are within the cap where few moves lead there, else within the least wider one found to be reached by few, and at worst
    as wide as that of ``start``. Nothing is cooled but where points lie beyond the cap, and no other rows are driven: either would
    move sites that hardly gain by it.
    """
    _, distance_m, _ = assign_evenly(problem, start)
    wants = problem.weights > 0
    wide = float(np.max((distance_m / cap_m)[wants], initial=1.0)) * (1 + 1e-9)
    begin = np.asarray(start, np.int64)
    for share in (0.0,) if wide <= 1 + 1e-9 else np.linspace(0.0, 1.0, _STEPS + 1):
        service = build_service(_same_rows(problem, begin), power=2, cap_m=cap_m * wide**share)
        layout = open_sites(service, begin)
        stopped = descend(service, layout, stop=stop)
        if not stopped:
            layout, stopped = repair(service, layout, params, cap_m * wide**share, seed, stop)
        if stopped:
            return begin, True
        if not len(lost_points(service, layout)):
            break
    layout, stopped = iterate(service, layout, rounds=num_rounds(service, params), seed=seed, stop=stop)
    stopped = stopped or descend(service, layout, stop=stop)
    return np.sort(layout.sites).astype(np.int64), stopped


def _same_rows(problem: PlacementProblem, sites: NDArray[np.int64]) -> PlacementProblem:
    """The problem with other candidates only beside the rows that the sites have driven, where rows are to be spared."""
    row = problem.candidate_row
    if row is None or problem.row_economy <= 0:
        return problem
    apart = np.flatnonzero(~beside(row, np.unique(drive_rows(row[sites]))))
    return replace(problem, banned=np.union1d(problem.banned, np.setdiff1d(apart, problem.fixed)))
