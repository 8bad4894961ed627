"""Layouts that need few driven rows: sites only beside chosen drive rows, fewer of them as long as the limits hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mudcap.place.mean import MeanParams
from mudcap.place.problem import Effort, PlacementProblem
from mudcap.place.rows import drive_rows, even_pattern, fewest_driven, num_driven, only_beside, pitch_pattern
from mudcap.place.rows_window import window
from mudcap.place.swap import Cap, Layout, Service, build_service, num_unserved, open_sites
from mudcap.place.swap_start import even_density, spread

Stop = Callable[[], bool] | None
Improve = Callable[[Service, Layout, MeanParams], tuple[Layout, bool]]
"""Lowers the mean square of a layout within the cap; second: whether it was stopped."""

PITCHES = (5, 4, 3, 2)
"""Every so many tree rows one drive row: what is tried first."""
WINDOW_SITES = 500
"""From twice as many sites on, a part with so many shows how far apart the drive rows can be."""
LARGE_MOVES = 3000
"""Least moves a site in trials of the part and the whole: with fewer, points beyond the cap remain where none need be."""
CLOSER = (1.0, 1.04, 1.1, 1.2)
"""Times as many drive rows as the part needs, one after another, that are tried in the whole."""
WHOLE_PITCH = 1.06
"""Times as many drive rows that may be driven so that they lie the same whole number of tree rows apart."""
LAST_ROW_SHARE = 1 / 3
"""Largest share of the mean that may be given up which a single row may cost: where sparing one more row costs more
than this alone, it is driven. A rule of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsParams:
    """How much work the search for few driven rows may do; all of it counted."""

    trial: MeanParams
    """Work of one trial layout."""
    shifts: tuple[float, ...]
    """Shifts [rows] of the even pattern that are tried."""
    drops: int
    """Single drive rows that are tried to do without, at the end of each round."""
    halves: bool = True
    """False to be content with every so many rows where that is possible."""


