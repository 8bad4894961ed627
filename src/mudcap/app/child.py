"""The process in which the solver runs, so that a crash, a hang or a full memory there never loses a plan.

It answers one job after the other through a pipe, and ends when the pipe is closed or its parent is gone.
"""

from __future__ import annotations

import importlib
import os
import signal
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any, Final

from mudcap.app.imports import put_off_unused
from mudcap.errors import MudcapError

READY: Final = "ready"
DONE: Final = "done"
REFUSED: Final = "refused"
"""The solver raised one of mudcap's own errors: it goes on to the user."""
FAILED: Final = "failed"
_SHARED: Final = ("numpy", "scipy.sparse.csgraph", "scipy.spatial", "mudcap.place.problem")


def load_shared() -> None:
    """Load what a solver's process and the one that reads both need; to be called before the first is copied from the second."""
    for name in _SHARED:
        importlib.import_module(name)


def serve(connection: Connection, target: str, stop_flag: Any, parent: int) -> None:
    """Answer jobs with `target` ('module:function') until the pipe closes; `stop_flag.value` asks to end a search early."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the parent decides
    _offer_to_out_of_memory_killer()
    put_off_unused()
    with suppress(OSError):
        os.dup2(2, 1)  # whatever a library prints must not end up in the JSON on stdout
    solve = resolve(target)
    rehearse = getattr(importlib.import_module(target.partition(":")[0]), "rehearse", None)
    if rehearse is not None:  # loads what a first job would wait for, while the parent still reads files
        rehearse()

    def stop() -> bool:
        return bool(stop_flag.value) or os.getppid() != parent

    try:
        connection.send((READY, None))
        while True:
            connection.send(answer(solve, connection.recv(), stop))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return


def resolve(target: str) -> Callable[..., Any]:
    """The function named 'module:function'."""
    module, _colon, name = target.partition(":")
    function: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return function


def answer(solve: Callable[..., Any], job: Any, stop: Callable[[], bool]) -> tuple[str, Any]:
    """The solver's placement of one job, or what it raised: (DONE, placement), (REFUSED, error) or (FAILED, text)."""
    try:
        return DONE, solve(job.problem, effort=job.effort, start=job.start, seed=job.seed, stop=stop)
    except MudcapError as error:
        return REFUSED, error
    except MemoryError:
        return FAILED, "out of memory"
    except Exception:
        return FAILED, traceback.format_exc()


def _offer_to_out_of_memory_killer() -> None:
    """Where memory runs out, this process goes first, not the one that holds the plan (Linux, proc(5))."""
    with suppress(OSError), open("/proc/self/oom_score_adj", "w") as handle:
        handle.write("800")
