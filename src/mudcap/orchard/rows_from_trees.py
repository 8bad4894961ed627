"""Rows, row numbers and tree numbers inferred from trees as points, GPS jitter and missing trees included."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, _n
from mudcap.orchard.blocks import Labels, finding, numbered_frame, row_spacing_m, tree_spacing_m
from mudcap.orchard.frame import RowFrame
from mudcap.orchard.model import Block, Finding, Orchard, TreePoints, TreeRows
from mudcap.orchard.numbering import along_numbers, number_rows, row_path
from mudcap.orchard.params import RowParams
from mudcap.orchard.row_finding import FoundRows, find_rows, rows_of_labels

STRAY_M: Final = 3.0
"""A tree this close to a block's outline belongs to it: GPS error of a handheld (common practice, no source)."""
TWICE_M: Final = 0.25
"""Two trees closer than this are one tree, listed twice."""


def sort_trees_into_blocks(orchard: Orchard, units: Units = "us") -> tuple[list[TreePoints | None], tuple[Finding, ...]]:
    """For each block the trees that stand in it (or within `STRAY_M` of it), and how many stand in none."""
    found: list[TreePoints | None] = [None] * len(orchard.blocks)
    layers = [layer for layer in orchard.tree_points if len(layer.xy)]
    if not layers or not orchard.blocks:
        return found, ()
    tree = shapely.STRtree([block.polygon for block in orchard.blocks])
    findings: list[Finding] = []
    parts: list[list[TreePoints]] = [[] for _block in orchard.blocks]
    for layer in layers:
        owner = np.full(len(layer.xy), -1)
        (i, j), _m = tree.query_nearest(
            shapely.points(layer.xy), max_distance=STRAY_M, return_distance=True, all_matches=False
        )
        owner[i] = j
        lost = np.flatnonzero(owner < 0)
        if len(lost):
            findings.append(_lost(layer, lost, units))
        for k in np.unique(owner[owner >= 0]):
            parts[k].append(_take(layer, np.flatnonzero(owner == k)))
    for k, block in enumerate(orchard.blocks):
        if parts[k]:
            found[k], said = _join(parts[k], block, units)
            findings += said
    return found, tuple(findings)


def rows_from_trees(
    block: Block, orchard: Orchard, trees: TreePoints | None, params: RowParams, units: Units = "us"
) -> tuple[TreeRows | None, tuple[Finding, ...]]:
    """The rows of a block by its trees, with what was inferred; None where it has none.

    Row and tree numbers of the layer are kept where they are at least 1 and no tree shares its own with another. Else rows
    count from the block's corner, and so do the trees of a row; ground outside the block has no numbers, a missing tree
    keeps its own.
    """
    if trees is None or not len(trees.xy):
        return None, ()
    labels, said = _usable_labels(trees, block)
    grid_deg = None
    if block.row_bearing_deg is not None:
        grid_deg = block.row_bearing_deg - orchard.plane.convergence_deg(block.polygon.centroid.coords[0])
    guess = row_spacing_m(block, params), tree_spacing_m(block, params)
    rows_given = trees.row is not None and labels.row is not None
    if trees.row is not None and len(np.unique(trees.row)) < len(trees.xy):
        rows = rows_of_labels(trees.xy, trees.row, guess)
    else:
        rows = find_rows(trees.xy, grid_deg, block.polygon, guess)
    said += _doubts(block, rows, units)
    frame, corner, more = numbered_frame(block, orchard, params, trees.xy, rows.grid_deg, labels)
    said += more
    at = frame.to_frame(trees.xy)
    key = _keys(at, rows, labels.row if rows_given else None)
    shape = frame.geometry_to_frame(block.polygon)
    number = labels.tree if labels.tree is not None else along_numbers(at, key, rows.tree_spacing_m, shape)
    laid = number_rows(
        source="trees", corner=corner, frame=frame, row_spacing_m=rows.row_spacing_m,
        tree_spacing_m=rows.tree_spacing_m, frame_xy=at, row_key=key, tree_number=number,
        row_labels={int(k): int(k) for k in np.unique(key)} if rows_given else None,
        row_lines={int(k): row_path(at[key == k], rows.row_spacing_m, rows.tree_spacing_m) for k in np.unique(key)},
        weight=trees.weight,
    )  # fmt: skip
    return laid, (*said, *_jumps(block, frame, laid), _inferred(block, laid, units))


def _keys(
    at: NDArray[np.float64], rows: FoundRows, labels: NDArray[np.int64] | None
) -> NDArray[np.int64]:
    """The row of each tree as a key that ascends with row numbers."""
    if labels is not None:
        return labels
    middle = np.array([np.median(at[rows.row == r, 0]) for r in np.unique(rows.row)])
    key = np.searchsorted(np.unique(rows.row), rows.row)
    return key if middle[-1] >= middle[0] else key.max() - key


def _usable_labels(trees: TreePoints, block: Block) -> tuple[Labels, tuple[Finding, ...]]:
    row, tree = trees.row, trees.tree
    if row is None:
        return Labels(row=None, tree=None), ()
    pairs = np.column_stack([row, np.zeros(len(row)) if tree is None else tree])
    bad = ""
    if row.min() < 1 or (tree is not None and tree.min() < 1):
        bad = _("below 1")
    elif tree is not None and len(np.unique(pairs, axis=0)) < len(pairs):
        bad = _("shared by two trees")
    if not bad:
        return Labels(row=row, tree=tree), ()
    text = _(
        "Block {block}: row or tree numbers of the tree layer are {bad}; its rows are kept together, but rows and trees are "
        "numbered anew from the corner."
    ).format(block=block.block_id, bad=bad)
    return Labels(row=None, tree=None), (finding("warning", "numbers_replaced", block, text),)


