"""How GIS programs should draw the layers of plan.gpkg: the table `layer_styles`, one row a layer.

The table's layout is the one that desktop GIS programs look for in a GeoPackage (no part of the standard, registered as
plain attributes). Each style stands twice: as SLD 1.0.0, and in the short native form of one of them, which only names
line, fill and marker. Colours: Okabe & Ito, Color Universal Design (2008), darkened where they are lines.

References: OGC 02-070 (SLD 1.0.0); OGC 12-128r18 for the registration of attribute tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

SLD: Final = "http://www.opengis.net/sld"
OGC: Final = "http://www.opengis.net/ogc"
STYLE_TABLE: Final = "layer_styles"
_DPI_PX_PER_MM: Final = 96 / 25.4
_MARKERS: Final = {"circle": "circle", "square": "square", "triangle": "triangle", "cross": "x"}
"""Well-known marks of SLD 1.0, and what the native form calls them; a diagonal cross is 'x' in SLD and 'cross2' there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerStyle:
    """One layer's look. Widths and sizes in millimetres on paper."""

    layer: str
    stroke: str = "#000000"
    width_mm: float = 0.3
    fill: str = ""
    """'' = not filled."""
    dash_mm: tuple[float, ...] = ()
    marker: str = ""
    """Key of `_MARKERS` where the layer holds points."""
    size_mm: float = 2.4
    kinds: tuple[str, ...] = ("fill",)
    """Which of 'marker', 'line' and 'fill' the layer's geometries need."""
    label: str = ""
    """Column written beside each feature."""


STYLES: Final = (
    LayerStyle(layer="sites", fill="#ffffff", marker="circle", width_mm=0.5, kinds=("marker",), label="number"),
    LayerStyle(layer="blocks", width_mm=0.5, label="block"),
    LayerStyle(layer="rows", stroke="#a9a9a9", width_mm=0.15, kinds=("line",)),
    LayerStyle(layer="alleys", stroke="#d0d0d0", width_mm=0.15, dash_mm=(1.0, 1.0), kinds=("line",)),
    LayerStyle(layer="excluded", stroke="#6b6b6b", width_mm=0.2, marker="cross", size_mm=1.2, kinds=("marker",)),
    LayerStyle(layer="roads", width_mm=0.8, kinds=("line",)),
    LayerStyle(layer="spray_lanes", stroke="#b84a00", width_mm=0.6, dash_mm=(2.4, 1.0), kinds=("line",)),
    LayerStyle(layer="mud", stroke="#6a4a1f", fill="#efe3d0", marker="square", kinds=("marker", "line", "fill")),
    LayerStyle(layer="keep_outs", fill="#ececec", marker="square", kinds=("marker", "line", "fill")),
    LayerStyle(layer="closures", stroke="#8a3d6b", fill="#f3f3f3", dash_mm=(1.6, 0.8), marker="square",
               kinds=("marker", "line", "fill")),
    LayerStyle(layer="other", stroke="#00664b", fill="#e8f2ea", marker="triangle", kinds=("marker", "line", "fill")),
    LayerStyle(layer="puddles", stroke="#00558f", fill="#d6ebf7", marker="square", kinds=("marker",), label="name"),
    LayerStyle(layer="water_round", stroke="#00558f", width_mm=0.5, dash_mm=(2.0, 1.0), kinds=("line",)),
    LayerStyle(layer="release", fill="#f0e442", marker="triangle", size_mm=3.0, kinds=("marker",), label="name"),
)  # fmt: skip
"""By layer; layers that a plan does not have get no row."""


def style_rows(layers: Iterable[str]) -> list[dict[str, str]]:
    """The rows of `layer_styles` for those of `layers` that have a look, as text columns by name."""
    known = {style.layer: style for style in STYLES}
    return [
        {
            "f_table_catalog": "", "f_table_schema": "", "f_table_name": name, "f_geometry_column": "geom",
            "styleName": name, "styleQML": native(known[name]), "styleSLD": sld(known[name]),
            "description": "mudcap", "owner": "", "ui": "",
        }
        for name in layers if name in known
    ]  # fmt: skip


