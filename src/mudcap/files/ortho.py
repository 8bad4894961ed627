"""A picture from the air for the offline map: cut from a GeoTIFF, turned to the map's projection, small enough for a phone.

Needs the extra `ortho` (rasterio). Only GDAL's GeoTIFF driver may open the file, whatever it holds.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mudcap.errors import InputError
from mudcap.files.names import clean_text
from mudcap.files.source import kind_in_words, looks_like
from mudcap.lang import _
from mudcap.orchard.model import Orchard

Box = tuple[float, float, float, float]
"""South, west, north, east [deg, WGS 84]."""
JPEG_BYTES: Final = 600_000
"""A page of 400 sites stays near a megabyte with it."""
MARGIN_M: Final = 60.0
"""Ground shown beyond the blocks."""
_SIDE_PX: Final = 2400
_QUALITIES: Final = (82, 70, 58, 46)
_TIFF: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def cut_photo(path: Path, orchard: Orchard, *, most_bytes: int = JPEG_BYTES) -> tuple[bytes, Box]:
    """A JPEG of the ranch and the box that it fills in Web Mercator, white where the picture does not reach.

    Raises ``InputError`` where rasterio is missing, the file is no GeoTIFF with a coordinate system or is damaged, or it
    shows nothing of the ranch.
    """
    try:
        import rasterio
        from rasterio.errors import RasterioError, RasterioIOError
    except ImportError:
        raise InputError(
            _("--ortho {file}: pictures from the air need an extra: pip install \"mudcap[ortho]\".").format(file=path)
        ) from None
    _check_kind(path)
    try:
        with rasterio.Env(GDAL_PAM_ENABLED="NO"), rasterio.open(path, driver="GTiff") as source:
            if source.crs is None:
                raise InputError(
                    _("--ortho {file}: no coordinate system. Export it again as a GeoTIFF that has one.").format(file=path)
                )
            pixels, box = _warped(source, _mercator_box(orchard), path)
    except (RasterioError, RasterioIOError, ValueError, MemoryError) as error:
        raise InputError(
            _("--ortho {file}: cannot be read as a GeoTIFF ({why}). Export it again.").format(
                file=path, why=clean_text(error, 100)
            )
        ) from error
    return _jpeg(pixels, most_bytes), box


def _check_kind(path: Path) -> None:
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError as error:
        raise InputError(
            _("--ortho {file}: cannot be read ({why}).").format(file=path, why=error.strerror or error)
        ) from error
    if head[:4] not in _TIFF:
        raise InputError(_("--ortho {file}: not a GeoTIFF but {kind}.").format(file=path, kind=kind_in_words(looks_like(head))))


def _mercator_box(orchard: Orchard) -> Box:
    """Left, bottom, right, top in EPSG:3857 [m of that projection] round all blocks."""
    from pyproj import Transformer

    corners = []
    for block in orchard.blocks:
        left, bottom, right, top = block.polygon.buffer(MARGIN_M).bounds
        corners += [(left, bottom), (right, bottom), (left, top), (right, top)]
    lonlat = orchard.plane.to_lonlat(corners)
    x, y = Transformer.from_crs(4326, 3857, always_xy=True).transform(lonlat[:, 0], lonlat[:, 1])
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _warped(source: Any, wanted: Box, path: Path) -> tuple[NDArray[np.uint8], Box]:
    """Pixels (rows, columns, 3) of the part of `wanted` that the picture has, and its box in degrees."""
    from pyproj import Transformer
    from rasterio.enums import Resampling
    from rasterio.transform import from_bounds
    from rasterio.vrt import WarpedVRT
    from rasterio.warp import transform_bounds

    has = transform_bounds(source.crs, "EPSG:3857", *source.bounds, densify_pts=21)
    left, bottom = max(has[0], wanted[0]), max(has[1], wanted[1])
    right, top = min(has[2], wanted[2]), min(has[3], wanted[3])
    if not (left < right and bottom < top):
        raise InputError(_("--ortho {file}: shows nothing of this ranch. Choose a picture of it.").format(file=path))
    pixel = _pixel(source)
    step = max(pixel, (right - left) / _SIDE_PX, (top - bottom) / _SIDE_PX)
    width, height = max(1, round((right - left) / step)), max(1, round((top - bottom) / step))
    how = Resampling.nearest if _colours(source) else Resampling.average if step > 1.5 * pixel else Resampling.bilinear
    with WarpedVRT(
        source, crs="EPSG:3857", transform=from_bounds(left, bottom, right, top, width, height), width=width, height=height,
        resampling=how, add_alpha=source.nodata is None and source.count in (1, 3),
    ) as warped:  # fmt: skip
        pixels = _rgb(warped, _colours(source))
    x, y = Transformer.from_crs(3857, 4326, always_xy=True).transform([left, right], [bottom, top])
    return pixels, (round(y[0], 7), round(x[0], 7), round(y[1], 7), round(x[1], 7))


def _pixel(source: Any) -> float:
    """Side of the middle pixel in EPSG:3857."""
    from rasterio.warp import transform

    row, column = source.height / 2, source.width / 2
    corners = [source.transform * (column + dx, row + dy) for dx, dy in ((0, 0), (1, 0), (0, 1))]
    x, y = transform(source.crs, "EPSG:3857", [c[0] for c in corners], [c[1] for c in corners])
    return float(min(np.hypot(x[1] - x[0], y[1] - y[0]), np.hypot(x[2] - x[0], y[2] - y[0])))


def _colours(source: Any) -> dict[int, tuple[int, int, int, int]] | None:
    """The palette of a picture of one band that has one."""
    from rasterio.enums import ColorInterp

    if source.count == 1 and source.colorinterp[0] == ColorInterp.palette:
        palette: dict[int, tuple[int, int, int, int]] = source.colormap(1)
        return palette
    return None


def _rgb(warped: Any, palette: dict[int, tuple[int, int, int, int]] | None) -> NDArray[np.uint8]:
    from rasterio.enums import ColorInterp

    shown = [k + 1 for k, c in enumerate(warped.colorinterp) if c != ColorInterp.alpha]
    bands = warped.read(shown[:3] if len(shown) >= 3 else shown[:1])
    there = warped.dataset_mask() > 0
    if palette is not None:
        table = np.array([palette.get(k, (255, 255, 255, 255))[:3] for k in range(256)], np.uint8)
        pixels = table[bands[0].astype(np.uint8)]
    else:
        pixels = np.moveaxis(np.stack([_to_bytes(b, there) for b in bands]), 0, -1)
        pixels = np.repeat(pixels, 3, axis=-1) if pixels.shape[-1] == 1 else pixels
    pixels = np.array(pixels, np.uint8)
    pixels[~there] = 255
    return pixels


def _to_bytes(band: NDArray[Any], there: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """8-bit values as they are; others stretched between their 2nd and 98th percentile."""
    if band.dtype == np.uint8:
        return band
    known = band[there & np.isfinite(band)] if there.any() else band.ravel()
    low, high = np.percentile(known, (2, 98)) if known.size else (0.0, 1.0)
    return np.asarray(np.clip((band.astype(float) - low) / max(high - low, 1e-9), 0, 1) * 255, np.uint8)


def _jpeg(pixels: NDArray[np.uint8], most_bytes: int) -> bytes:
    """The sharpest JPEG of at most that many bytes: less quality first, then fewer pixels."""
    from PIL import Image

    picture = Image.fromarray(pixels)
    while True:
        for quality in _QUALITIES:
            out = io.BytesIO()
            picture.save(out, "JPEG", quality=quality, optimize=True)
            if out.tell() <= most_bytes or max(picture.size) <= 64:
                return out.getvalue()
        picture = picture.resize((max(1, picture.width * 3 // 4), max(1, picture.height * 3 // 4)), Image.Resampling.LANCZOS)
