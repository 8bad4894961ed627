"""How other packages are loaded: parts that mudcap never uses are put off until somebody does, and arrays keep to one thread."""

from __future__ import annotations

import os
import sys
import threading
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


class _Leaver:
    """Says that a package is not installed, to the threads that leave it out and to no other."""

    def __init__(self) -> None:
        self.left = _Left()

    def find_spec(self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None) -> None:
        if fullname in self.left.names:
            raise ModuleNotFoundError(f"{fullname} is left out", name=fullname)


class _Left(threading.local):
    names: frozenset[str] = frozenset()


_LEAVER: Final = _Leaver()


@contextmanager
def left_out(*names: str) -> Iterator[None]:
    """Packages that this thread does not load within: folium and pyogrio take them where they find them, and never use them here.

    Another thread may need them meanwhile (the solvers of packages load pandas), so `sys.modules` is left as it is, and the finder
    stays where it is put: a list that gets shorter while another thread goes through it would have it miss one.
    """
    if _LEAVER not in sys.meta_path:
        sys.meta_path.insert(0, _LEAVER)
    before = _LEAVER.left.names
    _LEAVER.left.names = before | set(names)
    try:
        yield
    finally:
        _LEAVER.left.names = before


def one_thread() -> None:
    """Keep the array libraries to one thread, here and in all children; to be called before they are loaded.

    A search is one thread of hard work anyway, and only a process of one thread can be copied.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
