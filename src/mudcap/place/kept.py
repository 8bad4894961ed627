"""A plan that is kept: its sites stand, and one is given up only where that pays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from mudcap.orchard.model import Orchard
from mudcap.place.candidates import Candidates
from mudcap.place.demand import Demand
from mudcap.place.layout import BlockTask
from mudcap.place.params import PlaceParams
from mudcap.place.problem import PlacementProblem, SolveJob


def standing_jobs(
    tasks: Sequence[BlockTask],
    near: Sequence[tuple[int, ...]],
    orchard: Orchard,
    candidates: Candidates,
    demand: Demand,
    place: PlaceParams,
) -> tuple[SolveJob, ...]:
    """Jobs that leave the sites of a kept plan where they are: those that are missing are added, those that are too many are left
    out. Sites of the kept plan in blocks of ``near`` (of each block those next to it) count across the border.

    A block without such a site is placed as if no plan were kept.
    """
    before = [None if t.problem is None else candidates.xy[t.station[t.problem.previous]] for t in tasks]
    jobs = []
    for task in tasks:
        if task.problem is None:
            continue
        problem, effort, start = task.problem, place.effort, task.start
        if len(problem.previous):
            others = [xy for j in near[task.block] if (xy := before[j]) is not None and len(xy)]
            if others:
                across = cKDTree(np.concatenate(others)).query(demand.xy[task.tree])[0]
                problem = replace(problem, served_m=np.minimum(problem.served_m, across))
            problem, effort = _held(problem), "quick"
            start = problem.fixed if len(problem.fixed) == problem.count else None
        jobs.append(
            SolveJob(
                name=orchard.blocks[task.block].block_id, problem=problem, effort=effort, seed=place.seed,
                start=start,
            )
        )  # fmt: skip
    return tuple(jobs)


def _held(problem: PlacementProblem) -> PlacementProblem:
    """The problem with its earlier sites fixed or, where they are too many, with no other candidate allowed."""
    stay = np.union1d(problem.fixed, problem.previous)
    if len(stay) <= problem.count:
        return replace(problem, fixed=stay)
    return replace(problem, banned=np.setdiff1d(np.arange(len(problem.candidate_xy)), stay))
