"""Driven rows: the fewest drive rows from which all sites can be served, and layouts that need few of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def drive_rows(tree_rows: ArrayLike) -> NDArray[np.int64]:
    """Return for each site the drive row it is served from, so that as few drive rows as possible are driven.

    Drive row d runs between the tree rows d and d + 1: a site in tree row r may be served from drive row r - 1 or r.
    The choice is that of the classic rule for stabbing intervals: the first unserved row is served from its farther
    side, which serves the next row too; no choice needs fewer.

    >>> drive_rows([1, 2, 5, 7, 8]).tolist()
    [1, 1, 5, 7, 7]
    """
    rows = np.asarray(tree_rows, np.int64).reshape(-1)
    served: dict[int, int] = {}
    last = None
    for row in np.unique(rows).tolist():
        if last is None or row - 1 > last:
            last = row
        served[row] = last
    return np.array([served[row] for row in rows.tolist()], np.int64)


def num_driven(tree_rows: ArrayLike) -> int:
    """Return the smallest number of drive rows that serve sites in these tree rows.

    >>> num_driven([3, 3, 4, 5])
    2
    """
    return len(np.unique(drive_rows(tree_rows)))
