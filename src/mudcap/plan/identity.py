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
"""A site within this distance of an earlier one of its block is the same site (convention: well under a tree spacing)."""
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


def identify(
    *,
    code: str,
    site_xy: ArrayLike,
    earlier_ids: Sequence[str] = (),
    earlier_xy: ArrayLike = (),
    last_serial: int = 0,
) -> Identities:
    """Ids for the sites (n, 2) [m] of the block with `code`, given the earlier plan's sites of the same block.

    A site that stands where an earlier one stood keeps its id; the others get serials above every one ever used.
    Raises ``InputError`` where the four digits are used up.
    """
    xy = np.asarray(site_xy, float).reshape(-1, 2)
    match = _match(xy, np.asarray(earlier_xy, float).reshape(-1, 2))
    serial = max([last_serial, *(serial_of(i, code) for i in earlier_ids)])
    ids: list[str] = []
    for earlier in match:
        if earlier >= 0:
            ids.append(earlier_ids[earlier])
            continue
        serial += 1
        if serial > LAST_SERIAL:
            raise InputError(
                _(
                    "Block code {code}: all {last} site numbers have been used. Give the block a new id."
                ).format(code=code, last=LAST_SERIAL)
            )
        ids.append(f"{code}{serial:04d}")
    return Identities(site_ids=tuple(ids), last_serial=serial, kept=int((match >= 0).sum()))


def last_serials(site_ids: Mapping[str, Sequence[str]]) -> dict[str, int]:
    """The highest serial among the ids of each block code."""
    return {code: max((serial_of(i, code) for i in ids), default=0) for code, ids in site_ids.items()}


def _match(xy: NDArray[np.float64], earlier_xy: NDArray[np.float64]) -> NDArray[np.int64]:
    """For each site the earlier site that stood there, each earlier one at most once; -1 where none did."""
    match = np.full(len(xy), -1, np.int64)
    if not len(xy) or not len(earlier_xy):
        return match
    distance, nearest = cKDTree(earlier_xy).query(xy)
    taken: set[int] = set()
    for site in np.argsort(distance, kind="stable"):
        earlier = int(nearest[site])
        if distance[site] <= SAME_PLACE_M and earlier not in taken:
            match[site] = earlier
            taken.add(earlier)
    return match
