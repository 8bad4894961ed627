"""Whether so few columns cover all rows, by branching on how many of them lie on one side of a line.

In a plane, a cover that is short of a proof is short everywhere a little: half a column too few on either side of a line. Single
columns tell next to nothing there (its neighbour does nearly as well), while "at most 8" or "at least 9" on one side of a line rounds up what
the linear programme knows of both sides.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import highspy
import numpy as np
from numpy.typing import NDArray
from shapely import MultiPoint, get_coordinates

from mudcap.place.bounds import ExactAnswer
from mudcap.place.cover import Cover
from mudcap.place.linear import Simplex
from mudcap.place.near import Floats

LINES: Final = 16
"""Found by trial: lines along either side of the smallest rectangle round the candidates, evenly spread."""
TRIED: Final = 4
"""Lines of which both branches are solved before one is chosen: those that split a column most evenly."""
WHOLE: Final = 1e-6


def cover_by_halves(cover: Cover, candidate_xy: Floats, count: int, *, programs: int) -> ExactAnswer:
    """At most ``count`` columns that cover all rows, or the proof that there are none, within so many linear programmes.

    ``candidate_xy`` (n, 2) [m] is of all candidates that columns may stand for. Each branch is closed by a bound
    computed from the solver's row prices alone, whatever the solver's own tolerances. Neither columns nor a proof where the
    programmes run out, or where every side of every line has whole columns and no branch is left.
    """
    if cover.has_hopeless_row:
        return ExactAnswer(columns=None, is_impossible=True)
    tree = _Tree(cover=cover, sides=_sides(candidate_xy[cover.column_candidate]), count=count)
    open_branches: list[_Branch] = [_Branch(limits={}, basis=None)]
    while open_branches:
        branch = open_branches.pop()
        tree.enter(branch)
        if tree.is_closed():
            continue
        columns = tree.columns()
        if columns is not None:
            return ExactAnswer(columns=columns, is_impossible=False)
        if tree.num_solved >= programs:
            return ExactAnswer(columns=None, is_impossible=False)
        more = tree.branches(branch)
        if more is None:
            return ExactAnswer(columns=None, is_impossible=False)
        open_branches += more
    return ExactAnswer(columns=None, is_impossible=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Branch:
    limits: dict[int, tuple[float, float]]
    """Least and most columns of each side in use."""
    basis: highspy.HighsBasis | None


@dataclass(slots=True, kw_only=True)
class _Tree:
    """One linear programme for all branches: cover each row, and as few and as many columns of each side as a branch says."""

    cover: Cover
    sides: NDArray[np.bool_]
    """(s, num_columns) which columns lie on the side."""
    count: int
    num_solved: int = 0
    row_of: dict[int, int] = field(default_factory=dict)
    """Row of the programme of each side in use."""
    model: Simplex = field(init=False)

    def __post_init__(self) -> None:
        self.model = Simplex()
        n, m = self.cover.num_columns, self.cover.num_rows
        program = highspy.HighsLp()
        program.num_col_, program.num_row_ = n, m
        program.col_cost_, program.col_lower_, program.col_upper_ = np.ones(n), np.zeros(n), np.ones(n)
        program.row_lower_, program.row_upper_ = np.ones(m), np.full(m, np.inf)
        program.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        program.a_matrix_.start_ = self.cover.row_ptr.astype(np.int32)
        program.a_matrix_.index_ = self.cover.row_column.astype(np.int32)
        program.a_matrix_.value_ = np.ones(len(self.cover.row_column))
        self.model.passModel(program)

    def enter(self, branch: _Branch) -> None:
        """Solve the programme of a branch."""
        for side, row in self.row_of.items():
            low, high = branch.limits.get(side, (-np.inf, np.inf))
            self.model.changeRowBounds(row, low, high)
        if branch.basis is not None:
            self.model.setBasis(branch.basis)
        self._solve()

    def is_closed(self) -> bool:
        """Whether the programme as solved proves that more than ``count`` columns are needed."""
        return self.bound() > self.count + WHOLE

    def bound(self) -> float:
        """Columns that any cover within the branch needs, by the row prices alone."""
        solution, program = self.model.getSolution(), self.model.getLp()
        price = np.array(solution.row_dual)
        low, high = np.array(program.row_lower_), np.array(program.row_upper_)
        limit = np.where(price > 0, low, high)
        price[~np.isfinite(limit)] = 0.0
        worth = self._worth(price)
        at_limit = float(price @ np.where(np.isfinite(limit), limit, 0.0))
        # columns are at most one, and what a short side is lent costs a whole cover
        return at_limit - float(np.maximum(worth - 1.0, 0.0).sum()) if self._lends_enough(price) else -np.inf

    def columns(self) -> NDArray[np.int64] | None:
        """The columns of the solution where they are whole and cover all rows, at most ``count``."""
        value = np.array(self.model.getSolution().col_value)[: self.cover.num_columns]
        chosen = np.flatnonzero(value > 0.5)
        if np.abs(value - np.round(value)).max(initial=0.0) > WHOLE or len(chosen) > self.count:
            return None
        return chosen if self.cover.is_covered_by(chosen) else None

    def branches(self, branch: _Branch) -> list[_Branch] | None:
        """The two branches on the line that helps most, the harder first to be solved; None where no line splits a column."""
        value = np.array(self.model.getSolution().col_value)[: self.cover.num_columns]
        total = self.sides @ value
        split = np.minimum(total % 1, 1 - total % 1)
        tried = [int(s) for s in np.argsort(-split, kind="stable")[:TRIED] if split[s] > WHOLE]
        basis = self.model.getBasis()
        best: tuple[float, list[_Branch]] | None = None
        for side in tried:
            low, high = branch.limits.get(side, (-np.inf, np.inf))
            most = float(np.floor(total[side]))
            pair = [
                _Branch(limits={**branch.limits, side: limits}, basis=basis) for limits in ((low, most), (most + 1, high))
            ]
            bounds = [min(self._try(side, half), self.count + 1.0) for half in pair]
            gain = 100 * min(bounds) + max(bounds)
            if best is None or gain > best[0]:
                best = gain, [half for _, half in sorted(zip(bounds, pair, strict=True), key=lambda b: -b[0])]
            if min(bounds) > self.count + WHOLE:
                return []
        return None if best is None else best[1]

    def _try(self, side: int, branch: _Branch) -> float:
        if side not in self.row_of:
            self._add_row(side)
        self.enter(branch)
        return self.bound()

    def _add_row(self, side: int) -> None:
        """A row that counts a side, with two columns that lend and take what a limit lacks, at the price of a whole cover."""
        first = self.model.getNumCol()
        lent = float(self.count + 1)
        self.model.addCols(2, np.full(2, lent), np.zeros(2), np.full(2, np.inf), 0, np.zeros(2, np.int32), np.empty(0, np.int32), np.empty(0))
        columns = np.concatenate([np.flatnonzero(self.sides[side]), [first, first + 1]]).astype(np.int32)
        values = np.ones(len(columns))
        values[-1] = -1.0
        self.model.addRow(-np.inf, np.inf, len(columns), columns, values)
        self.row_of[side] = self.model.getNumRow() - 1

    def _worth(self, price: Floats) -> Floats:
        """What the rows of each column cost together."""
        worth = self.cover.worth(price[: self.cover.num_rows])
        for side, row in self.row_of.items():
            worth = worth + price[row] * self.sides[side]
        return np.asarray(worth)

    def _lends_enough(self, price: Floats) -> bool:
        return bool((np.abs(price[self.cover.num_rows :]) <= self.count + 1 + WHOLE).all())

    def _solve(self) -> None:
        self.model.run()
        self.num_solved += 1


def _sides(xy: Floats) -> NDArray[np.bool_]:
    """Which columns lie before each line, each different set once."""
    corners = get_coordinates(MultiPoint(xy).minimum_rotated_rectangle)  # two for points in a line
    out = [np.zeros(len(xy), bool)]
    for edge in np.diff(corners[:3], axis=0):
        along = xy @ edge
        out += [along <= at for at in np.linspace(along.min(), along.max(), LINES + 2)[1:-1]]
    return np.unique(np.array(out), axis=0)
