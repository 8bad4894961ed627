"""The data of the offline map as plain lists and dictionaries, small enough for a phone."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.draw.scene import Layer, Scene
from mudcap.draw.style import OUTLINES, STYLES, Style
from mudcap.draw.webmap_words import IMAGERY, check_choices, check_words
from mudcap.draw.words import map_words, status_words
from mudcap.geo.plane import LocalPlane
from mudcap.lang import translator
from mudcap.orchard.names import exclusion_text
from mudcap.plan.model import Plan

PX_PER_MM: Final = 4.0
STEP_DEG: Final = 1e-7
"""Coordinates are whole steps of 1e-7 degree, 11 mm at most."""
SMOOTH_M: Final = 0.15
"""Drawn lines are thinned to this tolerance on screen."""


Photo = tuple[bytes, tuple[float, float, float, float]]
"""A JPEG in Web Mercator and the box that it fills: south, west, north, east [deg]."""


def payload(plan: Plan, scene: Scene, lang: str, photo: Photo | None = None) -> dict[str, Any]:
    """Everything the page shows, user texts as plain strings."""
    left, bottom, right, top = scene.bounds
    corners = plan.orchard.plane.to_lonlat([(left, bottom), (right, bottom), (left, top), (right, top)])
    west, south = corners.min(axis=0)
    east, north = corners.max(axis=0)
    origin = np.floor(np.array([west, south]) / STEP_DEG).astype(np.int64)
    pen = _Pen(plan.orchard.plane, origin)
    day = plan.params.plan_date
    layers, sites = [_layer(layer, pen) for layer in scene.layers], _sites(plan, pen, lang)
    pen.fill()
    return {
        "version": 1,
        "title": scene.title,
        "number": plan.number,
        "date": day.isoformat() if day else "",
        "units": plan.params.units,
        "warning": status_words(plan, translator(lang)),
        "words": page_words(lang),
        "choices": check_choices(lang),
        "imagery": dict(IMAGERY),
        "photo": None if photo is None else _photo(photo),
        "bounds": [[round(float(south), 7), round(float(west), 7)], [round(float(north), 7), round(float(east), 7)]],
        "origin": origin.tolist(),
        "styles": {key: _style(style) for key, style in STYLES.items()},
        "outlines": {key: [list(p) for p in points] for key, points in OUTLINES.items()},
        "blocks": [[b.block_id, b.code] for b in plan.orchard.blocks],
        "layers": layers,
        "sites": sites,
    }


def _photo(photo: Photo) -> dict[str, Any]:
    jpeg, (south, west, north, east) = photo
    source = f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"
    return {"source": source, "bounds": [[south, west], [north, east]]}


class _Pen:
    """Turns plane geometry into short lists of whole steps, all in one go: one projection of many points costs a tenth."""

    def __init__(self, plane: LocalPlane, origin: NDArray[np.int64]) -> None:
        self.plane, self.origin = plane, origin
        self._xy: list[NDArray[np.float64]] = []
        self._lists: list[list[int]] = []

    def steps(self, xy: Any) -> list[int]:
        """[x0, y0, dx1, dy1, …] of plane points; empty until `fill`."""
        self._xy.append(np.asarray(xy, float)[:, :2])
        self._lists.append([])
        return self._lists[-1]

    def fill(self) -> None:
        """Fill all lists given so far."""
        if not self._xy:
            return
        ends = np.cumsum([len(xy) for xy in self._xy])
        starts = ends - [len(xy) for xy in self._xy]
        whole = np.rint(self.plane.to_lonlat(np.concatenate(self._xy)) / STEP_DEG).astype(np.int64) - self.origin
        steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64))
        steps[starts] = whole[starts]
        flat = steps.ravel().tolist()
        for out, start, end in zip(self._lists, starts.tolist(), ends.tolist(), strict=True):
            out.extend(flat[2 * start : 2 * end])
        self._xy, self._lists = [], []

    def geometry(self, geometry: BaseGeometry) -> list[Any]:
        """[areas, lines, points]: rings by area, lines, and one list of points."""
        areas: list[Any] = []
        lines: list[Any] = []
        points: list[Any] = []
        for part in _parts(geometry):
            if part.geom_type == "Polygon":
                areas.append([self.steps(shapely.get_coordinates(r)) for r in (part.exterior, *part.interiors)])
            elif part.geom_type == "Point":
                points.append((part.x, part.y))
            else:
                lines.append(self.steps(shapely.get_coordinates(part)))
        return [areas, lines, self.steps(points) if points else []]


_SIMPLE: Final = ("Polygon", "Point", "LineString", "LinearRing")


def _parts(geometry: BaseGeometry) -> Iterable[BaseGeometry]:
    for part in (geometry,) if geometry.geom_type in _SIMPLE else shapely.get_parts(geometry):
        if part.is_empty:
            continue
        if part.geom_type == "Point":
            yield part
        elif part.geom_type in _SIMPLE:
            thin = part.simplify(SMOOTH_M)
            yield part if thin.is_empty else thin
        else:
            yield from _parts(part)


def _layer(layer: Layer, pen: _Pen) -> dict[str, Any]:
    marks = [] if layer.key == "sites" else [[m.style, m.label, m.note, m.index, *pen.geometry(m.geometry)] for m in layer.marks]
    return {"key": layer.key, "title": layer.title, "shown": layer.shown, "marks": marks}


def _sites(plan: Plan, pen: _Pen, lang: str) -> dict[str, Any]:
    """Sites by column; decimetres for lengths, -1 where there is none."""
    sites = plan.sites
    block_of = {b.block_id: i for i, b in enumerate(plan.orchard.blocks)}
    puddle = {k: p.name for p in (plan.puddles.puddles if plan.puddles is not None else ()) for k in p.sites}
    return {
        "at": pen.steps([(s.x_m, s.y_m) for s in sites]) if sites else [],
        "id": [s.site_id for s in sites],
        "block": [block_of[s.block_id] for s in sites],
        "number": [s.number for s in sites],
        "row": [s.row for s in sites],
        "tree": [s.tree for s in sites],
        "trees": [_short(s.trees) for s in sites],
        "females": [s.females for s in sites],
        "cavities": [s.cavities for s in sites],
        "farthest": _decimetres([s.farthest_m for s in sites]),
        "walk": _decimetres([s.walk_m for s in sites]),
        "mud": _decimetres([s.mud_m for s in sites]),
        "puddle": [puddle.get(i, "") for i in range(len(sites))],
        "pinned": [i for i, s in enumerate(sites) if s.pinned],
        "flags": [s.flags for s in sites],
        "flag_words": flag_words(plan, lang),
    }


def page_words(lang: str) -> dict[str, str]:
    """Every word that the page itself says, by key."""
    return map_words(lang) | check_words(lang)


def flag_words(plan: Plan, lang: str) -> dict[str, str]:
    """What speaks against each site that stands all the same, by the flags."""
    _ = translator(lang)
    return {str(f): exclusion_text(f, _) for f in sorted({s.flags for s in plan.sites if s.flags})}


def _short(value: float) -> float | int:
    rounded = round(value, 1)
    return int(rounded) if rounded == int(rounded) else rounded


def _decimetres(lengths_m: Sequence[float]) -> list[int]:
    return [round(v * 10) if math.isfinite(v) else -1 for v in lengths_m]


def _style(style: Style) -> dict[str, Any]:
    return {
        "stroke": style.stroke, "width": round(style.width_mm * PX_PER_MM, 2), "fill": style.fill,
        "dash": " ".join(f"{d * PX_PER_MM:g}" for d in style.dash_mm), "hatch": style.hatch,
        "step": round(style.hatch_mm * PX_PER_MM, 2), "symbol": style.symbol, "letter": style.letter,
        "size": round(style.size_mm * PX_PER_MM, 1), "casing": round(style.casing_mm * PX_PER_MM, 2),
    }  # fmt: skip
