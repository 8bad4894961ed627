"""Candidate sites: every station of the rows, each with what speaks against it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from mudcap.orchard.model import Block, Exclusion, Orchard
from mudcap.orchard.mud import serving_mud
from mudcap.orchard.network import TravelNetwork
from mudcap.orchard.params import RowParams, TravelParams
from mudcap.orchard.walk import walk_to_stop_m
from mudcap.place.exclude import nearest_m, reason_flags, swept_ways
from mudcap.place.params import AccessParams, MudParams

_PAIR: Final = 1.6
"""Trees farther apart than this many spacings have a gap between them, not a station."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """All stations of all blocks (read-only arrays), excluded ones too: the map shows why not."""

    xy: NDArray[np.float64]
    """(n, 2) [m]"""
    block: NDArray[np.int64]
    """(n,) index into orchard.blocks."""
    row: NDArray[np.int64]
    tree: NDArray[np.int64]
    """(n,) number of the tree at the station, or of the lower-numbered one of two."""
    walk_m: NDArray[np.float64]
    """(n,) walk from where the vehicle may stop; inf where nothing reaches it."""
    mud_m: NDArray[np.float64]
    """(n,) distance to the nearest clean mud source; inf where there is none."""
    lane_m: NDArray[np.float64]
    """(n,) clear distance from the nearest swept width of a spray lane; inf where there is none."""
    reasons: NDArray[np.int64]
    """(n,) orchard.model.Exclusion bit flags; 0 = a shelter may stand here."""
    barred_lane_m: NDArray[np.float64] | None = None
    """(n,) the same from lanes that bar shelters; None where all lanes do."""
    puddle_m: NDArray[np.float64] | None = None
    """(n,) distance to the nearest place where a puddle may be made; None where none was looked for."""

    @property
    def barring_lane_m(self) -> NDArray[np.float64]:
        """(n,) clear distance that the spray lane rule is about."""
        return self.lane_m if self.barred_lane_m is None else self.barred_lane_m

    @property
    def reachable_mud_m(self) -> NDArray[np.float64]:
        """(n,) distance to the nearest clean mud, or to where a puddle may be made; what the mud limit is about."""
        return self.mud_m if self.puddle_m is None else np.minimum(self.mud_m, self.puddle_m)


def lay_candidates(
    orchard: Orchard,
    network: TravelNetwork,
    access: AccessParams,
    mud: MudParams,
    rows: RowParams,
    travel: TravelParams,
    *,
    season: tuple[date, date] | None = None,
) -> Candidates:
    """Every station of every block, excluded ones too, each with its distances and what speaks against it.

    A station is a tree, or with `rows.between_trees` the middle between two neighbouring trees of a row. `season` (first and
    last day of nesting) decides which mud is wet in time. NO_MUD bars the stations beyond
    `mud.limit_m` only where `mud.mode` is "existing"; otherwise `with_puddles` bars those that no puddle can reach either.
    """
    xy, block, row, tree = _stations(orchard.blocks, rows.between_trees)
    walk_m = walk_to_stop_m(orchard, network, travel, xy=xy, block=block, row=row)
    mud_m = nearest_m(xy, [s.geometry for s in serving_mud(orchard, mud.clay_share_min, season)])
    barring, swept = swept_ways(orchard, rows)
    lane_m = swept.clear_m(xy)
    barred_lane_m = lane_m if barring is swept else barring.clear_m(xy)
    flags = reason_flags(orchard, access, xy=xy, block=block, walk_m=walk_m, barred_lane_m=barred_lane_m)
    if mud.mode == "existing":
        flags[mud_m > mud.limit_m] |= int(Exclusion.NO_MUD)
    candidates = Candidates(
        xy=xy, block=block, row=row, tree=tree, walk_m=walk_m, mud_m=mud_m, lane_m=lane_m, reasons=flags,
        barred_lane_m=None if barring is swept else barred_lane_m,
    )
    for array in (xy, block, row, tree, walk_m, mud_m, candidates.lane_m, flags):
        array.setflags(write=False)
    return candidates


def with_puddles(candidates: Candidates, puddle_xy: NDArray[np.float64], limit_m: float) -> Candidates:
    """The candidates with their distance to the nearest place (k, 2) where a puddle may be made; NO_MUD bars those that
    neither it nor clean mud reaches within `limit_m`."""
    puddle_m = np.full(len(candidates.xy), np.inf)
    if len(puddle_xy) and len(candidates.xy):
        puddle_m = np.asarray(cKDTree(puddle_xy).query(candidates.xy)[0], float)
    flags = candidates.reasons.copy()
    flags[np.minimum(candidates.mud_m, puddle_m) > limit_m] |= int(Exclusion.NO_MUD)
    for array in (puddle_m, flags):
        array.setflags(write=False)
    return replace(candidates, puddle_m=puddle_m, reasons=flags)


def _stations(
    blocks: tuple[Block, ...], between_trees: bool
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    xy, block, row, tree = [np.empty((0, 2))], [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for k, ground in enumerate(blocks):
        if ground.rows is None or not len(ground.rows.tree_xy):
            continue
        at, r, t = ground.rows.tree_xy, ground.rows.tree_row, ground.rows.tree_number
        if between_trees:
            gap = np.hypot(*np.diff(at, axis=0).T)
            pair = np.flatnonzero((r[1:] == r[:-1]) & (gap <= _PAIR * ground.rows.tree_spacing_m))
            at, r, t = (at[pair] + at[pair + 1]) / 2, r[pair], t[pair]
        xy.append(at)
        block.append(np.full(len(at), k, np.int64))
        row.append(r)
        tree.append(t)
    return np.vstack(xy), np.concatenate(block), np.concatenate(row), np.concatenate(tree)
