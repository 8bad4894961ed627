"""Ground that no vehicle reaches: how many acres, why, and the shortest link that would join it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely import LineString

from mudcap.geo.units import M2_PER_ACRE
from mudcap.orchard.barriers import closed_ground, gate_bits, impassable_ground
from mudcap.orchard.model import Block, Orchard, Role
from mudcap.orchard.network import ALLEY, CART, VEHICLE, Days, TravelNetwork, open_on, travel_network, usable
from mudcap.orchard.params import TravelParams

Why = Literal["closed", "gate", "one_way", "vehicle", "gap"]
"""What keeps vehicles out: closings on the day, locked gates, directions, a change from truck to cart on the way, or no way."""
_PIECE_M: Final = 20.0
_FIRST_M: Final = 25.0
_FEW: Final = 4
"""More separate parts of the same blocks than this are told together."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Link:
    """The shortest straight joint between a part and the ways that vehicles reach."""

    line: LineString
    """From the part to the way."""
    ditches: tuple[str, ...] = ()
    """Ditches that it crosses: it needs a bridge or culvert there."""
    rows: int = 0
    """Tree rows that it crosses; 0 wherever any joint is free of them."""
    keep_outs: tuple[str, ...] = ()
    """Keep-outs that nobody crosses and that it would lead through."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutOff:
    """Ground that no vehicle reaches, all for one reason; without a way (`gap`) each connected part is one of its own."""

    why: Why
    acres: dict[str, float]
    """Acres under trees by block id."""
    gates: tuple[str, ...] = ()
    """Locked gates on the border of what is reached."""
    link: Link | None = None
    """Only for a gap; None where vehicles reach nothing at all."""
    parts: int = 1
    """Connected parts that are told together."""


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """The ways as undirected pairs of nodes."""

    low: NDArray[np.int64]
    high: NDArray[np.int64]
    of: NDArray[np.int64]
    """(e,) pair of each edge."""

    def any(self, edges: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Pairs of which some edge is marked."""
        return np.bincount(self.of[edges], minlength=len(self.low)) > 0


def acres_off_network(orchard: Orchard, network: TravelNetwork, *, days: Days = None) -> dict[str, float]:
    """Acres of each block along alleys that no vehicle can drive from where it comes and back, where there are any, by block id.

    Acres of ground under trees: row spacing × tree spacing each. Where alleys are for feet only, their ground counts as
    reached where they are joined to what a vehicle reaches.
    """
    pairs = _pairs(network)
    cut = ~pairs.any(_ground(network, days))
    return _acres(orchard, network, pairs, cut)


def cut_off(orchard: Orchard, network: TravelNetwork, params: TravelParams, *, days: Days = None) -> tuple[CutOff, ...]:
    """All ground that no vehicle reaches, by what keeps it out, the easiest to mend first."""
    pairs = _pairs(network)
    open_to = pairs.any(_ground(network, days))
    left = ~open_to
    if not _acres(orchard, network, pairs, left):
        return ()
    found = []
    for why, better in _eased(orchard, network, params, pairs, days):
        mine = left & better
        acres = _acres(orchard, network, pairs, mine)
        if acres:
            gates = _gates_met(orchard, network, params, pairs.any(_ground(network, days))) if why == "gate" else ()
            found.append(CutOff(why=why, acres=acres, gates=gates))
        left &= ~mine
    found += _gaps(orchard, network, pairs, left)
    bare = {
        block.block_id: _planted_acres(block)
        for block in orchard.blocks
        if not block.alleys and _planted_acres(block) > 0
    }
    return (*found, *(CutOff(why="gap", acres={name: acres}) for name, acres in bare.items()))


