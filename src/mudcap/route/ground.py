"""The stop graph of one block as it lies: its drive rows, headlands and roads taken from the travel network."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from shapely import LineString, Point, intersects, points, shortest_line

from mudcap.orchard.barriers import Walls
from mudcap.orchard.model import Block, Orchard
from mudcap.orchard.network import ALLEY, TravelNetwork, shortest
from mudcap.route.stopgraph import StopGraph

_REACH_ROWS = 0.8
"""A stop is served from a drive row within so many row spacings of it: never from beyond the next tree row."""
_MARGIN_M = 30.0
"""Roads within this distance of the block belong to its graph."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """A block's stop graph, and how its vertices and ways lie in the travel network."""

    graph: StopGraph
    node: NDArray[np.int64]
    """(v,) network node of each vertex."""
    path: tuple[NDArray[np.int64], ...]
    """(e,) network nodes along each way, from tail to head."""
    alley: NDArray[np.int64]
    """(e,) position in the block's `alleys`; -1 on other ways."""
    approach_m: float
    """Metres from where vehicles come from to the start of the graph; 0 where no road is known."""
    unreached: tuple[int, ...]
    """Stops that no drive row open to the vehicle passes; the graph leaves them out."""
    stop: NDArray[np.int64]
    """(n,) number of each stop of the graph in the list given."""


def lay_ground(
    orchard: Orchard,
    network: TravelNetwork,
    block: Block,
    stop_row: Sequence[int],
    stop_xy: ArrayLike,
    *,
    mode: int,
    row_spacing_m: float,
    closed_alleys: Sequence[int] = (),
    besides: Collection[int] = (),
) -> Ground:
    """Return the ground of one block for a crew whose vehicle may use ways of ``mode``.

    ``stop_row`` is the tree row of each stop and ``stop_xy`` (n, 2) where it stands. The round starts and ends at the vertex
    that is nearest by road to where vehicles come from. ``closed_alleys`` are positions in the block's `alleys`. One-way alleys
    and roads keep their direction (`StopGraph.one_way`); those that cannot be reached and left again are left out. Where a block
    lies in parts (cut by a canal, joined only by roads far around) it is the greatest; the next is the ground ``besides`` the
    network nodes of those before.

    Raises ``ValueError`` where the block has no way that the vehicle may use.
    """
    first = _first_alley(orchard, block)
    before = set(besides)
    steps = _steps(network, block, first, mode, set(closed_alleys))
    if not any(along >= 0 for _a, _b, _metres, along, _sense in steps):
        raise ValueError(
            f"block {block.block_id}: no drive row that this vehicle may use is joined to a headland or road."
        )
    entry = shortest(network, network.entry, mode) if len(network.entry) else np.zeros(len(network.node_xy))
    if before:
        steps = [s for s in steps if s[0] not in before and s[1] not in before and np.isfinite(entry[s[0]])]
    steps = _largest_part(steps, entry) if steps else []
    if not steps:
        raise ValueError(f"block {block.block_id}: no drive row that this vehicle may use can be left again.")
    nodes = sorted({n for s in steps for n in s[:2]})
    start = min(nodes, key=lambda n: (entry[n], n))
    chains = _chains(steps, start)
    vertices = sorted({c[0][0] for c in chains} | {c[0][-1] for c in chains} | {start})
    number = {n: k for k, n in enumerate(vertices)}
    xy = np.asarray(stop_xy, float).reshape(-1, 2)
    placed = _place(network, block, chains, stop_row, xy, row_spacing_m, _walls(orchard, block, xy))
    reached = sorted({p[0] for p in placed})
    renumber = {s: k for k, s in enumerate(reached)}
    graph = StopGraph(
        vertex_xy=network.node_xy[vertices],
        tail=np.array([number[c[0][0]] for c in chains], np.int64),
        head=np.array([number[c[0][-1]] for c in chains], np.int64),
        length_m=np.array([c[1] for c in chains]),
        is_aisle=np.array([c[2] >= 0 for c in chains], bool),
        column=_columns(network, block, vertices),
        place_stop=np.array([renumber[p[0]] for p in placed], np.int64),
        place_edge=np.array([p[1] for p in placed], np.int64),
        place_m=np.array([p[2] for p in placed], float),
        place_side=np.array([p[3] for p in placed], np.int64),
        start=number[start],
        end=number[start],
        one_way=np.array([c[3] for c in chains], np.int8) if any(c[3] for c in chains) else None,
    )
    graph.check()
    return Ground(
        graph=graph, node=np.array(vertices, np.int64), path=tuple(np.array(c[0], np.int64) for c in chains),
        alley=np.array([c[2] for c in chains], np.int64),
        approach_m=float(entry[start]) if network.roads_known and np.isfinite(entry[start]) else 0.0,
        unreached=tuple(s for s in range(len(stop_row)) if s not in renumber), stop=np.array(reached, np.int64),
    )  # fmt: skip


