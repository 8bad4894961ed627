"""Blocks whose trees stand up to the outline: vehicles turn outside it, unless something is in the way."""

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from mudcap.orchard.barriers import Walls
from mudcap.orchard.checks import check
from mudcap.orchard.model import Feature, KeepOut, Role
from mudcap.orchard.network import ALLEY, HEADLAND, LINK, reached, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from mudcap.orchard.turns import TURN_M, turns
from orchards import block, orchard, road

WEST = road((-6, -40), (-6, 140))
YARD = Point(-6, -40)


def bare(name="B", shape=None, **said):
    """A block of north-south rows up to its outline."""
    return block(name, shape or box(0, 0, 60, 100), headland_m=0.0, **said)


def laid(*blocks, **parts):
    return lay_rows(orchard(*blocks, **({"roads": (WEST,), "yard": YARD} | parts)), RowParams())[0]


def is_all_reached(ranch):
    """Whether vehicles come into every alley."""
    network = travel_network(ranch, TravelParams())
    return bool(reached(network)[network.source[network.kind == ALLEY]].all())


def test_a_road_along_one_side_leads_into_every_alley():
    """It touches the outermost alley only; the others are reached by turning outside."""
    ranch = laid(bare())
    assert ranch.blocks[0].headlands == () and is_all_reached(ranch)
    assert "not_reached" not in {f.code for f in check(ranch)}


def test_turns_lie_outside_within_reach_and_meet_the_alleys():
    """From each alley's end to the next one's, at both ends of the rows; as links, since no puddle may lie there."""
    ranch = laid(bare())
    (ground,) = ranch.blocks
    lines = turns(ranch, ground, Walls(ranch))
    assert len(lines) == 2 * (len(ground.alleys) - 1)
    assert {round(abs(y), 6) for line in lines for y in shapely.get_coordinates(line)[1:3, 1]} == {TURN_M, 100 + TURN_M}
    ends = {tuple(np.round(a.line.coords[k], 6)) for a in ground.alleys for k in (0, -1)}
    assert {tuple(np.round(line.coords[k], 6)) for line in lines for k in (0, -1)} <= ends
    network = travel_network(ranch, TravelParams())
    outside = ~shapely.contains_xy(ground.polygon.buffer(0.1), *network.node_xy.T)
    kinds = network.kind[outside[network.source] & (network.node_xy[network.source][:, 0] > 0)]
    assert set(kinds.tolist()) == {LINK}


def test_headlands_of_its_own_need_no_turns():
    ranch = laid(block("B", box(0, 0, 60, 100), headland_m=8.0))
    assert turns(ranch, ranch.blocks[0], Walls(ranch)) == []
    assert HEADLAND in travel_network(ranch, TravelParams()).kind


@pytest.mark.parametrize("gap_m", [0.5, 2.0])
def test_a_ditch_beside_the_row_ends_leaves_no_turn(gap_m):
    """On both sides, else the other one serves."""
    lines = [LineString([(-3, y), (90, y)]) for y in (-gap_m, 100 + gap_m)]
    ditches = tuple(Feature(role=Role.DITCHES, name="drain", geometry=line) for line in lines)
    assert not is_all_reached(laid(bare(), features=ditches))
    assert is_all_reached(laid(bare(), features=ditches[:1]))


def test_a_wall_beside_the_row_ends_leaves_no_turn():
    """A pond along both ends."""
    ponds = tuple(
        KeepOut(name="pond", reason="pond", geometry=box(0, low, 60, low + 8), setback_m=1.0, passable=False)
        for low in (-9, 101)
    )
    ranch = laid(bare(), keep_outs=ponds)
    assert turns(ranch, ranch.blocks[0], Walls(ranch)) == []
    assert not is_all_reached(ranch)


def test_a_block_that_begins_there_is_driven_on_into():
    """Two blocks end to end without an avenue: no room to turn between them, but the alleys go on."""
    ranch = laid(bare("A"), bare("B", box(0, 100, 60, 200)), roads=(road((-10, -6), (70, -6)),), yard=Point(-10, -6))
    for ground, y in zip(ranch.blocks, (-TURN_M, 200 + TURN_M), strict=True):
        assert {round(line.coords[1][1], 6) for line in turns(ranch, ground, Walls(ranch))} == {y}
    assert is_all_reached(ranch)


def test_a_step_of_the_outline_is_no_turn():
    """Alleys whose ends lie forty metres apart are not joined across the notch."""
    notched = Polygon([(0, 0), (60, 0), (60, 60), (30, 60), (30, 100), (0, 100)])
    ranch = laid(bare(shape=notched))
    lines = turns(ranch, ranch.blocks[0], Walls(ranch))
    assert lines and max(line.length for line in lines) < 20
    assert not any(shapely.intersects(line, shapely.buffer(notched, -2)) for line in lines)
