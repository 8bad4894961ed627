"""Repeatable random numbers for compiled loops, where NumPy's generators cannot go.

References
----------
Knuth, TAOCP vol. 2, 3.3.4: the multiplier 6364136223846793005 of MMIX, modulus 2⁶⁴ (from memory); the low bits are left out.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


def begin(seed: int) -> NDArray[np.int64]:
    """Return the state for a seed, which `draw` moves on."""
    return np.array([seed], np.int64)


@njit(cache=True)
def draw(state, n):  # type: ignore[no-untyped-def]
    """A whole number from 0 to n - 1."""
    state[0] = state[0] * np.int64(6364136223846793005) + np.int64(1442695040888963407)
    return ((state[0] >> 33) & np.int64(0x7FFFFFFF)) % n
