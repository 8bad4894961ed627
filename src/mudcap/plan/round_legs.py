"""From the solver's steps to what a crew reads: rows to enter, sides, headings, and the way as a line."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point
from shapely.ops import substring

from mudcap.orchard.model import Alley, Block
from mudcap.plan.model import Plan
from mudcap.plan.round_model import CrewDay, Leg, LegKind, Stop, Visit
from mudcap.plan.round_places import Place
from mudcap.plan.round_roads import Origin, Roads
from mudcap.route.visits import Route, RouteStep

_AT_END_M: Final = 0.5
_PAUSES: Final = ("break", "lunch")
_KINDS: Final[dict[str, LegKind]] = {"reload": "reload", "break": "lunch", "lunch": "lunch", "wait": "wait"}


@dataclass(slots=True, kw_only=True, eq=False)
class _Piece:
    """A leg being made, with the points it goes through."""

    leg: Leg
    points: NDArray[np.float64]
    key: int
    """Place; -1 outside."""
    alley: int = -1
    stops: list[Stop] = field(default_factory=list)


def crew_day(
    plan: Plan, route: Route, places: Sequence[Place], visits: Sequence[Visit], roads: Roads, origin: Origin | None
) -> CrewDay | None:
    """What a crew reads of its route, which begins at `origin` (None: at the yard); None without a stop."""
    if not any(s.kind == "serve" for s in route.steps):
        return None
    maker = _Maker(plan, places, visits, roads, origin)
    pieces = _merged(maker.pieces(route.steps))
    legs: list[Leg] = []
    track = []
    for piece in pieces:
        leg = dataclasses.replace(piece.leg, stops=tuple(piece.stops))
        if piece.leg.kind in ("row", "along"):
            leg = _with_words(plan, leg, piece, places)
        before = next((other.block_id for other in reversed(legs) if other.kind != "reload"), "")
        # a load ends where the crew is back for the next, and another block begins, however quick that goes
        is_new = leg.kind == "travel" and bool(before) and leg.block_id not in ("", before)
        if leg.end_s > leg.begin_s or leg.stops or leg.kind == "reload" or is_new:
            legs.append(leg)
        track.append(piece.points)
    points = np.vstack(track)
    apart = np.append(True, np.hypot(*np.diff(points, axis=0).T) > 1e-6)
    return CrewDay(crew=route.crew, day=route.day, legs=tuple(legs), track=points[apart])


class _Maker:
    """Walks through a route's steps."""

    def __init__(
        self, plan: Plan, places: Sequence[Place], visits: Sequence[Visit], roads: Roads, origin: Origin | None
    ) -> None:
        self.plan, self.places, self.visits, self.roads, self.origin = plan, places, visits, roads, origin
        self.order = 0
        self._at_yard = plan.network.yard_node >= 0

    def pieces(self, steps: Sequence[RouteStep]) -> Iterator[_Piece]:
        """One piece a way of the graph, or part of it before or after lunch; travel, waiting and lunch apart."""
        i = 0
        while i < len(steps):
            step = steps[i]
            if step.kind == "travel":
                yield self._travel(step)
                i += 1
            elif not step.block_id:
                yield self._pause(step)
                i += 1
            else:
                j = i
                while j < len(steps) and (_way(steps[j]) == _way(step) or (steps[j].kind in _PAUSES and j > i)):
                    j += 1
                yield from self._drive(steps[i:j])
                i = j

    def _leg(self, kind: LegKind, step: RouteStep, end: RouteStep | None = None, **said: object) -> Leg:
        last = end or step
        return Leg(kind=kind, begin_s=step.begin_s, end_s=last.end_s, **said)  # type: ignore[arg-type]

    def _travel(self, step: RouteStep) -> _Piece:
        here, there = step.from_vertex, step.to_vertex
        if here >= 0:
            points, walks = self.roads.path(here, there), self.roads.walked(here, there)
        else:
            assert self.origin is not None
            points, walks = self.origin.paths[there], self.origin.walked[there]
        to = int(self.roads.access.block[there])
        metres = float(np.hypot(*np.diff(points, axis=0).T).sum()) if len(points) else 0.0
        side = -1 if to < 0 or self.places[to].block < 0 else _side_of(self.plan.orchard.blocks[self.places[to].block], points)
        leg = self._leg("travel", step, metres=metres, block_id=self._name(to) if to >= 0 else "", heading=side, at_yard=self._at_yard, on_foot=walks)
        return _Piece(leg=leg, points=points, key=-1)

    def _pause(self, step: RouteStep) -> _Piece:
        return _Piece(leg=self._leg(_KINDS[step.kind], step, at_yard=self._at_yard), points=np.empty((0, 2)), key=-1)

    def _name(self, key: int) -> str:
        place = self.places[key]
        return self.visits[place.visits[0]].name if place.block < 0 else self.plan.orchard.blocks[place.block].block_id

    def _drive(self, steps: Sequence[RouteStep]) -> Iterator[_Piece]:
        """One way of a place's graph, cut where lunch falls into it."""
        key, edge = int(steps[0].block_id), steps[0].edge
        place = self.places[key]
        factor = place.stretch[0] if place.graph.is_aisle[edge] else place.stretch[1]
        alley = int(place.ground.alley[edge]) if place.ground is not None else -1
        kind: LegKind = "puddle" if place.ground is None else "row" if alley >= 0 else "along"
        driven = sum(s.metres for s in steps) / factor
        points = self._points(place, steps[0], driven)
        run: list[RouteStep] = []
        continues = False
        last = max(i for i, step in enumerate(steps) if step.kind not in _PAUSES)
        for i, step in enumerate([*steps, None]):
            if step is not None and step.kind not in _PAUSES:
                run.append(step)
                continue
            if run:
                leg = self._leg(
                    kind, run[0], run[-1], metres=sum(s.metres for s in run) / factor, block_id=self._name(key),
                    turns=kind == "row" and steps[0].from_vertex == steps[0].to_vertex, on_foot=place.on_foot,
                    continues=continues, pauses=kind == "row" and i < last,
                )  # fmt: skip
                own = points if not continues else points[-1:]
                yield _Piece(leg=leg, points=own, key=key, alley=alley, stops=[self._stop(s, place) for s in run if s.kind == "serve"])
            if step is not None:
                yield self._pause(step)
                run, continues = [], True

    def _stop(self, step: RouteStep, place: Place) -> Stop:
        self.order += 1
        side = "" if place.ground is None else "right" if step.side > 0 else "left"
        return Stop(
            order=self.order, visit=self.visits[place.visits[step.stop]], side=side,  # type: ignore[arg-type]
            begin_s=step.begin_s, end_s=step.end_s,
        )  # fmt: skip

    def _points(self, place: Place, step: RouteStep, driven: float) -> NDArray[np.float64]:
        """Points of one way as it is driven, in and out again where the crew turns round inside."""
        if place.ground is None:
            return np.array([self.visits[place.visits[0]].xy])
        nodes = place.ground.path[step.edge]
        points = np.asarray(self.plan.network.node_xy[nodes], float)
        if int(place.graph.tail[step.edge]) != step.from_vertex:
            points = points[::-1]
        if step.from_vertex != step.to_vertex:
            return points
        inward = substring(LineString(points), 0.0, driven / 2)
        there = np.array(inward.coords)[:, :2]
        return np.vstack([there, there[::-1][1:]])


