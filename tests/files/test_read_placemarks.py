"""KML as people draw it who are no programmers: houses and wells among blocks, pins, folders called anything."""

from __future__ import annotations

from pathlib import Path

import pytest
from dresses import BLOCK, SECOND, Ring, at, geojson, kml, placemark, read, ring_m, write

from mudcap.errors import InputError
from mudcap.files.roles import bars_by_name
from mudcap.orchard.model import Finding, Orchard, Role

HOUSE = ring_m((100, 50), (120, 50), (120, 70), (100, 70))


def folder(name: str, *inner: str) -> str:
    """A folder of placemarks."""
    return f"<Folder><name>{name}</name>{''.join(inner)}</Folder>"


def pin(name: str, x_m: float = 10, y_m: float = 10) -> str:
    """A point."""
    lon, lat = at(x_m, y_m)
    return f"<Placemark><name>{name}</name><Point><coordinates>{lon},{lat}</coordinates></Point></Placemark>"


def line(name: str, *corners: tuple[float, float]) -> str:
    """An open line."""
    return placemark(name, [at(*c) for c in corners], "LineString")


BLOCKS = folder("Blocks", placemark("A", BLOCK))


def seen(folder_: Path, *inner: str, name: str = "ranch.kml") -> tuple[Orchard, dict[str, Finding]]:
    """The orchard of one KML and its findings by code."""
    orchard, findings = read(write(folder_, name, kml("".join(inner))))
    return orchard, {f.code: f for f in findings}


@pytest.mark.parametrize("word", ["House", "Casa", "Home", "Pond", "Well", "Barn", "Pozo", "Laguna", "Estanque", "Galpón", "Bodega", "Mi casa 2"])
def test_a_folder_or_an_area_called_like_a_thing_on_a_farm_is_a_keep_out(tmp_path: Path, word: str) -> None:
    """As a folder beside the blocks', in a folder that says nothing, and among the blocks of a flat file."""
    called = placemark(word, HOUSE)
    for inner in ([BLOCKS, folder(word, placemark("x", HOUSE))], [BLOCKS, folder("Otros", called)], [placemark("A", BLOCK), called]):
        orchard, said = seen(tmp_path, *inner)
        assert [b.block_id for b in orchard.blocks] == ["A"]
        assert len(orchard.keep_outs) == 1 and "layer_left_out" not in said
    assert said["role_by_name"].level == "warning" and word in said["role_by_name"].text


def test_blocks_may_be_called_after_such_things(tmp_path: Path) -> None:
    """Another word with it, a folder of blocks, a farm's name as the file's, or the role from mudcap.toml."""
    for name in ("Casa Norte", "Pond block", "Laguna chico east", "12"):
        assert not bars_by_name(name)
        orchard, _said = seen(tmp_path, placemark(name, BLOCK), placemark("B", SECOND), name="La Laguna.kml")
        assert {b.block_id for b in orchard.blocks} == {name, "B"} and not orchard.keep_outs
    assert len(seen(tmp_path, folder("Cuarteles", placemark("Casa", BLOCK)))[0].blocks) == 1
    ranch = tmp_path / "ranch"
    ranch.mkdir()
    write(ranch, "all.kml", kml(placemark("Casa", BLOCK)))
    write(ranch, "mudcap.toml", b'[[layers]]\nfile = "all.kml"\nrole = "blocks"')
    assert [b.block_id for b in read(ranch)[0].blocks] == ["Casa"]


def test_a_file_of_a_folder_called_like_a_thing_is_a_keep_out(tmp_path: Path) -> None:
    """house.geojson beside blocks.geojson."""
    write(tmp_path, "blocks.geojson", geojson([("A", BLOCK)]))
    write(tmp_path, "house.geojson", geojson([("x", HOUSE)]))
    assert len(read(tmp_path)[0].keep_outs) == 1


def test_an_area_left_out_for_its_folders_name_is_a_warning(tmp_path: Path) -> None:
    """With its name, and what to do."""
    left = seen(tmp_path, BLOCKS, folder("Otros", placemark("Gallinero", HOUSE)))[1]["layer_left_out"]
    assert left.level == "warning" and "Gallinero" in left.text and "mudcap.toml" in left.text


