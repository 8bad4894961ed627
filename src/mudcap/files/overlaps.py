"""Blocks that share ground: said, and no ground counted twice."""

from __future__ import annotations

from dataclasses import replace

import shapely

from mudcap.geo.plane import LocalPlane, geodesic_area_m2
from mudcap.geo.units import acres
from mudcap.lang import _
from mudcap.orchard.model import Block, Finding

SAME_SHARE = 0.98
"""Two blocks that share this much of both are one block drawn twice."""
NARROW_M = 0.5
"""A shared strip narrower than this comes from drawing, not from a mistake."""


def without_overlaps(blocks: list[Block], plane: LocalPlane) -> tuple[list[Block], list[Finding]]:
    """Blocks of which none share ground, and a finding for each overlap.

    A block drawn twice is kept once; otherwise the shared ground stays with the smaller block (an inner block, a corner
    planted to another variety) and is taken out of the larger.
    """
    findings: list[Finding] = []
    if len(blocks) < 2:
        return blocks, findings
    kept: list[Block | None] = list(blocks)
    tree = shapely.STRtree([b.polygon for b in blocks])
    pairs = tree.query([b.polygon for b in blocks], predicate="intersects").T
    for i, k in sorted((int(a), int(b)) for a, b in pairs if a < b):
        one, two = kept[i], kept[k]
        if one is None or two is None:
            continue
        shared = one.polygon.intersection(two.polygon)
        if shared.area < 0.1:
            continue
        small, large = (i, k) if one.polygon.area <= two.polygon.area else (k, i)
        if shared.area >= SAME_SHARE * max(one.polygon.area, two.polygon.area):
            kept[k] = None
            text = _("Block {name}: the same ground as block {other}; kept once, as {other}.").format(
                name=two.block_id, other=one.block_id
            )
            findings.append(_finding("warning", "same_ground", two, text, -two.acres))
            continue
        kept[large], finding = _cut(kept[large], kept[small], shared, plane)
        findings.append(finding)
    return [b for b in kept if b is not None], findings


def _cut(
    large: Block | None, small: Block | None, shared: shapely.Geometry, plane: LocalPlane
) -> tuple[Block | None, Finding]:
    assert large is not None and small is not None
    left = large.polygon.difference(small.polygon)
    parts = [p for p in shapely.get_parts(left) if p.geom_type == "Polygon" and p.area > min(4.0, 0.01 * left.area)]
    change = -acres(geodesic_area_m2(plane.geometry_to_lonlat(shared)))
    narrow = 2 * shared.area / max(shared.length, 1e-9) < NARROW_M
    text = _("Blocks {one} and {other} share {share:.3f} acres, which were counted to {one} only.").format(
        one=small.block_id, other=large.block_id, share=-change
    )
    if not parts:
        return None, _finding("warning", "same_ground", large, text, change)
    polygon = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    area = acres(geodesic_area_m2(plane.geometry_to_lonlat(polygon)))
    block = replace(large, polygon=polygon, acres=area)
    return block, _finding("note" if narrow else "warning", "overlap", large, text, change)


def _finding(level: str, code: str, block: Block, text: str, change: float) -> Finding:
    return Finding(
        level=level, code=code, layer=block.layer, feature=block.block_id, text=text, acres_changed=change,  # type: ignore[arg-type]
        geometry=block.polygon,
    )  # fmt: skip
