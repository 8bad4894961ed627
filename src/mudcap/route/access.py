"""Points at which rounds through blocks begin and end, and where each block of a trip is best come to and left."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ENOUGH_S = 0.5
"""A trip that may be so many seconds too long is not looked at further; our convention."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Access:
    """The yard and the access points of all blocks, with the ways between them."""

    block: NDArray[np.int64]
    """(g,) position of each point's block, rising; -1 for the yard, which comes first."""
    vertex: NDArray[np.int64]
    """(g,) vertex of the block's graph; -1 for the yard. A block's first is the start of its graph."""
    metres: NDArray[np.float64]
    """(g, g) by road, from one to the other; inf where none leads, but never between the yard and the first points of blocks."""

    @classmethod
    def at_starts(cls, starts: Sequence[int], between_m: NDArray[np.float64]) -> Access:
        """One point a block, the start (k,) of its graph; ``between_m`` (k + 1, k + 1) are the metres between the yard (0) and them."""
        return cls(block=np.arange(-1, len(starts)), vertex=np.array([-1, *starts], np.int64), metres=between_m)

    def of(self, block: int) -> NDArray[np.int64]:
        """Positions of a block's points."""
        return np.flatnonzero(self.block == block)

    @property
    def first(self) -> NDArray[np.int64]:
        """(k + 2,) where each block's points begin, from the yard's on, and their number."""
        blocks = int(self.block.max(initial=-1)) + 1
        return np.searchsorted(self.block, np.arange(-1, blocks + 1))

    @property
    def starts_m(self) -> NDArray[np.float64]:
        """(k + 1, k + 1) metres between the yard and the first point of each block."""
        first = self.first[:-1]
        between: NDArray[np.float64] = self.metres[np.ix_(first, first)]
        return between


@dataclass(slots=True, kw_only=True, eq=False)
class Passage:
    """A block of a trip: what it takes to go round in it, from each of its points to each."""

    points: NDArray[np.int64]
    """(e,) positions in `Access`."""
    least_s: NDArray[np.float64]
    """(e, e) no round between them takes less."""
    found_s: NDArray[np.float64]
    """(e, e) what the best round takes that is known; inf without one."""
    apart_s: NDArray[np.float64]
    """(e, e) seconds between the points by the block's own ways."""
    solve: Callable[[int, int], float]
    """Finds the best round from one of the points to another, by their positions in `points`, and returns its seconds."""

    def find(self, a: int, b: int) -> None:
        """Find the best round between two points, and what follows for those between others: to go there first and on from there
        would be such a round too."""
        cost = self.solve(a, b)
        least = cost - self.apart_s[a][:, None] - self.apart_s[:, b][None, :]
        self.least_s = np.minimum(np.maximum(self.least_s, least), self.found_s)
        self.least_s[a, b] = self.found_s[a, b] = cost


def best_passages(
    passages: Sequence[Passage], access: Access, begin_m: NDArray[np.float64], road_m_s: float
) -> list[tuple[int, int]]:
    """The points (positions in each one's `points`) at which a trip through blocks, one after the other, comes and leaves.

    ``begin_m`` (g,) is the metres from where the trip begins to every point; it ends at the yard. Rounds are found one by one
    where the trip that could be the quickest needs them, until one that is found takes no longer (by `ENOUGH_S`).
    """
    while True:
        hoped, chosen = _chain(passages, access, begin_m, road_m_s, [p.least_s for p in passages])
        sure, found = _chain(passages, access, begin_m, road_m_s, [p.found_s for p in passages])
        if sure <= hoped + ENOUGH_S:
            return found
        for passage, (a, b) in zip(passages, chosen, strict=True):
            if passage.found_s[a, b] > passage.least_s[a, b]:
                passage.find(a, b)


def _chain(
    passages: Sequence[Passage],
    access: Access,
    begin_m: NDArray[np.float64],
    road_m_s: float,
    cost_s: Sequence[NDArray[np.float64]],
) -> tuple[float, list[tuple[int, int]]]:
    """The quickest trip and its points, by dynamic programming from block to block."""
    reach = begin_m[passages[0].points] / road_m_s
    trail: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    for k, (passage, cost) in enumerate(zip(passages, cost_s, strict=True)):
        through = reach[:, None] + cost
        came = through.argmin(axis=0)
        left = through.min(axis=0)
        onward = passages[k + 1].points if k + 1 < len(passages) else np.zeros(1, np.int64)
        road = left[:, None] + access.metres[np.ix_(passage.points, onward)] / road_m_s
        trail.append((came, road.argmin(axis=0)))
        reach = road.min(axis=0)
    at, points = 0, []
    for came, gone in reversed(trail):
        end = int(gone[at])
        at = int(came[end])
        points.append((at, end))
    return float(reach[0]), points[::-1]
