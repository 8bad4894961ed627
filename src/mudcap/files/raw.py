"""What the readers hand on: layers of features in the file's own coordinates, checked for structure only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

MAX_BYTES: Final = 200_000_000
"""Largest file, and largest sum of an archive's members, that is read."""
MAX_FEATURES: Final = 3_000_000
MAX_DEPTH: Final = 8
"""Deepest nesting of geometry collections that is followed."""

WalkedKind = Literal["", "track", "route"]

CLOSE_SHARE = 0.1
"""A drawn line whose ends lie nearer than this share of its length is read as an outline."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadNote:
    """Something a reader saw that people must be told."""

    code: str
    text: str
    level: Literal["note", "warning", "error"] = "warning"
    feature: str = ""
    layer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawFeature:
    """One feature in the file's own coordinates (two dimensions)."""

    number: int
    """1-based place in its layer."""
    geometry: BaseGeometry | None
    name: str = ""
    """Name by the format's own means (GPX, KML); '' where only columns name it."""
    attributes: Mapping[str, str] = field(default_factory=dict)
    walked: WalkedKind = ""
    """`track` where a GPS recorded it while somebody walked, `route` where points were set one by one."""
    notes: tuple[ReadNote, ...] = ()

    @property
    def label(self) -> str:
        """Name for messages."""
        return self.name or str(self.number)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RawLayer:
    """One layer of one file."""

    file: str
    """Name of the file as shown to people."""
    layer: str
    """Name of the layer inside the file; '' where the format has one only."""
    crs: CRS | None
    features: tuple[RawFeature, ...]
    notes: tuple[ReadNote, ...] = ()

    @property
    def title(self) -> str:
        """File and layer, for findings."""
        return f"{self.file}/{self.layer}" if self.layer else self.file

    def with_crs(self, crs: CRS) -> RawLayer:
        """The same layer, its coordinates read as `crs`."""
        return replace(self, crs=crs)


def positions(values: Any, where: str) -> NDArray[np.float64]:
    """(n, 2) float array of a list of positions [x, y, …]; anything but finite numbers raises ``ValueError``."""
    if not isinstance(values, list):
        raise ValueError(f"{where}: no list of positions")
    out = np.empty((len(values), 2))
    for i, position in enumerate(values):
        if not isinstance(position, (list, tuple)) or len(position) < 2:
            raise ValueError(f"{where}: position {i + 1} has no two numbers")
        x, y = position[0], position[1]
        if type(x) not in (int, float) or type(y) not in (int, float):
            raise ValueError(f"{where}: position {i + 1} is not made of numbers")
        try:
            out[i] = x, y
        except OverflowError:
            raise ValueError(f"{where}: position {i + 1} is not a sensible number") from None
    if not np.isfinite(out).all():
        raise ValueError(f"{where}: a coordinate is not a sensible number")
    return out


def has_three_points(coords: NDArray[np.float64]) -> bool:
    """True where at least three of the points differ."""
    return len(set(map(tuple, coords[:50].tolist()))) >= 3 or len(np.unique(coords, axis=0)) >= 3


def ring(coords: NDArray[np.float64], where: str) -> tuple[NDArray[np.float64], bool]:
    """The closed ring of `coords` and whether it had to be closed; ``ValueError`` below three different points."""
    if len(coords) == 0:
        raise ValueError(f"{where}: an empty ring")
    if not np.isfinite(coords).all():
        raise ValueError(f"{where}: a coordinate is not a finite number")
    closed = bool((coords[0] == coords[-1]).all())
    if not has_three_points(coords):
        raise ValueError(f"{where}: a ring with fewer than three corners")
    return (coords if closed else np.vstack([coords, coords[:1]])), not closed


def polygon(rings: Sequence[NDArray[np.float64]], where: str) -> tuple[shapely.Polygon, bool]:
    """Polygon of shell and holes as drawn (valid or not), and whether a ring had to be closed."""
    if not rings:
        raise ValueError(f"{where}: a polygon without a ring")
    closed = [ring(np.asarray(r, float), where) for r in rings]
    return shapely.Polygon(closed[0][0], [c[0] for c in closed[1:]]), any(c[1] for c in closed)


def line(coords: NDArray[np.float64], where: str) -> shapely.LineString:
    """Line of at least two points."""
    if len(coords) < 2:
        raise ValueError(f"{where}: a line with fewer than two points")
    if not np.isfinite(coords).all():
        raise ValueError(f"{where}: a coordinate is not a finite number")
    return shapely.LineString(coords)
