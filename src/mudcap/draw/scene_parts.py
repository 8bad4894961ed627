"""What a scene is made of: marks in layers. Geometry stays in the local plane, metres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from shapely.geometry.base import BaseGeometry

Text = Callable[[str], str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mark:
    """One thing drawn."""

    geometry: BaseGeometry
    """In the local plane [m]."""
    style: str
    """Key into `draw.style.STYLES`."""
    label: str = ""
    """Its name or number on the map, as people typed it."""
    note: str = ""
    """What else is known of it, one line."""
    index: int = -1
    """Position in `plan.sites` (sites), `orchard.blocks` (blocks and rows); -1 elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """Marks that are switched on and off together; later layers lie over earlier ones."""

    key: str
    title: str
    marks: tuple[Mark, ...]
    shown: bool = True
    """False where a screen shows it only when asked."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """All layers of one plan, bottom first, empty ones left out."""

    title: str
    layers: tuple[Layer, ...]
    bounds: tuple[float, float, float, float]
    """Left, bottom, right, top of everything drawn [m]."""

    def layer(self, key: str) -> Layer | None:
        """The layer of that key, None where nothing of its kind is on the ranch."""
        return next((layer for layer in self.layers if layer.key == key), None)
