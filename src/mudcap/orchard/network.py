"""The travel network: where a vehicle may drive, where a crew walks, and how far it really is."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.orchard.barriers import Shut
from mudcap.orchard.edges import ALLEY, HEADLAND, LINK, ROAD, Edges
from mudcap.orchard.model import Orchard
from mudcap.orchard.params import TravelParams
from mudcap.orchard.ways import lay_ways

__all__ = [
    "ALLEY", "CART", "FOOT", "HEADLAND", "LINK", "ROAD", "TRUCK", "VEHICLE", "Days", "TravelNetwork", "graph_of", "open_on",
    "reached", "shortest", "single_modes", "travel_network", "usable",
]  # fmt: skip

TRUCK: Final = 1
CART: Final = 2
FOOT: Final = 4
VEHICLE: Final = TRUCK | CART

Days = date | tuple[date, date] | None
"""One day, or a first and a last one; None where dates do not matter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TravelNetwork:
    """A weighted graph over roads, headlands, alleys and gates, as CSR arrays (read-only)."""

    node_xy: NDArray[np.float64]
    """(v, 2) [m]"""
    indptr: NDArray[np.int64]
    """(v + 1,) start of each node's edges."""
    target: NDArray[np.int64]
    """(e,) node at the far end; two-way ways appear once in each direction."""
    length_m: NDArray[np.float64]
    """(e,)"""
    mode: NDArray[np.uint8]
    """(e,) bit flags: 1 truck, 2 cart (ATV/UTV), 4 foot."""
    kind: NDArray[np.uint8]
    """(e,) 0 road, 1 headland, 2 alley, 3 link (gate, access stub, turn outside a block without headlands)."""
    yard_node: int
    """Node where rounds start; -1 where no yard or road is known."""
    alley: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """(e,) running number of the alley over all blocks' alleys in orchard order; -1 on other ways."""
    entry: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Nodes where vehicles come from: the yard, else the gates that let them in, else (no gate on any way) every road, else
    (no road drawn) every headland."""
    roads_known: bool = True
    """False where no road is drawn, so that every headland is taken as reachable."""
    gate: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """(e,) index into orchard.gates of the gate through which the edge leads, where it does not let everybody; else -1."""
    shut: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """(e,) index into `shuts`; -1 where no date closes the edge."""
    shuts: tuple[tuple[Shut, ...], ...] = ()
    """Sets of closings by date; `mode` knows only those without dates, `open_on` takes a day."""

    @property
    def source(self) -> NDArray[np.int64]:
        """(e,) node at the near end of each edge."""
        return np.repeat(np.arange(len(self.node_xy)), np.diff(self.indptr))


def travel_network(orchard: Orchard, params: TravelParams) -> TravelNetwork:
    """The graph of all ways of an orchard, joined where they cross, meet or come within `params.snap_m`.

    Parts that are joined to nothing stay in the graph as they are. What stops a crew:

    - ditches cut alleys, headlands and links unless a road crosses them there; a drawn road has its bridge or culvert unless
      it says whom that carries (`Road.bridge`);
    - keep-outs that nobody crosses cut alleys and headlands where these are laid (`orchard.alleys`), and links here; a drawn
      road stays a road, since whoever drew it goes there;
    - a gate lets through whom it says; a locked one stops those its lock is for, unless the crew has the key (`Gate.has_key`,
      `params.keys`); it bars the way on which it stands, and nothing beside it;
    - one-way roads and alleys go one way for vehicles, both ways on foot;
    - closed ground may not be entered at all, closed roads and alleys are not driven. Closings with dates count only through
      `open_on`.
    """
    edges = lay_ways(orchard, params)
    order = np.lexsort((edges.target, edges.source))
    indptr = np.zeros(len(edges.node_xy) + 1, np.int64)
    np.add.at(indptr, edges.source + 1, 1)
    network = TravelNetwork(
        node_xy=edges.node_xy, indptr=np.cumsum(indptr), target=edges.target[order], length_m=edges.length_m[order],
        mode=edges.mode[order], kind=edges.kind[order], yard_node=edges.yard_node, alley=edges.alley[order],
        entry=_entries(edges), roads_known=bool(orchard.roads), gate=edges.gate[order], shut=edges.shut[order],
        shuts=edges.shuts,
    )  # fmt: skip
    for array in (network.node_xy, network.indptr, network.target, network.length_m, network.mode, network.kind):
        array.setflags(write=False)
    return network


def open_on(network: TravelNetwork, days: Days) -> TravelNetwork:
    """The network as it is on a day, or on every day of a range: same nodes and edges, closed ones open to nobody."""
    if days is None or not network.shuts:
        return network
    first, last = days if isinstance(days, tuple) else (days, days)
    if last < first:
        raise ValueError(f"days: {last} is before {first}.")
    barred = np.zeros(len(network.shuts) + 1, np.uint8)
    for k, shuts in enumerate(network.shuts):
        for shut in shuts:
            barred[k] |= shut.mode if shut.bars(first, last) else 0
    mode = network.mode & ~barred[network.shut]
    mode.setflags(write=False)
    return replace(network, mode=mode)


def single_modes(mode: int) -> tuple[int, ...]:
    """The vehicles in a sum of modes, one by one: no crew changes from truck to cart on its way."""
    return tuple(one for one in (TRUCK, CART, FOOT) if mode & one)


def shortest(
    network: TravelNetwork, sources: ArrayLike, mode: int, *, backward: bool = False, days: Days = None
) -> NDArray[np.float64]:
    """Metres from the nearest of `sources` to every node with one of the vehicles in `mode`; inf where none leads.

    `mode` is a sum of TRUCK, CART and FOOT; with `backward` the metres from every node to its nearest source; `days` as in
    `open_on`. `orchard.paths.shortest_paths` gives seconds and the way itself too.
    """
    start = np.unique(np.asarray(sources, np.int64).reshape(-1))
    metres = np.full(len(network.node_xy), np.inf)
    if not len(start) or not len(metres):
        return metres
    network = open_on(network, days)
    done: list[NDArray[np.bool_]] = []
    for one in single_modes(mode):
        open_to = (network.mode & one) != 0
        if any(np.array_equal(open_to, other) for other in done):
            continue
        done.append(open_to)
        graph = graph_of(network, one)
        found = dijkstra(graph.T.tocsr() if backward else graph, indices=start, min_only=True)
        metres = np.minimum(metres, found)
    return metres


def graph_of(network: TravelNetwork, mode: int) -> Any:
    """The edges open to any vehicle in `mode` as a SciPy CSR matrix of metres; of parallel edges the shortest."""
    open_to = (network.mode & mode) != 0
    source, target, length = network.source[open_to], network.target[open_to], network.length_m[open_to]
    order = np.lexsort((length, target, source))
    source, target, length = source[order], target[order], length[order]
    first = np.ones(len(source), bool)
    first[1:] = (source[1:] != source[:-1]) | (target[1:] != target[:-1])
    num = len(network.node_xy)
    return csr_matrix((length[first], (source[first], target[first])), shape=(num, num))


def reached(network: TravelNetwork, mode: int = VEHICLE, *, days: Days = None) -> NDArray[np.bool_]:
    """(v,) True at nodes which one of the vehicles in `mode` can reach from where it comes, and leave again."""
    network = open_on(network, days)
    out = np.zeros(len(network.node_xy), bool)
    for one in single_modes(mode):
        start = _entry_of(network, one)
        there = np.isfinite(shortest(network, start, one))
        back = np.isfinite(shortest(network, start, one, backward=True))
        out |= there & back
    return out


def _entry_of(network: TravelNetwork, one: int) -> NDArray[np.int64]:
    """Entries that this vehicle can be at: on a way that carries it, or off all ways (a yard, a gate by the road)."""
    carries = np.zeros(len(network.node_xy), bool)
    on_way = carries.copy()
    ways = network.kind != LINK
    on_way[network.target[ways]] = on_way[network.source[ways]] = True
    ways &= (network.mode & one) != 0
    carries[network.target[ways]] = carries[network.source[ways]] = True
    return network.entry[carries[network.entry] | ~on_way[network.entry]]


def usable(network: TravelNetwork, mode: int = VEHICLE, *, days: Days = None) -> NDArray[np.bool_]:
    """(e,) True at edges that one of the vehicles in `mode` can drive on a round from where it comes and back."""
    network = open_on(network, days)
    out = np.zeros(len(network.target), bool)
    for one in single_modes(mode):
        mine = reached(network, one)
        out |= ((network.mode & one) != 0) & mine[network.source] & mine[network.target]
    return out


def _entries(edges: Edges) -> NDArray[np.int64]:
    """Where vehicles come from: the yard, else the gates, else the roads; where no road is drawn any headland or alley, and the yard."""
    vehicles = (edges.mode & VEHICLE) != 0
    is_road = edges.kind == ROAD
    if not is_road.any():
        known = [edges.yard_node] if edges.yard_node >= 0 else []
        return np.unique(np.append(edges.source[np.isin(edges.kind, (HEADLAND, ALLEY)) & vehicles], np.array(known, np.int64)))
    if edges.yard_node >= 0:
        return np.array([edges.yard_node], np.int64)
    return edges.gate_nodes if edges.is_gated else np.unique(edges.source[is_road & vehicles])
