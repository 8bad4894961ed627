"""Ctrl-C: the first asks for the best so far, any other gives up."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from mudcap.app.console import Console
from mudcap.lang import _


@contextmanager
def stoppable(ask: Callable[[], bool], console: Console) -> Iterator[None]:
    """Call `ask` at Ctrl-C (or SIGTERM); ``KeyboardInterrupt`` where it says False, since there is no best or it was asked before."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def heard(number: int, frame: object) -> None:
        if not ask():
            raise KeyboardInterrupt
        console.warn(_("stopping: the best so far is kept, and marked where it was not finished (again to give up)"))

    before = {number: signal.signal(number, heard) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
