"""Numbers as files hold them."""

from __future__ import annotations

import math


def rounded(value: float | None, digits: int = 4) -> float | None:
    """`value` with at most `digits` decimals; None for what is no number (nan, inf, None).

    >>> rounded(3), rounded(12.860049), rounded(float("nan")), rounded(-0.00001)
    (3.0, 12.86, None, 0.0)
    """
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0
