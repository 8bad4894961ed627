"""The integer programme behind the packages: sorts of sites, ways to fill them, stock that runs out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mudcap.supply.model import SupplyLevel
from mudcap.supply.package_solvers import Found, Rules, by_cp_sat, by_highs
from mudcap.supply.patterns import Pattern

NAMES: Final = ("short", "mixed", "bought", "surplus", "cost", "pieces")
"""Cavities missing, sites of two materials, cavities bought, cavities beyond the need, money for what is bought, packages."""
CENTS: Final = 100
ROUGH: Final = 0.005
"""Gap at which a programme that is cut down, and proves nothing, stops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sort:
    """Sites that are one column of the programme: the same need, and the same lots may go there."""

    need: int
    block: str
    """'' where no lot is kept for the block."""
    sites: tuple[int, ...]
    ways: tuple[Pattern, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Packages that are alike but for their lot."""

    kind: str
    cavities: int
    members: tuple[int, ...]
    open_stock: int
    kept: dict[str, int]
    """Stock that may go to one block only."""
    buy: int
    """Package that is bought where stock runs out; -1 = none can be."""
    cost_cents: int
    """Of that one; 0 where it is not known."""


def solve_programme(
    sorts: Sequence[Sort], shapes: Sequence[Shape], *, complete: bool, priced: bool, nodes: int
) -> tuple[list[list[int]], list[int], tuple[SupplyLevel, ...]]:
    """How often each way is taken (by sort), how many are bought of each shape, and the levels in the order of `NAMES`.

    Each level is solved over what the levels before it leave; its value is then held. `complete` tells whether all ways
    worth looking at are among those of the sorts, without which no bound is stated; unless `priced`, money does not count.
    """
    programme = _Programme(sorts, shapes)
    levels = []
    for name in NAMES:
        aim = programme.aim(name)
        if not aim.any() or (name == "cost" and not priced):
            levels.append(_level(name, programme.value(aim), 0, complete))
            continue
        bound = programme.improve(aim, nodes if complete else 1, gap=0.0 if complete else ROUGH)
        levels.append(_level(name, programme.value(aim), bound, complete))
    taken, bought = programme.best[: programme.ways], programme.best[programme.ways : programme.ways + len(shapes)]
    ends = np.cumsum([len(s.ways) for s in sorts])[:-1]
    return [row.tolist() for row in np.split(taken, ends)], bought.tolist(), tuple(levels)


class _Programme:
    """Whole numbers: how often each way is taken, what is bought of each shape, what is used of each kept lot."""

    def __init__(self, sorts: Sequence[Sort], shapes: Sequence[Shape]) -> None:
        self.sorts, self.shapes = sorts, shapes
        self.of = np.repeat(np.arange(len(sorts)), [len(s.ways) for s in sorts])
        self.all_ways = [w for s in sorts for w in s.ways]
        self.ways = len(self.all_ways)
        self.counts = np.array([w.counts for w in self.all_ways], float).reshape(self.ways, len(shapes))
        self.kept = [(f, block, stock) for f, s in enumerate(shapes) for block, stock in s.kept.items()]
        self.width = self.ways + len(shapes) + len(self.kept)
        self.sites = np.array([len(s.sites) for s in sorts])
        self.held: list[tuple[NDArray[np.float64], int]] = []
        self.best = self._start()

    def _start(self) -> NDArray[np.int64]:
        """A filling that is always possible: one thing that is bought for everything, or nothing at all."""
        start = np.zeros(self.width, np.int64)
        one = next((f for f, s in enumerate(self.shapes) if s.buy >= 0), None)
        first = 0
        for s in self.sorts:
            pure = [k for k, w in enumerate(s.ways) if all(not n for f, n in enumerate(w.counts) if f != one)]
            # among these the way that is least short
            best = min(pure, key=lambda k, s=s: (s.ways[k].short, s.ways[k].cavities))  # type: ignore[misc]
            start[first + best] = len(s.sites)
            if one is not None and s.ways[best].counts:
                start[self.ways + one] += len(s.sites) * s.ways[best].counts[one]
            first += len(s.ways)
        return start

    def aim(self, name: str) -> NDArray[np.float64]:
        """Weight of each variable in a level."""
        aim = np.zeros(self.width)
        each = {
            "short": lambda w: w.short, "mixed": lambda w: w.mixed, "surplus": lambda w: w.surplus, "pieces": lambda w: w.pieces,
        }.get(name)  # fmt: skip
        if each is not None:
            aim[: self.ways] = [each(w) for w in self.all_ways]
        else:
            weights = [s.cavities if name == "bought" else s.cost_cents for s in self.shapes]
            aim[self.ways : self.ways + len(self.shapes)] = weights
        return aim

    def value(self, aim: NDArray[np.float64]) -> int:
        """What the best filling so far makes of a level, in whole numbers."""
        return int(aim.astype(np.int64) @ self.best)

    def improve(self, aim: NDArray[np.float64], nodes: int, gap: float) -> int | None:
        """Solve for a level, hold its value, and hand back the proven bound; None where nothing was proven."""
        most = np.concatenate([
            self.sites[self.of],
            [self._enough(f) if s.buy >= 0 else 0 for f, s in enumerate(self.shapes)],
            [stock for _f, _block, stock in self.kept],
        ]).astype(np.int64)  # fmt: skip
        rules = self._rules()
        solvers: tuple[Callable[[], Found], ...] = (
            lambda: by_cp_sat(aim, rules, most, self.best, gap),
            lambda: by_highs(aim, rules, most, nodes, gap),
        )
        bounds: list[int] = []
        for solve in solvers:
            whole, bound = solve()
            if whole is not None and self._holds(whole) and int(aim.astype(np.int64) @ whole) <= self.value(aim):
                self.best = whole
            bounds += [] if bound is None else [bound]
            if self.value(aim) <= max(bounds, default=-1):
                break
        self.held.append((aim, self.value(aim)))
        return max(bounds, default=None)

    def _enough(self, shape: int) -> int:
        """More of a shape than any filling takes."""
        each = np.zeros(len(self.sorts), np.int64)
        np.maximum.at(each, self.of, self.counts[:, shape].astype(np.int64))
        return int(each @ self.sites)

    def _rules(self) -> Rules:
        import scipy.sparse as sp

        f = len(self.shapes)
        each = sp.csr_matrix((np.ones(self.ways), (self.of, np.arange(self.ways))), shape=(len(self.sorts), self.width))
        own = np.zeros((f, len(self.kept)))
        for j, (shape, _block, _stock) in enumerate(self.kept):
            own[shape, j] = -1
        stock = sp.hstack([sp.csr_matrix(self.counts.T), -sp.eye(f), sp.csr_matrix(own)]).tocsr()
        above = [stock, *([sp.csr_matrix(self._kept_rows())] if self.kept else []), *(sp.csr_matrix(aim[None]) for aim, _v in self.held)]
        most = [s.open_stock for s in self.shapes] + [0] * len(self.kept) + [value for _aim, value in self.held]
        return Rules(equal=each, sum=self.sites, above=sp.vstack(above, format="csr"), most=np.array(most, np.int64))

    def _kept_rows(self) -> NDArray[np.float64]:
        """A kept lot counts no further than its own block uses its shape."""
        rows = np.zeros((len(self.kept), self.width))
        for j, (f, block, _stock) in enumerate(self.kept):
            here = np.array([s.block == block for s in self.sorts])[self.of]
            rows[j, : self.ways] = -self.counts[:, f] * here
            rows[j, self.ways + len(self.shapes) + j] = 1
        return rows

    def _holds(self, whole: NDArray[np.int64]) -> bool:
        """Whether a rounded answer keeps every rule in whole numbers."""
        taken, bought = whole[: self.ways], whole[self.ways : self.ways + len(self.shapes)]
        own = whole[self.ways + len(self.shapes) :]
        used = self.counts.astype(np.int64).T @ taken
        kept = np.zeros(len(self.shapes), np.int64)
        for (f, _block, stock), n in zip(self.kept, own, strict=True):
            if n > stock:
                return False
            kept[f] += n
        open_stock = np.array([s.open_stock for s in self.shapes], np.int64)
        return bool(
            (whole >= 0).all()
            and (np.bincount(self.of, weights=taken, minlength=len(self.sorts)) == self.sites).all()
            and (used <= open_stock + bought + kept).all()
            and (not self.kept or (self._kept_rows() @ whole <= 0).all())
            and all(bought[f] == 0 for f, s in enumerate(self.shapes) if s.buy < 0)
            and all(aim.astype(np.int64) @ whole <= value for aim, value in self.held)
        )


def _level(name: str, value: int, bound: int | None, complete: bool) -> SupplyLevel:
    unit = CENTS if name == "cost" else 1
    if not complete or bound is None:
        return SupplyLevel(name=name, value=value / unit, bound=None, status="bound_unknown")
    bound = min(bound, value)
    return SupplyLevel(name=name, value=value / unit, bound=bound / unit, status="optimal" if bound == value else "feasible")
