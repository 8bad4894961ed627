"""Blocks: the only place where one is made of what was read, and so the only place where an unsound one could slip in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import shapely

from mudcap.files.codes import block_codes
from mudcap.files.columns import ColumnError, Columns
from mudcap.files.drawn import Drawn
from mudcap.files.names import named
from mudcap.files.outlines import BlockTalk, Outline, make_outline
from mudcap.files.spelled import crop_in
from mudcap.geo.plane import LocalPlane, geodesic_area_m2
from mudcap.geo.units import acres
from mudcap.lang import _, _n
from mudcap.orchard.model import Block, Finding
from mudcap.orchard.names import crop_text
from mudcap.supply.params import StockingParams
from mudcap.supply.stocking import release_rate


def make_blocks(
    drawn: Sequence[Drawn],
    plane: LocalPlane,
    *,
    overrides: Mapping[str, Mapping[str, str]],
    crop: str,
    accept_repairs: bool,
    codes: Mapping[str, str],
) -> tuple[list[Block], list[Finding]]:
    """Valid blocks with their attributes, and a finding for each repair and each refusal.

    `overrides` are the toml's tables by block id, `crop` is that of blocks that do not say ('' = not known, see `with_crops`),
    `codes` those of an earlier plan.
    """
    findings: list[Finding] = []
    names = _unique_names(drawn, findings)
    coded = block_codes(names, codes)
    blocks: list[Block] = []
    for one, name in zip(drawn, names, strict=True):
        talk = BlockTalk(drawn=one, name=name, findings=findings)
        outline = make_outline(talk, plane, accept_repairs)
        facts = _all_facts(talk, overrides.get(name, {})) if outline is not None else None
        if outline is not None and facts is not None:
            facts["crop"] = facts.get("crop") or crop
            blocks.append(_block(talk, coded[name], outline, plane, facts))
    for name in overrides:
        if name not in coded:
            text = _('mudcap.toml: [blocks."{name}"] names no block that was read.').format(name=name)
            findings.append(
                Finding(level="warning", code="unknown_block", layer="mudcap.toml", feature=name, text=text)
            )
    return blocks, findings


def with_crops(blocks: Sequence[Block], crop: str, stocking: StockingParams) -> tuple[list[Block], list[Finding]]:
    """The blocks, those of no crop with `crop`, and a warning that names them, with the bees that follow from it."""
    bare = [b.block_id for b in blocks if not b.crop]
    if not bare:
        return list(blocks), []
    told = _n(
        "Block {blocks}: nothing says its crop, so {crop} is assumed.", "Blocks {blocks}: nothing says their crop, so {crop} is assumed.", len(bare)
    ).format(blocks=named(bare), crop=crop_text(crop, _))
    if not stocking.preset and stocking.females_per_acre is None:
        females, ratio = release_rate(crop, stocking)
        told += " " + _("{females:g} females and {males:g} males an acre follow from it.").format(females=females, males=females * ratio)
    told += " " + _("Give a column crop, or crop under [ranch] in mudcap.toml.")
    said = Finding(level="warning", code="crop_assumed", layer="", feature=bare[0] if len(bare) == 1 else "", text=told)
    return [b if b.crop else replace(b, crop=crop) for b in blocks], [said]


def _unique_names(drawn: Sequence[Drawn], findings: list[Finding]) -> list[str]:
    names: dict[str, None] = {}
    copies: dict[str, int] = {}
    for one in drawn:
        name = one.name
        while name in names:
            copies[one.name] = copies.get(one.name, 1) + 1
            name = f"{one.name} ({copies[one.name]})"
        names[name] = None
        if name != one.name:
            text = _("the name {same} is there twice; rename one in the file.").format(same=one.name)
            BlockTalk(drawn=one, name=name, findings=findings).say("warning", "same_name", text)
    return list(names)


def _block(talk: BlockTalk, code: str, outline: Outline, plane: LocalPlane, facts: Mapping[str, Any]) -> Block:
    source = outline.lonlat if outline.lonlat is not None else plane.geometry_to_lonlat(outline.polygon)
    parts = len(shapely.get_parts(outline.polygon))
    if parts > 1:
        text = _("{count} separate parts, planned as one block.").format(count=parts)
        talk.say("note", "multi_part", text, shape=outline.polygon)
    return Block(
        block_id=talk.name,
        code=code,
        layer=talk.drawn.layer.title,
        polygon=outline.polygon,
        acres=acres(geodesic_area_m2(source)),
        attributes=talk.drawn.features[0].attributes,
        **facts,
    )


def _all_facts(talk: BlockTalk, override: Mapping[str, str]) -> dict[str, Any] | None:
    """Attributes of a block, the toml's over the layer's; None, with a finding, where one cannot be meant."""
    facts: dict[str, Any] = {}
    for columns, cells in ((talk.drawn.layer.columns, talk.drawn.features[0].attributes), (Columns(), override)):
        try:
            facts |= {k: v for k, v in _facts(columns, cells).items() if v not in (None, "")}
        except ColumnError as error:
            text = _("{why} Left out; correct it and run again.").format(why=error)
            talk.say("error", "bad_attribute", text)
            return None
    return facts


def _facts(columns: Columns, row: Mapping[str, str]) -> dict[str, object]:
    return {
        "crop": crop_in(columns.text(row, "crop")),
        "cultivar": columns.text(row, "cultivar"),
        "row_bearing_deg": columns.bearing_deg(row),
        "row_spacing_m": columns.spacing_m(row, "row_spacing"),
        "tree_spacing_m": columns.spacing_m(row, "tree_spacing"),
        "headland_m": columns.length_m(row, "headland"),
        "corner": columns.corner(row),
        "trellis": columns.flag(row, "trellis", False) or None,
    }
