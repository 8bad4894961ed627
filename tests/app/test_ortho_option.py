"""`mudcap plan --ortho`: the picture ends up inside map.html, and a wrong one stops the run before it solves."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from small_ranch import make_ranch

from mudcap.app import cli, runner

# rasterio 1.4 multiplies affine matrices in the way that affine 3 will one day warn of
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")


def test_the_picture_goes_into_the_map(tmp_path, capsys, monkeypatch):
    """As a data address over the ranch; the same bytes again; nothing else of the outputs changes."""
    monkeypatch.setattr(runner, "SOLVER", "solvers:good")
    ranch = make_ranch(tmp_path / "ranch")
    picture = tmp_path / "air.tif"
    with rasterio.open(picture, "w", driver="GTiff", width=80, height=80, count=3, dtype="uint8", crs="EPSG:4326",
                       transform=from_origin(-120.003, 37.003, 5e-5, 5e-5)) as target:  # fmt: skip
        target.write(np.full((3, 80, 80), 77, np.uint8))
    pages = []
    for arguments in ((), ("--ortho", picture), ("--ortho", picture)):
        assert cli.run([str(a) for a in ("plan", ranch, *arguments)]) == 0
        pages.append({p.name: p.read_bytes() for p in (ranch / "out").iterdir()})
    capsys.readouterr()
    assert pages[1] == pages[2] and {n for n in pages[0] if pages[0][n] != pages[1][n]} == {"map.html"}
    text = re.search(r'id="mudcap-data">(.*?)</script>', pages[1]["map.html"].decode(), re.S)[1]
    photo = json.loads(text)["photo"]
    (south, west), (north, east) = photo["bounds"]
    assert photo["source"].startswith("data:image/jpeg;base64,/9j/")
    assert west < -120.001 and east > -120.0 and south < 37.0 and north > 37.0009


def test_a_wrong_picture_stops_the_run(tmp_path, capsys, monkeypatch):
    """Exit code 3, one sentence, no file written, no solver asked."""
    monkeypatch.setattr(runner, "SOLVER", "solvers:nothing-of-that-name")
    ranch = make_ranch(tmp_path / "ranch")
    (tmp_path / "air.tif").write_text("no picture")
    assert cli.run(["plan", str(ranch), "--ortho", str(Path(tmp_path / "air.tif"))]) == 3
    out, err = capsys.readouterr()
    assert "not a GeoTIFF" in err and "Traceback" not in out + err and not list((ranch / "out").glob("*.*"))