def _pairs(network: TravelNetwork) -> _Pairs:
    num = max(len(network.node_xy), 1)
    source, target = network.source, network.target
    keys, of = np.unique(np.minimum(source, target) * num + np.maximum(source, target), return_inverse=True)
    return _Pairs(keys // num, keys % num, of.reshape(-1))


def _ground(network: TravelNetwork, days: Days) -> NDArray[np.bool_]:
    """(e,) edges that a vehicle can use, alleys for feet only taken as if a cart could."""
    pairs = _pairs(network)
    for_feet = (network.kind == ALLEY) & ~pairs.any((network.mode & VEHICLE) != 0)[pairs.of]
    today = open_on(network, days)
    mode = np.where(for_feet & (today.mode > 0), today.mode | CART, today.mode).astype(np.uint8)
    return usable(replace(today, mode=mode))


def _eased(
    orchard: Orchard, network: TravelNetwork, params: TravelParams, pairs: _Pairs, days: Days
) -> Iterator[tuple[Why, NDArray[np.bool_]]]:
    """Pairs that vehicles could use without one thing after the other that keeps them out."""
    if days is not None and network.shuts:
        yield "closed", pairs.any(_ground(network, None))
    if any(gate_bits(g, params.keys) != gate_bits(g, "all") for g in orchard.gates):
        # a key changes no node, so that pairs of nodes are the same ones
        opened = travel_network(orchard, replace(params, keys="all"))
        theirs = _pairs(opened)
        num = max(len(network.node_xy), 1)
        usable_keys = (theirs.low * num + theirs.high)[theirs.any(_ground(opened, None))]
        yield "gate", np.isin(pairs.low * num + pairs.high, usable_keys)
        network, pairs_of = opened, theirs
    else:
        pairs_of = pairs
    both = np.zeros(len(pairs_of.low), np.uint8)
    np.bitwise_or.at(both, pairs_of.of, network.mode)
    for why, mode in (
        ("one_way", both[pairs_of.of]),
        ("vehicle", np.where(both & VEHICLE, both | VEHICLE, both)[pairs_of.of].astype(np.uint8)),
    ):
        good = pairs_of.any(_ground(replace(network, mode=mode), None))
        num = max(len(network.node_xy), 1)
        yield why, np.isin(pairs.low * num + pairs.high, (pairs_of.low * num + pairs_of.high)[good])  # type: ignore[misc]


def _acres(orchard: Orchard, network: TravelNetwork, pairs: _Pairs, cut: NDArray[np.bool_]) -> dict[str, float]:
    """Acres under trees along the alleys among `cut` pairs, by block id; those below a hundredth of an acre left out."""
    one = np.where(cut, 0, -1)
    return _acres_of_parts(orchard, network, pairs, one, 1)[0]


def _acres_of_parts(
    orchard: Orchard, network: TravelNetwork, pairs: _Pairs, part: NDArray[np.int64], num: int
) -> list[dict[str, float]]:
    """The same for each of `num` parts; `part` (pairs,) is -1 where a pair belongs to none."""
    count = len(orchard.blocks)
    if not count or not (part >= 0).any():
        return [{} for _k in range(num)]
    block_of = np.repeat(np.arange(count), [len(block.alleys) for block in orchard.blocks])
    edge = np.unique(pairs.of, return_index=True)[1]
    mine = np.flatnonzero((network.alley[edge] >= 0) & (part >= 0))
    edge = edge[mine]
    key = part[mine] * count + block_of[network.alley[edge]]
    lost = np.bincount(key, network.length_m[edge], minlength=num * count).reshape(num, count)
    whole = np.array([sum(alley.line.length for alley in block.alleys) for block in orchard.blocks])
    acres = lost / np.where(whole > 0, whole, 1.0) * [_planted_acres(block) for block in orchard.blocks]
    out: list[dict[str, float]] = [{} for _k in range(num)]
    for k, b in np.argwhere(acres >= 0.005).tolist():
        out[k][orchard.blocks[b].block_id] = float(acres[k, b])
    return out


def _planted_acres(block: Block) -> float:
    rows = block.rows
    return 0.0 if rows is None else len(rows.tree_xy) * rows.row_spacing_m * rows.tree_spacing_m / M2_PER_ACRE


def _gates_met(
    orchard: Orchard, network: TravelNetwork, params: TravelParams, open_pairs: NDArray[np.bool_]
) -> tuple[str, ...]:
    """Locked gates up to which a vehicle comes; all locked ones where it comes to none."""
    locked = [k for k, g in enumerate(orchard.gates) if gate_bits(g, params.keys) != gate_bits(g, "all")]
    pairs = _pairs(network)
    met = np.zeros(len(network.node_xy), bool)
    met[pairs.low[open_pairs]] = met[pairs.high[open_pairs]] = True
    at = {
        int(network.gate[e])
        for e in np.flatnonzero(network.gate >= 0)
        if met[network.source[e]] or met[network.target[e]]
    }
    return tuple(orchard.gates[k].name for k in locked if k in at) or tuple(orchard.gates[k].name for k in locked)


def _gaps(
    orchard: Orchard, network: TravelNetwork, pairs: _Pairs, left: NDArray[np.bool_]
) -> list[CutOff]:
    """Ground that nothing but a new way would join, the largest first."""
    kind = np.zeros(len(pairs.low), np.int64)
    kind[pairs.of] = network.kind
    drives = pairs.any((network.mode & VEHICLE) != 0)
    met = drives & ~left
    trees = [shapely.STRtree(_pieces(network, pairs, met & k)) for k in (kind == ALLEY, kind != ALLEY)]
    ways = [tree for tree in trees if len(tree)]
    part, num = _parts(pairs, left & (drives | (kind == ALLEY)), len(network.node_xy))
    groups: dict[tuple[str, ...], list[tuple[int, dict[str, float]]]] = {}
    for k, acres in enumerate(_acres_of_parts(orchard, network, pairs, part, num)):
        if acres:
            groups.setdefault(tuple(acres), []).append((k, acres))
    found, in_the_way = [], _InTheWay.on(orchard)
    for names, members in groups.items():
        together = [members] if len(members) > _FEW else [[member] for member in members]
        for some in together:
            acres = {name: sum(acres[name] for _k, acres in some) for name in names}
            mine = _pieces(network, pairs, np.isin(part, [k for k, _acres in some]))
            found.append(CutOff(why="gap", acres=acres, link=_link(orchard, mine, ways, in_the_way), parts=len(some)))
    return sorted(found, key=lambda c: -sum(c.acres.values()))


def _parts(pairs: _Pairs, cut: NDArray[np.bool_], num: int) -> tuple[NDArray[np.int64], int]:
    """The connected part to which each of the cut pairs belongs, -1 for the others, and how many parts there are."""
    edges = np.flatnonzero(cut)
    part = np.full(len(cut), -1, np.int64)
    if not len(edges):
        return part, 0
    graph = coo_matrix((np.ones(len(edges)), (pairs.low[edges], pairs.high[edges])), shape=(num, num))
    label = connected_components(graph, directed=False)[1][pairs.low[edges]]
    names, part[edges] = np.unique(label, return_inverse=True)
    return part, len(names)


@dataclass(frozen=True, slots=True, eq=False)
class _InTheWay:
    """What a link should not lead through."""

    rows: Any
    """Tree of boxes of the tree rows."""
    shapes: Any
    """Tree of boxes of keep-outs and ground that is closed for good."""

    @staticmethod
    def on(orchard: Orchard) -> _InTheWay:
        """All that is on a ranch."""
        rows = [line for block in orchard.blocks if block.rows is not None for line in block.rows.row_line]
        shapes = [k.geometry for k in orchard.keep_outs]
        shapes += [area for area, span in closed_ground(orchard) if span == (None, None)]
        return _InTheWay(shapely.STRtree(rows), shapely.STRtree(shapes))

    def rank(self, steps: NDArray[Any]) -> NDArray[np.int64]:
        """0 for a step that meets nothing, 1 where it meets a shape, 2 where it meets a tree row."""
        rank = np.zeros(len(steps), np.int64)
        rank[self.shapes.query(steps, predicate="intersects")[0]] = 1
        # most links that are no good meet a row at once: only the others are followed to their end
        start = shapely.line_interpolate_point(steps, 0.0)
        on = shapely.line_interpolate_point(steps, np.minimum(shapely.length(steps), _FIRST_M))
        xy = np.stack([shapely.get_coordinates(start), shapely.get_coordinates(on)], axis=1)
        rank[self.rows.query(shapely.linestrings(xy), predicate="intersects")[0]] = 2
        rest = np.flatnonzero(rank < 2)
        rank[rest[self.rows.query(steps[rest], predicate="intersects")[0]]] = 2
        return rank


def _link(orchard: Orchard, mine: NDArray[Any], ways: list[Any], in_the_way: _InTheWay) -> Link | None:
    """The shortest straight joint from a part to ways that are reached, over a ditch if need be, through tree rows or keep-outs
    only where there is no other."""
    joints = []
    for tree in ways:
        i, j = tree.query_nearest(mine, all_matches=False)
        joints.append(shapely.shortest_line(mine[i], tree.geometries[j]))
    if not joints:
        return None
    steps = np.concatenate(joints)
    steps = steps[np.argsort(np.round(shapely.length(steps), 3), kind="stable")]
    best, best_rank, done = 0, 3, 0
    while best_rank and done < len(steps):
        rank = in_the_way.rank(steps[done : done + max(32, 3 * done)])
        k = int(np.argmin(rank))
        if rank[k] < best_rank:
            best, best_rank = done + k, int(rank[k])
        done += len(rank)
    over = [f.name for f in orchard.features if f.role == Role.DITCHES and shapely.intersects(f.geometry, steps[best])]
    rows = len(in_the_way.rows.query(steps[best], predicate="intersects"))
    walls = [keep.name or keep.reason for keep, shape in impassable_ground(orchard) if shapely.intersects(shape, steps[best])]
    return Link(line=steps[best], ditches=tuple(over), rows=rows, keep_outs=tuple(walls))


def _pieces(network: TravelNetwork, pairs: _Pairs, use: NDArray[np.bool_]) -> NDArray[Any]:
    """Straight pieces of the pairs in use."""
    if not use.any():
        return np.empty(0, object)
    ends = np.stack([network.node_xy[pairs.low[use]], network.node_xy[pairs.high[use]]], axis=1)
    xy, index = shapely.get_coordinates(shapely.segmentize(shapely.linestrings(ends), _PIECE_M), return_index=True)
    same = index[1:] == index[:-1]
    return np.asarray(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[same]))

