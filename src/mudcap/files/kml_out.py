"""Sites, puddles and release points as KMZ, for globes and phones: a folder a block, plain shapes of our own.

A viewer takes a placemark's description for HTML, so every text of a user is escaped once for HTML and once more for XML;
names are plain text there.

References: OGC 12-007r2 (KML 2.3), clauses on Placemark, Style, ExtendedData; KMZ: doc.kml first in a zip.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator
from typing import Final
from xml.etree import ElementTree as ET

import shapely
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from mudcap.files.icons import Shape, icon_png
from mudcap.files.packed import zip_bytes
from mudcap.files.waypoints import clean
from mudcap.lang import counted, translator
from mudcap.plan.model import Plan, Site

NAMESPACE: Final = "http://www.opengis.net/kml/2.2"
_ICONS: Final[dict[str, tuple[Shape, str]]] = {
    "site": ("ring", "#ffffff"),
    "puddle": ("square", "#56b4e9"),
    "release": ("triangle", "#f0e442"),
}
"""Shape and colour by style; colours: Okabe & Ito, Color Universal Design (2008)."""


def sites_kmz(plan: Plan, lang: str = "en") -> bytes:
    """The plan as KMZ; the same bytes for the same plan."""
    pictures = {f"shapes/{name}.png": icon_png(*look) for name, look in _ICONS.items()}
    return zip_bytes({"doc.kml": sites_kml(plan, lang).encode(), **pictures})


def sites_kml(plan: Plan, lang: str = "en") -> str:
    """The KML document of the plan; its symbols are pictures beside it in the KMZ."""
    _ = translator(lang)
    root = ET.Element("kml", xmlns=NAMESPACE)
    document = ET.SubElement(root, "Document")
    _put(document, "name", plan.params.ranch or plan.orchard.name)
    _describe(document, [_("Nest shelter sites, plan {number}").format(number=plan.number)])
    for name in _ICONS:
        _icon_style(document, name)
    _area_style(document)
    by_block: dict[str, list[Site]] = {}
    for site in plan.sites:
        by_block.setdefault(site.block_id, []).append(site)
    for block in plan.orchard.blocks:
        folder = _folder(document, block.block_id)
        _outline(folder, block.block_id, plan.orchard.plane.geometry_to_lonlat(block.polygon))
        for site in by_block.get(block.block_id, ()):
            _site(folder, site, lang)
    _puddles(document, plan, lang)
    _release(document, plan, lang)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _puddles(document: ET.Element, plan: Plan, lang: str) -> None:
    _ = translator(lang)
    if plan.puddles is None or not plan.puddles.puddles:
        return
    folder = _folder(document, _("Puddles to keep wet"))
    for puddle in plan.puddles.puddles:
        lines = [
            puddle.address,
            counted(
                _, "Serves {count} site of block {block} or near it.", "Serves {count} sites of block {block} and near it.", len(puddle.sites)
            ).format(count=len(puddle.sites), block=puddle.block_id),
        ]
        _point(folder, puddle.name, "puddle", puddle.lon, puddle.lat, lines, {"block": puddle.block_id})


def _release(document: ET.Element, plan: Plan, lang: str) -> None:
    _ = translator(lang)
    if not plan.release:
        return
    folder = _folder(document, _("Release points"))
    for point in plan.release:
        lines = [
            _("Block {block}, {address}").format(block=point.block_id, address=point.address),
            counted(
                _, "{females:,} females, {males:,} males, {count} container", "{females:,} females, {males:,} males, {count} containers", point.containers
            ).format(females=point.females, males=point.males, count=point.containers),
        ]
        _point(folder, point.name, "release", point.lon, point.lat, lines, {"block": point.block_id})


def _site(folder: ET.Element, site: Site, lang: str) -> None:
    _ = translator(lang)
    lines = [
        _("Block {block}, no. {number}: {address}").format(block=site.block_id, number=site.number, address=site.address),
        _("{cavities} cavities, {females} females, {males} males").format(
            cavities=site.cavities, females=site.females, males=site.males
        ),
    ]
    facts = {
        "site_id": site.site_id, "block": site.block_id, "number": site.number, "row": site.row, "tree": site.tree,
        "cavities": site.cavities,
    }  # fmt: skip
    _point(folder, site.site_id, "site", site.lon, site.lat, lines, facts)


def _point(
    parent: ET.Element, name: str, style: str, lon: float, lat: float, lines: Iterable[str], facts: dict[str, object]
) -> None:
    mark = ET.SubElement(parent, "Placemark")
    _put(mark, "name", name)
    _describe(mark, lines)
    _put(mark, "styleUrl", f"#{style}")
    data = ET.SubElement(mark, "ExtendedData")
    for key, value in facts.items():
        _put(ET.SubElement(data, "Data", name=key), "value", value)
    _put(ET.SubElement(mark, "Point"), "coordinates", _position(lon, lat))


def _outline(folder: ET.Element, name: str, geometry: BaseGeometry) -> None:
    mark = ET.SubElement(folder, "Placemark")
    _put(mark, "name", name)
    _put(mark, "styleUrl", "#block")
    many = ET.SubElement(mark, "MultiGeometry")
    for part in shapely.get_parts(geometry):
        polygon = ET.SubElement(many, "Polygon")
        for kind, ring in _rings(part):
            line = ET.SubElement(ET.SubElement(polygon, kind), "LinearRing")
            _put(line, "coordinates", " ".join(_position(x, y) for x, y in shapely.get_coordinates(ring)))


def _rings(part: BaseGeometry) -> Iterator[tuple[str, BaseGeometry]]:
    oriented = orient(part)
    yield "outerBoundaryIs", oriented.exterior
    for ring in oriented.interiors:
        yield "innerBoundaryIs", ring


def _icon_style(document: ET.Element, name: str) -> None:
    style = ET.SubElement(document, "Style", id=name)
    icon = ET.SubElement(style, "IconStyle")
    _put(icon, "scale", "0.6")
    _put(ET.SubElement(icon, "Icon"), "href", f"shapes/{name}.png")
    ET.SubElement(icon, "hotSpot", x="0.5", y="0.5", xunits="fraction", yunits="fraction")
    _put(ET.SubElement(style, "LabelStyle"), "scale", "0.7")


def _area_style(document: ET.Element) -> None:
    style = ET.SubElement(document, "Style", id="block")
    line = ET.SubElement(style, "LineStyle")
    _put(line, "color", "ffffffff")
    _put(line, "width", "2")
    _put(ET.SubElement(style, "PolyStyle"), "fill", "0")


def _folder(parent: ET.Element, name: str) -> ET.Element:
    folder = ET.SubElement(parent, "Folder")
    _put(folder, "name", name)
    return folder


def _describe(element: ET.Element, lines: Iterable[str]) -> None:
    _put(element, "description", "<br/>".join(html.escape(clean(line)) for line in lines))


def _put(parent: ET.Element, tag: str, value: object) -> None:
    ET.SubElement(parent, tag).text = clean(str(value))


def _position(lon: float, lat: float) -> str:
    return f"{lon:.7f},{lat:.7f}"
