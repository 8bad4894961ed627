"""A picture from the air under the map: in its place, of bounded size, and refused in words where it cannot be used."""

from __future__ import annotations

import io
import math
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from PIL import Image
from pyproj import Transformer
from rasterio.transform import from_origin

from mudcap.errors import InputError
from mudcap.files.ortho import MARGIN_M, cut_photo
from small_plan import two_block_plan

UTM = "EPSG:32610"
# rasterio 1.4 multiplies affine matrices in the way that affine 3 will one day warn of
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")


def geotiff(path: Path, bands: np.ndarray, west: float, north: float, pixel: float, crs: str | None = UTM, **more) -> Path:
    """Write bands (k, rows, columns) with square pixels."""
    with rasterio.open(path, "w", driver="GTiff", width=bands.shape[2], height=bands.shape[1], count=bands.shape[0],
                       dtype=bands.dtype, crs=crs, transform=from_origin(west, north, pixel, pixel), **more) as target:  # fmt: skip
        target.write(bands)
    return path


def around(orchard, margin: float) -> tuple[float, float, float, float]:
    """West, south, east, north of the blocks in UTM."""
    points = np.vstack([np.array(b.polygon.exterior.coords)[:, :2] for b in orchard.blocks])
    x, y = Transformer.from_crs(4326, UTM, always_xy=True).transform(*orchard.plane.to_lonlat(points).T)
    return min(x) - margin, min(y) - margin, max(x) + margin, max(y) + margin


def marked(tmp_path: Path, orchard, lon: float, lat: float, margin: float = 150.0) -> Path:
    """A green picture of the ranch with a red square of 6 m at one place."""
    west, south, east, north = around(orchard, margin)
    bands = np.zeros((3, math.ceil(north - south), math.ceil(east - west)), np.uint8)
    bands[1] = 120
    x, y = Transformer.from_crs(4326, UTM, always_xy=True).transform(lon, lat)
    row, column = int(north - y), int(x - west)
    bands[:, row - 3 : row + 3, column - 3 : column + 3] = np.array([230, 0, 0])[:, None, None]
    return geotiff(tmp_path / "air.tif", bands, west, north, 1.0)


def test_the_picture_lies_where_it_belongs(tmp_path):
    """A mark at a site is found there again in the cut picture, within a pixel; it covers the ranch and its margin."""
    plan = two_block_plan()
    site = plan.sites[7]
    jpeg, (south, west, north, east) = cut_photo(marked(tmp_path, plan.orchard, site.lon, site.lat), plan.orchard)
    pixels = np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB")).astype(int)
    row, column = np.argwhere((pixels[..., 0] > 150) & (pixels[..., 1] < 80)).mean(axis=0)
    mercator = [math.log(math.tan(math.pi / 4 + math.radians(v) / 2)) for v in (south, north, site.lat)]
    seen_row = (mercator[1] - mercator[2]) / (mercator[1] - mercator[0]) * pixels.shape[0]
    seen_column = (site.lon - west) / (east - west) * pixels.shape[1]
    assert abs(row + 0.5 - seen_row) < 1.5 and abs(column + 0.5 - seen_column) < 1.5
    for block in plan.orchard.blocks:
        lonlat = plan.orchard.plane.to_lonlat(np.array(block.polygon.buffer(MARGIN_M - 1).exterior.coords))
        assert west <= lonlat[:, 0].min() and lonlat[:, 0].max() <= east
        assert south <= lonlat[:, 1].min() and lonlat[:, 1].max() <= north


def test_the_same_picture_gives_the_same_bytes_within_the_limit(tmp_path):
    """Noise, which no JPEG makes small, still fits; a second cut is the same."""
    plan = two_block_plan()
    west, south, east, north = around(plan.orchard, 100.0)
    noise = np.random.default_rng(1).integers(0, 256, (3, int((north - south) * 2), int((east - west) * 2)), np.uint8)
    path = geotiff(tmp_path / "n.tif", noise, west, north, 0.5)
    for most in (200_000, 30_000):
        jpeg, _box = cut_photo(path, plan.orchard, most_bytes=most)
        assert len(jpeg) <= most and jpeg == cut_photo(path, plan.orchard, most_bytes=most)[0]