def _doubts(block: Block, rows: FoundRows, units: Units) -> tuple[Finding, ...]:
    said = []
    if rows.square:
        text = _(
            "Block {block}: trees stand as far apart along the rows as across ({spacing}), so the direction of the rows "
            "is a guess; give row_bearing_deg."
        ).format(block=block.block_id, spacing=length_text(rows.tree_spacing_m, units, 1))
        said.append(finding("warning", "row_direction_ambiguous", block, text))
    if rows.bearing_refused:
        text = _("Block {block}: the trees do not stand in rows along the row_bearing_deg given; the trees' own is taken.")
        said.append(finding("warning", "bearing_differs", block, text.format(block=block.block_id)))
    if rows.conflicts:
        text = _n(
            "Block {block}: {count} tree fits no single row; check the tree layer or give a row column before hanging by "
            "row and tree.",
            "Block {block}: {count} trees fit no single row; check the tree layer or give a row column before hanging by "
            "row and tree.",
            rows.conflicts,
        ).format(block=block.block_id, count=rows.conflicts)
        said.append(finding("warning", "rows_uncertain", block, text))
    return tuple(said)


def _jumps(block: Block, frame: RowFrame, rows: TreeRows) -> tuple[Finding, ...]:
    """A warning where the layer's tree numbers do not follow the row."""
    back = (np.diff(frame.to_frame(rows.tree_xy)[:, 1]) < 0) & (np.diff(rows.tree_row) == 0)
    if not back.any():
        return ()
    text = _n(
        "Block {block}: {count} tree of the tree layer is numbered against the run of its row; check its tree column.",
        "Block {block}: {count} trees of the tree layer are numbered against the run of their rows; check its tree column.",
        int(back.sum()),
    )
    return (finding("warning", "numbers_jump", block, text.format(block=block.block_id, count=int(back.sum()))),)


def _inferred(block: Block, rows: TreeRows, units: Units) -> Finding:
    first = np.concatenate([[True], np.diff(rows.tree_row) > 0])
    gaps = np.diff(rows.tree_number)[~first[1:]] - 1
    missing = int(gaps[gaps > 0].sum())
    text = _n(
        "Block {block}: {rows} rows and {trees} trees from the tree layer; rows run at {bearing:.1f}° from true north, "
        "{row} apart, a tree every {tree}; {missing} tree missing inside rows keeps its number.",
        "Block {block}: {rows} rows and {trees} trees from the tree layer; rows run at {bearing:.1f}° from true north, "
        "{row} apart, a tree every {tree}; {missing} trees missing inside rows keep their numbers.",
        missing,
    ).format(
        block=block.block_id, rows=len(rows.row_number), trees=len(rows.tree_xy), bearing=round(rows.bearing_deg, 1) % 360,
        row=length_text(rows.row_spacing_m, units, 1), tree=length_text(rows.tree_spacing_m, units, 1), missing=missing,
    )  # fmt: skip
    return finding("note", "rows_inferred", block, text)


def _lost(layer: TreePoints, lost: NDArray[np.int64], units: Units) -> Finding:
    text = _n(
        "{layer}: {count} of {total} trees stands in no block (more than {reach} outside); it is left out.",
        "{layer}: {count} of {total} trees stand in no block (more than {reach} outside); they are left out.",
        len(lost),
    )
    return Finding(
        level="warning", code="trees_outside", layer=layer.layer, feature="",
        text=text.format(layer=layer.layer, count=len(lost), total=len(layer.xy), reach=length_text(STRAY_M, units, 1)),
        geometry=shapely.multipoints(layer.xy[lost]),
    )  # fmt: skip


def _take(layer: TreePoints, pick: NDArray[np.int64]) -> TreePoints:
    return TreePoints(
        layer=layer.layer, xy=layer.xy[pick], row=None if layer.row is None else layer.row[pick],
        tree=None if layer.tree is None else layer.tree[pick],
        weight=None if layer.weight is None else layer.weight[pick],
    )  # fmt: skip


def _join(parts: list[TreePoints], block: Block, units: Units) -> tuple[TreePoints, list[Finding]]:
    """Trees of several layers as one set; numbers only where every layer gives them; no tree twice."""
    xy = np.vstack([part.xy for part in parts])
    row = [part.row for part in parts if part.row is not None]
    tree = [part.tree for part in parts if part.tree is not None]
    whole = TreePoints(
        layer=parts[0].layer, xy=xy, row=np.concatenate(row) if len(row) == len(parts) else None,
        tree=np.concatenate(tree) if len(tree) == len(parts) and len(row) == len(parts) else None,
        weight=np.concatenate([np.ones(len(p.xy)) if p.weight is None else p.weight for p in parts]),
    )  # fmt: skip
    points = shapely.points(xy)
    i, j = shapely.STRtree(points).query(points, predicate="dwithin", distance=TWICE_M)
    twice = np.unique(np.maximum(i, j)[i != j])
    if not len(twice):
        return whole, []
    text = _n(
        "Block {block}: {count} tree is listed twice (closer than {near}); it is kept once.",
        "Block {block}: {count} trees are listed twice (closer than {near}); each is kept once.",
        len(twice),
    )
    said = finding(
        "warning", "trees_twice", block, text.format(block=block.block_id, count=len(twice), near=length_text(TWICE_M, units, 2))
    )
    return _take(whole, np.setdiff1d(np.arange(len(xy)), twice)), [said]
