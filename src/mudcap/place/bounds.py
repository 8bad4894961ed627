"""Certified lower bounds for the farthest level: how many sites a radius surely needs.

Any non-negative row prices prove a number of columns: no column is worth more than the dearest one, so that the sum
of all prices needs at least (sum / dearest) columns. Prices are turned into integers first, so that the proof holds
exactly whatever the rounding of the solver that suggested them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_matrix

from mudcap.place.cover import Cover
from mudcap.place.near import Floats

_PRICE_BITS = 40
_SIMPLEX_NONZEROS = 12_000


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededColumns:
    """How many columns any cover needs, as a ratio of two integers that prove it."""

    total_price: int
    dearest_column: int

    @property
    def fractional(self) -> float:
        """The proven number before rounding up."""
        return self.total_price / self.dearest_column if self.dearest_column else 0.0

    def exceeds(self, count: int) -> bool:
        """Return whether more than ``count`` columns are needed, in exact integers."""
        return self.total_price > count * self.dearest_column


def needed_columns(cover: Cover, price: Floats) -> NeededColumns:
    """Return the number of columns that row prices prove; negative prices count as nothing."""
    largest = float(price.max(initial=0.0))
    if not largest > 0 or not np.isfinite(largest):
        return NeededColumns(total_price=0, dearest_column=1)
    whole = whole_price(price)
    return NeededColumns(total_price=int(whole.sum()), dearest_column=int(cover.worth(whole).max(initial=0)))


def whole_price(price: Floats) -> NDArray[np.int64]:
    """Return prices of which the largest is positive in whole numbers; negative ones count as nothing."""
    return np.floor(np.maximum(price, 0.0) / float(price.max()) * (1 << _PRICE_BITS)).astype(np.int64)


def counting_price(cover: Cover) -> Floats:
    """Return prices by counting: each row costs 1 over the length of the longest column that covers it.

    They need no solver, and where all inner columns are alike (a regular block) they are hard to beat.
    """
    length = np.diff(cover.column_ptr)
    longest = np.zeros(cover.num_rows, np.int64)
    np.maximum.at(longest, cover.column_row, np.repeat(length, length))
    return 1.0 / np.maximum(longest, 1)


def linear_price(cover: Cover, *, iterations: int, simplex_nonzeros: int | None = None) -> Floats:
    """Return prices from the dual of the linear relaxation.

    By simplex where the cover is small, else by at most ``iterations`` of a first-order method, which regular
    blocks do not slow down; prices that are not quite optimal prove a little less, never anything wrong.
    """
    if len(cover.row_column) > (_SIMPLEX_NONZEROS if simplex_nonzeros is None else simplex_nonzeros):
        return _first_order_price(cover, iterations)
    solved = linprog(
        np.ones(cover.num_columns), A_ub=-_matrix(cover), b_ub=-np.ones(cover.num_rows), method="highs-ds"
    )
    if solved.ineqlin is None or solved.ineqlin.marginals is None:
        return counting_price(cover)
    return np.asarray(-solved.ineqlin.marginals, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactAnswer:
    """Whether some columns cover all rows: which ones, that none do, or that the node limit came first."""

    columns: NDArray[np.int64] | None
    is_impossible: bool


def solve_cover(cover: Cover, count: int, *, nodes: int) -> ExactAnswer:
    """Return at most ``count`` columns that cover all rows, or the proof that there are none, by branch and bound."""
    n = cover.num_columns
    solved = milp(
        np.ones(n), integrality=np.ones(n), bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(_matrix(cover), 1, np.inf),
            LinearConstraint(csr_matrix(np.ones((1, n))), -np.inf, count),
        ],
        options={"node_limit": nodes, "mip_rel_gap": 1.0},
    )  # fmt: skip
    if solved.x is not None:
        columns = np.flatnonzero(solved.x > 0.5)
        if cover.is_covered_by(columns) and len(columns) <= count:
            return ExactAnswer(columns=columns, is_impossible=False)
    return ExactAnswer(columns=None, is_impossible=solved.status == 2)


def _matrix(cover: Cover) -> csr_matrix:
    entries = (np.ones(len(cover.row_column)), cover.row_column, cover.row_ptr)
    return csr_matrix(entries, shape=(cover.num_rows, cover.num_columns))


def _first_order_price(cover: Cover, iterations: int) -> Floats:
    from ortools.pdlp import solvers_pb2
    from ortools.pdlp.python import pdlp

    program = pdlp.QuadraticProgram()
    program.objective_vector = np.ones(cover.num_columns)
    program.constraint_matrix = _matrix(cover).tocsc()
    program.constraint_lower_bounds = np.ones(cover.num_rows)
    program.constraint_upper_bounds = np.full(cover.num_rows, np.inf)
    program.variable_lower_bounds = np.zeros(cover.num_columns)
    program.variable_upper_bounds = np.full(cover.num_columns, np.inf)
    params = solvers_pb2.PrimalDualHybridGradientParams()
    params.termination_criteria.iteration_limit = iterations
    params.termination_criteria.simple_optimality_criteria.eps_optimal_relative = 1e-7
    params.termination_criteria.simple_optimality_criteria.eps_optimal_absolute = 1e-7
    params.num_threads = 1
    found = pdlp.primal_dual_hybrid_gradient(program, params)
    return np.asarray(found.dual_solution, np.float64)
