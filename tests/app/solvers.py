"""Solvers that misbehave, for tests of the runner; each stands for a fault seen in native solvers."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import time
from dataclasses import replace

import numpy as np

from mudcap.errors import InfeasibleError
from mudcap.place.fallback import hexagonal
from mudcap.place.problem import PlacementProblem


def good(problem: PlacementProblem, *, effort, start, seed, stop):
    """A quick, honest answer."""
    placement = hexagonal(problem, effort=effort, seed=seed)
    levels = tuple(replace(v, status="feasible") for v in placement.levels)
    return replace(placement, levels=levels, stopped=False, fallback=False)


def _only_odd(problem: PlacementProblem) -> bool:
    return problem.count % 2 == 1


def abort(problem, *, effort, start, seed, stop):
    """A CHECK that fails inside a native library (odd counts only)."""
    if _only_odd(problem):
        os.abort()
    return good(problem, effort=effort, start=start, seed=seed, stop=stop)


def segfault(problem, *, effort, start, seed, stop):
    """A wild pointer."""
    ctypes.string_at(0)


def killed(problem, *, effort, start, seed, stop):
    """What the out-of-memory killer does."""
    os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    time.sleep(60)


def hang(problem, *, effort, start, seed, stop):
    """Deaf to everything."""
    while True:
        time.sleep(1)


def raises(problem, *, effort, start, seed, stop):
    """A plain bug."""
    raise IndexError("planted")


def out_of_memory(problem, *, effort, start, seed, stop):
    """More than any machine has."""
    return np.zeros(2**60)


def infeasible(problem, *, effort, start, seed, stop):
    """One of our own refusals."""
    raise InfeasibleError("limits clash.")


def chatty(problem, *, effort, start, seed, stop):
    """A library that prints."""
    print("banner of a library")
    sys.stdout.flush()
    return good(problem, effort=effort, start=start, seed=seed, stop=stop)


def patient(problem, *, effort, start, seed, stop):
    """Searches until told to stop, then hands over its best."""
    end = time.monotonic() + 60
    while not stop() and time.monotonic() < end:
        time.sleep(0.01)
    return replace(hexagonal(problem, effort=effort, seed=seed), fallback=False)
