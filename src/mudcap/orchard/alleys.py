"""Drive rows and headlands of a block, cut from its rows and its outline.

Drivable ground is the block less half a headland at its row ends and less `VEHICLE_CLEAR_M` elsewhere, also round keep-outs that
nobody crosses: they cut as a hole in the block does. The alleys run through it midway between neighbouring rows, and the headlands
along its edge from one alley's end to the next; so both meet exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from mudcap.lang import _
from mudcap.orchard.alley_rules import along, apply_rules
from mudcap.orchard.blocks import finding, headland_m
from mudcap.orchard.frame import CORNERS, RowFrame, edge_m, shrink, unit_vector
from mudcap.orchard.model import Alley, Block, Finding, Orchard, TreeRows
from mudcap.orchard.params import RowParams
from mudcap.orchard.walls import VEHICLE_CLEAR_M, Walls, cut_findings, tree_rows, walls_in

TURNING_HEADLAND_M: Final = 3.0
"""A narrower headland is no way: vehicles turn outside the block (common practice, no source; see `orchard.turns`)."""
_WIDE_ALLEY: Final = 2.5
"""Rows farther apart than this many row spacings have no common alley."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Gap:
    """The ground between two neighbouring rows (or outside one), as a frame line to drive along."""

    left_row: int
    right_row: int
    path: NDArray[np.float64]
    width_m: float
    low_y: float
    high_y: float


def lay_alleys(block: Block, orchard: Orchard, params: RowParams) -> tuple[Block, tuple[Finding, ...]]:
    """The block with its alleys (spray lanes, directions and closings marked) and headlands."""
    rows = block.rows
    if rows is None or not len(rows.tree_xy):
        return replace(block, alleys=(), headlands=()), ()
    frame = frame_of_rows(block, rows, orchard)
    shape = frame.geometry_to_frame(block.polygon)
    headland = _measured_headland_m(rows, frame, shape)
    if rows.source not in ("trees", "lines"):
        headland = min(headland, headland_m(block, params))
    free = shrink(shape, max(headland / 2, VEHICLE_CLEAR_M), VEHICLE_CLEAR_M, VEHICLE_CLEAR_M)
    gaps = _gaps(rows, frame)
    lines = _gap_lines(gaps, free)
    walls = walls_in(block, orchard, frame)
    drivable = shapely.difference(free, walls.ground) if walls.keeps else free
    pieces = _cut(gaps, lines, drivable, rows.tree_spacing_m)
    alleys = tuple(
        Alley(
            block_id=block.block_id, left_row=gap.left_row, right_row=gap.right_row,
            line=LineString(frame.to_plane(path)), width_m=gap.width_m,
        )
        for gap, path in pieces
    )  # fmt: skip
    headlands: tuple[LineString, ...] = ()
    if headland >= TURNING_HEADLAND_M:
        ends = _headlands(drivable, [path for _gap, path in pieces], frame.to_frame(rows.tree_xy), walls, tree_rows(rows, frame))
        headlands = tuple(LineString(frame.to_plane(shapely.get_coordinates(line))) for line in ends)
    alleys, findings = _mark_spray_lanes(block, apply_rules(alleys, orchard.alley_rules), orchard, params)
    return replace(block, alleys=alleys, headlands=headlands), findings + cut_findings(block, walls, lines, free)


def frame_of_rows(block: Block, rows: TreeRows, orchard: Orchard) -> RowFrame:
    """The row frame in which rows laid earlier are numbered: x grows with rows, y with trees."""
    centre = np.array(block.polygon.centroid.coords[0])
    angle = np.radians(rows.bearing_deg - orchard.plane.convergence_deg(centre))
    along = np.array([np.sin(angle), np.cos(angle)])
    across = np.array([along[1], -along[0]])
    x = (rows.tree_xy - centre) @ across
    middle = rows.tree_row - rows.tree_row.mean()
    if float(x @ middle) < 0:
        across = -across
    elif not np.ptp(rows.tree_row) and rows.corner:
        across = _away_from(rows.corner, along, across, orchard.plane.convergence_deg(centre))
    return RowFrame(origin_xy=centre, across=across, along=along, bearing_deg=rows.bearing_deg)