def sld(style: LayerStyle) -> str:
    """The look as a Styled Layer Descriptor 1.0.0."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": SLD, "xmlns:ogc": OGC})
    named = ET.SubElement(root, "NamedLayer")
    _put(named, "Name", style.layer)
    user = ET.SubElement(named, "UserStyle")
    _put(user, "Name", style.layer)
    rule = ET.SubElement(ET.SubElement(user, "FeatureTypeStyle"), "Rule")
    for kind in style.kinds:
        {"marker": _sld_marker, "line": _sld_line, "fill": _sld_fill}[kind](rule, style)
    if style.label:
        text = ET.SubElement(rule, "TextSymbolizer")
        _put(ET.SubElement(text, "Label"), "ogc:PropertyName", style.label)
        _parameters(ET.SubElement(text, "Font"), {"font-size": "10"})
        _parameters(ET.SubElement(text, "Fill"), {"fill": "#000000"})
    return ET.tostring(root, encoding="unicode")


def _sld_marker(rule: ET.Element, style: LayerStyle) -> None:
    graphic = ET.SubElement(ET.SubElement(rule, "PointSymbolizer"), "Graphic")
    mark = ET.SubElement(graphic, "Mark")
    _put(mark, "WellKnownName", _MARKERS[style.marker])
    if style.fill:
        _parameters(ET.SubElement(mark, "Fill"), {"fill": style.fill})
    _stroke(mark, style)
    _put(graphic, "Size", _pixels(style.size_mm))


def _sld_line(rule: ET.Element, style: LayerStyle) -> None:
    _stroke(ET.SubElement(rule, "LineSymbolizer"), style)


def _sld_fill(rule: ET.Element, style: LayerStyle) -> None:
    area = ET.SubElement(rule, "PolygonSymbolizer")
    if style.fill:
        _parameters(ET.SubElement(area, "Fill"), {"fill": style.fill})
    _stroke(area, style)


def _stroke(parent: ET.Element, style: LayerStyle) -> None:
    values = {"stroke": style.stroke, "stroke-width": _pixels(style.width_mm)}
    if style.dash_mm:
        values["stroke-dasharray"] = " ".join(_pixels(v) for v in style.dash_mm)
    _parameters(ET.SubElement(parent, "Stroke"), values)


def _parameters(parent: ET.Element, values: dict[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, "CssParameter", name=name).text = value


def _pixels(millimetres: float) -> str:
    return f"{millimetres * _DPI_PX_PER_MM:.2f}"


def native(style: LayerStyle) -> str:
    """The look in the native form: one symbol for a layer of one kind; '' where kinds are mixed, SLD serves there."""
    if len(style.kinds) != 1:
        return ""
    root = ET.Element("qgis", {"version": "3.16.0", "styleCategories": "Symbology|Labeling", "labelsEnabled": str(int(bool(style.label)))})
    renderer = ET.SubElement(root, "renderer-v2", {"type": "singleSymbol", "symbollevels": "0", "enableorderby": "0", "forceraster": "0"})
    (kind,) = style.kinds
    symbol = ET.SubElement(
        ET.SubElement(renderer, "symbols"), "symbol",
        {"type": kind, "name": "0", "alpha": "1", "clip_to_extent": "1", "force_rhr": "0"},
    )  # fmt: skip
    name, values = {"marker": _native_marker, "line": _native_line, "fill": _native_fill}[kind](style)
    layer = ET.SubElement(symbol, "layer", {"class": name, "enabled": "1", "pass": "0", "locked": "0"})
    for key, value in values.items():
        ET.SubElement(layer, "prop", k=key, v=value)
    if style.label:
        settings = ET.SubElement(ET.SubElement(root, "labeling", type="simple"), "settings")
        ET.SubElement(settings, "text-style", {"fieldName": style.label, "isExpression": "0", "fontSize": "8", "fontSizeUnit": "Point", "textColor": "0,0,0,255"})
        ET.SubElement(settings, "placement", {"placement": "6" if style.kinds == ("marker",) else "1"})
    return ET.tostring(root, encoding="unicode")


def _native_marker(style: LayerStyle) -> tuple[str, dict[str, str]]:
    return "SimpleMarker", {
        "name": {"cross": "cross2"}.get(style.marker, style.marker), "size": f"{style.size_mm:g}", "size_unit": "MM",
        "color": _rgba(style.fill or "#ffffff"), "outline_color": _rgba(style.stroke), "outline_style": "solid",
        "outline_width": f"{style.width_mm:g}", "outline_width_unit": "MM",
    }  # fmt: skip


def _native_line(style: LayerStyle) -> tuple[str, dict[str, str]]:
    return "SimpleLine", {
        "line_color": _rgba(style.stroke), "line_style": "solid", "line_width": f"{style.width_mm:g}", "line_width_unit": "MM",
        "use_custom_dash": str(int(bool(style.dash_mm))), "customdash": _dashes(style.dash_mm), "customdash_unit": "MM",
    }  # fmt: skip


def _native_fill(style: LayerStyle) -> tuple[str, dict[str, str]]:
    return "SimpleFill", {
        "color": _rgba(style.fill or "#ffffff"), "style": "solid" if style.fill else "no", "outline_color": _rgba(style.stroke),
        "outline_style": "solid", "outline_width": f"{style.width_mm:g}", "outline_width_unit": "MM",
    }  # fmt: skip


def _dashes(dash_mm: Sequence[float]) -> str:
    return ";".join(f"{v:g}" for v in dash_mm) or "5;2"


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[k : k + 2], 16)) for k in (1, 3, 5)) + ",255"


def _put(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text
