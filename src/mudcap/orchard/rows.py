"""Tree rows, trees, drive rows and headlands of every block, from whatever the input says about them.

Convention of a laid lattice (common practice, no source): as many rows as fit with half a row spacing to the sides of the
block, what is left over shared between both; the sides are where the block is at least `_SIDE` as long as in its longest row,
so that wobble of a walked outline and tips do not shift the rows, and more rows follow into such tips (where rows centred on
the block's whole reach hold clearly more trees, they are taken). Trees on one square lattice, centred between the
headlands. A tree needs its headland (at least half a tree spacing) of free ground along the row at the block's end, and a
quarter of a row spacing across; at holes half a tree spacing. No tree stands on a road that runs through the block
(`orchard.paved`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.geo.units import Units, length_text
from mudcap.lang import _
from mudcap.orchard.alleys import lay_alleys
from mudcap.orchard.blocks import (
    block_frame,
    corner_name,
    finding,
    headland_m,
    row_spacing_m,
    spacings_assumed,
    tree_spacing_m,
)
from mudcap.orchard.frame import RowFrame, shrink
from mudcap.orchard.model import Block, Finding, Orchard, TreeRows
from mudcap.orchard.numbering import Source, no_rows, number_rows
from mudcap.orchard.params import RowParams
from mudcap.orchard.paved import roads_through
from mudcap.orchard.rows_from_lines import lines_outside, rows_from_lines
from mudcap.orchard.rows_from_trees import rows_from_trees, sort_trees_into_blocks

SPACING_RANGE_M: Final = (1.0, 30.0)
"""Outside this no lattice is laid: nearer than a hedge, wider than any orchard (common practice, no source)."""
_ROW_SLACK: Final = 0.05
"""Share of a row spacing by which the first row may stand nearer than half a spacing: survey noise."""
_TREE_SLACK: Final = 0.01
_SIDE: Final = 0.3
_MORE: Final = 1.03
"""Rows centred on the block's whole reach are taken where they hold this much more trees."""


def lay_rows(orchard: Orchard, params: RowParams, *, units: Units = "us") -> tuple[Orchard, tuple[Finding, ...]]:
    """The orchard with rows, trees, alleys and headlands in each block, and what had to be assumed for them.

    Of what the input gives the first that there is counts: trees as points, rows as lines, bearing and spacings, and last
    the block's own longest side, with a warning. Lengths are told in `units`.
    """
    trees, findings = sort_trees_into_blocks(orchard, units)
    blocks = []
    for k, block in enumerate(orchard.blocks):
        rows, said = rows_from_trees(block, orchard, trees[k], params, units)
        if rows is None:
            rows, more = rows_from_lines(block, orchard, params, units)
            said += more
        if rows is None:
            rows, more = _rows_from_spacing(block, orchard, params, units)
            said += more
        block, more = lay_alleys(replace(block, rows=rows), orchard, params)
        blocks.append(block)
        findings += said + more
    return replace(orchard, blocks=tuple(blocks)), findings + lines_outside(orchard)


def lattice(low_m: float, high_m: float, spacing_m: float, margin_m: float, slack: float) -> NDArray[np.float64]:
    """Positions `spacing_m` apart, centred between two ends, at least `margin_m` (less `slack` spacings) from both.

    >>> lattice(0.0, 22.0, 5.0, 2.5, 0.0).tolist()
    [3.5, 8.5, 13.5, 18.5]
    """
    room = (high_m - low_m - 2 * margin_m) / spacing_m + 2 * slack
    if room < 0:
        return np.empty(0)
    count = int(np.floor(round(room, 6))) + 1
    return np.asarray((low_m + high_m) / 2 + spacing_m * (np.arange(count) - (count - 1) / 2), float)


def longest_side_deg(polygon: BaseGeometry) -> float:
    """Direction [grid deg, 0 ≤ d < 180] of the longest side, once wobble of the boundary is smoothed out."""
    best, best_m = 0.0, -1.0
    for part in shapely.get_parts(polygon):
        size = np.sqrt(part.area)
        ring = np.asarray(shapely.get_exterior_ring(part.simplify(0.02 * size)).coords)
        steps = np.diff(ring, axis=0)
        length = np.hypot(*steps.T)
        k = int(np.argmax(np.round(length, 6)))
        if length[k] > best_m:
            best, best_m = float(np.degrees(np.arctan2(steps[k, 0], steps[k, 1]))) % 180.0, float(length[k])
    return best


