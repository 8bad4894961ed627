"""The scene holds everything a picture needs, whatever draws it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from plans import sample_plan

from mudcap.draw.scene import make_scene, voronoi_cells
from mudcap.draw.style import STYLES
from mudcap.lang import translator
from mudcap.orchard.model import Exclusion
from mudcap.orchard.names import exclusion_text


def test_every_kind_of_feature_has_its_layer() -> None:
    """Nothing of the ranch is silently left out."""
    keys = {layer.key for layer in make_scene(sample_plan()).layers}
    assert keys == {
        "blocks", "forage", "closures", "catchments", "rows", "spray_lanes", "roads", "water", "mud", "keep_outs",
        "hives", "hazards", "chemical_store", "excluded", "gates", "sites",
    }  # fmt: skip


def test_every_mark_names_a_known_style() -> None:
    """A renderer can look each mark's style up."""
    assert all(mark.style in STYLES for layer in make_scene(sample_plan()).layers for mark in layer.marks)


def test_sites_are_told_apart_by_shape() -> None:
    """Pinned, overriding and plain sites have different symbols, not only colours."""
    styles = {mark.style for mark in make_scene(sample_plan()).layer("sites").marks}  # type: ignore[union-attr]
    assert styles == {"site", "site_pinned", "site_override"}
    assert len({STYLES[s].symbol for s in styles}) == 3


def test_areas_differ_without_colour() -> None:
    """No two hatched areas share hatch and dash, so a black-and-white print keeps them apart."""
    looks = [(s.hatch, s.hatch_mm, s.dash_mm, s.symbol, s.letter) for s in STYLES.values() if s.hatch]
    assert len(set(looks)) == len(looks)


def test_excluded_stations_carry_their_reasons() -> None:
    """Each barred station is in exactly one mark, under words for its flags."""
    plan = sample_plan()
    marks = make_scene(plan).layer("excluded").marks  # type: ignore[union-attr]
    assert sum(len(m.geometry.geoms) for m in marks) == (plan.candidates.reasons != 0).sum()
    assert {m.label for m in marks} >= {"spray lane", "keep-out", "honey-bee hives"}


def test_exclusion_words_cover_every_flag() -> None:
    """A new reason cannot be forgotten here."""
    _ = translator("en")
    assert all(exclusion_text(int(flag), _) for flag in Exclusion if flag)
    assert exclusion_text(0, _) == ""


def test_catchments_share_out_the_blocks() -> None:
    """Catchments do not overlap, cover the blocks, and each holds its own site."""
    plan = sample_plan(2, 30)
    marks = make_scene(plan).layer("catchments").marks  # type: ignore[union-attr]
    blocks = shapely.union_all([b.polygon for b in plan.orchard.blocks])
    assert abs(sum(m.geometry.area for m in marks) - blocks.area) < 1e-6 * blocks.area
    for mark in marks:
        site = plan.sites[mark.index]
        assert mark.geometry.distance(shapely.Point(site.x_m, site.y_m)) < 1e-6


def test_hives_are_drawn_once_with_their_setback() -> None:
    """Hives stand among features and among keep-outs; the picture has one symbol and one dashed line."""
    styles = sorted(mark.style for mark in make_scene(sample_plan()).layer("hives").marks)  # type: ignore[union-attr]
    assert styles == ["hives", "setback"]


def test_a_bare_plan_makes_a_scene() -> None:
    """A ranch of one block with one site and nothing else can be drawn."""
    scene = make_scene(sample_plan(1, 1, features=False))
    assert {layer.key for layer in scene.layers} == {"blocks", "rows", "spray_lanes", "sites"}


def test_catchments_of_a_turned_grid_are_valid_ground():
    """Sites in a rectangle at an angle: GEOS's own cells cross themselves by a rounding there; ours can all be cut at a block."""
    turn = np.random.default_rng(6).uniform(0, np.pi)
    grid = np.array([(i * 20.1168, j * 21.9456) for i in range(20) for j in range(15)])
    xy = grid @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + (731.0, -1648.0)
    points, ground = shapely.points(xy), shapely.MultiPoint(xy).convex_hull.buffer(5)
    own = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=ground.envelope))
    assert not shapely.is_valid(own).all()
    cells = voronoi_cells(points, ground)
    assert len(cells) == len(xy) and shapely.is_valid(cells).all()
    assert shapely.area(shapely.intersection(cells, ground)).sum() == pytest.approx(ground.area, rel=1e-9)
