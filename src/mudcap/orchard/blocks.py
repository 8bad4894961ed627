"""What one block says of its rows, with the ranch's defaults filled in."""

from __future__ import annotations

import numpy as np
from shapely.geometry.base import BaseGeometry

from mudcap.lang import _
from mudcap.orchard.frame import RowFrame, frame_from_corner
from mudcap.orchard.model import Block, Finding, FindingLevel, Orchard
from mudcap.orchard.params import RowParams


def row_spacing_m(block: Block, params: RowParams) -> float:
    """Distance between rows [m]: the block's, else the ranch's."""
    return params.row_spacing_m if block.row_spacing_m is None else block.row_spacing_m


def tree_spacing_m(block: Block, params: RowParams) -> float:
    """Distance between trees of a row [m]: the block's, else the ranch's."""
    return params.tree_spacing_m if block.tree_spacing_m is None else block.tree_spacing_m


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
