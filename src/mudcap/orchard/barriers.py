"""What stops a crew on its way: ditches without a crossing, gates, ground that is closed, and what stands in the way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from mudcap.orchard.model import Exclusion, Feature, Gate, KeepOut, Orchard, Role

MODE_BITS: Final = {"truck": 1, "cart": 2, "foot": 4}
ALL_MODES: Final = 7
VEHICLES: Final = 3
BREAK_M: Final = 0.5
"""A way cut by a ditch ends this far before it; a gate takes as much of its road on either side."""
_BANK_M: Final = 2.0
"""A road over a ditch carries a vehicle this much beside its own width."""
CLOSURE_REACH_M: Final = 2.0
"""A closure drawn as a line or point stops whoever comes this near (common practice, no source)."""
IN_FENCE_M: Final = 3.0
"""A gate this near to a fence stands in it, as far as drawings go (common practice, no source)."""
OPENING_M: Final = 5.0
"""A gate opens its fence this far to either side, since nobody draws how the way bends through it (common practice, no source)."""
POINT_M: Final = 1.0
"""What nobody crosses and is drawn as a point reaches this far round it (common practice, no source)."""
EDGE_M: Final = 0.1
"""A way along the edge of what nobody crosses does not cross it, as far as drawings and positions go."""

Span = tuple[date | None, date | None]
"""First and last day; None: from ever, or for ever."""


@dataclass(frozen=True, slots=True)
class Shut:
    """Modes that are stopped on some days."""

    mode: int
    span: Span

    def bars(self, first: date, last: date) -> bool:
        """Whether it stops them on any day of a range."""
        begin, end = self.span
        return (begin is None or begin <= last) and (end is None or first <= end)


@dataclass(frozen=True, slots=True)
class Narrow:
    """A short stretch of a way that not everybody passes."""

    low_m: float
    high_m: float
    mode: int
    """Who passes."""
    gate: int = -1
    """Index of the gate that stands here."""


def bits(modes: frozenset[str]) -> int:
    """Mode bits of words."""
    return sum(MODE_BITS[m] for m in modes if m in MODE_BITS)


def gate_bits(gate: Feature, keys: str) -> int:
    """Who gets through a gate with the crew's keys: `keys` holds gate names parted by commas, or "all".

    >>> from shapely import Point
    >>> gate = Gate(role=Role.GATES, name="Canal gate", geometry=Point(0, 0), locked=frozenset({"truck", "cart"}))
    >>> gate_bits(gate, ""), gate_bits(gate, "canal gate, east gate")
    (4, 7)
    """
    if not isinstance(gate, Gate):
        return ALL_MODES
    opened = gate.has_key or keys.strip().casefold() == "all" or gate.name.casefold() in named_keys(keys)
    return bits(gate.modes) & (ALL_MODES if opened else ~bits(gate.locked))


def named_keys(keys: str) -> list[str]:
    """Gate names, case folded, that an option names.

    >>> named_keys("Canal gate , ")
    ['canal gate']
    """
    return [word for part in keys.split(",") if (word := part.strip().casefold())]


def closed_ground(orchard: Orchard) -> list[tuple[Any, Span]]:
    """Areas that may not be entered, each with its days; closures whose dates are the wrong way round close nothing."""
    out = []
    for closure in orchard.closures:
        if closure.first is not None and closure.last is not None and closure.last < closure.first:
            continue
        lines = [g for g in shapely.get_parts(closure.geometry) if shapely.get_dimensions(g) < 2]
        area = closure.geometry
        if lines:
            area = shapely.union_all([area, *shapely.buffer(lines, CLOSURE_REACH_M)])
        if not area.is_empty:
            out.append((area, (closure.first, closure.last)))
    return out


def impassable(keep_out: KeepOut) -> BaseGeometry | None:
    """The ground that nobody drives or walks over, of its own shape and without its setback; None where one may.

    Where the input does not say, areas of keep-outs (house, pond, pump house) and chemical stores are impassable, points and
    lines are not, nor hives and hazards, which only keep shelters off.

    >>> from shapely import box
    >>> pond = KeepOut(name="pond", geometry=box(0, 0, 9, 9), setback_m=3.0, reason="pond")
    >>> impassable(pond).area, impassable(KeepOut(name="nest", geometry=box(0, 0, 9, 9), setback_m=3, reason="", passable=True))
    (81.0, None)
    """
    if keep_out.passable or keep_out.geometry.is_empty:
        return None
    if keep_out.passable is False:
        parts = shapely.get_parts(keep_out.geometry)
        return shapely.union_all(np.where(shapely.get_dimensions(parts) > 0, parts, shapely.buffer(parts, POINT_M)))
    if keep_out.rule not in (Exclusion.KEEP_OUT, Exclusion.CHEMICAL_STORE):
        return None
    areas = [part for part in shapely.get_parts(keep_out.geometry) if shapely.get_dimensions(part) == 2]
    return shapely.union_all(areas) if areas else None


def impassable_ground(orchard: Orchard) -> list[tuple[KeepOut, BaseGeometry]]:
    """Every keep-out that nobody crosses, with the shape that stops them; a fence is open where a gate stands in it.

    A gate that is locked opens it too where the crew has the key (its column `keys`), since else nobody drives through.
    """
    found = [(keep, shape) for keep in orchard.keep_outs if (shape := impassable(keep)) is not None]
    posts = [gate.geometry.centroid for gate in orchard.gates if gate_bits(gate, "") & VEHICLES]
    return [(keep, _opened(shape, posts)) for keep, shape in found]


def _opened(shape: BaseGeometry, posts: list[Any]) -> BaseGeometry:
    """A line with a gap at each gate that stands in it; areas as they are."""
    if shapely.get_dimensions(shape) != 1 or not posts:
        return shape
    within = [post for post in posts if shapely.distance(shape, post) <= IN_FENCE_M]
    return shapely.difference(shape, shapely.union_all(shapely.buffer(within, OPENING_M))) if within else shape


class Walls:
    """What nobody drives or walks through, for many lines at a time."""

    def __init__(self, orchard: Orchard) -> None:
        self.shapes = np.array([_inner(shape) for _keep, shape in impassable_ground(orchard)], dtype=object)
        self.tree = shapely.STRtree(self.shapes)

    def cross(self, lines: NDArray[Any]) -> NDArray[np.bool_]:
        """(n,) whether each line leads through one of them."""
        out = np.zeros(len(lines), bool)
        if len(self.shapes) and len(lines):
            out[self.tree.query(lines, predicate="intersects")[0]] = True
        return out

    def enter(self, lines: NDArray[Any]) -> NDArray[np.bool_]:
        """(n,) the same, but for lines that lie inside one from end to end, as between two roads drawn through it."""
        out = np.zeros(len(lines), bool)
        if len(self.shapes) and len(lines):
            i, j = self.tree.query(lines, predicate="intersects")
            out[i[~shapely.covers(self.shapes[j], lines[i])]] = True
        return out


def _inner(shape: BaseGeometry) -> BaseGeometry:
    """A shape without its edge, where it has any width."""
    less = shapely.buffer(shape, -EDGE_M)
    return shape if less.is_empty or shapely.get_dimensions(shape) < 2 else less


class Ditches:
    """The ditches of an orchard and where roads take one over them."""

    def __init__(self, orchard: Orchard) -> None:
        self.lines = [f.geometry for f in orchard.features if f.role == Role.DITCHES]
        self.all = shapely.union_all(self.lines) if self.lines else None
        self.bridges = None
        if self.all is None:
            return
        shapely.prepare(self.all)
        carrying = [road for road in orchard.roads if bits(road.bridge) & VEHICLES]
        decks = [shapely.intersection(self.all, road.line).buffer(road.width_m / 2 + _BANK_M) for road in carrying]
        self.bridges = shapely.union_all(decks)
        shapely.prepare(self.bridges)

    def breaks(self, line: LineString) -> list[float]:
        """Distances along a line at which a ditch cuts it, beside the roads' bridges."""
        if self.all is None or not shapely.intersects(self.all, line):
            return []
        points = shapely.points(shapely.get_coordinates(shapely.intersection(self.all, line)))
        wet = points[~shapely.intersects(self.bridges, points)]
        return [float(m) for m in shapely.line_locate_point(line, wet)]

    def cross(self, line: LineString) -> bool:
        """Whether a line crosses a ditch where no road does."""
        return bool(self.breaks(line))

    def spans(self, line: LineString) -> list[tuple[float, float]]:
        """Stretches of a road over each ditch, a little more than its water."""
        if self.all is None or not shapely.intersects(self.all, line):
            return []
        out = []
        for part in shapely.get_parts(shapely.intersection(self.all, line)):
            at = shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(part)))
            out.append((float(at.min()) - BREAK_M, float(at.max()) + BREAK_M))
        return out
