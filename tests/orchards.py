"""Tiny named orchards that tests share; all in an invented plane around 37° N 120.5° W."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from shapely import LineString, MultiPolygon, Point, Polygon, box

from mudcap.geo.plane import LocalPlane
from mudcap.geo.units import M2_PER_ACRE
from mudcap.orchard.model import (
    Block,
    Closure,
    Exclusion,
    Feature,
    KeepOut,
    MudSource,
    Orchard,
    Road,
    Role,
    SprayLane,
)

FOOT_M = 0.3048
PLANE = LocalPlane.around([(-120.5, 37.0)])
"""Centred on 120.5° W, so grid north is true north at the plane's origin."""


def block(block_id: str, polygon: Polygon | MultiPolygon, **said: Any) -> Block:
    """A block with north–south rows 22 ft × 18 ft, unless `said` otherwise."""
    defaults: dict[str, Any] = {
        "row_bearing_deg": 0.0, "row_spacing_m": 22 * FOOT_M, "tree_spacing_m": 18 * FOOT_M, "headland_m": 25 * FOOT_M,
        "corner": "SW", "code": "".join(c for c in block_id.upper() if c.isalnum())[:3],
    }  # fmt: skip
    return Block(
        block_id=block_id, layer="test", polygon=polygon, acres=polygon.area / M2_PER_ACRE, **(defaults | said)
    )


def orchard(*blocks: Block, name: str = "Test ranch", **parts: Any) -> Orchard:
    """An orchard of these blocks and whatever else is given."""
    return Orchard(name=name, plane=PLANE, blocks=blocks, **parts)


def road(*xy: Sequence[float], name: str = "road", width_m: float = 4.0, **said: Any) -> Road:
    """A farm road through these points."""
    return Road(name=name, line=LineString(xy), width_m=width_m, **said)


def one_row() -> Orchard:
    """Ten trees in a single row: 22 ft wide, 18 ft a tree, headlands of half a tree spacing."""
    return orchard(block("One", box(0, 0, 22 * FOOT_M, 180 * FOOT_M), headland_m=0.0))


def forty_acres() -> Orchard:
    """Half a mile by an eighth of a mile, 40 acres: rows 22 ft × 18 ft run north over the short side, no roads drawn."""
    return orchard(block("Forty", box(0, 0, 2640 * FOOT_M, 660 * FOOT_M)))


def two_blocks_and_a_road() -> Orchard:
    """Two blocks of 10 rows face each other over an east–west road; gate and yard at its west end, one clean mud hole."""
    width, depth = 220 * FOOT_M, 410 * FOOT_M
    return orchard(
        block("South", box(0, -depth - 5, width, -5)),
        block("North", box(0, 5, width, depth + 5), corner="NW"),
        roads=(road((-40, 0), (width + 20, 0)),),
        gates=(Feature(role=Role.GATES, name="west gate", geometry=Point(-20, 0)),),
        yard=Point(-41, 1),
        mud_sources=(MudSource(name="ditch end", geometry=Point(width + 10, 3), texture="clay loam"),),
    )


def l_shaped_block() -> Orchard:
    """An L: 12 rows, of which the western six run the whole way and the eastern six only half."""
    shape = Polygon([(0, 0), (80, 0), (80, 80), (40, 80), (40, 160), (0, 160)])
    return orchard(block("Ell", shape, row_spacing_m=80 / 12), roads=(road((-10, -4), (90, -4)),))


def block_with_pond() -> Orchard:
    """A square block with a round pond cut out of its middle, and a road along its south end."""
    shape = box(0, 0, 100, 100).difference(Point(50, 50).buffer(15))
    return orchard(block("Pond", shape, row_spacing_m=5.0, tree_spacing_m=4.0), roads=(road((-5, -5), (105, -5)),))


def two_part_block() -> Orchard:
    """One block in two parts, cut apart by a road that runs along the rows."""
    shape = MultiPolygon([box(0, 0, 40, 100), box(50, 0, 90, 100)])
    return orchard(block("Parts", shape, row_spacing_m=5.0, tree_spacing_m=4.0), roads=(road((45, -10), (45, 110)),))


def guarded_block() -> Orchard:
    """A block with one of each thing that keeps shelters away: lane, pump house, hives, power line, store, closure."""
    shape = box(0, 0, 200, 150)
    return orchard(
        block("Guard", shape, row_spacing_m=5.0, tree_spacing_m=5.0),
        roads=(road((-10, -5), (210, -5)),),
        spray_lanes=(SprayLane(name="lane", line=LineString([(55.0, 0), (55.0, 150)]), swept_m=4.0),),
        keep_outs=(
            KeepOut(name="pump", geometry=box(98, 70, 104, 76), setback_m=3.0, reason="pump house"),
            KeepOut(name="bees", geometry=Point(150, 60), setback_m=30.0, reason="hives", rule=Exclusion.HIVES),
            KeepOut(name="line", geometry=LineString([(0, 140), (200, 140)]), setback_m=3.0, reason="power line", rule=Exclusion.HAZARD),
            KeepOut(name="shed", geometry=Point(10, -20), setback_m=30.0, reason="chemical store", rule=Exclusion.CHEMICAL_STORE),
        ),
        closures=(Closure(name="wet corner", geometry=box(180, 120, 200, 150), first=None, last=None),),
    )
