"""The map's bytes: small, the same each time, and no user text near a template."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from typing import Any

import folium.folium
import jinja2
import pytest
from folium.folium import _default_js
from plans import HOSTILE, sample_plan, section_plan, with_status

from mudcap.draw import webmap
from mudcap.draw.webmap import escaped_json, leaflet_css, leaflet_js, skeleton, web_map


def data_of(page: str) -> Any:
    """The plan's data inside a page."""
    return json.loads(re.findall(r'<script type="application/json" id="mudcap-data">(.*?)</script>', page, re.S)[0])


def test_leaflet_is_the_version_folium_names() -> None:
    """Own assets and folium cannot drift apart."""
    version = re.search(r"leaflet@([\d.]+)/", dict(_default_js)["leaflet"])[1]  # type: ignore[index]
    assert f"Leaflet {version}" in leaflet_js()[:200]


def test_no_address_is_loaded() -> None:
    """Nothing in the page names a source outside itself; Leaflet keeps its licence line and its credit."""
    page = web_map(sample_plan())
    assert not re.search(r"""(?:src|href)=["']""", re.sub(r"<script>.*?</script>", "", page, flags=re.S))
    assert "url(" not in leaflet_css()
    assert "sourceMappingURL" not in page
    assert "(c) 2010" in leaflet_js() and 'setPrefix("Leaflet")' in page


def test_same_plan_same_bytes() -> None:
    """Folium's random names do not reach the file, even when the skeleton is made anew."""
    plan = sample_plan()
    first = web_map(plan)
    skeleton.cache_clear()
    assert web_map(plan) == first
    assert not re.search(r"[0-9a-f]{32}", re.sub(r"sha256-\S+", "", first))


@pytest.mark.parametrize("name", HOSTILE)
def test_data_survives_any_name(name: str) -> None:
    """A name comes out of the JSON as it went in, and the page around it is untouched."""
    page = web_map(sample_plan(1, 6, names=[name]))
    data = data_of(page)
    assert data["blocks"][0][0] == name
    assert page.count("</script>") == web_map(sample_plan(1, 6)).count("</script>")
    assert name not in page.replace(json.dumps(name, ensure_ascii=False)[1:-1], "") or not set(name) & set("<>&\u2028")


def test_escaped_json_has_no_sign_that_html_or_script_would_read() -> None:
    """`<`, `>`, `&` and the two line separators are written as \\uXXXX."""
    text = escaped_json({"a": "</script>&\u2028\u2029<!--"})
    assert not set(text) & set("<>&\u2028\u2029")
    assert json.loads(text) == {"a": "</script>&\u2028\u2029<!--"}


def test_numbers_that_json_cannot_hold_are_refused() -> None:
    """NaN in a page would stop it in the browser; it stops here instead."""
    with pytest.raises(ValueError, match="JSON"):
        escaped_json({"a": float("nan")})


def test_no_user_text_reaches_a_template(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    """Every template source and every rendered text of folium, branca and Jinja is free of the plan's words."""
    target = tmp_path / "made"
    evil = "{{ cycler.__init__.__globals__.os.mkdir('" + str(target) + "') }}"
    seen: list[str] = []
    real_init, real_render = jinja2.Environment.from_string, jinja2.Template.render

    def from_string(self: Any, source: Any, *args: Any, **options: Any) -> Any:
        seen.append(str(source))
        return real_init(self, source, *args, **options)

    def render(self: Any, *args: Any, **options: Any) -> str:
        out = real_render(self, *args, **options)
        seen.append(out + repr(args) + repr(options))
        return out

    monkeypatch.setattr(jinja2.Environment, "from_string", from_string)
    monkeypatch.setattr(jinja2.Template, "render", render)
    skeleton.cache_clear()
    page = web_map(sample_plan(2, 8, names=[evil, "Zaubernuss"]))
    skeleton.cache_clear()
    assert "Zaubernuss" in page
    assert any("L.map(" in text for text in seen)
    assert not any("Zaubernuss" in text or "cycler" in text for text in seen)
    assert not target.exists()


def test_the_skeleton_knows_no_plan() -> None:
    """What folium renders takes no argument at all."""
    assert "@@data@@" in skeleton() and "@@still@@" in skeleton()
    assert issubclass(webmap.OfflineMap, folium.folium.Map)


def test_policy_names_every_script_by_its_hash() -> None:
    """The page's own policy runs its own scripts only and lets nothing be fetched."""
    page = web_map(sample_plan())
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]  # type: ignore[index]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert [p.split()[0] for p in policy.split("; ") if "http" in p] == ["img-src"]
    for script in re.findall(r"<script>(.*?)</script>", page, re.S):
        assert base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() in policy


def test_file_sizes() -> None:
    """Under 1 MB for 400 sites, under 3 MB for 6,000."""
    assert len(web_map(sample_plan(1, 400, rows=60, trees=73)).encode()) < 1_000_000
    assert len(web_map(section_plan()).encode()) < 3_000_000


def test_positions_are_kept_to_a_centimetre() -> None:
    """Whole steps of 1e-7 degree, decoded, give back each site."""
    plan = sample_plan(1, 20)
    data = data_of(web_map(plan))
    x, y = data["origin"]
    for site, dx, dy in zip(plan.sites, data["sites"]["at"][::2], data["sites"]["at"][1::2], strict=True):
        x, y = x + dx, y + dy
        assert abs(x * 1e-7 - site.lon) <= 6e-8 and abs(y * 1e-7 - site.lat) <= 6e-8


def test_still_page_has_every_site_escaped() -> None:
    """A viewer without script gets a picture and a table; markup in names is text there too."""
    plan = sample_plan(2, 10, names=HOSTILE)
    page = web_map(plan)
    still = re.search(r"<noscript>(.*?)</noscript>", page, re.S)[1]  # type: ignore[index]
    assert all(f"<td>{site.site_id}</td>" in still for site in plan.sites)
    assert "<img" not in still and "&lt;img src=x" in still
    assert still.count("<svg") == 1


def test_compromises_are_said_on_the_map() -> None:
    """A fallback layout is named at the top of the page, with its block."""
    plan = with_status(sample_plan(), "fallback", "The solver stopped.")
    assert data_of(web_map(plan))["warning"] == "North 1: FALLBACK LAYOUT"
    assert data_of(web_map(sample_plan()))["warning"] == ""
