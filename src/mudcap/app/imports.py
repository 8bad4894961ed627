"""How other packages are loaded: parts that mudcap never uses are put off until somebody does, and arrays keep to one thread."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType
from typing import Final

UNUSED: Final = frozenset({
    "numpy.ctypeslib", "numpy.f2py", "numpy.polynomial", "numpy.testing",  # scipy takes all names of numpy
    "scipy.spatial.transform",  # scipy.spatial
    "requests",  # folium, for files on the web
})  # fmt: skip
"""A third of the time that arrays and trees take to load; none has a side effect that is waited for."""


class _Putter:
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


@contextmanager
def left_out(*names: str) -> Iterator[None]:
    """Packages that are not loaded within: folium and pyogrio take them where they find them, and never use them here."""
    new = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(new))  # type: ignore[arg-type]  # None there is "not installed" to an import
    try:
        yield
    finally:
        for name in new:
            del sys.modules[name]


def one_thread() -> None:
    """Keep the array libraries to one thread, here and in all children; to be called before they are loaded.

    A search is one thread of hard work anyway, and only a process of one thread can be copied.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
