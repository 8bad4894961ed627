"""Where a puddle is, in words that a driver understands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.geo.units import Units, length_text
from mudcap.lang import LANGUAGES, _, speaking
from mudcap.orchard.model import Orchard, Road
from mudcap.orchard.network import ALLEY, HEADLAND
from mudcap.supply.stands import PuddlePlaces

_BESIDE_M: Final = 60.0
"""A tree farther off than this is no landmark; then the distance to the block is told."""
_ON_M: Final = 1.0
_SAME_M: Final = 0.05
"""Places as near as this are one: files round longitude and latitude."""


class Addresses:
    """The trees, roads and blocks of an orchard, for naming places."""

    def __init__(self, orchard: Orchard, units: Units) -> None:
        self.orchard, self.units = orchard, units
        self.owner = np.array([k for k, b in enumerate(orchard.blocks) if b.rows is not None and len(b.rows.tree_xy)], np.int64)
        rows = [orchard.blocks[k].rows for k in self.owner]
        self.tree_xy = np.vstack([np.empty((0, 2)), *(r.tree_xy for r in rows if r is not None)])
        self.block = np.repeat(self.owner, [len(r.tree_xy) for r in rows if r is not None])
        self.row = np.concatenate([np.empty(0, np.int64), *(r.tree_row for r in rows if r is not None)])
        self.tree = np.concatenate([np.empty(0, np.int64), *(r.tree_number for r in rows if r is not None)])
        self.trees = cKDTree(self.tree_xy) if len(self.tree_xy) else None

    def nearest_block(self, xy: NDArray[np.float64]) -> int:
        """Index of the nearest block."""
        return int(np.argmin(shapely.distance(np.array([b.polygon for b in self.orchard.blocks], object), shapely.Point(xy))))

    def of(self, xy: NDArray[np.float64], stand: NDArray[np.float64], kind: int) -> str:
        """The address of a puddle at `xy` for which the truck stands at `stand` on a way of `kind`."""
        side = self._side(xy, stand)
        landmark = self._landmark(xy, stand if kind == ALLEY else xy, kind)
        if kind == ALLEY:
            return landmark
        if kind == HEADLAND:
            way = _("Headland, {side}").format(side=side)
        else:
            way = _("{road}, {side}").format(road=self._road(stand) or _("Road"), side=side)
        return _("{way}, {landmark}").format(way=way, landmark=landmark)

    def _landmark(self, xy: NDArray[np.float64], at: NDArray[np.float64], kind: int) -> str:
        """The nearest tree, or for an alley the rows on both sides; the nearest block where no tree is near."""
        if self.trees is None or (found := self.trees.query(at))[0] > _BESIDE_M:
            block = self.orchard.blocks[self.nearest_block(xy)]
            away = float(shapely.distance(block.polygon, shapely.Point(xy)))
            return _("{distance} from block {block}").format(
                distance=length_text(away, self.units), block=block.block_id
            )
        k = int(found[1])
        names = {"block": self.orchard.blocks[self.block[k]].block_id, "tree": int(self.tree[k])}
        if kind == ALLEY:
            beside = self._rows_beside(at, int(self.block[k]))
            if len(beside) == 2:
                return _("{block}, alley between rows {low} and {high}, at tree {tree}").format(
                    low=beside[0], high=beside[1], **names
                )
        return _("by row {row} tree {tree} of {block}").format(row=int(self.row[k]), **names)

    def _rows_beside(self, at: NDArray[np.float64], block: int) -> Sequence[int]:
        """Numbers of the tree rows on both sides of the alley that runs through a place."""
        alleys = self.orchard.blocks[block].alleys
        if not alleys:
            return ()
        distance = shapely.distance(np.array([a.line for a in alleys], object), shapely.Point(at))
        alley = alleys[int(np.argmin(distance))]
        rows = self.orchard.blocks[block].rows
        known = set() if rows is None else set(rows.row_number.tolist())
        pair = (alley.left_row, alley.right_row)
        return pair if distance.min() <= _ON_M and known.issuperset(pair) else ()

    def _road(self, stand: NDArray[np.float64]) -> str:
        roads: Sequence[Road] = self.orchard.roads
        if not roads:
            return ""
        distance = shapely.distance(np.array([r.line for r in roads], object), shapely.Point(stand))
        return roads[int(np.argmin(distance))].name if distance.min() <= _ON_M else ""

    def _side(self, xy: NDArray[np.float64], stand: NDArray[np.float64]) -> str:
        """Side of the way on which the puddle lies, and how far the hose is pulled out."""
        away = xy - stand
        bearing = np.degrees(np.arctan2(away[0], away[1])) + self.orchard.plane.convergence_deg([tuple(stand)])
        names = (
            _("north side"), _("northeast side"), _("east side"), _("southeast side"), _("south side"),
            _("southwest side"), _("west side"), _("northwest side"),
        )  # fmt: skip
        side = names[int(np.floor(bearing / 45.0 + 0.5)) % 8]
        return _("{side}, {distance} off").format(side=side, distance=length_text(float(np.hypot(*away)), self.units))


def said_anew(words: Addresses, places: PuddlePlaces, xy: NDArray[np.float64], told: str) -> str:
    """The address of the puddle at `xy`, which a file has `told` in one language, as this run says it.

    `told` itself where no place there has that address in any language.
    """
    here = np.flatnonzero(np.hypot(*(places.xy - xy).T) <= _SAME_M) if len(places.xy) else ()
    for k in here:
        parts = places.xy[k], places.stand_xy[k], int(places.kind[k])
        if told in {_spoken(words, parts, language) for language in LANGUAGES}:
            return words.of(*parts)
    return told


def _spoken(words: Addresses, parts: tuple[NDArray[np.float64], NDArray[np.float64], int], language: str) -> str:
    with speaking(language):
        return words.of(*parts)