def _measured_headland_m(rows: TreeRows, frame: RowFrame, shape: BaseGeometry) -> float:
    """Free ground at the row ends that nine rows in ten leave: where trees are known the headland is what they leave."""
    at = frame.to_frame(rows.tree_xy)
    first = np.searchsorted(rows.tree_row, rows.row_number)
    last = np.append(first[1:], len(at)) - 1
    free = np.concatenate([edge_m(shape, at[first], up=False), edge_m(shape, at[last], up=True)])
    free = free[np.isfinite(free)]
    return float(np.quantile(free, 0.1)) if len(free) else 0.0


def _away_from(
    corner: str, along: NDArray[np.float64], across: NDArray[np.float64], convergence_deg: float
) -> NDArray[np.float64]:
    """`across` or its reverse, so that a lone row's corner lies at low x."""
    towards = unit_vector(CORNERS[corner] - convergence_deg)
    return -across if float(towards @ across) > 0 else across


def _gaps(rows: TreeRows, frame: RowFrame) -> list[_Gap]:
    paths = [frame.to_frame(shapely.get_coordinates(line)) for line in rows.row_line]
    spacing, gaps = rows.row_spacing_m, []
    offset = max(VEHICLE_CLEAR_M, spacing / 4)
    gaps.append(_outside(int(rows.row_number[0]) - 1, int(rows.row_number[0]), paths[0], -offset))
    for i in range(len(paths) - 1):
        left, right = int(rows.row_number[i]), int(rows.row_number[i + 1])
        between = _between(left, right, paths[i], paths[i + 1])
        if between.width_m <= _WIDE_ALLEY * spacing:
            gaps.append(between)
        else:
            gaps.append(_outside(left, right, paths[i], offset))
            gaps.append(_outside(left, right, paths[i + 1], -offset))
    gaps.append(_outside(int(rows.row_number[-1]), int(rows.row_number[-1]) + 1, paths[-1], offset))
    return gaps


def _outside(left: int, right: int, path: NDArray[np.float64], offset: float) -> _Gap:
    return _Gap(
        left_row=left, right_row=right, path=path + np.array([offset, 0.0]), width_m=2 * abs(offset),
        low_y=float(path[0, 1]), high_y=float(path[-1, 1]),
    )  # fmt: skip


def _between(left: int, right: int, a: NDArray[np.float64], b: NDArray[np.float64]) -> _Gap:
    y = np.unique(np.round(np.concatenate([a[:, 1], b[:, 1]]), 3))
    xa, xb = _x_at(a, y), _x_at(b, y)
    return _Gap(
        left_row=left, right_row=right, path=np.column_stack([(xa + xb) / 2, y]),
        width_m=float(np.median(np.abs(xb - xa))), low_y=float(y[0]), high_y=float(y[-1]),
    )  # fmt: skip


