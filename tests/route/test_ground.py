"""A block's stop graph from the travel network: true distances, the right drive rows, and exact rounds on odd shapes."""

from __future__ import annotations

import numpy as np
import pytest
from route_oracle import cheapest_by_search
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

import orchards
from mudcap.orchard.model import Block, Orchard
from mudcap.orchard.network import VEHICLE, TravelNetwork, graph_of, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.route.aisles import solve_block
from mudcap.route.ground import Ground, lay_ground
from mudcap.route.options import RoundParams

SHAPES = ["one_row", "two_blocks_and_a_road", "l_shaped_block", "block_with_pond", "two_part_block"]


def _laid(
    name: str, num_stops: int, seed: int = 1, **said: object
) -> tuple[Orchard, TravelNetwork, Block, np.ndarray, Ground]:
    """A named orchard with rows and network, some trees of its first block as stops, and its ground."""
    orchard, _ = lay_rows(getattr(orchards, name)(), RowParams())
    network = travel_network(orchard, TravelParams())
    block = orchard.blocks[0]
    assert block.rows is not None
    rng = np.random.default_rng(seed)
    pick = np.sort(rng.choice(len(block.rows.tree_xy), num_stops, replace=False))
    ground = lay_ground(
        orchard, network, block, block.rows.tree_row[pick], block.rows.tree_xy[pick], mode=VEHICLE,
        row_spacing_m=block.rows.row_spacing_m, **said,
    )  # type: ignore[arg-type]  # fmt: skip
    return orchard, network, block, pick, ground


@pytest.mark.parametrize("name", SHAPES)
def test_distances_are_those_of_the_network(name: str) -> None:
    """Between any two vertices the graph is as long as the travel network, though most nodes are joined away."""
    _, network, _, _, ground = _laid(name, 3)
    g = ground.graph
    size = len(g.vertex_xy)
    tail, head, length = np.r_[g.tail, g.head], np.r_[g.head, g.tail], np.r_[g.length_m, g.length_m]
    order = np.argsort(-length, kind="stable")  # of parallel ways the shortest is written last
    dense = np.full((size, size), np.inf)
    dense[tail[order], head[order]] = length[order]
    ours = dijkstra(csr_matrix(np.where(np.isfinite(dense), dense, 0.0)), directed=False)
    theirs = dijkstra(graph_of(network, VEHICLE), indices=ground.node)[:, ground.node]
    np.testing.assert_allclose(ours, theirs, atol=1e-6)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("seed", range(4))
def test_rounds_on_odd_shapes_are_exact(name: str, seed: int) -> None:
    """On L-shapes, round ponds and blocks in two parts the round equals the exhaustive search over the same graph."""
    *_, ground = _laid(name, 5, seed)
    params = RoundParams(u_turn_s=5.0 * (seed % 2), headland_turn_s=3.0 * (seed % 2))
    tour = solve_block(ground.graph, params)
    assert tour.status == "optimal"
    assert tour.objective == pytest.approx(cheapest_by_search(ground.graph, params), abs=1e-6)


@pytest.mark.parametrize("name", SHAPES)
def test_each_stop_is_served_from_beside_its_row(name: str) -> None:
    """Every place lies in a drive row next to the stop's tree row, within a row spacing, on the side it says."""
    _, network, block, pick, ground = _laid(name, 8)
    rows, g = block.rows, ground.graph
    assert rows is not None
    assert ground.unreached == ()
    for p in range(len(g.place_stop)):
        tree = pick[ground.stop[g.place_stop[p]]]
        alley = block.alleys[ground.alley[g.place_edge[p]]]
        assert rows.tree_row[tree] in (alley.left_row, alley.right_row)
        nodes = network.node_xy[ground.path[g.place_edge[p]]]
        way, off = nodes[-1] - nodes[0], rows.tree_xy[tree] - nodes[0]
        right = (way[0] * off[1] - way[1] * off[0]) / np.hypot(*way) * -g.place_side[p]
        assert 0 < right <= 0.8 * rows.row_spacing_m + 1e-6
        assert way @ off / np.hypot(*way) == pytest.approx(g.place_m[p], abs=0.5)


def test_closed_drive_rows_are_left_out() -> None:
    """With one of its two drive rows closed a stop is served from the other; with both closed it is said to be unreached."""
    _, _, block, pick, _ = _laid("l_shaped_block", 6)
    rows = block.rows
    assert rows is not None
    row = int(rows.tree_row[pick[0]])
    beside = [k for k, a in enumerate(block.alleys) if row in (a.left_row, a.right_row)]
    *_, one = _laid("l_shaped_block", 6, closed_alleys=beside[:1])
    assert one.unreached == ()
    assert beside[0] not in one.alley
    *_, both = _laid("l_shaped_block", 6, closed_alleys=beside)
    assert 0 in both.unreached
    assert len(both.stop) + len(both.unreached) == 6


def test_no_way_for_the_vehicle_is_an_error() -> None:
    """A vehicle that no alley is open to is refused in words."""
    with pytest.raises(ValueError, match="no drive row"):
        _laid("one_row", 2, closed_alleys=range(9))
