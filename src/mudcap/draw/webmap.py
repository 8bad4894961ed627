"""The offline map: one HTML file that holds all it needs and asks no network for anything.

No text of a user passes through folium, branca or Jinja, which would run it as template code: they render a skeleton of
placeholders that knows no plan, and the plan goes in afterwards as escaped JSON that the page shows by ``textContent``.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from functools import lru_cache
from importlib import resources
from typing import Any, Final

import folium
from branca.element import Element, Figure

from mudcap.draw.round_scene import with_round
from mudcap.draw.scene import Scene, make_scene
from mudcap.draw.webmap_payload import Photo, payload
from mudcap.draw.webmap_still import still_page
from mudcap.draw.webmap_tongues import tongues
from mudcap.lang import languages, speaking
from mudcap.plan.model import Plan
from mudcap.plan.round_model import Round
from mudcap.plan.spoken import plan_in, round_in

SCRIPTS: Final = ("geometry.js", "points.js", "card.js", "panel.js", "checks.js", "round.js", "ground.js", "tongue.js", "main.js")
"""Our own scripts under ``web/``, in the order they are joined."""
_PLACE: Final = re.compile(r"@@(\w+)@@")
_SCRIPT: Final = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_STYLE: Final = re.compile(r"<style>(.*?)</style>", re.DOTALL)


class OfflineMap(folium.Map):  # type: ignore[misc]
    """A folium map that names no address to load from; Leaflet goes in by placeholder."""

    default_js: Final[list[tuple[str, str]]] = []
    default_css: Final[list[tuple[str, str]]] = []


def web_map(plan: Plan, lang: str = "en", rounds: Round | None = None, *, photo: Photo | None = None) -> str:
    """The plan as one HTML page with its own Leaflet, the same bytes for the same plan.

    `rounds` adds its routes by day, `photo` a picture from the air under everything. With `lang` ``both`` a button goes from
    one language to the other.
    """
    spoken = languages(lang)
    scenes = {language: _scene(plan, language, rounds) for language in spoken}
    scene = scenes[spoken[0]]
    data = payload(plan, scene, spoken[0], photo) | {"tongues": tongues(plan, scenes) if len(spoken) > 1 else []}
    parts = {
        "lang": html.escape(spoken[0]),
        "title": html.escape(scene.title),
        "data": escaped_json(data),
        "still": still_page(plan, scene, lang),
    }
    return _PLACE.sub(lambda hit: parts[hit[1]], skeleton())


def _scene(plan: Plan, language: str, rounds: Round | None) -> Scene:
    own = plan_in(plan, language)
    with speaking(language):
        scene = make_scene(own, language)
        return scene if rounds is None else with_round(scene, own, round_in(rounds, language), language)


@lru_cache(maxsize=1)
def skeleton() -> str:
    """The page without any plan: placeholders for language, title, data and still picture."""
    page = _assets_in(_without_random_ids(_rendered()))
    return page.replace("@@policy@@", _policy(page))


def escaped_json(value: Any) -> str:
    """JSON that can stand inside a script element whatever its strings hold."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _rendered() -> str:
    """What folium makes of a map that holds nothing but placeholders."""
    figure = Figure(title="@@title@@")
    chart = OfflineMap(location=(0.0, 0.0), zoom_start=2, tiles=None, zoom_control=False, max_zoom=22, zoom_snap=0.25)
    figure.add_child(chart)
    figure.header.add_child(Element("@@head@@"), name="head")
    figure.html.add_child(Element("@@body@@"), name="body")
    rendered: str = figure.render()
    return rendered


def _without_random_ids(page: str) -> str:
    """Folium's random identifiers replaced by 1, 2, 3, … in order of appearance."""
    numbers: dict[str, str] = {}
    return re.sub(r"\b(\w+_)?[0-9a-f]{32}\b", lambda hit: numbers.setdefault(hit[0], f"map_{len(numbers) + 1}"), page)


def _assets_in(page: str) -> str:
    own = "\n".join(_web(name) for name in SCRIPTS)
    head = (
        '<meta http-equiv="Content-Security-Policy" content="@@policy@@" />'
        '<meta name="referrer" content="no-referrer" />'
        '<meta name="viewport" content="width=device-width, initial-scale=1" />'
        f"<style>{leaflet_css()}</style><style>{_web('page.css')}</style><script>{leaflet_js()}</script>"
    )
    body = (
        f'{_web("body.html")}<script type="application/json" id="mudcap-data">@@data@@</script>'
        "<noscript>@@still@@</noscript>"
    )
    tail = f'<script>(function () {{ "use strict";\n{own}\n}})();</script>'
    page = page.replace("@@head@@", head, 1).replace("@@body@@", body, 1).replace("<html>", '<html lang="@@lang@@">', 1)
    return page.replace("</html>", f"{tail}\n</html>", 1)


def _policy(page: str) -> str:
    """A content security policy that runs this page's own scripts and styles and lets nothing be fetched but pictures.

    Pictures may come by https because a user may ask for imagery; no text of the plan can make the page ask for one.
    """
    scripts = " ".join(_hash(s) for s in _SCRIPT.findall(page))
    styles = " ".join(_hash(s) for s in _STYLE.findall(page))
    return (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src data: blob: https:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _web(name: str) -> str:
    return (resources.files("mudcap.draw") / "web" / name).read_text("utf-8")


def leaflet_js() -> str:
    """Leaflet 1.9.3 with its licence line, without the address of its source map."""
    text = _leaflet("leaflet.js")
    return re.sub(r"//# sourceMappingURL=\S*\s*$", "", text)


def leaflet_css() -> str:
    """Leaflet's style sheet without pictures and old-browser behaviours, which we do not use."""
    text = _leaflet("leaflet.css")
    return re.sub(r"[\w-]+\s*:\s*url\([^)]*\)[^;}]*;?", "", text)


def _leaflet(name: str) -> str:
    return (resources.files("xstatic.pkg.leaflet") / "data" / name).read_text("utf-8")
