"""The travel network: where a vehicle may drive, where a crew walks, and how far it really is."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mudcap.orchard.model import Orchard
from mudcap.orchard.params import TravelParams
from mudcap.orchard.ways import Edges, lay_ways

TRUCK: Final = 1
CART: Final = 2
FOOT: Final = 4
VEHICLE: Final = TRUCK | CART
ROAD, HEADLAND, ALLEY, LINK = 0, 1, 2, 3


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
    """(e,) 0 road, 1 headland, 2 alley, 3 link (gate, access stub)."""
    yard_node: int
    """Node where rounds start; -1 where no yard or road is known."""
    alley: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """(e,) running number of the alley over all blocks' alleys in orchard order; -1 on other ways."""
    entry: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Nodes where vehicles come from: the yard, else the gates, else every road, else (no road drawn) every headland."""
    roads_known: bool = True
    """False where no road is drawn, so that every headland is taken as reachable."""

    @property
    def source(self) -> NDArray[np.int64]:
        """(e,) node at the near end of each edge."""
        return np.repeat(np.arange(len(self.node_xy)), np.diff(self.indptr))


def travel_network(orchard: Orchard, params: TravelParams) -> TravelNetwork:
    """The graph of all ways of an orchard, joined where they cross, meet or come within `params.snap_m`.

    Parts that are joined to nothing stay in the graph as they are; ditches cut alleys, headlands and links where no road
    crosses them.
    """
    edges = lay_ways(orchard, params)
    order = np.lexsort((edges.target, edges.source))
    indptr = np.zeros(len(edges.node_xy) + 1, np.int64)
    np.add.at(indptr, edges.source + 1, 1)
    network = TravelNetwork(
        node_xy=edges.node_xy, indptr=np.cumsum(indptr), target=edges.target[order], length_m=edges.length_m[order],
        mode=edges.mode[order], kind=edges.kind[order], yard_node=edges.yard_node, alley=edges.alley[order],
        entry=_entries(edges), roads_known=bool(orchard.roads),
    )  # fmt: skip
    for array in (network.node_xy, network.indptr, network.target, network.length_m, network.mode, network.kind):
        array.setflags(write=False)
    return network


def shortest(
    network: TravelNetwork, sources: ArrayLike, mode: int, *, backward: bool = False
) -> NDArray[np.float64]:
    """Metres from the nearest of `sources` to every node by ways open to any vehicle in `mode`; inf where none leads.

    `mode` is a sum of TRUCK, CART and FOOT; with `backward` the metres from every node to its nearest source.
    """
    start = np.unique(np.asarray(sources, np.int64).reshape(-1))
    num = len(network.node_xy)
    if not len(start) or not num:
        return np.full(num, np.inf)
    graph = graph_of(network, mode)
    found = dijkstra(graph.T.tocsr() if backward else graph, indices=start, min_only=True)
    return np.asarray(found, float)


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


def reached(network: TravelNetwork, mode: int = VEHICLE) -> NDArray[np.bool_]:
    """(v,) True at nodes which a vehicle can reach from where it comes, and leave again."""
    there = np.isfinite(shortest(network, network.entry, mode))
    back = np.isfinite(shortest(network, network.entry, mode, backward=True))
    return there & back


def _entries(edges: Edges) -> NDArray[np.int64]:
    if edges.yard_node >= 0:
        return np.array([edges.yard_node], np.int64)
    if len(edges.gate_nodes):
        return edges.gate_nodes
    for kinds in ((ROAD,), (HEADLAND, ALLEY)):
        nodes = np.unique(edges.source[np.isin(edges.kind, kinds)])
        if len(nodes):
            return nodes
    return np.empty(0, np.int64)