def _way(step: RouteStep) -> tuple[str, int, int, int]:
    return step.block_id, step.edge, step.from_vertex, step.to_vertex


def _merged(pieces: Iterator[_Piece]) -> list[_Piece]:
    """Ways that a crew sees as one: an alley that goes on over a cross-road, a headland from alley to alley."""
    out: list[_Piece] = []
    for piece in pieces:
        before = out[-1] if out else None
        if before is not None and _goes_on(before, piece):
            before.leg = dataclasses.replace(
                before.leg, end_s=piece.leg.end_s, metres=before.leg.metres + piece.leg.metres
            )
            before.points = np.vstack([before.points, piece.points])
            before.stops += piece.stops
        else:
            out.append(piece)
    return out


def _goes_on(a: _Piece, b: _Piece) -> bool:
    if a.key < 0 or (a.key, a.leg.kind, a.alley) != (b.key, b.leg.kind, b.alley) or b.leg.continues:
        return False
    if a.leg.kind == "along":
        return True
    if a.leg.kind != "row" or a.leg.turns or b.leg.turns or a.leg.continues:
        return False
    return bool((a.points[-1] - a.points[0]) @ (b.points[-1] - b.points[0]) > 0)


def _with_words(plan: Plan, leg: Leg, piece: _Piece, places: Sequence[Place]) -> Leg:
    """The leg with its heading, and for an alley the rows on both sides and whether its ends are the alley's."""
    if leg.continues:
        along = _back_along(plan, piece, places)
        piece = dataclasses.replace(piece, points=along[::-1] if leg.turns else along)
    start, far = piece.points[0], _far(piece.points, leg.turns)
    heading = _eighth(plan, start, far)
    if leg.kind == "along":
        return dataclasses.replace(leg, heading=heading)
    block = plan.orchard.blocks[places[piece.key].block]
    alley = block.alleys[piece.alley]
    ends = [Point(alley.line.coords[0]), Point(alley.line.coords[-1])]

    def at_end(xy: NDArray[np.float64]) -> bool:
        return bool(min(end.distance(Point(xy)) for end in ends) <= _AT_END_M)

    return dataclasses.replace(
        leg, heading=heading, rows=_rows_beside(block, alley, start, far), from_headland=at_end(start),
        to_headland=at_end(piece.points[-1]),
    )  # fmt: skip