EFFORTS: dict[Effort, RowsParams] = {
    "quick": RowsParams(
        trial=MeanParams(anneal_moves=500, work=0.0, rounds_per_candidate=0, bound_steps=0), shifts=(0.0,), drops=0,
        halves=False,
    ),
    "normal": RowsParams(
        trial=MeanParams(anneal_moves=3000, work=2e5, rounds_per_candidate=1, bound_steps=0), shifts=(0.0, 0.5), drops=2
    ),
    "long": RowsParams(
        trial=MeanParams(anneal_moves=10_000, work=1e6, rounds_per_candidate=4, bound_steps=0),
        shifts=(0.0, 0.5, -0.5, 1.0, -1.0), drops=10,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FewRows:
    """Drive rows beside which a layout within the limits stands, and that layout."""

    driven: NDArray[np.int64]
    sites: NDArray[np.int64]
    mean_m: float
    """Weighted mean distance [m]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowsSearch:
    """What a search for few driven rows works on."""

    problem: PlacementProblem
    cap_m: Cap
    mean_m: float
    """Weighted mean distance of the best layout known, whatever its rows [m]."""
    economy: float
    """Share of it that may be given up."""
    params: RowsParams
    improve: Improve
    stop: Stop

    @property
    def row(self) -> NDArray[np.int64]:
        """Tree row of each candidate."""
        if self.problem.candidate_row is None:
            raise ValueError("candidate_row is needed to search for few driven rows.")
        return self.problem.candidate_row

    @property
    def mean_limit_m(self) -> float:
        """Largest weighted mean distance allowed [m]."""
        return self.mean_m * (1 + self.economy)

    def is_over(self) -> bool:
        """Return whether the caller wants to stop."""
        return self.stop is not None and self.stop()


def find_few_rows(search: RowsSearch, sites: NDArray[np.int64], least: int) -> FewRows:
    """Return the layout with the fewest driven rows found, ``sites`` themselves where nothing better is.

    Every so many rows first (a regular block may bear every third row and no number between); then the number is halved
    towards ``least`` with evenly spread drive rows; then single rows are left out; in the end a row is driven after all
    where sparing it alone costs too much.
    """
    best = FewRows(driven=np.unique(drive_rows(search.row[sites])), sites=sites, mean_m=search.mean_m)
    if len(sites) > 2 * WINDOW_SITES:
        return _as_in_window(search, best)
    found = {len(best.driven): best}
    too_few = least - 1
    for pitch in PITCHES:
        driven = pitch_pattern(np.unique(search.row), pitch)
        if least <= len(driven) < len(best.driven) and not search.is_over():
            trial = _try(search, driven, None)
            if trial is not None:
                best = found[len(trial.driven)] = trial
                if not search.params.halves:
                    return best
                break
    while len(best.driven) - too_few > 1 and not search.is_over():
        count = (len(best.driven) + too_few) // 2
        trial = _try_patterns(search, count)
        if trial is None:
            too_few = count
        else:
            best = found[len(trial.driven)] = trial
    best = _leave_out(search, best, least)
    while len(best.driven) + 1 < max(found) and not search.is_over():
        richer = found.get(len(best.driven) + 1) or _try_patterns(search, len(best.driven) + 1)
        if richer is None or best.mean_m - richer.mean_m <= LAST_ROW_SHARE * search.economy * search.mean_m:
            break
        best = richer
    return best


def _as_in_window(search: RowsSearch, best: FewRows) -> FewRows:
    """Return a layout of a large block with drive rows as far apart as a part of it bears, or ``best``.

    Where the whole does not bear what the part does, with rows a little closer.
    """
    moves = max(search.params.trial.anneal_moves, LARGE_MOVES)
    search = replace(search, params=replace(search.params, trial=replace(search.params.trial, anneal_moves=moves)))
    part, inner, points = window(search.problem, best.sites, WINDOW_SITES)
    cap_m = search.cap_m if isinstance(search.cap_m, float) else search.cap_m[points]
    service = build_service(part, power=2, cap_m=cap_m)
    layout = open_sites(service, inner)
    if num_unserved(service, layout):
        return best
    small = replace(search, problem=part, cap_m=cap_m, mean_m=mean_distance(part, layout))
    few = find_few_rows(small, inner, fewest_driven(part, service))
    pitch = len(np.unique(small.row)) / max(1, len(few.driven))
    rows = np.unique(search.row)
    for closer in CLOSER:
        if search.is_over():
            break
        count = int(np.ceil(closer * len(rows) / pitch - 1e-9))
        driven = even_pattern(int(rows[0]), int(rows[-1]), count, 0.0)
        if closer == 1 and len(pitch_pattern(rows, round(pitch))) <= WHOLE_PITCH * count:
            driven = pitch_pattern(rows, round(pitch))
        if len(driven) >= len(best.driven):
            break
        trial = _try(search, driven, None)
        if trial is not None and len(trial.driven) < len(best.driven):
            return trial
    return best


def restricted(search: RowsSearch, driven: NDArray[np.int64]) -> PlacementProblem | None:
    """Return the problem with sites only beside these drive rows (fixed ones apart); None where too few remain."""
    problem = only_beside(search.problem, search.row, driven)
    return None if len(problem.candidate_xy) - len(problem.banned) < problem.count else problem


def _try_patterns(search: RowsSearch, count: int) -> FewRows | None:
    rows = np.unique(search.row)
    for shift in search.params.shifts:
        driven = even_pattern(int(rows[0]), int(rows[-1]), count, shift)
        found = _try(search, driven, None)
        if found is not None and len(found.driven) <= count:
            return found
    return None


def _leave_out(search: RowsSearch, best: FewRows, least: int) -> FewRows:
    """Leave out single drive rows, those with the fewest sites first."""
    tries = search.params.drops
    while tries > 0 and len(best.driven) > least and not search.is_over():
        used, count = np.unique(drive_rows(search.row[best.sites]), return_counts=True)
        order = used[np.argsort(count, kind="stable")][:tries]
        for row in order:
            tries -= 1
            found = _try(search, np.setdiff1d(used, row), best.sites)
            if found is not None and len(found.driven) < len(best.driven):
                best = found
                break
        else:
            break
    return best


def _try(search: RowsSearch, driven: NDArray[np.int64], start: NDArray[np.int64] | None) -> FewRows | None:
    """Return a layout beside these drive rows if one within the limits is found."""
    problem = restricted(search, driven)
    if problem is None:
        return None
    service = build_service(problem, power=2, cap_m=search.cap_m)
    empty = np.diff(service.demand_start) == 0
    if (empty & (service.outside_cost == service.penalty)).any():
        return None
    layout = open_sites(
        service, even_density(problem, service) if start is None else _kept(problem, service, start)
    )
    layout, _ = search.improve(service, layout, search.params.trial)
    mean_m = mean_distance(problem, layout)
    if num_unserved(service, layout) or mean_m > search.mean_limit_m * (1 + 1e-12):
        return None
    sites = np.sort(layout.sites).astype(np.int64)
    return FewRows(driven=np.unique(drive_rows(search.row[sites])), sites=sites, mean_m=mean_m)


def _kept(problem: PlacementProblem, service: Service, start: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the starting sites that are still allowed, and others spread where they are missed."""
    stay = start[service.site_state[start] >= 0]
    filled = replace(problem, fixed=np.sort(stay))
    return spread(filled, service)


def mean_distance(problem: PlacementProblem, layout: Layout) -> float:
    """Return the weighted mean distance [m] of a layout whose costs are weighted squares."""
    weight = problem.weights
    wants = weight > 0
    distance = np.sqrt(layout.first_cost[wants] / weight[wants])
    return float(np.average(distance, weights=weight[wants])) if wants.any() else 0.0


def driven_of(problem: PlacementProblem, sites: NDArray[np.int64]) -> int:
    """Return the number of driven rows of a layout; 0 where candidates have no rows."""
    return 0 if problem.candidate_row is None else num_driven(problem.candidate_row[sites])
