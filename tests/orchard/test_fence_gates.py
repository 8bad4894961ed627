"""A gate opens the fence in which it stands, for those whom it lets through."""

import pytest
from shapely import LineString, Point, box

from mudcap.orchard.checks import check
from mudcap.orchard.model import Exclusion, Feature, Gate, KeepOut, Role
from mudcap.orchard.network import ALLEY, reached, travel_network
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.rows import lay_rows
from orchards import block, orchard, road

ROUND = LineString([(-3, -3), (63, -3), (63, 103), (-3, 103), (-3, -3)])
LOCKED = frozenset({"truck", "cart"})


def gate(x=30.0, y=-3.0, **said):
    return (Gate if said else Feature)(role=Role.GATES, name="Gate", geometry=Point(x, y), **said)


def share_reached(*gates, shape=ROUND):
    """Share of the alleys inside a fence that vehicles reach from a road 8 m outside the block, and what is said."""
    fence = KeepOut(name="fence", geometry=shape, setback_m=1.0, reason="fence", rule=Exclusion.KEEP_OUT, passable=False)
    ground = block("B", box(0, 0, 60, 100), headland_m=8.0)
    parts = {"roads": (road((-20, -8), (80, -8)),), "yard": Point(-20, -8), "keep_outs": (fence,), "gates": gates}
    ranch = lay_rows(orchard(ground, **parts), RowParams())[0]
    network = travel_network(ranch, TravelParams())
    return reached(network)[network.source[network.kind == ALLEY]].mean(), {f.code for f in check(ranch)}


@pytest.mark.parametrize(("gates", "is_in"), [
    ((), False), ((gate(),), True), ((gate(y=-1),), True), ((gate(locked=LOCKED),), False),
    ((gate(locked=LOCKED, has_key=True),), True), ((gate(modes=frozenset({"foot"})),), False), ((gate(x=30, y=50),), False),
])  # fmt: skip
def test_a_gate_opens_its_fence(gates, is_in):
    """Drawn on it or beside it; not when it is locked without a key, for walkers only, or elsewhere."""
    share, codes = share_reached(*gates)
    assert share == (1.0 if is_in else 0.0)
    assert ("not_reached" in codes or "behind_locked_gate" in codes) != is_in


def test_a_gate_opens_no_pond():
    """An area stays what it is."""
    assert share_reached(gate(), shape=box(-10, -6, 70, -2))[0] == 0.0
