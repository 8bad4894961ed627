"""Two solvers of one level of the packages' integer programme: CP-SAT, and HiGHS for what CP-SAT leaves open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

CP_SAT_WORK: Final = 2.0
"""Deterministic time of CP-SAT for one level: work counted by the solver, the same on every machine. It proves nearly all
levels within it; on some large yards one level would take it minutes, where HiGHS takes seconds."""
ROUGH_WORK: Final = 0.3
"""The same where a gap is allowed, since the programme is cut down and proves nothing."""

Found = tuple[NDArray[np.int64] | None, int | None]
"""The variables in whole numbers, and a proven bound on the aim; None where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """equal @ x == sum and above @ x <= most, over whole numbers x >= 0; the matrices are SciPy's CSR."""

    equal: Any
    sum: NDArray[np.int64]
    above: Any
    most: NDArray[np.int64]


def by_cp_sat(aim: NDArray[np.float64], rules: Rules, most: NDArray[np.int64], hint: NDArray[np.int64], gap: float) -> Found:
    """The least aim @ x with 0 <= x <= most, in whole numbers throughout.

    References: OR-Tools CP-SAT (Perron & Didier); one worker and a fixed seed, so that it is the same every time.
    """
    # half a second to load, and only where packages are named
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    x = [model.new_int_var(0, int(top), "") for top in most]

    def total(row: Any) -> Any:
        return cp_model.LinearExpr.weighted_sum([x[j] for j in row.indices], [int(v) for v in row.data])

    for row, value in zip(rules.equal, rules.sum, strict=True):
        model.add(total(row) == int(value))
    for row, value in zip(rules.above, rules.most, strict=True):
        model.add(total(row) <= int(value))
    wanted = np.flatnonzero(aim)
    model.minimize(cp_model.LinearExpr.weighted_sum([x[j] for j in wanted], [int(aim[j]) for j in wanted]))
    for variable, value in zip(x, hint, strict=True):
        model.add_hint(variable, int(value))
    solver = cp_model.CpSolver()
    solver.parameters.catch_sigint_signal = False  # it would leave Ctrl-C to kill the process
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.linearization_level = 2
    solver.parameters.relative_gap_limit = gap
    solver.parameters.max_deterministic_time = ROUGH_WORK if gap else CP_SAT_WORK
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None, None
    return np.array([solver.value(v) for v in x], np.int64), int(np.ceil(solver.best_objective_bound - 1e-6))


def by_highs(aim: NDArray[np.float64], rules: Rules, most: NDArray[np.int64], nodes: int, gap: float) -> Found:
    """The same in floating point, rounded: the caller has to hold the answer to the rules.

    References: HiGHS (Huangfu & Hall 2018, Math. Program. Comput. 10:119-142, from memory).
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    found = milp(
        aim, bounds=Bounds(0, most.astype(float)), integrality=np.ones(len(most)),
        constraints=[LinearConstraint(rules.equal, rules.sum, rules.sum), LinearConstraint(rules.above, -np.inf, rules.most)],
        options={"mip_rel_gap": gap, "node_limit": nodes},
    )  # fmt: skip
    bound = found.mip_dual_bound
    proven = None if bound is None or not np.isfinite(bound) else int(np.ceil(bound - 1e-6 - 1e-9 * abs(bound)))
    return None if found.x is None else np.round(found.x).astype(np.int64), proven
