"""What one block says of its rows, with the ranch's defaults filled in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.geo.units import Units, length_text
from mudcap.lang import _, joined
from mudcap.orchard.frame import CORNERS, RowFrame, frame_from_corner
from mudcap.orchard.model import Block, Finding, FindingLevel, Orchard
from mudcap.orchard.params import RowParams


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Labels:
    """Row and tree numbers as a layer gives them, where crews can use them; None where it gives none."""

    row: NDArray[np.int64] | None = None
    tree: NDArray[np.int64] | None = None


def row_spacing_m(block: Block, params: RowParams) -> float:
    """Distance between rows [m]: the block's, else the ranch's."""
    return params.row_spacing_m if block.row_spacing_m is None else block.row_spacing_m


def tree_spacing_m(block: Block, params: RowParams) -> float:
    """Distance between trees of a row [m]: the block's, else the ranch's."""
    return params.tree_spacing_m if block.tree_spacing_m is None else block.tree_spacing_m


def spacings_assumed(block: Block, params: RowParams, units: Units, *, has_rows: bool) -> tuple[Finding, ...]:
    """A warning where a spacing is only mudcap's own default; with `has_rows` the rows themselves tell theirs."""
    usual = RowParams()
    what = []
    if not has_rows and block.row_spacing_m is None and params.row_spacing_m == usual.row_spacing_m:
        what.append(joined(" ", [_("row spacing"), length_text(params.row_spacing_m, units, 1)]))
    if block.tree_spacing_m is None and params.tree_spacing_m == usual.tree_spacing_m:
        what.append(joined(" ", [_("tree spacing"), length_text(params.tree_spacing_m, units, 1)]))
    if not what:
        return ()
    text = _(
        "Block {block}: assumed, for nothing says it: {what}. Give row_spacing and tree_spacing as columns, or under [rows] or "
        "[blocks] in mudcap.toml, before hanging by row and tree."
    ).format(block=block.block_id, what=joined(", ", what))
    return (finding("warning", "spacing_assumed", block, text),)


def headland_m(block: Block, params: RowParams) -> float:
    """Width free of trees at the row ends [m]: the block's, else the ranch's."""
    return params.headland_m if block.headland_m is None else block.headland_m


def corner_name(block: Block, params: RowParams) -> str:
    """Corner of row 1, tree 1: the block's, else the ranch's."""
    return (block.corner or params.corner).strip().upper()


def block_frame(block: Block, orchard: Orchard, bearing_deg: float, corner: str) -> tuple[RowFrame, tuple[Finding, ...]]:
    """The row frame of a block from its row bearing and the corner where crews begin."""
    centre = np.array(block.polygon.centroid.coords[0])
    frame, ambiguous = frame_from_corner(centre, bearing_deg, corner, orchard.plane.convergence_deg(centre))
    if not ambiguous:
        return frame, ()
    text = _(
        "Block {block}: corner {corner} fits two corners of rows that run at {bearing:.1f}° alike; "
        "say N, NE, E, SE, S, SW, W or NW so that one is meant."
    ).format(block=block.block_id, corner=corner, bearing=bearing_deg % 180)
    return frame, (finding("warning", "corner_ambiguous", block, text),)


def finding(level: FindingLevel, code: str, block: Block, text: str, geometry: BaseGeometry | None = None) -> Finding:
    """A finding about one block."""
    return Finding(
        level=level, code=code, layer=block.layer, feature=block.block_id, text=text,
        geometry=block.polygon if geometry is None else geometry,
    )  # fmt: skip


def numbered_frame(
    block: Block, orchard: Orchard, params: RowParams, xy: NDArray[np.float64], grid_deg: float, labels: Labels
) -> tuple[RowFrame, str, tuple[Finding, ...]]:
    """The frame in which numbers grow and the corner where they begin: as the layer numbers them, else as named."""
    turn = orchard.plane.convergence_deg(block.polygon.centroid.coords[0])
    named = corner_name(block, params)
    frame, said = block_frame(block, orchard, (grid_deg + turn) % 360.0, named)
    if labels.row is None and labels.tree is None:
        return frame, named, said
    at = frame.to_frame(xy)
    along, across, degrees = frame.along, frame.across, frame.bearing_deg
    if labels.row is not None and _falls(labels.row, at[:, 0]):
        across = -across
    if labels.tree is not None and _falls(labels.tree, at[:, 1]):
        along, degrees = -along, (degrees + 180.0) % 360.0
    if along is frame.along and across is frame.across:
        return frame, named, said
    out = -(along + across)
    seen = (float(np.degrees(np.arctan2(out[0], out[1]))) + turn) % 360.0
    corner = min(CORNERS, key=lambda name: round(abs((CORNERS[name] - seen + 180.0) % 360.0 - 180.0), 6))
    turned = RowFrame(origin_xy=frame.origin_xy, across=across, along=along, bearing_deg=degrees)
    if block.corner:
        text = _(
            "Block {block}: the layer numbers rows and trees from corner {seen}, not from {named} as said; its numbers are kept."
        ).format(block=block.block_id, seen=corner, named=named)
        said += (finding("warning", "corner_differs", block, text),)
    return turned, corner, said


def _falls(number: NDArray[np.int64], position: NDArray[np.float64]) -> bool:
    return float((number - number.mean()) @ (position - position.mean())) < 0
