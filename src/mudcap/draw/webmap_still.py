"""The map for viewers that run no script: one still picture and the table of sites."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from mudcap.draw.scene import Scene
from mudcap.draw.style import STYLES, Style
from mudcap.draw.words import status_words
from mudcap.geo.units import length_text
from mudcap.lang import languages, translator
from mudcap.plan.model import Plan

WIDTH: Final = 1000.0
_LEFT_OUT: Final = frozenset({"rows", "catchments", "excluded", "soil", "puddle_links", "water_round"})


def still_page(plan: Plan, scene: Scene, lang: str) -> str:
    """HTML for a ``noscript`` element; every user text escaped."""
    _ = _in_each(lang)
    warning = " / ".join(dict.fromkeys(status_words(plan, translator(language)) for language in languages(lang)))
    head = f"<h1>{html.escape(scene.title)}</h1><p>{html.escape(_('Plan {number}').format(number=plan.number))}</p>"
    note = f"<p><strong>{html.escape(warning)}</strong></p>" if warning else ""
    return f'<div class="still">{head}{note}{_picture(scene)}{_table(plan, lang)}</div>'


def _picture(scene: Scene) -> str:
    left, bottom, right, top = scene.bounds
    scale = WIDTH / max(right - left, top - bottom, 1.0)
    offset = np.array([left, top])

    def place(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((xy - offset) * (scale, -scale))

    body = "".join(
        _shape(shapely.transform(m.geometry, place), STYLES[m.style], m.label)
        for layer in scene.layers
        if layer.key not in _LEFT_OUT
        for m in layer.marks
    )
    width, height = (right - left) * scale + 20, (top - bottom) * scale + 20
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-10 -10 {width:.0f} {height:.0f}">{body}</svg>'


def _shape(geometry: BaseGeometry, style: Style, label: str) -> str:
    path = "".join(_path(geometry))
    dash = f' stroke-dasharray="{" ".join(f"{d * 4:g}" for d in style.dash_mm)}"' if style.dash_mm else ""
    fill = style.fill if style.fill and not style.casing_mm else "none"
    drawn = (
        f'<path d="{path}" fill="{fill}" stroke="{style.stroke}" stroke-width="{style.width_mm * 3:g}"{dash}/>'
        if path
        else ""
    )
    points = [p for p in shapely.get_parts(geometry) if p.geom_type == "Point"]
    drawn += "".join(f'<circle cx="{p.x:.1f}" cy="{p.y:.1f}" r="2" fill="{style.stroke}"/>' for p in points)
    if label and geometry.geom_type != "Point":
        spot = geometry.representative_point()
        drawn += f'<text x="{spot.x:.1f}" y="{spot.y:.1f}" font-size="14">{html.escape(label)}</text>'
    return drawn


def _path(geometry: BaseGeometry) -> Iterator[str]:
    for part in shapely.get_parts(geometry):
        if part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                yield f"M{_points(ring.coords)}Z"
        elif part.geom_type in ("LineString", "LinearRing"):
            yield f"M{_points(part.coords)}"


def _points(coords: object) -> str:
    return "L".join(f"{x:.1f} {y:.1f}" for x, y in np.asarray(coords)[:, :2])


def _in_each(lang: str) -> Callable[[str], str]:
    """The function that says a text in each language of a choice, one beside the other."""
    spoken = [translator(language) for language in languages(lang)]
    return lambda text: " / ".join(dict.fromkeys(say(text) for say in spoken))


def _table(plan: Plan, lang: str) -> str:
    _ = _in_each(lang)
    names = (_("No."), _("Site name"), _("Row and tree"), _("Cavities"), _("Females"), _("Walk from vehicle"), _("Clean mud"))
    heads = "".join(f"<th>{html.escape(n)}</th>" for n in names)
    units = plan.params.units
    out: list[str] = []
    block_id = None
    for site in plan.sites:
        if site.block_id != block_id:
            block_id = site.block_id
            out.append(f'<tr><th colspan="{len(names)}">{html.escape(block_id)}</th></tr>')
        cells = (
            f"{site.number}{' *' if site.pinned else ''}", site.site_id, site.address, str(site.cavities),
            str(site.females), *(length_text(v, units) if math.isfinite(v) else "–" for v in (site.walk_m, site.mud_m)),
        )  # fmt: skip
        out.append("<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in cells) + "</tr>")
    return f"<table><tr>{heads}</tr>{''.join(out)}</table><p>* {html.escape(_('pinned by hand'))}</p>"