_Step = tuple[int, int, float, int, int]
"""Two network nodes, metres, the alley's position in the block (-1: none), and 1 or -1 where only that way along is allowed."""
_Chain = tuple[list[int], float, int, int]
"""Network nodes in order, metres, alley, direction."""


def _first_alley(orchard: Orchard, block: Block) -> int:
    """Running number of the block's first alley."""
    before = 0
    for other in orchard.blocks:
        if other.block_id == block.block_id:
            return before
        before += len(other.alleys)
    raise ValueError(f"block {block.block_id} is not in the orchard.")


def _steps(network: TravelNetwork, block: Block, first: int, mode: int, closed: set[int]) -> list[_Step]:
    """The block's alleys, and other ways near it, that the vehicle may drive; of parallel ones the shortest."""
    source = network.source
    alley = np.where(network.kind == ALLEY, network.alley - first, -1)
    low_x, low_y, high_x, high_y = block.polygon.buffer(_MARGIN_M).bounds
    x, y = network.node_xy[:, 0], network.node_xy[:, 1]
    near = (x >= low_x) & (x <= high_x) & (y >= low_y) & (y <= high_y)
    mine = (network.kind != ALLEY) & near[source] & near[network.target]
    mine |= (network.kind == ALLEY) & (alley >= 0) & (alley < len(block.alleys))
    mine &= ((network.mode & mode) != 0) & ~np.isin(alley, sorted(closed))
    found: dict[tuple[int, int], tuple[float, int]] = {}
    for e in np.flatnonzero(mine & (source != network.target)).tolist():
        key = (int(source[e]), int(network.target[e]))
        found[key] = min(found.get(key, (np.inf, -1)), (float(network.length_m[e]), int(alley[e])))
    steps: list[_Step] = []
    for (a, b), (metres, along) in sorted(found.items()):
        if (b, a) not in found:
            steps.append((min(a, b), max(a, b), metres, along, 1 if a < b else -1))
        elif a < b:
            steps.append((a, b, metres, along, 0))
    return sorted(steps)


def _largest_part(steps: list[_Step], entry: NDArray[np.float64]) -> list[_Step]:
    """The part that can be driven from anywhere to anywhere with the most metres of alleys, among those that vehicles reach
    (among all, where none is reached)."""
    size = len(entry)
    links = [(a, b) for a, b, *_, way in steps if way >= 0] + [(b, a) for a, b, *_, way in steps if way <= 0]
    i, j = np.array(links, np.int64).T
    _, part = connected_components(
        csr_matrix((np.ones(len(i)), (i, j)), shape=(size, size)), connection="strong"
    )
    metres: dict[int, float] = {}
    is_open: dict[int, bool] = {}
    for a, b, length, alley, _ in steps:
        if part[a] == part[b]:
            r = int(part[a])
            metres[r] = metres.get(r, 0.0) + (length if alley >= 0 else 0.0)
            is_open[r] = is_open.get(r, False) or bool(np.isfinite(entry[a]) or np.isfinite(entry[b]))
    best = max(metres, key=lambda r: (is_open[r] and metres[r] > 0, metres[r], -r), default=-1)
    return [s for s in steps if part[s[0]] == best and part[s[1]] == best]