def _back_along(plan: Plan, piece: _Piece, places: Sequence[Place]) -> NDArray[np.float64]:
    """Points of the alley towards the end at which it is left after lunch."""
    line = np.array(plan.orchard.blocks[places[piece.key].block].alleys[piece.alley].line.coords)[:, :2]
    at_start = np.hypot(*(line[0] - piece.points[-1])) < np.hypot(*(line[-1] - piece.points[-1]))
    return line[::-1] if at_start else line


def _far(points: NDArray[np.float64], turns: bool) -> NDArray[np.float64]:
    far: NDArray[np.float64] = points[len(points) // 2] if turns else points[-1]
    return far


def _eighth(plan: Plan, a: NDArray[np.float64], b: NDArray[np.float64]) -> int:
    """Eighth of the compass, from true north, in which b lies from a; -1 where they are one point."""
    step = b - a
    if float(np.hypot(*step)) < 0.01:
        return -1
    grid = float(np.degrees(np.arctan2(step[0], step[1])))
    return round((grid + plan.orchard.plane.convergence_deg(a)) / 45) % 8


def _side_of(block: Block, points: NDArray[np.float64]) -> int:
    """Eighth of the compass on which the end of a way lies in a block's bounding box; -1 where there is no way."""
    if not len(points):
        return -1
    low_x, low_y, high_x, high_y = block.polygon.bounds
    east, north = 2 * (points[-1] - (low_x, low_y)) / (high_x - low_x, high_y - low_y) - 1
    return round(float(np.degrees(np.arctan2(east, north))) / 45) % 8


def _rows_beside(
    block: Block, alley: Alley, start: NDArray[np.float64], far: NDArray[np.float64]
) -> tuple[int, int]:
    """Tree rows on the left and on the right of one who goes from `start` to `far`; 0 where there is none."""
    rows = block.rows
    known = {} if rows is None else dict(zip(rows.row_number.tolist(), rows.row_line, strict=True))
    middle = (start + far) / 2
    way = far - start
    sides = [0, 0]
    for number, other in ((alley.left_row, alley.right_row), (alley.right_row, alley.left_row)):
        line = known.get(number)
        if line is None:
            continue
        near = np.array(line.interpolate(line.project(Point(middle))).coords[0])[:2]
        turn = way[0] * (near - middle)[1] - way[1] * (near - middle)[0]
        sides[0 if turn > 0 else 1] = number
        if other not in known:
            sides[1 if turn > 0 else 0] = 0
    return sides[0], sides[1]
