"""Tells a PDF reader where on earth each map window lies, so that a phone can show its position on the sheet."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from io import BytesIO
from typing import Any, Final

from reportlab.pdfbase.pdfdoc import PDFPage
from reportlab.pdfgen.canvas import Canvas

from mudcap.draw.sheet_layout import PAGES_MM, View
from mudcap.draw.sheet_pen import PT_PER_MM, face_name, printable
from mudcap.geo.plane import LocalPlane, Zone

_UNIT_SQUARE: Final = (0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 0.0)
"""Corners in the window, in the order lower left, upper left, upper right, lower right."""


class MapCanvas(Canvas):  # type: ignore[misc]
    """A canvas whose pages may have a measured viewport: `place` says where the page being drawn lies."""

    viewport: str = ""

    def place(self, view: View, plane: LocalPlane) -> None:
        """Say which ground the map window of this page shows.

        References: ISO 32000-2:2020, 12.9 (viewports) and 12.10 (geospatial measure dictionary).
        """
        self.viewport = _viewport(view, plane)

    def _setAnnotations(self, page: PDFPage) -> None:
        super()._setAnnotations(page)
        if self.viewport:
            page.__NoDefault__ = [*page.__NoDefault__, "VP"]
            page.VP = self.viewport
            self.viewport = ""


def map_canvas(out: BytesIO, page: str, *, title: str, subject: str, lang: str) -> MapCanvas:
    """An empty document of that paper: no clock, no name of a machine, our type.

    Raises ``ValueError`` for a page that is none of `PAGES_MM`.
    """
    if page not in PAGES_MM:
        raise ValueError(f"page: {page!r} is none of {', '.join(PAGES_MM)}.")
    size = tuple(side * PT_PER_MM for side in PAGES_MM[page])
    options: dict[str, Any] = {"pagesize": size, "invariant": 1, "pageCompression": 1, "pdfVersion": (1, 7), "lang": lang}
    canvas = MapCanvas(out, initialFontName=face_name("plain"), **options)
    canvas.setTitle(printable(title))
    canvas.setSubject(subject)
    canvas.setAuthor("")
    canvas.setCreator("mudcap")
    return canvas


def _viewport(view: View, plane: LocalPlane) -> str:
    """One plain dictionary, which simple readers follow too."""
    corners = _numbers(_corners_latlon(view, plane), 9)
    square = _numbers(_UNIT_SQUARE, 0)
    box = _numbers([side * PT_PER_MM for side in view.frame.window], 4)
    system = f"<< /Type /PROJCS /WKT {_literal(_zone_wkt(_zone(view, plane)))} >>"
    measure = (
        f"<< /Type /Measure /Subtype /GEO /Bounds {square} /GPTS {corners} /LPTS {square} /GCS {system} >>"
    )
    return f"[ << /Type /Viewport /Name (map) /BBox {box} /Measure {measure} >> ]"


def _corners_latlon(view: View, plane: LocalPlane) -> list[float]:
    """Latitude and longitude of the window's corners [deg, WGS 84]."""
    left, bottom, right, top = view.ground
    lonlat = plane.to_lonlat([(left, bottom), (left, top), (right, top), (right, bottom)])
    return [float(v) for lon, lat in lonlat for v in (lat, lon)]


def _zone(view: View, plane: LocalPlane) -> Zone:
    """The zone that the window lies in."""
    x, y = view.centre
    return min(plane.zones, key=lambda z: (z.east_m - x) ** 2 + (z.north_m - y) ** 2)


@lru_cache(maxsize=8)
def _zone_wkt(zone: Zone) -> str:
    """The zone's projection in the form that readers of PDF know."""
    return str(zone.crs.to_wkt("WKT1_ESRI"))


def _numbers(values: Iterable[float], places: int) -> str:
    return "[ " + " ".join(f"{v:.{places}f}" for v in values) + " ]"


def _literal(text: str) -> str:
    """A PDF string."""
    return "(" + text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)") + ")"
