"""The view of a claim that the checks share, and how a fault is worded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from mudcap.audit.claim import Claim
from mudcap.lang import _
from mudcap.orchard.model import Finding

NAMED = 5
"""Sites that a fault names before it says how many more there are."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A claim with its sites as arrays."""

    claim: Claim
    site_xy: NDArray[np.float64]
    """(s, 2)"""
    site_block: NDArray[np.int64]
    """(s,) index into `claim.blocks`."""
    flags: NDArray[np.int64]
    pinned: NDArray[np.bool_]

    def ids(self, sites: Iterable[int]) -> str:
        """The ids of some sites, the first few by name."""
        return listed([self.claim.sites[k].site_id for k in sites])

    def fault(self, code: str, block: str, text: str, sites: Sequence[int] | NDArray[np.int64] = ()) -> Finding:
        """A fault about a block ('' for the ranch), with where its sites stand."""
        where = shapely.multipoints(self.site_xy[np.asarray(sites, np.int64)]) if len(sites) else None
        return Finding(level="error", code=f"audit_{code}", layer="", feature=block, text=text, geometry=where)

    def of_block(self, index: int) -> NDArray[np.int64]:
        """Numbers of the sites of a block, in the claim's order."""
        return np.flatnonzero(self.site_block == index)


def listed(names: Sequence[str]) -> str:
    """Names in a row, the first few of them.

    >>> listed(["A1", "A2"]), listed(list("abcdefg"))
    ('A1, A2', 'a, b, c, d, e and 2 more')
    """
    if len(names) <= NAMED:
        return ", ".join(names)
    return _("{names} and {count} more").format(names=", ".join(names[:NAMED]), count=len(names) - NAMED)


def look(claim: Claim) -> Case:
    """The claim with its sites as arrays. Raises ``KeyError`` for a site of an unknown block."""
    order = {b.block_id: k for k, b in enumerate(claim.blocks)}
    return Case(
        claim=claim,
        site_xy=np.array([(s.x_m, s.y_m) for s in claim.sites], float).reshape(-1, 2),
        site_block=np.array([order[s.block_id] for s in claim.sites], np.int64),
        flags=np.array([s.flags for s in claim.sites], np.int64),
        pinned=np.array([s.pinned for s in claim.sites], bool),
    )
