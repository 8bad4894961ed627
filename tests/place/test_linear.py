"""Branch and bound as mudcap asks for it: the optimum, limits kept, and interruptions passed on."""

from __future__ import annotations

import itertools

import highspy
import numpy as np
import pytest
from scipy.sparse import csr_matrix

from mudcap.place.linear import BranchAndBound

ALL = {"enough": np.inf, "nodes": 10_000, "calls": 100_000}


def _cover(rows: int, columns: int, seed: int) -> tuple[highspy.HighsLp, np.ndarray, np.ndarray]:
    """A programme that covers each row by columns at a cost; the 0-1 matrix and the costs."""
    rng = np.random.default_rng(seed)
    covers = rng.random((rows, columns)) < 0.3
    covers[np.arange(rows), rng.integers(0, columns, rows)] = True
    cost = rng.integers(3, 12, columns).astype(float)
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = columns, rows
    program.col_cost_, program.col_lower_, program.col_upper_ = cost, np.zeros(columns), np.ones(columns)
    program.row_lower_, program.row_upper_ = np.ones(rows), np.full(rows, np.inf)
    program.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    program.a_matrix_.start_ = np.append(0, np.cumsum(covers.sum(axis=1))).astype(np.int32)
    program.a_matrix_.index_ = np.nonzero(covers)[1].astype(np.int32)
    program.a_matrix_.value_ = np.ones(int(covers.sum()))
    return program, covers, cost


@pytest.mark.parametrize("seed", range(20))
def test_the_cheapest_of_all_choices(seed: int) -> None:
    """As by counting them all; with a limit below it there is none, and the limit is the bound."""
    program, covers, cost = _cover(8, 10, seed)
    choices = np.array(list(itertools.product((0, 1), repeat=10)))
    best = float((choices @ cost)[(choices @ covers.T > 0).all(axis=1)].min())
    choice, bound, is_done = BranchAndBound(program, limit=np.inf, gap=0.0).solve(**ALL)
    assert choice is not None
    assert (covers @ choice > 0).all()
    assert (float(cost @ choice), is_done) == (best, True)
    assert bound == pytest.approx(best)
    assert BranchAndBound(program, limit=best - 0.5, gap=0.0).solve(**ALL) == (None, best - 0.5, True)


@pytest.mark.parametrize("seed", range(20))
def test_the_cheapest_of_those_with_even_sums(seed: int) -> None:
    """As by counting them all: of the first six columns an odd number is taken, three at least, of the others an even one."""
    program, covers, cost = _cover(8, 10, seed)
    choices = np.array(list(itertools.product((0, 1), repeat=10)))
    first = choices[:, :6].sum(axis=1)
    fits = (choices @ covers.T > 0).all(axis=1) & (first % 2 == 1) & (first >= 3) & (choices[:, 6:].sum(axis=1) % 2 == 0)
    solver = BranchAndBound(program, limit=np.inf, gap=0.0)
    rows = csr_matrix(np.repeat([[1.0, 0.0], [0.0, 1.0]], [6, 4], axis=1))
    solver.branch_on_halves(rows, np.array([1, 0]), np.array([1, 0]))
    choice, bound, is_done = solver.solve(**ALL)
    assert choice is not None
    assert choice.tolist() in choices[fits].tolist()
    assert (float(cost @ choice), is_done) == (float((choices @ cost)[fits].min()), True)
    assert bound == pytest.approx(float(cost @ choice))
    assert all(passed.tolist() in choices[fits].tolist() and (passed != choice).any() for passed in solver.passed)


def test_ends_early_with_a_bound() -> None:
    """After one node, or once the bound is enough, it says that it is not done; the bound is no higher than the optimum."""
    program, _, cost = _cover(60, 90, 0)
    choice, best, _ = BranchAndBound(program, limit=np.inf, gap=0.0).solve(**ALL)
    assert choice is not None
    assert float(cost @ choice) == pytest.approx(best)
    for changed in ({"nodes": 1}, {"calls": 1}, {"enough": best - 3}):
        _, bound, is_done = BranchAndBound(program, limit=np.inf, gap=0.0).solve(**{**ALL, **changed})
        assert not is_done
        assert bound <= best + 1e-6


def test_it_tells_its_bound_and_ends_when_asked() -> None:
    """The bound only rises, up to the optimum; told to end, it says that it is not done."""
    program, _, cost = _cover(60, 90, 0)
    heard: list[float] = []

    def goes_on(bound: float) -> bool:
        heard.append(bound)
        return True

    choice, _, _ = BranchAndBound(program, limit=np.inf, gap=0.0).solve(**ALL, goes_on=goes_on)
    assert choice is not None
    assert heard == sorted(heard)
    assert float(cost @ choice) - 3 < heard[-1] <= float(cost @ choice) + 1e-6
    _, bound, is_done = BranchAndBound(program, limit=np.inf, gap=0.0).solve(**ALL, goes_on=lambda bound: bound < heard[-1] - 1)
    assert not is_done
    assert bound <= float(cost @ choice) + 1e-6


class _Interrupting(int):
    """A limit that interrupts who asks for it, as Ctrl-C would."""

    def __lt__(self, other: int) -> bool:
        raise KeyboardInterrupt


def test_an_interruption_comes_through() -> None:
    """What is raised while the solver runs is raised by the call, and the next one works."""
    program, _, _ = _cover(60, 90, 0)
    solver = BranchAndBound(program, limit=np.inf, gap=0.0)
    with pytest.raises(KeyboardInterrupt):
        solver.solve(enough=np.inf, nodes=10_000, calls=_Interrupting(5))
    choice, _, is_done = solver.solve(**ALL)
    assert choice is not None
    assert is_done
