"""Who a site is: an immutable site_id, kept where the site stays, never given twice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from mudcap.errors import InputError
from mudcap.lang import _

SAME_PLACE_M: Final = 1.0
"""A site within this distance of an earlier one is the same site (convention: well under a tree spacing)."""
KEPT_PLACE_M: Final = 4.6
"""So far a shelter of a kept plan may hang from a tree where rows are laid anew (convention: half the diagonal between trees at
24 by 18 ft, so that every place among them has a tree as near)."""
LAST_SERIAL: Final = 9999


@dataclass(frozen=True, slots=True, kw_only=True)
class Identities:
    """The ids of a block's sites, in their order, and the last serial used."""

    site_ids: tuple[str, ...]
    last_serial: int
    kept: int
    """How many of them come from the earlier plan."""


def serial_of(site_id: str, code: str) -> int:
    """The serial number of a site_id with block code `code`; 0 where it does not belong to it.

    >>> serial_of("CRK0012", "CRK"), serial_of("CRK0012", "OAK")
    (12, 0)
    """
    serial = site_id[len(code) :]
    return int(serial) if site_id.startswith(code) and serial.isascii() and serial.isdigit() else 0


def identify(*, code: str, names: Sequence[str], used: int = 0) -> Identities:
    """Ids for the sites of the block with `code`: the earlier one of `names` (n,) or, where that is '', a new one with a serial above
    `used`, the last one ever used with this code.

    Raises ``InputError`` where the four digits are used up.
    """
    serial = max([used, *(serial_of(i, code) for i in names)])
    ids: list[str] = []
    for name in names:
        if not name:
            serial += 1
            if serial > LAST_SERIAL:
                raise InputError(
                    _(
                        "Block code {code}: all {last} site numbers have been used. Give the block a new id."
                    ).format(code=code, last=LAST_SERIAL)
                )
        ids.append(name or f"{code}{serial:04d}")
    return Identities(site_ids=tuple(ids), last_serial=serial, kept=sum(1 for name in names if name))


def last_serials(site_ids: Mapping[str, Sequence[str]]) -> dict[str, int]:
    """The highest serial among the ids of each block code."""
    return {code: max((serial_of(i, code) for i in ids), default=0) for code, ids in site_ids.items()}


def same_places(xy: ArrayLike, station_xy: ArrayLike, within_m: float) -> NDArray[np.int64]:
    """For each place (k, 2) the station (k,) that it means: the nearest within `within_m` [m], the nearest pairs first and each station
    once; -1 where there is none.

    >>> same_places([[0.4, 0], [0.1, 0], [9, 0]], [[0, 0], [1, 0]], 1.0).tolist()
    [1, 0, -1]
    """
    places, stations = np.asarray(xy, float).reshape(-1, 2), np.asarray(station_xy, float).reshape(-1, 2)
    found = np.full(len(places), -1, np.int64)
    if not len(places) or not len(stations):
        return found
    near = cKDTree(places).sparse_distance_matrix(cKDTree(stations), within_m, output_type="ndarray")
    taken: set[int] = set()
    for pair in near[np.lexsort((near["j"], near["i"], near["v"]))]:
        place, station = int(pair["i"]), int(pair["j"])
        if found[place] < 0 and station not in taken:
            found[place] = station
            taken.add(station)
    return found
