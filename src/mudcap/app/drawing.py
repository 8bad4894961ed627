"""Papers and tables made by two processes at once: a child that has loaded what draws while the solver worked, and this one."""

from __future__ import annotations

import importlib
import signal
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Final

from mudcap.app import processes
from mudcap.app.imports import left_out, put_off_unused
from mudcap.lang import speaking

TABLES: Final = "tables.all"
PAPERS: Final = {
    "sheet.pdf": "mudcap.draw.sheet:sheet",
    "contractor.pdf": "mudcap.draw.contractor:contractor",
    TABLES: "mudcap.app.drawing:tables",
    "checks.pdf": "mudcap.draw.checks:checks",
    "picklist.pdf": "mudcap.draw.picklist:picklist",
}
"""What makes each paper, or all tables, the longest work first."""
HUNG_S: Final = 600.0
"""A child that says nothing for so long is given up; the longest paper of a large ranch takes a tenth of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """One file to draw, or all tables in one language."""

    name: str
    """Of the file; any name that no other has for tables."""
    kind: str
    """Which of `PAPERS`."""
    lang: str
    page: str


class Drawer:
    """A child process that draws. It holds nothing that could be lost: what it cannot do is drawn here, to the same bytes.

    A copy of this process is taken at once, while that is safe; a process of its own only begins with `load`.
    """

    def __init__(self) -> None:
        self._child: tuple[BaseProcess, Connection] | None = None
        self._is_loading, self._lock = False, threading.Lock()
        if processes.can_fork():
            self.start()

    @property
    def is_started(self) -> bool:
        """True where there is a child."""
        return self._child is not None

    def start(self) -> tuple[BaseProcess, Connection]:
        """The child and our end of its pipe; the child does nothing yet."""
        if self._child is None:
            self._child = processes.start(serve, name="mudcap-drawer")
        return self._child

    def load(self) -> Connection:
        """Let the child load what draws; again does nothing. Our end of its pipe."""
        with self._lock:
            pipe = self.start()[1]
            if not self._is_loading:
                self._is_loading = True
                with suppress(OSError):  # a child that is gone is noticed when it is to draw
                    pipe.send(None)
        return pipe

    def __enter__(self) -> Drawer:
        return self

    def __exit__(self, *_: object) -> None:
        if self._child is None:
            return
        process, pipe = self._child
        pipe.close()
        process.kill()
        process.join()
        with suppress(ValueError):
            process.close()

    def draw(
        self, plans: Mapping[str, Any], papers: Sequence[Paper], also: Mapping[str, Any], meanwhile: Callable[[], None] = lambda: None
    ) -> dict[str, Any]:
        """All `papers` by name, each from the plan in its language, and what the functions `also` return, drawn here first.

        A paper is bytes, tables are a dictionary of files. `meanwhile` is other work that this process does while the child draws.
        """
        left, lock, done = deque(papers), threading.Lock(), dict[str, Any]()

        def take() -> Paper | None:
            with lock:
                return left.popleft() if left else None

        pipe = self.load()

        def by_child() -> None:
            paper: Paper | None = None
            try:
                if not pipe.poll(HUNG_S):
                    return
                pipe.recv()  # ready
                pipe.send(dict(plans))
                while (paper := take()) is not None:
                    pipe.send(paper)
                    if not pipe.poll(HUNG_S):
                        break
                    drawn = pipe.recv()
                    if drawn is None:
                        break
                    done[paper.name] = drawn
                    paper = None
            except (EOFError, OSError):
                pass
            if paper is not None:
                with lock:
                    left.append(paper)

        other = threading.Thread(target=by_child, daemon=True)
        other.start()
        done.update({name: function() for name, function in also.items()})
        meanwhile()
        while True:
            while (paper := take()) is not None:
                done[paper.name] = drawn_here(paper, plans)
            other.join()
            if not left:
                return done


def drawn_here(paper: Paper, plans: Mapping[str, Any]) -> Any:
    """One paper, or all tables, made in this process."""
    module, _colon, name = PAPERS[paper.kind].partition(":")
    function = getattr(importlib.import_module(module), name)
    with speaking(paper.lang):
        return function(plans[paper.lang], page=paper.page, lang=paper.lang)


def tables(plan: Any, *, page: str, lang: str) -> dict[str, str | bytes]:
    """The files that need no picture and no database, by name."""
    from mudcap.files.export import files_in

    return files_in(plan, lang)


def load() -> None:
    """Load what makes `PAPERS`, while nobody waits."""
    for target in PAPERS.values():
        importlib.import_module(target.partition(":")[0])
    with left_out("pandas", "geopandas"):
        importlib.import_module("mudcap.files.export")
    read_faces()


def read_faces() -> None:
    """Read the typefaces now, while nobody waits."""
    from mudcap.draw.sheet_pen import printable

    printable("a")


def serve(connection: Connection) -> None:
    """Draw what comes through the pipe until it closes; None stands for what failed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the parent decides
    put_off_unused()
    with suppress(EOFError, BrokenPipeError, ConnectionResetError):
        connection.recv()  # wanted
        load()
        connection.send("ready")
        plans = connection.recv()
        while True:
            paper = connection.recv()
            try:
                drawn = drawn_here(paper, plans)
            except Exception:  # the parent draws it again, and tells
                drawn = None
            connection.send(drawn)
