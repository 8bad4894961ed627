"""A made-up ranch of one 2.2-acre block, for tests of the commands; drawn near 37° N, 120° W."""

from __future__ import annotations

import json
from pathlib import Path

RING = [[-120.001, 37.0], [-120.0, 37.0], [-120.0, 37.0009], [-120.001, 37.0009], [-120.001, 37.0]]
OTHER_RING = [[lon + 0.0012, lat] for lon, lat in RING]


def geojson(*names: str, rings: tuple = (RING, OTHER_RING)) -> str:
    """Blocks of these names, side by side."""
    features = [
        {"type": "Feature", "properties": {"name": name, "bearing": 0, "crop": "almond"},
         "geometry": {"type": "Polygon", "coordinates": [ring]}}
        for name, ring in zip(names, rings, strict=False)
    ]  # fmt: skip
    return json.dumps({"type": "FeatureCollection", "features": features})


def make_ranch(directory: Path, *names: str, toml: str = "") -> Path:
    """A folder with mudcap.toml and one layer of blocks."""
    directory.mkdir(parents=True, exist_ok=True)
    (directory / "blocks.geojson").write_text(geojson(*(names or ("North 2",))))
    (directory / "mudcap.toml").write_text(
        '[ranch]\nname = "Test Ranch"\ndate = 2027-02-01\n[[layers]]\nfile = "blocks.geojson"\nrole = "blocks"\n'
        + toml
    )
    return directory
