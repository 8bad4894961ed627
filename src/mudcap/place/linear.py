"""The simplex and interior point solvers and branch and bound as mudcap uses them: silent, on one thread, and ended by work, not by the clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import highspy
import numpy as np
from highspy import cb
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, eye_array, hstack

_EFFORT = 0.05
"""Share of branch and bound's work that goes into finding choices; found by trial. Without any, none may be found."""


class Simplex(highspy.Highs):  # type: ignore[misc]
    """HiGHS by the simplex method on one thread, so that the same programme takes the same way each time.

    Reference: Huangfu & Hall 2018, Mathematical Programming Computation 10:119-142 (from memory).
    """

    def __init__(self) -> None:
        super().__init__()
        for name, value in (("output_flag", False), ("threads", 1), ("solver", "simplex")):
            self.setOptionValue(name, value)

    def enableCallbacks(self) -> None:
        """Nothing: to take up all of them prints the solver's name."""


class InteriorPoint(Simplex):
    """HiGHS by its interior point method, without going on to a corner: many times faster where a programme is large and degenerate.

    Prices are right but for small tolerances, so what they prove has to be worked out from them.

    Reference: Schork & Gondzio 2020, Mathematical Programming Computation 12:603-635 (from memory).
    """

    def __init__(self) -> None:
        super().__init__()
        for name, value in (("solver", "ipm"), ("run_crossover", "off")):
            self.setOptionValue(name, value)


class BranchAndBound(Simplex):
    """HiGHS by branch and bound over a programme whose columns are all to be whole numbers."""

    def __init__(self, program: highspy.HighsLp, *, limit: float, gap: float) -> None:
        """Take up a copy of a programme, of which only choices that cost no more than ``limit`` count.

        It ends where the bound is within a share ``gap`` of the cost.
        """
        super().__init__()
        for name, value in (("solver", "choose"), ("mip_rel_gap", gap), ("mip_heuristic_effort", _EFFORT)):
            self.setOptionValue(name, value)
        self.passModel(program)
        self._num = num = self.getNumCol()
        whole = [highspy.HighsVarType.kInteger] * num
        self.changeColsIntegrality(num, np.arange(num, dtype=np.int32), whole)
        cost = np.array(program.col_cost_)
        paid = np.flatnonzero(cost).astype(np.int32)
        first = np.zeros(1, np.int32)
        self.addRows(1, np.array([-np.inf]), np.array([limit]), len(paid), first, paid, cost[paid])
        self._limit = limit
        self.passed: list[NDArray[np.int64]] = []
        """Choices that were found on the way to the cheapest."""

    def branch_on_halves(
        self, rows: csr_matrix, odd: NDArray[np.int64], least: NDArray[np.int64], most: NDArray[np.int64] | float = np.inf
    ) -> None:
        """Let ``rows`` (r, columns), less ``odd`` (r,), be twice a whole number, and branch on these too.

        They are ``least`` (r,) at least and ``most`` (r,) at most.
        """
        num, first = rows.shape[0], self.getNumCol()
        none = np.empty(0, np.int32)
        self.addCols(num, np.zeros(num), least.astype(float), np.full(num, most, float), 0, np.zeros(num, np.int32), none, np.empty(0))
        self.changeColsIntegrality(
            num, np.arange(first, first + num, dtype=np.int32), [highspy.HighsVarType.kInteger] * num
        )
        both, right = hstack([rows, -2.0 * eye_array(num)], format="csr"), odd.astype(float)
        self.addRows(num, right, right, both.nnz, both.indptr[:-1].astype(np.int32), both.indices.astype(np.int32), both.data)

    def solve(
        self, *, enough: float, nodes: int, calls: int, goes_on: Callable[[float], bool] = lambda bound: True
    ) -> tuple[NDArray[np.int64] | None, float, bool]:
        """The cheapest choice found, None without one; a bound on all choices; and whether it came to its end.

        It is stopped once the bound is ``enough``, after so many ``nodes``, after asking so many times whether to go on
        (``calls``), or once ``goes_on``, which then hears the bound, says False. What is raised meanwhile (Ctrl-C) is raised here.
        """
        asked = 0
        raised: list[BaseException] = []

        def ask(kind: Any, message: str, told: Any, answer: Any, data: Any) -> None:
            nonlocal asked
            try:
                if kind == cb.HighsCallbackType.kCallbackMipImprovingSolution:
                    self.passed.append(np.rint(np.array(told.mip_solution)[: self._num]).astype(np.int64))
                    return
                asked += 1
                bound = float(told.mip_dual_bound)
                answer.user_interrupt = bool(raised) or asked > calls or bound >= enough or not goes_on(bound)
            except BaseException as error:  # passed on below, once the solver has put its work away
                raised.append(error)
                answer.user_interrupt = True

        self.setOptionValue("mip_max_nodes", nodes)
        self.setCallback(ask, None)
        self.startCallback(cb.HighsCallbackType.kCallbackMipInterrupt)
        self.startCallback(cb.HighsCallbackType.kCallbackMipImprovingSolution)
        self.run()
        self.setCallback(None, None)
        if raised:
            raise raised[0]
        status, info = self.getModelStatus(), self.getInfo()
        if status == highspy.HighsModelStatus.kInfeasible:
            return None, self._limit, True
        bound = min(float(info.mip_dual_bound), self._limit)
        is_done = status == highspy.HighsModelStatus.kOptimal
        if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return None, bound, is_done
        choice = np.rint(np.array(self.getSolution().col_value)[: self._num]).astype(np.int64)
        self.passed = [passed for passed in self.passed if (passed != choice).any()]
        return choice, bound, is_done
