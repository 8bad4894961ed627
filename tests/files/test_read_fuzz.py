"""A sample of the fuzz loop: no reader ever fails beside a refusal, and damage that shows is never half a ranch.

The whole loop is tests/bench/fuzz_readers.py.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from fuzz_readers import fuzz, good_files


def test_spoiled_files_are_refused_or_right(tmp_path: Path) -> None:
    """Twenty-five spoiled files of each kind; archives, whose bytes carry check sums, never give other acres."""
    kinds = good_files(tmp_path)
    count = Counter(fuzz(kinds, 25, 11, tmp_path))
    assert sum(count.values()) == 25 * len(kinds)
    for kind in ("zip", "kmz"):
        assert count[kind, "changed"] == count[kind, "lost"] == 0
    for kind in ("shp", "shx", "dbf", "gpkg", "prj"):
        assert count[kind, "lost"] == 0
        assert count[kind, "changed"] <= 2, "only a corner inside the block's own box can change unseen"
    assert all(count[kind, "refused"] > 0 for kind in kinds)
