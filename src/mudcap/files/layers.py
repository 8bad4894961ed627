"""From paths to an Orchard: read, give roles, lay one plane, make blocks and ground, and say everything once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.errors import InputError
from mudcap.files.blocks import make_blocks, with_crops
from mudcap.files.drawn import Drawn, drawn_blocks
from mudcap.files.ground import Ground, add_layer
from mudcap.files.lonlat import ReadOptions, read_roled
from mudcap.files.options import unusual
from mudcap.files.overlaps import without_overlaps
from mudcap.files.ranch import TOML, RanchSpec
from mudcap.files.raw import ReadNote
from mudcap.geo.plane import GEOD, LocalPlane
from mudcap.geo.units import M2_PER_ACRE
from mudcap.lang import _
from mudcap.orchard.model import Block, Finding, Orchard, RefusedBlock, Role
from mudcap.supply.kit import usual_facing

__all__ = ["ReadOptions", "read_orchard"]


MAX_BLOCKS = 5_000
"""More blocks than any ranch has; a county's parcels are refused before anything is drawn."""


def read_orchard(
    spec: RanchSpec, *, options: ReadOptions | None = None, progress: Callable[[str], None] | None = None
) -> tuple[Orchard, tuple[Finding, ...]]:
    """The orchard of a ranch in its local plane, and everything that was seen and done on the way.

    Blocks that cannot be used are left out with a finding of level `error` that names them. Raises ``InputError``, a line
    for each refusal, where a file cannot be read whole, a role or a coordinate system is missing, no usable block is
    left, or the acres pass `place.max_acres`.
    """
    options = options or ReadOptions()
    layers, notes = read_roled(spec, options, progress)
    block_layers = [r for r in layers if r.role is Role.BLOCKS]
    if not block_layers:
        raise InputError(
            _("{file}: no blocks found. Name the blocks' layer in mudcap.toml with role = \"blocks\".").format(
                file=spec.layers[0].file if len(spec.layers) == 1 else spec.path.name or "."
            )
        )
    drawn, more = drawn_blocks(block_layers)
    limit_acres = spec.params.place.max_acres
    if len(drawn) > MAX_BLOCKS:
        raise InputError(
            _("{file}: {count} blocks, more than the limit of {limit}. Cut it to the ranch.").format(
                file=block_layers[0].title, count=len(drawn), limit=MAX_BLOCKS
            )
        )
    if not drawn:
        raise InputError(_("{file}: holds no feature.").format(file=block_layers[0].title))
    plane = LocalPlane.around(_centres(drawn, limit_acres))
    findings = [*(_finding(n) for n in notes), *more]
    blocks, more = make_blocks(
        drawn,
        plane,
        overrides=spec.blocks,
        crop=spec.params.crop if spec.names_crop else "",
        accept_repairs=options.accept_repairs,
        codes=options.codes,
    )
    findings += more
    blocks, more_crops = with_crops(blocks, spec.params.crop, spec.params.stocking)
    refused = tuple(RefusedBlock(name=f.feature, layer=f.layer, reason=f.text) for f in more if f.level == "error")
    findings += more_crops
    blocks, more = without_overlaps(blocks, plane)
    findings += more
    _check_blocks(blocks, findings, limit_acres)
    ground = Ground(plane=plane, access=spec.params.access)
    for layer in layers:
        if layer.role is not Role.BLOCKS:
            add_layer(ground, layer)
    orchard = replace(_orchard(spec, plane, blocks, ground), refused=refused)
    findings += [*_where(blocks, plane), *_facing(spec, orchard), *ground.findings]
    return orchard, tuple(findings)


def _orchard(spec: RanchSpec, plane: LocalPlane, blocks: list[Block], ground: Ground) -> Orchard:
    return Orchard(
        name=spec.params.ranch,
        plane=plane,
        blocks=tuple(blocks),
        roads=tuple(ground.roads),
        spray_lanes=tuple(ground.spray_lanes),
        mud_sources=tuple(ground.mud_sources),
        keep_outs=tuple(ground.keep_outs),
        closures=tuple(ground.closures),
        gates=tuple(ground.gates),
        yard=ground.yard,
        features=tuple(ground.features),
        tree_points=tuple(ground.tree_points),
        row_lines=tuple(ground.row_lines),
        alley_rules=tuple(ground.alley_rules),
        season=spec.params.mud.season,
    )


