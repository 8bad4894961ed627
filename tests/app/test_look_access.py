"""`mudcap look` tells ground that no vehicle reaches before anything is planned."""

from __future__ import annotations

import json

from mudcap.app.cli import run


def test_look_tells_unreached_acres_and_the_link(tmp_path, capsys):
    """A block north of a ditch, a road south of it: its acres, the ditch and the length of the link."""
    def at(x, y):
        return [-120.0 + x / 88_900, 37.0 + y / 111_000]

    def layer(file, kind, coords, **said):
        feature = {"type": "Feature", "properties": said, "geometry": {"type": kind, "coordinates": coords}}
        text = json.dumps({"type": "FeatureCollection", "features": [feature]})
        (tmp_path / f"{file}.geojson").write_text(text, encoding="utf-8")

    layer("blocks", "Polygon", [[at(0, 0), at(200, 0), at(200, 200), at(0, 200), at(0, 0)]], id="Island", bearing="0",
          row_spacing_ft="22", tree_spacing_ft="18")  # fmt: skip
    layer("roads", "LineString", [at(-50, -6), at(250, -6)], name="South Road")
    layer("ditches", "LineString", [at(-90, -3), at(290, -3)], name="Lateral 9")
    code = run(["look", str(tmp_path)])
    out = capsys.readouterr().out
    assert code == 0
    line = next(line for line in out.splitlines() if "no vehicle reaches" in line)
    assert "Block Island" in line and "acres from the roads" in line and "crosses a ditch (Lateral 9)" in line
    assert "to road South Road at 36.9999" in line
    code = run(["look", str(tmp_path), "--json"])
    facts = json.loads(capsys.readouterr().out)
    (found,) = [f for f in facts["findings"] if f["code"] == "not_reached"]
    assert code == 0 and abs(found["lat"] - 36.99998) < 2e-4
