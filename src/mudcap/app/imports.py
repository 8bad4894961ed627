"""Parts of other packages that they load for themselves and mudcap never uses: put off until somebody does."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType
from typing import Final

UNUSED: Final = frozenset({
    "numpy.ctypeslib", "numpy.f2py", "numpy.ma", "numpy.polynomial", "numpy.testing",  # scipy takes all names of numpy
    "scipy.spatial.transform",  # scipy.spatial
    "requests",  # folium, for files on the web
})  # fmt: skip
"""A third of the time that arrays and trees take to load; none has a side effect that is waited for."""


class _Putter(MetaPathFinder):
    """Finds what is `UNUSED` as a module that is run when first something is asked of it."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname not in UNUSED:
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.loader is not None:
            spec.loader = LazyLoader(spec.loader)
        return spec


def put_off_unused() -> None:
    """Load what is `UNUSED` only where it is used after all, from now on in this process; again does nothing."""
    if not any(isinstance(finder, _Putter) for finder in sys.meta_path):
        sys.meta_path.insert(0, _Putter())
