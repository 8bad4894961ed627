"""Starts the children: as a copy of this process where that is safe, so that they load nothing twice, else as a new one."""

from __future__ import annotations

import multiprocessing
import os
import signal
import stat
import sys
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Final

HOW: Final = "MUDCAP_CHILDREN"
"""The environment's variable that may say `spawn`: never copy."""


def can_fork() -> bool:
    """True where a copy of this process has all that it has: Linux, and no second thread, whose locks would stay shut for ever."""
    if sys.platform != "linux" or os.environ.get(HOW) == "spawn":
        return False
    try:
        return len(os.listdir("/proc/self/task")) == 1
    except OSError:
        return False


def start(serve: Callable[..., None], *arguments: Any, name: str) -> tuple[BaseProcess, Connection]:
    """A child that runs `serve(pipe, *arguments)`, and our end of the pipe, which closes when either dies."""
    is_copy = can_fork()
    context = multiprocessing.get_context("fork") if is_copy else multiprocessing.get_context("spawn")
    near, far = context.Pipe()
    target, given = (_copied, (_shared_ends(), serve, far)) if is_copy else (serve, (far,))
    process = context.Process(target=target, args=(*given, *arguments), name=name, daemon=True)
    process.start()
    far.close()
    return process, near


def _copied(shared: list[int], serve: Callable[..., None], far: Connection, *arguments: Any) -> None:
    """Run `serve` without what the process that this is a copy of holds together with others, its streams and its signals."""
    sys.stdout = os.fdopen(1, "w", errors="backslashreplace", closefd=False)
    sys.stderr = os.fdopen(2, "w", errors="backslashreplace", closefd=False)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    nothing = os.open(os.devnull, os.O_RDWR)
    for number in shared:
        if number > 2 and number != far.fileno():
            os.dup2(nothing, number)  # taken, not closed: whatever still holds the number can do no harm
    os.close(nothing)
    serve(far, *arguments)


def _shared_ends() -> list[int]:
    """Numbers of open pipes, sockets and files to write into: others wait for their closing, or for a lock on them."""
    import fcntl

    numbers = []
    for number in map(int, os.listdir("/proc/self/fd")):
        with suppress(OSError):  # the list itself was one of them
            mode, how = os.fstat(number).st_mode, fcntl.fcntl(number, fcntl.F_GETFL)
            if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) or how & os.O_ACCMODE != os.O_RDONLY:
                numbers.append(number)
    return numbers