def test_ground_that_the_picture_lacks_is_white(tmp_path):
    """Nodata, an alpha band and the picture's own end."""
    plan = two_block_plan()
    west, south, east, north = around(plan.orchard, 150.0)
    shape = (int(north - south), int(east - west))
    colour = np.full((3, *shape), 40, np.uint8)
    colour[:, :, : shape[1] // 2] = 0
    alpha = np.where(np.arange(shape[1]) < shape[1] // 2, 0, 255).astype(np.uint8)
    with_alpha = np.concatenate([colour, np.broadcast_to(alpha, (1, *shape))])
    for name, bands, more in (("nodata", colour, {"nodata": 0}), ("alpha", with_alpha, {"photometric": "RGB", "alpha": "YES"})):
        jpeg, _box = cut_photo(geotiff(tmp_path / f"{name}.tif", bands, west, north, 1.0, **more), plan.orchard)
        pixels = np.asarray(Image.open(io.BytesIO(jpeg)))
        assert pixels[50:-50, 3].min() > 245 and pixels[50:-50, -3].max() < 60, name


@pytest.mark.parametrize("kind", ["grey", "sixteen bits", "palette", "degrees"])
def test_other_kinds_of_pictures(tmp_path, kind):
    """One band, 16-bit values, a palette, and a picture in degrees come out as colours that differ from west to east."""
    plan = two_block_plan()
    west, south, east, north = around(plan.orchard, 150.0)
    shape = (1, int(north - south), int(east - west))
    path = tmp_path / "p.tif"
    ramp = np.broadcast_to(np.linspace(20, 220, shape[2]), shape)
    if kind == "degrees":
        lonlat = np.array([(s.lon, s.lat) for s in plan.sites])
        geotiff(path, ramp.astype(np.uint8), lonlat[:, 0].min() - 0.002, lonlat[:, 1].max() + 0.002, 1e-5, "EPSG:4326")
    elif kind == "palette":
        geotiff(path, (ramp > 120).astype(np.uint8), west, north, 1.0, photometric="palette")
        with rasterio.open(path, "r+") as target:
            target.write_colormap(1, {0: (10, 10, 10, 255), 1: (220, 200, 20, 255)})
    else:
        geotiff(path, (ramp * 40).astype(np.uint16) if kind == "sixteen bits" else ramp.astype(np.uint8), west, north, 1.0)
    pixels = np.asarray(Image.open(io.BytesIO(cut_photo(path, plan.orchard)[0]))).astype(int)
    middle = pixels[pixels.shape[0] // 2, :, 0]
    assert middle[-20] - middle[20] > 60


def test_what_is_no_picture_of_the_ranch_is_refused(tmp_path):
    """Each with what is wrong and what to do."""
    orchard = two_block_plan().orchard
    west, _south, _east, north = around(orchard, 100.0)
    flat = np.full((3, 40, 40), 99, np.uint8)
    (tmp_path / "text.tif").write_text("not a picture")
    (tmp_path / "vrt.tif").write_text('<VRTDataset rasterXSize="1" rasterYSize="1"></VRTDataset>')
    good = geotiff(tmp_path / "good.tif", flat, west, north, 10.0).read_bytes()
    (tmp_path / "cut.tif").write_bytes(good[: len(good) // 3])
    geotiff(tmp_path / "far.tif", flat, west + 90_000, north, 1.0)
    geotiff(tmp_path / "blank.tif", flat, west, north, 10.0, None)
    for name, words in (("none.tif", "cannot be read"), ("text.tif", "not a GeoTIFF but"), ("vrt.tif", "not a GeoTIFF but"),
                        ("cut.tif", "cannot be read as a GeoTIFF"), ("far.tif", "nothing of this ranch"),
                        ("blank.tif", "no coordinate system")):  # fmt: skip
        with pytest.raises(InputError, match=words):
            cut_photo(tmp_path / name, orchard)


def test_without_the_extra_it_says_what_to_install(tmp_path, monkeypatch):
    """No traceback."""
    monkeypatch.setitem(sys.modules, "rasterio", None)
    with pytest.raises(InputError, match=r"pip install .mudcap\[ortho\]"):
        cut_photo(tmp_path / "x.tif", two_block_plan().orchard)
