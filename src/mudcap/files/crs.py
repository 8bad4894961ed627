"""Coordinate reference systems: named, checked to be usable and to fit the numbers, and turned into longitude and latitude."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError, ProjError

from mudcap.errors import InputError
from mudcap.files.names import clean_text, plain_letters
from mudcap.lang import _

WGS84: Final = CRS.from_epsg(4326)
_WORLD_METHODS = ("mercator (variant", "popular visualisation", "equal area", "equidistant", "sinusoidal", "mollweide", "robinson")


def parse_crs(text: str, file: str) -> CRS:
    """The usable two-dimensional CRS that `text` names (EPSG:2228, 2228, WKT, a .prj's text, a PROJ string).

    Raises ``InputError`` naming `file` where it is unknown or no map CRS (local, engineering, vertical).
    """
    word = text.strip().lstrip("\ufeff").strip("\x00").strip()
    if re.fullmatch(r"\d{4,6}", word):
        word = f"EPSG:{word}"
    if not word or len(word) > 20_000:
        raise InputError(
            _("{file}: its coordinate system is empty or unreadable. Give one with --crs EPSG:xxxx.").format(file=file)
        )
    try:
        crs = CRS.from_user_input(word)
    except (CRSError, ProjError, ValueError, UnicodeError):
        raise InputError(
            _("{file}: no such coordinate system ({crs}). Give one with --crs EPSG:xxxx.").format(
                file=file, crs=clean_text(word, 60)
            )
        ) from None
    return usable_crs(crs, file)


def usable_crs(crs: CRS, file: str) -> CRS:
    """`crs` in two dimensions; ``InputError`` where it is neither geographic nor projected."""
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_geographic or crs.is_projected:
        flat = crs.to_2d()
        _check_sense(flat, file)
        return flat
    raise InputError(
        _("{file}: its coordinate system ({crs}) is no map system. Give the right one with --crs EPSG:xxxx.").format(
            file=file, crs=clean_text(crs.name, 60)
        )
    )


_UNITS: Final = (
    1.0, 1000.0, 0.3048, 1200 / 3937, 0.3047972654, 0.304799471, 0.3047995, 0.201168, 20.1168, 0.9144, 0.9143917962
)  # fmt: skip
"""Metres in the units of map systems: metre, kilometre, the feet, links, chain and yards of the EPSG registry."""


def _check_sense(crs: CRS, file: str) -> None:
    """Refuse a system whose unit is none in use or whose globe is not the earth: a damaged .prj."""
    axes = [a.unit_conversion_factor for a in crs.axis_info]
    known = (math.pi / 180, math.pi / 200) if crs.is_geographic else _UNITS
    unit_known = all(any(abs(a / u - 1) < 1e-6 for u in known) for a in axes)
    radius = crs.ellipsoid.semi_major_metre if crs.ellipsoid is not None else None
    if not unit_known or (radius is not None and not 6_370_000 <= radius <= 6_379_000):
        raise InputError(
            _("{file}: its coordinate system ({crs}) has no sensible unit or globe. Give the right one with --crs EPSG:xxxx.").format(
                file=file, crs=clean_text(crs.name, 60)
            )
        )  # fmt: skip


def to_lonlat(crs: CRS, xy: NDArray[np.float64], file: str) -> NDArray[np.float64]:
    """Longitude, latitude (n, 2) [deg, WGS 84] of file coordinates (x east, y north, as files store them).

    Raises ``InputError`` where a number cannot belong to `crs`: not finite, degrees out of range, far outside the area
    that the CRS is made for, degrees in a projected one.
    """
    if len(xy) == 0:
        return xy.copy()
    if not np.isfinite(xy).all() or np.abs(xy).max() > 1e9:
        raise InputError(
            _("{file}: a coordinate is not a sensible number (infinite, not a number, or beyond 1e9). Export it again.").format(
                file=file
            )
        )
    if crs.is_geographic:
        return _checked_area(crs, xy, _degrees(crs, xy, file), file)
    if np.abs(xy).max() <= 360:
        raise InputError(
            _("{file}: the file says {crs}, but its numbers look like degrees. Give the right one with --crs.").format(
                file=file, crs=clean_text(crs.name, 60)
            )
        )
    out = _transform(crs, xy, file)
    _check_scale(crs, out, file)
    return _checked_area(crs, xy, out, file)


def guess(xy: NDArray[np.float64]) -> str:
    """Words on which coordinate system numbers without one may be in, for an error message."""
    if len(xy) == 0 or not np.isfinite(xy).all():
        return ""
    (x0, y0), (x1, y1) = xy.min(axis=0), xy.max(axis=0)
    if max(abs(x0), abs(x1)) <= 360 and max(abs(y0), abs(y1)) <= 90:
        return _("The numbers look like degrees: probably EPSG:4326.")
    if max(abs(y0), abs(y1)) <= 360 and max(abs(x0), abs(x1)) <= 90:
        return _("The numbers look like degrees with latitude first: swap the columns, then EPSG:4326.")
    hits = [code for code in _GUESSES if _fits(code, xy)]
    if hits:
        return _("The numbers would fit {codes}.").format(codes=", ".join(f"EPSG:{c}" for c in hits[:4]))
    if x0 >= 100_000 and x1 <= 900_000 and y0 >= 0 and y1 <= 10_000_000:
        return _("The numbers look like metres of a UTM zone (EPSG:326xx north, EPSG:327xx south).")
    if max(abs(x0), abs(x1)) <= 20_037_509 and max(abs(y0), abs(y1)) <= 20_048_967:
        return _("The numbers look like metres or feet of a national or State Plane system; ask who made the file.")
    return _("The numbers fit no common system; ask who made the file.")


def accuracy_m(crs: CRS) -> float:
    """How far positions may be off for the change of datum to WGS 84 [m], as the registry says; 10 where it is unknown."""
    if crs == WGS84:
        return 0.0
    stated = float(_transformer(crs).accuracy)
    if stated >= 0:
        return stated
    geodetic = crs.geodetic_crs
    name = plain_letters(geodetic.datum.name) if geodetic is not None and geodetic.datum is not None else ""
    return 4.0 if any(word in name for word in ("american 1983", "datum 1983", "wgs", "itrf", "etrs", "gda")) else 10.0


_GUESSES: Final = (2226, 2227, 2228, 2229, 2225, 2230, 2285, 2286, 2269, 2270)
"""State Plane zones in US survey feet of the Pacific states, where almond, cherry and pear grow; only for guesses."""


def _fits(code: int, xy: NDArray[np.float64]) -> bool:
    crs = CRS.from_epsg(code)
    lonlat = np.column_stack(_transformer(crs).transform(xy[:, 0], xy[:, 1]))
    if not np.isfinite(lonlat).all() or crs.area_of_use is None:
        return False
    west, south, east, north = crs.area_of_use.bounds
    return bool(
        (lonlat[:, 0] >= west).all() and (lonlat[:, 0] <= east).all() and (lonlat[:, 1] >= south).all()
        and (lonlat[:, 1] <= north).all()
    )  # fmt: skip


def _degrees(crs: CRS, xy: NDArray[np.float64], file: str) -> NDArray[np.float64]:
    lon, lat = xy[:, 0], xy[:, 1]
    if np.abs(lat).max() > 90 or np.abs(lon).max() > 360 or lon.max() - lon.min() > 360:
        if np.abs(lat).max() <= 360 and np.abs(lon).max() <= 90:
            hint = _("Latitude and longitude seem to be swapped.")
        elif np.abs(xy).max() > 1e6:
            hint = _("They look like feet or metres, or degrees times ten million.")
        else:
            hint = _("They look like feet or metres.")
        raise InputError(
            _("{file}: the numbers are no longitudes and latitudes in degrees. {hint} Say which with --crs EPSG:xxxx.").format(
                file=file, hint=hint
            )
        )
    wrapped = np.where(lon > 180, lon - 360, np.where(lon < -180, lon + 360, lon))
    xy = np.column_stack([wrapped, lat])
    if crs == WGS84 or crs.to_epsg() in (4326, 4979):
        return xy
    return _transform(crs, xy, file)


def _transform(crs: CRS, xy: NDArray[np.float64], file: str) -> NDArray[np.float64]:
    try:
        out = np.column_stack(_transformer(crs).transform(xy[:, 0], xy[:, 1]))
    except (ProjError, CRSError):
        out = np.full_like(xy, np.inf)
    if not np.isfinite(out).all() or np.abs(out[:, 1]).max() > 90:
        _refuse_outside(crs, file)
    return out


def _check_scale(crs: CRS, lonlat: NDArray[np.float64], file: str) -> None:
    """Refuse numbers where a system made for a region would stretch lengths by more than 2 %."""
    operation = crs.coordinate_operation
    method = (operation.method_name if operation else "").lower()
    if any(word in method for word in _WORLD_METHODS):
        return
    lo, hi = lonlat.min(axis=0), lonlat.max(axis=0)
    corners = np.array([lo, hi, [lo[0], hi[1]], [hi[0], lo[1]]])
    try:
        factors = _proj(crs).get_factors(corners[:, 0], corners[:, 1])
    except (ProjError, CRSError):
        return
    scale = np.sqrt(np.abs(np.asarray(factors.areal_scale)))
    if not np.isfinite(scale).all() or np.abs(scale - 1).max() > 0.02:
        _refuse_outside(crs, file)


def _checked_area(
    crs: CRS, xy: NDArray[np.float64], lonlat: NDArray[np.float64], file: str
) -> NDArray[np.float64]:
    area = _area(crs)
    if area is None:
        return lonlat
    west, south, east, north = area
    width = (east - west) % 360 or 360.0
    margin = min(2.0, max(0.5, width / 4)) if crs.is_projected else 2.0
    lon_off = (lonlat[:, 0] - (west - margin)) % 360
    inside = (lon_off <= width + 2 * margin) | (width + 2 * margin >= 360)
    inside &= (lonlat[:, 1] >= south - margin) & (lonlat[:, 1] <= north + margin)
    if not inside.all():
        _refuse_outside(crs, file)
    return lonlat


def _refuse_outside(crs: CRS, file: str) -> None:
    area = crs.area_of_use.name if crs.area_of_use else ""
    raise InputError(
        _("{file}: the numbers do not belong to {crs}{area}: feet taken for metres, swapped axes or a wrong system. "
          "Give the right one with --crs EPSG:xxxx.").format(
            file=file, crs=clean_text(crs.name, 60), area=f" ({clean_text(area, 60)})" if area else ""
        )
    )  # fmt: skip


@lru_cache(maxsize=64)
def _area(crs: CRS) -> tuple[float, float, float, float] | None:
    """Area of use as west, south, east, north [deg]; found by the authority's entry where a .prj names none."""
    if crs.area_of_use is not None:
        return tuple(crs.area_of_use.bounds)
    try:
        found = crs.to_authority(min_confidence=70)
        area = CRS.from_authority(*found).area_of_use if found else None
    except (CRSError, ProjError):
        return None
    return tuple(area.bounds) if area else None


@lru_cache(maxsize=64)
def _transformer(crs: CRS) -> Any:
    return Transformer.from_crs(crs, WGS84, always_xy=True)


@lru_cache(maxsize=64)
def _proj(crs: CRS) -> Any:
    return Proj(crs)
