"""The simplex solver as mudcap uses it: silent, one thread, and started again from where it stood."""

from __future__ import annotations

import highspy


class Simplex(highspy.Highs):  # type: ignore[misc]
    """HiGHS by the simplex method on one thread, so that the same programme takes the same way each time.

    Reference: Huangfu & Hall 2018, Mathematical Programming Computation 10:119-142 (from memory).
    """

    def __init__(self) -> None:
        super().__init__()
        for name, value in (("output_flag", False), ("threads", 1), ("solver", "simplex")):
            self.setOptionValue(name, value)

    def enableCallbacks(self) -> None:
        """Nothing: none is used, and to take them up prints the solver's name."""
