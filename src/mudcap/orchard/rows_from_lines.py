"""Rows from lines as drawn: straight, curved or angled, whole or in pieces; trees are laid along them.

The ends of a drawn line are taken as the row's ends, unless the block names its headland; at the block's edge half a tree
spacing stays free. What is left over of a piece's length is shared between its ends.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, _n
from mudcap.orchard.blocks import (
    Labels,
    finding,
    numbered_frame,
    row_spacing_m,
    spacings_assumed,
    tree_spacing_m,
)
from mudcap.orchard.frame import RowFrame, shrink
from mudcap.orchard.model import Block, Finding, Orchard, RowLine, TreeRows
from mudcap.orchard.numbering import number_rows
from mudcap.orchard.params import RowParams
from mudcap.orchard.row_finding import between_rows, row_spacing, turned, vote

_EDGE_M: Final = 0.05
_BACKWARD_M: Final = 1.0
_SAME_SPACING_M: Final = 0.05

Floats = NDArray[np.float64]


def rows_from_lines(
    block: Block, orchard: Orchard, params: RowParams, units: Units = "us"
) -> tuple[TreeRows | None, tuple[Finding, ...]]:
    """The rows of a block by the lines drawn in it, and what was made of them; None where there is none.

    Numbers of the lines are kept where each has one of at least 1; lines of one number are pieces of one row.
    """
    block, spread = _with_own_spacings(block, orchard.row_lines, units)
    tree_m = tree_spacing_m(block, params)
    pieces, number = _pieces(block, orchard.row_lines, tree_m)
    if not pieces:
        return None, ()
    grid_deg = _direction(pieces)
    at, piece = _samples(pieces, grid_deg, tree_m / 2)
    row_m = row_spacing(at, piece, tree_m, row_spacing_m(block, params))
    given = number is not None and int(number.min()) >= 1
    key = number if number is not None else _row_of_piece(vote(at, piece, row_m, tree_m), piece)
    xy = shapely.get_coordinates(pieces)
    coordinate_key = key[shapely.get_coordinates(pieces, return_index=True)[1]]
    labels = Labels(row=coordinate_key if given else None)
    frame, corner, said = numbered_frame(block, orchard, params, xy, grid_deg, labels)
    paths = [_upward(frame.to_frame(shapely.get_coordinates(p))) for p in pieces]
    ground = _ground(block, frame, tree_m)
    laid = [_trees_along(path, ground, tree_m) for path in paths]
    trees = np.vstack(laid)
    if not len(trees):
        return None, ()
    tree_key = np.repeat(key, [len(t) for t in laid])
    if not given:
        tree_key = _ascending(trees, tree_key)
        key = _ascending(np.array([p.mean(axis=0) for p in paths]), key)
    rows = number_rows(
        source="lines", corner=corner, frame=frame, row_spacing_m=between_rows(trees, tree_key, row_m),
        tree_spacing_m=tree_m, frame_xy=trees, row_key=tree_key,
        row_labels={int(k): int(k) for k in np.unique(tree_key)} if given else None,
        row_lines=_row_lines(paths, key),
    )  # fmt: skip
    assumed = spacings_assumed(block, params, units, has_rows=True)
    return rows, (*said, *spread, *_told(block, rows, paths, units), *assumed)


def lines_outside(orchard: Orchard) -> tuple[Finding, ...]:
    """A finding on drawn rows that run through no block."""
    if not orchard.row_lines or not orchard.blocks:
        return ()
    ground = shapely.union_all([block.polygon for block in orchard.blocks])
    lost = [line for line in orchard.row_lines if not line.line.intersects(ground)]
    if not lost:
        return ()
    text = _n(
        "{layer}: {count} of {total} drawn rows runs through no block; it is left out.",
        "{layer}: {count} of {total} drawn rows run through no block; they are left out.",
        len(lost),
    ).format(layer=lost[0].layer, count=len(lost), total=len(orchard.row_lines))
    where = shapely.multilinestrings([line.line for line in lost])
    return (Finding(level="warning", code="rows_outside", layer=lost[0].layer, feature="", text=text, geometry=where),)


def _with_own_spacings(block: Block, lines: tuple[RowLine, ...], units: Units) -> tuple[Block, tuple[Finding, ...]]:
    """The block with the spacings that its drawn rows say, where it says none itself; a word where they say several."""
    own = [line for line in lines if line.line.intersects(block.polygon)]
    row = [line.row_spacing_m for line in own if line.row_spacing_m is not None]
    tree = [line.tree_spacing_m for line in own if line.tree_spacing_m is not None]
    if row and block.row_spacing_m is None:
        block = replace(block, row_spacing_m=float(np.median(row)))
    if not tree or block.tree_spacing_m is not None:
        return block, ()
    block = replace(block, tree_spacing_m=float(np.median(tree)))
    if max(tree) - min(tree) <= _SAME_SPACING_M:
        return block, ()
    text = _("Block {block}: its drawn rows say tree spacings from {low} to {high}; {taken} is taken for all.").format(
        block=block.block_id, low=length_text(min(tree), units, 1), high=length_text(max(tree), units, 1),
        taken=length_text(float(np.median(tree)), units, 1),
    )  # fmt: skip
    return block, (finding("warning", "spacings_differ", block, text),)


def _pieces(
    block: Block, lines: tuple[RowLine, ...], tree_m: float
) -> tuple[list[Any], NDArray[np.int64] | None]:
    """The parts of drawn rows in the block, at least half a tree spacing long, and their numbers if all have one."""
    pieces, numbers = [], []
    for line in lines:
        if not line.line.intersects(block.polygon):
            continue
        cut = shapely.line_merge(shapely.intersection(line.line, block.polygon))
        for part in shapely.get_parts(cut):
            if part.geom_type == "LineString" and part.length >= tree_m / 2:
                pieces.append(part)
                numbers.append(line.number)
    known = [n for n in numbers if n is not None]
    return pieces, np.array(known, np.int64) if pieces and len(known) == len(pieces) else None


def _direction(pieces: list[Any]) -> float:
    """Mean direction of all pieces [grid deg, 0 ≤ d < 180], by length."""
    step = np.vstack([np.diff(shapely.get_coordinates(piece), axis=0) for piece in pieces])
    length = np.hypot(*step.T)
    double = 2 * np.arctan2(step[:, 0], step[:, 1])
    mean = np.arctan2((length * np.sin(double)).sum(), (length * np.cos(double)).sum())
    return float(np.degrees(mean) / 2) % 180.0


def _samples(pieces: list[Any], grid_deg: float, step_m: float) -> tuple[Floats, NDArray[np.int64]]:
    """Points along the pieces in a frame with y along the rows, and the piece of each."""
    dense = shapely.segmentize(np.array(pieces, dtype=object), step_m)
    xy, piece = shapely.get_coordinates(dense, return_index=True)
    return turned(xy, grid_deg), piece.astype(np.int64)


def _row_of_piece(key: NDArray[np.int64], piece: NDArray[np.int64]) -> NDArray[np.int64]:
    return key[np.unique(piece, return_index=True)[1]]


def _upward(path: Floats) -> Floats:
    return path if path[0, 1] <= path[-1, 1] else path[::-1]


def _ground(block: Block, frame: RowFrame, tree_m: float) -> Any:
    margin = max(block.headland_m or 0.0, tree_m / 2)
    return shrink(frame.geometry_to_frame(block.polygon), margin, _EDGE_M, tree_m / 2)


def _trees_along(path: Floats, ground: Any, tree_m: float) -> Floats:
    """Trees every `tree_m` along a frame path on the ground, centred on each stretch."""
    laid = [np.empty((0, 2))]
    for part in shapely.get_parts(shapely.line_merge(shapely.intersection(shapely.linestrings(path), ground))):
        if part.geom_type == "LineString" and part.length > 0:
            count = int(np.floor(round(part.length / tree_m, 6))) + 1
            at = part.length / 2 + tree_m * (np.arange(count) - (count - 1) / 2)
            laid.append(shapely.get_coordinates(shapely.line_interpolate_point(part, at)))
    return np.vstack(laid)


def _ascending(at: Floats, key: NDArray[np.int64]) -> NDArray[np.int64]:
    """Keys turned round where they fall with x."""
    falls = float((key - key.mean()) @ (at[:, 0] - at[:, 0].mean())) < 0
    return -key if falls else key


def _row_lines(paths: list[Floats], key: NDArray[np.int64]) -> dict[int, Floats]:
    """The whole line of each row, pieces in order."""
    out = {}
    for k in np.unique(key):
        mine = sorted((paths[i] for i in np.flatnonzero(key == k)), key=lambda path: float(path[0, 1]))
        joined = np.vstack(mine)
        out[int(k)] = joined[np.concatenate([[True], np.hypot(*np.diff(joined, axis=0).T) > 1e-9])]
    return out


def _told(block: Block, rows: TreeRows, paths: list[Floats], units: Units) -> tuple[Finding, ...]:
    text = _(
        "Block {block}: {rows} rows as drawn, {row} apart at {bearing:.1f}° from true north; {trees} trees are laid along "
        "them every {tree}, so tree numbers are assumed."
    ).format(
        block=block.block_id, rows=len(rows.row_number), row=length_text(rows.row_spacing_m, units, 1), bearing=round(rows.bearing_deg, 1) % 360,
        trees=len(rows.tree_xy), tree=length_text(rows.tree_spacing_m, units, 1),
    )  # fmt: skip
    said = [finding("note", "rows_drawn", block, text)]
    back = sum(bool((np.diff(path[:, 1]) < -_BACKWARD_M).any()) for path in paths)
    if back:
        text = _n(
            "Block {block}: {count} drawn row turns back on itself; trees are numbered by how far along they stand.",
            "Block {block}: {count} drawn rows turn back on themselves; trees are numbered by how far along they stand.",
            back,
        )
        said.append(finding("warning", "rows_turn_back", block, text.format(block=block.block_id, count=back)))
    return tuple(said)