def _x_at(path: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """x of a frame path at each y, its end pieces drawn out straight."""
    x = np.interp(y, path[:, 1], path[:, 0])
    for end, beyond in ((slice(0, 2), y < path[0, 1]), (slice(-2, None), y > path[-1, 1])):
        (xa, ya), (xb, yb) = path[end]
        if yb > ya:
            x[beyond] = xa + (xb - xa) / (yb - ya) * (y[beyond] - ya)
    return np.asarray(x)


def _gap_lines(gaps: list[_Gap], ground: BaseGeometry) -> NDArray[Any]:
    """Each gap's line, drawn out beyond the ground's reach along the rows; none where there is no ground."""
    low, high = ground.bounds[1], ground.bounds[3]
    if not np.isfinite(low):
        return np.empty(0, object)
    paths = []
    for gap in gaps:
        y = np.unique(np.concatenate([[min(low, gap.low_y) - 1.0], gap.path[:, 1], [max(high, gap.high_y) + 1.0]]))
        path = np.column_stack([_x_at(gap.path, y), y])
        paths.append(shapely.linestrings(shapely.get_coordinates(shapely.linestrings(path).simplify(1e-3))))
    return np.array(paths, dtype=object)


def _cut(
    gaps: list[_Gap], lines: NDArray[Any], drivable: BaseGeometry, shortest_m: float
) -> list[tuple[_Gap, NDArray[np.float64]]]:
    """Each gap's pieces on drivable ground, low y first, to the ground's edge, beside trees of their own."""
    if not len(lines):
        return []
    shapely.prepare(drivable)
    out = []
    for gap, cut in zip(gaps, shapely.intersection(lines, drivable), strict=True):
        for piece in sorted(_lines(cut), key=lambda line: float(line.bounds[1])):
            y = shapely.get_coordinates(piece)[:, 1]
            beside = min(float(y.max()), gap.high_y) - max(float(y.min()), gap.low_y)
            if piece.length >= shortest_m and beside > 0:
                path = shapely.get_coordinates(piece)
                out.append((gap, path if path[0, 1] <= path[-1, 1] else path[::-1]))
    return out


def _lines(geometry: BaseGeometry) -> list[Any]:
    return [part for part in shapely.get_parts(geometry) if part.geom_type == "LineString" and part.length > 0]


def _headlands(
    drivable: BaseGeometry, alleys: list[NDArray[np.float64]], trees: NDArray[np.float64], walls: Walls, rows: NDArray[Any]
) -> list[BaseGeometry]:
    """Pieces of the drivable ground's outer edge that join the ends of different alleys, clear of the trees, and where they
    go round a wall through no tree row."""
    if not alleys:
        return []
    ends = np.array([p[k] for p in alleys for k in (0, -1)])
    owner = np.repeat(np.arange(len(alleys)), 2)
    points = shapely.points(ends)
    kept: list[Any] = []
    for part in shapely.get_parts(drivable):
        ring = shapely.get_exterior_ring(part)
        on = np.flatnonzero(shapely.distance(points, ring) < 1e-6)
        if len(on) > 1:
            kept += _ring_pieces(ring, ends[on], owner[on])
    if not kept:
        return []
    tree = shapely.STRtree(shapely.points(trees))
    near = tree.query(np.array(kept, dtype=object), predicate="dwithin", distance=VEHICLE_CLEAR_M)[0]
    clear = np.ones(len(kept), bool)
    clear[near] = False
    clear &= ~walls.through_rows(np.array(kept, dtype=object), rows)
    if not clear.any():
        return []
    return _lines(shapely.line_merge(shapely.multilinestrings([k for k, ok in zip(kept, clear, strict=True) if ok])))


def _ring_pieces(ring: Any, ends: NDArray[np.float64], owner: NDArray[np.int64]) -> list[Any]:
    where = shapely.line_locate_point(ring, shapely.points(ends))
    order = np.argsort(where, kind="stable")
    where, ends, owner = where[order], ends[order], owner[order]
    corners = shapely.get_coordinates(ring)[:-1]
    along = shapely.line_locate_point(ring, shapely.points(corners))
    pieces = []
    for i in range(len(where)):
        j = (i + 1) % len(where)
        if owner[i] == owner[j]:
            continue
        length = (where[j] - where[i]) % ring.length
        offset = (along - where[i]) % ring.length
        between = np.flatnonzero((offset > 1e-6) & (offset < length - 1e-6))
        between = between[np.argsort(offset[between], kind="stable")]
        path = np.vstack([ends[i], corners[between], ends[j]])
        if length > 1e-6:
            pieces.append(LineString(path))
    return pieces


def _mark_spray_lanes(
    block: Block, alleys: tuple[Alley, ...], orchard: Orchard, params: RowParams
) -> tuple[tuple[Alley, ...], tuple[Finding, ...]]:
    every, findings = params.sprayed_every, []
    lanes = np.array([lane.line for lane in orchard.spray_lanes], dtype=object)
    marked = []
    for alley in alleys:
        sprayed = bool(every) and is_kth(alley, block, every)
        marked.append(replace(alley, is_spray_lane=sprayed or bool(along(alley, lanes))))
    if every == 1:
        text = _("Block {block}: every alley is sprayed; no station is left out for that, sites are only marked.")
        findings.append(finding("note", "all_alleys_sprayed", block, text.format(block=block.block_id)))
    if every == 2:
        text = _(
            "Block {block}: with every second alley sprayed each row stands beside a spray lane, so the spray lane rule may "
            "leave no station; sprayed_every = 1 only marks them."
        )
        findings.append(finding("warning", "every_row_sprayed", block, text.format(block=block.block_id)))
    return tuple(marked), tuple(findings)


def is_kth(alley: Alley, block: Block, every: int) -> bool:
    """Whether an alley is sprayed when every k-th is: the one after each k-th row; with k = 1 the outer ones too."""
    first = int(block.rows.row_number[0]) if block.rows is not None and len(block.rows.row_number) else 1
    return every == 1 or (alley.left_row >= first and (alley.left_row - first + 1) % every == 0)