def test_a_point_is_no_block(tmp_path: Path) -> None:
    """It is named, what to do is said, and it is none of the blocks that got no site; in one file, beside others, flat."""
    write(tmp_path, "more blocks.geojson", geojson([("B", SECOND)]))
    write(tmp_path, "chacra blocks.kml", kml(folder("Cuadros", placemark("A", BLOCK)) + folder("Otros", pin("My house"))))
    for orchard, findings in (read(tmp_path), read(write(tmp_path, "flat.kml", kml(placemark("A", BLOCK) + pin("My house"))))):
        (said,) = (f for f in findings if f.code == "points_left_out")
        assert said.level == "warning" and "My house" in said.text and "mudcap.toml" in said.text
        assert not orchard.refused and not [f for f in findings if f.level == "error"] and "A" in {b.block_id for b in orchard.blocks}


def test_a_file_of_points_alone_is_still_refused(tmp_path: Path) -> None:
    """There is nothing else that could be the blocks."""
    with pytest.raises(InputError, match="only points"):
        seen(tmp_path, pin("A"), pin("B"))


def test_pins_and_open_lines_are_what_their_names_say(tmp_path: Path) -> None:
    """In a flat file; an outline that does not quite close stays a block, whatever it is called."""
    almost: Ring = [at(300, 0), at(400, 0), at(400, 100), at(300, 100), at(300, 8)]
    orchard, said = seen(
        tmp_path, placemark("A", BLOCK), pin("Yard"), line("South road", (0, -5), (267, -5)), line("Power line", (0, 90), (267, 90)),
        placemark("Road corner", almost, "LineString"),
    )  # fmt: skip
    assert {b.block_id for b in orchard.blocks} == {"A", "Road corner"} and orchard.yard is not None
    assert [r.name for r in orchard.roads] == ["South road"] and [f.role for f in orchard.features if f.role is Role.HAZARDS]
    assert said["role_by_name"].level == "note"


def test_a_lane_with_a_name_is_a_road(tmp_path: Path) -> None:
    """And no spray lane, which it would be if its name stood for the trade's word; it is told as a guess."""
    orchard, said = seen(tmp_path, placemark("A", BLOCK), line("County lane", (0, -5), (267, -5)))
    assert [r.name for r in orchard.roads] == ["County lane"] and not orchard.spray_lanes
    assert said["role_by_name"].level == "warning"


def test_a_fence_is_a_keep_out(tmp_path: Path) -> None:
    """Open or all round the block, and no block of its own; an area of that name stays what it is."""
    ring = [at(*c) for c in ((-4, -4), (271, -4), (271, 271), (-4, 271), (-4, -4))]
    orchard, _said = seen(
        tmp_path, placemark("A", BLOCK), line("North fence", (0, 280), (267, 280)), placemark("Cerco", ring, "LineString"),
        placemark("Fence 9", SECOND),
    )  # fmt: skip
    assert {b.block_id for b in orchard.blocks} == {"A", "Fence 9"}
    assert {k.name for k in orchard.keep_outs} == {"North fence", "Cerco"}


def test_an_open_line_of_no_known_name(tmp_path: Path) -> None:
    """What to do with it is said for a line that may be a road."""
    _orchard, said = seen(tmp_path, placemark("A", BLOCK), line("Drive", (0, -5), (267, -5)))
    assert "road, a fence" in said["open_line"].text


def test_a_ring_road_is_no_block(tmp_path: Path) -> None:
    """A closed line round the blocks that says it is a road; one that does not say so is an outline, as ever."""
    ring = [at(*c) for c in ((-4, -4), (271, -4), (271, 271), (-4, 271), (-4, -4))]
    orchard, _said = seen(tmp_path, placemark("Perimeter road", ring, "LineString"), placemark("A", BLOCK))
    assert [b.block_id for b in orchard.blocks] == ["A"]
    assert [r.name for r in orchard.roads] == ["Perimeter road"]
    orchard, _said = seen(tmp_path, placemark("Creek Road", ring, "LineString"))
    assert [b.block_id for b in orchard.blocks] == ["Creek Road"]
