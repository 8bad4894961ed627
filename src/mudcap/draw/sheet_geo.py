"""Tells a PDF reader where on earth each map window lies, so that a phone can show its position on the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from io import BytesIO
from typing import Final

from pypdf import PdfReader, PdfWriter
from pypdf.generic import ArrayObject, DictionaryObject, FloatObject, NameObject, TextStringObject

from mudcap.draw.sheet_layout import View
from mudcap.draw.sheet_pen import PT_PER_MM
from mudcap.geo.plane import LocalPlane

_UNIT_SQUARE: Final = (0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 0.0)
"""Corners in the window, in the order lower left, upper left, upper right, lower right."""


def with_positions(pdf: bytes, views: Mapping[int, View], plane: LocalPlane) -> bytes:
    """The PDF with a measured viewport on each page of `views` (page positions from 0).

    References: ISO 32000-2:2020, 12.9 (viewports) and 12.10 (geospatial measure dictionary).
    """
    writer = PdfWriter(clone_from=PdfReader(BytesIO(pdf)))
    for position, view in views.items():
        writer.pages[position][NameObject("/VP")] = ArrayObject([_viewport(view, plane)])
    writer.pdf_header = "%PDF-1.7"
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def _viewport(view: View, plane: LocalPlane) -> DictionaryObject:
    measure = DictionaryObject({
        NameObject("/Type"): NameObject("/Measure"),
        NameObject("/Subtype"): NameObject("/GEO"),
        NameObject("/Bounds"): _numbers(_UNIT_SQUARE),
        NameObject("/GPTS"): _numbers(_corners_latlon(view, plane)),
        NameObject("/LPTS"): _numbers(_UNIT_SQUARE),
        NameObject("/GCS"): DictionaryObject({
            NameObject("/Type"): NameObject("/PROJCS"),
            NameObject("/WKT"): TextStringObject(_zone_wkt(view, plane)),
        }),
    })  # fmt: skip
    return DictionaryObject({
        NameObject("/Type"): NameObject("/Viewport"),
        NameObject("/Name"): TextStringObject("map"),
        NameObject("/BBox"): _numbers([side * PT_PER_MM for side in view.frame.window]),
        NameObject("/Measure"): measure,
    })  # fmt: skip


def _corners_latlon(view: View, plane: LocalPlane) -> list[float]:
    """Latitude and longitude of the window's corners [deg, WGS 84]."""
    left, bottom, right, top = view.ground
    lonlat = plane.to_lonlat([(left, bottom), (left, top), (right, top), (right, bottom)])
    return [float(v) for lon, lat in lonlat for v in (lat, lon)]


def _zone_wkt(view: View, plane: LocalPlane) -> str:
    """The projection of the zone that the window lies in, in the form that readers of PDF know."""
    x, y = view.centre
    zone = min(plane.zones, key=lambda z: (z.east_m - x) ** 2 + (z.north_m - y) ** 2)
    return str(zone.crs.to_wkt("WKT1_ESRI"))


def _numbers(values: Iterable[float]) -> ArrayObject:
    return ArrayObject([FloatObject(f"{v:.9f}") for v in values])