def _centres(drawn: Sequence[Drawn], limit_acres: float) -> NDArray[np.float64]:
    """Middle (k, 2) of each drawn block's box [deg]; a block wider than the acreage limit allows is refused before it
    is projected."""
    out = []
    reach_m = max(20_000.0, 20 * float(np.sqrt(limit_acres * M2_PER_ACRE)))
    for d in drawn:
        if d.shape is None or d.shape.is_empty:
            continue
        west, south, east, north = shapely.bounds(d.shape)
        middle = ((west + east) / 2, (south + north) / 2)
        across = GEOD.inv(west, south, east, north)[2]
        if not np.isfinite(across) or across > min(reach_m, 500_000.0) or east - west > 10:
            raise InputError(
                _("{file}: {name} is {km:.0f} km across; no orchard block. Cut the file to the ranch's blocks.").format(
                    file=d.layer.title, name=d.name, km=across / 1000
                )
            )
        out.append(middle)
    if not out:
        why = next((n.text for d in drawn for f in d.features for n in f.notes if n.level == "error"), "")
        layer = drawn[0].layer.title
        raise InputError(
            _("{file}: no feature has a shape{why}. Export it again.").format(file=layer, why=f" ({why})" if why else "")
        )
    return np.array(out, float)


def _check_blocks(blocks: Sequence[Block], findings: Sequence[Finding], limit_acres: float) -> None:
    if not blocks:
        lines = [f"{f.layer}: {f.text}" for f in findings if f.level == "error"]
        raise InputError("\n".join(lines) or _("No usable block was found."))
    total = sum(b.acres for b in blocks)
    if total > limit_acres:
        raise InputError(
            _("{file}: {total:,.0f} acres, more than the limit of {limit:,.0f}. Cut it to the ranch, or raise place.max_acres.").format(
                file=blocks[0].layer, total=total, limit=limit_acres
            )
        )  # fmt: skip


def _finding(note: ReadNote) -> Finding:
    return Finding(level=note.level, code=note.code, layer=note.layer, feature=note.feature, text=note.text)


def _where(blocks: Sequence[Block], plane: LocalPlane) -> list[Finding]:
    """Where on earth the blocks lie, for a look at swapped or shifted coordinates; and groups that lie far apart."""
    centres = plane.to_lonlat([[b.polygon.centroid.x, b.polygon.centroid.y] for b in blocks])
    lon, lat = float(np.median(centres[:, 0])), float(np.median(centres[:, 1]))
    north = _("{angle:.3f}° N") if lat >= 0 else _("{angle:.3f}° S")
    east = _("{angle:.3f}° E") if lon >= 0 else _("{angle:.3f}° W")
    spot = north.format(angle=abs(lat)) + ", " + east.format(angle=abs(lon))
    out = [_plain("note", "where", _("The blocks lie around {spot}.").format(spot=spot))]
    zero = [b for b, c in zip(blocks, centres, strict=True) if np.abs(c).max() < 1.0]
    if zero:
        text = _("Block {name} lies at latitude 0, longitude 0, in the sea; its positions are probably missing.").format(
            name=zero[0].block_id
        )
        out.append(_plain("warning", "null_island", text))
    if len(plane.zones) > 1:
        text = _("The blocks lie in {count} groups far apart; each is measured in a plane of its own.").format(
            count=len(plane.zones)
        )
        out.append(_plain("warning", "far_groups", text))
    return out


def _facing(spec: RanchSpec, orchard: Orchard) -> list[Finding]:
    """A word where openings are to face another way than is usual on this side of the equator."""
    asked = spec.params.supply.facing_deg if spec.params.supply is not None else None
    usual = usual_facing(orchard.is_south)
    if asked is None or usual.low <= asked % 360 <= usual.high:
        return []
    text = f"{TOML}: " + unusual("supply.facing_deg", asked, usual.low, usual.high)
    return [Finding(level="warning", code="unusual_option", layer=TOML, feature="", text=text)]


def _plain(level: str, code: str, text: str) -> Finding:
    return Finding(level=level, code=code, layer="", feature="", text=text)  # type: ignore[arg-type]