def _rows_from_spacing(
    block: Block, orchard: Orchard, params: RowParams, units: Units
) -> tuple[TreeRows, tuple[Finding, ...]]:
    row_m, tree_m = row_spacing_m(block, params), tree_spacing_m(block, params)
    headland, corner = headland_m(block, params), corner_name(block, params)
    source: Source = "spacing"
    said: tuple[Finding, ...] = ()
    bearing = block.row_bearing_deg
    if bearing is None:
        source = "assumed"
        centre = block.polygon.centroid.coords[0]
        bearing = (longest_side_deg(block.polygon) + orchard.plane.convergence_deg(centre)) % 180.0
        said += (_assumed(block, bearing, row_m, tree_m, units),)
    else:
        said += spacings_assumed(block, params, units, has_rows=False)
    if not all(SPACING_RANGE_M[0] <= v <= SPACING_RANGE_M[1] for v in (row_m, tree_m)):
        text = _(
            "Block {block}: rows {row} and trees {tree} apart cannot be; no tree is laid. "
            "Spacings between {low} and {high} are taken; check the unit (ft or m)."
        ).format(
            block=block.block_id, row=length_text(row_m, units, 2), tree=length_text(tree_m, units, 2),
            low=length_text(SPACING_RANGE_M[0], units, 1), high=length_text(SPACING_RANGE_M[1], units),
        )  # fmt: skip
        return no_rows(source, corner, bearing, row_m, tree_m), (*said, finding("error", "odd_spacing", block, text))
    frame, more = block_frame(block, orchard, bearing, corner)
    paved = roads_through(block, orchard, frame, row_m)
    if not paved.is_empty:
        text = _("Block {block}: no tree is laid on the road that runs through it; draw two blocks where it parts two plantings.")
        more += (finding("note", "road_through_block", block, text.format(block=block.block_id)),)
    rows = _lay(block, frame, source, corner, row_m, tree_m, headland, paved)
    if not len(rows.tree_xy) and block.headland_m is None and headland > tree_m / 2:
        rows = _lay(block, frame, source, corner, row_m, tree_m, 0.0, paved)
        if len(rows.tree_xy):
            more += (_without_headland(block, headland, units),)
        headland = 0.0
    if not len(rows.tree_xy):
        text = _(
            "Block {block}: no tree fits on its {acres:.3f} acres with rows {row} and trees {tree} apart and "
            "a headland of {headland}; it gets no site."
        ).format(
            block=block.block_id, acres=block.acres, row=length_text(row_m, units, 1), tree=length_text(tree_m, units, 1),
            headland=length_text(headland, units, 1),
        )  # fmt: skip
        more += (finding("warning", "no_tree_fits", block, text),)
    return rows, said + more


def _lay(
    block: Block, frame: RowFrame, source: Source, corner: str, row_m: float, tree_m: float, headland: float, paved: BaseGeometry
) -> TreeRows:
    shape = frame.geometry_to_frame(block.polygon)
    x0, y0, x1, y1 = shape.bounds
    margin = max(headland, tree_m / 2)
    y = lattice(y0, y1, tree_m, margin, _TREE_SLACK)
    slack = _TREE_SLACK + 1e-6
    ground = shrink(shape, margin - slack * tree_m, (0.25 - slack) * row_m, (0.5 - slack) * tree_m)
    shapely.prepare(ground)
    at, row = _lattice_on(ground, _rows_across(shape, _sides(shape, row_m / 16), row_m), y)
    other_at, other_row = _lattice_on(ground, _rows_across(shape, (x0, x1), row_m), y)
    if len(other_at) > _MORE * len(at):
        at, row = other_at, other_row
    on_road = shapely.contains_xy(paved, *at.T)
    at, row = at[~on_road], row[~on_road]
    if not len(at):
        return no_rows(source, corner, frame.bearing_deg, row_m, tree_m)
    return number_rows(
        source=source, corner=corner, frame=frame, row_spacing_m=row_m, tree_spacing_m=tree_m, frame_xy=at, row_key=row
    )


def _lattice_on(
    ground: BaseGeometry, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Lattice places (n, 2) that lie on the ground, and the row of each."""
    row, step = np.divmod(np.arange(len(x) * len(y)), max(len(y), 1))
    at = np.column_stack([x[row], y[step]])
    inside = shapely.contains_xy(ground, *at.T)
    return at[inside], row[inside]


def _without_headland(block: Block, headland: float, units: Units) -> Finding:
    text = _(
        "Block {block}: too small for the usual headland of {headland}, so rows are laid without one; vehicles turn outside."
    ).format(block=block.block_id, headland=length_text(headland, units, 1))
    return finding("warning", "no_headland", block, text)


def _rows_across(shape: BaseGeometry, sides: tuple[float, float], row_m: float) -> NDArray[np.float64]:
    """Places of rows across a frame polygon: centred between its sides, and on into tips beyond them."""
    x0, _y0, x1, _y1 = shape.bounds
    x = lattice(*sides, row_m, row_m / 2, _ROW_SLACK)
    if not len(x):
        return np.array([(sides[0] + sides[1]) / 2])
    before = np.arange(np.floor((x[0] - x0) / row_m), 0, -1)
    after = np.arange(1, np.floor((x1 - x[-1]) / row_m) + 1)
    return np.concatenate([x[0] - row_m * before, x, x[-1] + row_m * after])


def _sides(shape: BaseGeometry, step_m: float) -> tuple[float, float]:
    """Where a frame polygon's rows are first and last at least `_SIDE` as long as its longest, in steps of about `step_m`."""
    x0, y0, x1, y1 = shape.bounds
    count = min(max(1, int((x1 - x0) / step_m)), 20_000)
    step = (x1 - x0) / count
    x = x0 + step * (np.arange(count) + 0.5)
    ends = np.stack([np.column_stack([x, np.full(count, y)]) for y in (y0 - 1.0, y1 + 1.0)], axis=1)
    shapely.prepare(shape)
    length = shapely.length(shapely.intersection(shapely.linestrings(ends), shape))
    long = np.flatnonzero(length >= _SIDE * length.max())
    return float(x0 + step * long[0]), float(x0 + step * (long[-1] + 1))


def _assumed(block: Block, bearing: float, row_m: float, tree_m: float, units: Units) -> Finding:
    text = _(
        "Block {block}: ROWS ARE ASSUMED. Nothing says how the rows run, so they are laid along the longest side "
        "({bearing:.1f}° from true north), {row} apart with a tree every {tree}. "
        "Give row_bearing_deg, or a layer of trees or rows, before hanging by row and tree."
    ).format(
        block=block.block_id, bearing=round(bearing, 1) % 360, row=length_text(row_m, units, 1), tree=length_text(tree_m, units, 1)
    )
    return finding("warning", "rows_assumed", block, text)
