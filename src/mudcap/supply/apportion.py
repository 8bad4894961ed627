"""Sharing a whole number out in proportion, exactly to the last one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def largest_remainder(total: int, shares: ArrayLike) -> NDArray[np.int64]:
    """Integers (n,) that sum to `total` and lie closest to total · share / Σ share; ties go to the lower index.

    Hamilton's method: each quota is rounded down, then the largest remainders get one more. It is optimal for the sum and
    for the maximum of |x − quota|, and keeps every x within one of its quota.

    Raises ``ValueError`` for a negative total, no shares, a negative share, or shares that are all 0 (unless total is 0).

    References: Balinski & Young 1982, Fair Representation, Yale University Press, ch. 3 (from memory).

    >>> largest_remainder(10, [1, 1, 1]).tolist()
    [4, 3, 3]
    """
    share = np.asarray(shares, float)
    if total < 0 or share.ndim != 1 or not share.size or not np.isfinite(share).all() or (share < 0).any():
        raise ValueError("a total of at least 0 and finite shares of at least 0 are needed.")
    if share.sum() == 0:
        if total:
            raise ValueError("the shares are all 0, so nothing can be shared out.")
        return np.zeros(len(share), np.int64)
    quota = total * (share / share.sum())
    # a quota that is whole up to rounding must not lose one by the floor
    down = np.floor(np.where(np.abs(quota - np.round(quota)) < 1e-9 * max(total, 1), np.round(quota), quota))
    missing = int(total - down.sum())
    order = np.lexsort((np.arange(len(share)), -np.round(quota - down, 9)))
    down[order[:missing]] += 1
    return np.asarray(down, np.int64)
