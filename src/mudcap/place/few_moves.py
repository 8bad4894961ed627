"""An even layout by few moves from one that stands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mudcap.place.cooling import Stop, lost_points, repair
from mudcap.place.mean import MeanParams, num_rounds
from mudcap.place.problem import PlacementProblem
from mudcap.place.rows import drive_rows, only_beside
from mudcap.place.rows_search import mean_distance
from mudcap.place.swap import Cap, Layout, Service, build_service, open_sites
from mudcap.place.swap_descent import descend
from mudcap.place.swap_local import iterate
from mudcap.place.swap_ties import assign_evenly

_STEPS = 4
"""Steps by which the cap is widened until few moves lead within it; our convention."""


def few_moves(
    problem: PlacementProblem,
    cap_m: Cap,
    start: NDArray[np.int64],
    others: NDArray[np.int64],
    params: MeanParams,
    seed: int,
    stop: Stop,
) -> tuple[NDArray[np.int64], bool]:
    """Return sites of less cost than ``start`` (count,), what giving up a site of the kept plan costs included, and True if stopped.

    They are within the cap where few moves lead there, else within the least wider one found to be reached by few, at worst as
    wide as that of ``start`` but never beyond ``within_m`` of the problem: rather than that, the search begins at ``others``, which
    keep the cap. Rows not driven so far are taken only where no cap so narrow is reached without them, or where the mean distance
    would be longer by more than the row economy. Nothing is cooled but where points lie beyond the cap.
    """
    _, distance_m, _ = assign_evenly(problem, start)
    wide = float(np.max((distance_m / cap_m)[problem.weights > 0], initial=1.0)) * (1 + 1e-9)
    most = problem.within_m / float(np.max(cap_m))
    begin = np.asarray(start, np.int64)
    for share in (0.0,) if wide <= 1 + 1e-9 else np.linspace(0.0, 1.0, _STEPS + 1):
        factor = wide**share
        if factor > max(most, 1.0):
            break
        found, stopped = _few_moves_within(problem, cap_m * factor, begin, params, seed, stop)
        if stopped:
            return begin, True
        if found is not None:
            return found, False
    service = build_service(problem, power=2, cap_m=cap_m)
    layout, stopped = _settled(service, open_sites(service, others), params, seed, stop)
    return np.sort(layout.sites).astype(np.int64), stopped


def _few_moves_within(
    problem: PlacementProblem, cap_m: Cap, begin: NDArray[np.int64], params: MeanParams, seed: int, stop: Stop
) -> tuple[NDArray[np.int64] | None, bool]:
    """Sites within the cap by few moves, in the rows driven already unless that is too dear; None where few do not lead there."""
    found: list[tuple[float, NDArray[np.int64]]] = []
    narrow = _same_rows(problem, begin)
    for ground in (problem,) if narrow is problem else (narrow, problem):
        service = build_service(ground, power=2, cap_m=cap_m)
        layout = open_sites(service, begin)
        stopped = descend(service, layout, stop=stop)
        if not stopped:
            layout, stopped = repair(service, layout, params, cap_m, seed, stop)
        if stopped:
            return None, True
        mean_m = np.inf
        if not len(lost_points(service, layout)):
            layout, stopped = _settled(service, layout, params, seed, stop)
            mean_m = mean_distance(problem, layout)
        found.append((mean_m, np.sort(layout.sites).astype(np.int64)))
        if stopped:
            break
    mean_m, sites = found[0] if found[0][0] <= (1 + problem.row_economy) * found[-1][0] else found[-1]
    return (sites if np.isfinite(mean_m) else None), stopped


def _settled(
    service: Service, layout: Layout, params: MeanParams, seed: int, stop: Stop
) -> tuple[Layout, bool]:
    """The layout after local search, which no single exchange makes better."""
    layout, stopped = iterate(service, layout, rounds=num_rounds(service, params), seed=seed, stop=stop)
    return layout, stopped or descend(service, layout, stop=stop)


def _same_rows(problem: PlacementProblem, sites: NDArray[np.int64]) -> PlacementProblem:
    """The problem with other candidates only beside the rows that the sites have driven, where rows are to be spared."""
    row = problem.candidate_row
    if row is None or problem.row_economy <= 0:
        return problem
    return only_beside(problem, row, np.unique(drive_rows(row[sites])))