def _chains(steps: list[_Step], start: int) -> list[_Chain]:
    """Ways between junctions: steps joined where nothing branches and alley and direction stay the same; blind road ends dropped."""
    at: dict[int, list[_Step]] = {}
    for a, b, length, alley, way in steps:
        at.setdefault(a, []).append((a, b, length, alley, way))
        at.setdefault(b, []).append((b, a, length, alley, -way))
    blind = [n for n in at if n != start and len(at[n]) == 1 and at[n][0][3] < 0]
    while blind:
        n = blind.pop()
        if len(at.get(n, [])) != 1:
            continue
        _, other, length, alley, way = at.pop(n)[0]
        at[other].remove((other, n, length, alley, -way))
        if other != start and len(at[other]) == 1 and at[other][0][3] < 0:
            blind.append(other)
    joint = {
        n for n, s in at.items() if n == start or len(s) != 2 or s[0][3] != s[1][3] or s[0][4] != -s[1][4]
    }
    chains: list[_Chain] = []
    used: set[tuple[int, int]] = set()
    for n in [*sorted(joint), *sorted(set(at) - joint)]:
        for step in sorted(at[n]):
            if (n, step[1]) in used:
                continue
            nodes, metres, alley, way = [n], 0.0, step[3], step[4]
            while True:
                used |= {(step[0], step[1]), (step[1], step[0])}
                nodes.append(step[1])
                metres += step[2]
                onward = [s for s in at[step[1]] if s[1] != step[0]]
                if step[1] in joint or not onward or step[1] == n or (step[1], onward[0][1]) in used:
                    break
                step = onward[0]
            chains.append((nodes, metres, alley, way))
    return [c for c in chains if c[0][0] != c[0][-1]]


def _columns(network: TravelNetwork, block: Block, vertices: list[int]) -> NDArray[np.int64]:
    """Number of the drive row nearest across the rows, counted over the drive rows as they lie."""
    ends = np.array([[a.line.coords[0], a.line.coords[-1]] for a in block.alleys])[:, :, :2]
    way = (ends[:, 1] - ends[:, 0]).sum(axis=0)
    across = np.array([way[1], -way[0]]) / max(float(np.hypot(*way)), 1e-9)
    lies = np.unique(np.round(ends.mean(axis=1) @ across, 1))
    apart = np.diff(lies)
    lies = lies[np.append(True, apart > 0.5 * np.median(apart))] if len(apart) else lies
    at = network.node_xy[vertices] @ across
    column: NDArray[np.int64] = np.abs(at[:, None] - lies[None]).argmin(axis=1)
    return column


def _walls(orchard: Orchard, block: Block, xy: NDArray[np.float64]) -> tuple[Walls, NDArray[np.bool_]] | None:
    """What nobody crosses in a block, and which stops stand inside (put there by hand, stepped to all the same)."""
    walls = Walls(orchard)
    if not len(walls.shapes) or not intersects(walls.shapes, block.polygon).any():
        return None
    return walls, walls.cross(points(xy))


def _place(
    network: TravelNetwork,
    block: Block,
    chains: list[_Chain],
    stop_row: Sequence[int],
    xy: NDArray[np.float64],
    row_spacing_m: float,
    walls: tuple[Walls, NDArray[np.bool_]] | None,
) -> list[tuple[int, int, float, int]]:
    """(stop, way, metres from its tail, side) for the nearest way on each side of each stop."""
    beside: dict[int, list[int]] = {}
    lines = [LineString(network.node_xy[c[0]]) for c in chains]
    for e, (_, _, alley, _) in enumerate(chains):
        if alley >= 0:
            for row in (block.alleys[alley].left_row, block.alleys[alley].right_row):
                beside.setdefault(row, []).append(e)
    placed = []
    for s, row in enumerate(stop_row):
        nearest: dict[bool, tuple[float, int]] = {}
        for e in beside.get(int(row), []):
            gap = float(lines[e].distance(Point(xy[s])))
            low_side = block.alleys[chains[e][2]].right_row == row
            if gap <= _REACH_ROWS * row_spacing_m and (gap, e) < nearest.get(low_side, (np.inf, -1)):
                if walls is not None and not walls[1][s] and walls[0].cross(shortest_line([lines[e]], Point(xy[s]))).any():
                    continue
                nearest[low_side] = (gap, e)
        for _, e in sorted(nearest.values(), key=lambda g: g[1]):
            along = float(lines[e].project(Point(xy[s])))
            scale = chains[e][1] / max(float(lines[e].length), 1e-9)
            placed.append((s, e, min(along * scale, chains[e][1]), _side(lines[e], along, xy[s])))
    return placed


def _side(line: LineString, along: float, xy: NDArray[np.float64]) -> int:
    """+1 where a point lies on the right of one who goes along the line, -1 on the left."""
    a = np.array(line.interpolate(max(along - 0.5, 0.0)).coords[0])
    b = np.array(line.interpolate(min(along + 0.5, line.length)).coords[0])
    turn = (b[0] - a[0]) * (xy[1] - a[1]) - (b[1] - a[1]) * (xy[0] - a[0])
    return -1 if turn > 0 else 1
