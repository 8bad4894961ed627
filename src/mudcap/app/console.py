"""What the program says while it runs: on stderr only, a bar on a terminal, one line a step otherwise."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

import click

from mudcap.errors import StoreError
from mudcap.lang import _, _n

if TYPE_CHECKING:
    from mudcap.app.runner import Outcome
    from mudcap.orchard.model import Finding


COUNT_S: Final = 2.0
"""Seconds between two lines that count steps."""


class Console:
    """Progress, warnings and running times of one run."""

    def __init__(self, *, is_quiet: bool) -> None:
        self.is_quiet = is_quiet
        self.seconds: dict[str, float] = {}
        self._bar: Any = None
        self._task: Any = None
        self._done = self._total = 0
        self._counted, self._said = time.monotonic(), ""

    def say(self, text: str) -> None:
        """One line on stderr, unless quiet."""
        if not self.is_quiet:
            self._print(text)

    def warn(self, text: str) -> None:
        """One line on stderr, always."""
        self._print(text)

    def findings(self, findings: Iterable[Finding]) -> None:
        """Errors and warnings in full, notes as a number."""
        notes = 0
        for finding in findings:
            if finding.level == "note":
                notes += 1
            else:
                self.say(finding_line(finding))
        if notes:
            self.say(_n("{count} note is in the report.", "{count} notes are in the report.", notes).format(count=notes))

    @contextmanager
    def timed(self, name: str, text: str = "") -> Iterator[None]:
        """Say what begins, and keep how long it took under `name`."""
        if text:
            self.step(text)
        start = time.monotonic()
        try:
            yield
        finally:
            self.seconds[name] = round(self.seconds.get(name, 0.0) + time.monotonic() - start, 3)

    @contextmanager
    def progress(self) -> Iterator[None]:
        """A bar on a terminal while this lasts."""
        if self.is_quiet or sys.stderr is None or not sys.stderr.isatty():
            yield
            return
        from rich.console import Console as RichConsole
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            SpinnerColumn,
            TextColumn,
            TimeElapsedColumn,
        )

        columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn(),
                   TimeElapsedColumn())  # fmt: skip
        with Progress(*columns, console=RichConsole(stderr=True), transient=True) as bar:
            self._bar, self._task = bar, bar.add_task("", total=None)
            try:
                yield
            finally:
                self._bar = None

    def step(self, text: str) -> None:
        """A step begins."""
        if self._bar is not None:
            self._bar.update(self._task, description=text)
        else:
            self.say(f"{text} …")

    def blocks(self, total: int) -> None:
        """So many blocks are to be placed."""
        self._done, self._total = 0, total
        if self._bar is not None:
            self._bar.update(self._task, total=total, completed=0)

    def block(self, outcome: Outcome) -> None:
        """One block is placed."""
        self._done += 1
        text = _("{block}: {how}, {seconds:.1f} s").format(
            block=outcome.name, how=how_text(outcome.how), seconds=outcome.seconds
        )
        if self._bar is not None:
            self._bar.update(self._task, completed=self._done, description=text)
        else:
            self.say(f"[{self._done}/{self._total}] {text}")

    def count(self, done: int, total: int, text: str) -> None:
        """So many steps of all are done; without a bar one line every few seconds, none twice."""
        if self._bar is not None:
            self._bar.update(self._task, total=total, completed=done, description=text)
            return
        line = f"[{done}/{total}] {text}"
        if time.monotonic() - self._counted >= COUNT_S and line != self._said:
            self._counted, self._said = time.monotonic(), line
            self.say(line)

    def _print(self, text: str) -> None:
        if self._bar is not None:
            self._bar.console.print(text, markup=False, highlight=False)
            return
        with suppress(OSError, ValueError):  # stderr may be closed; that must not cost the plan
            click.echo(text, err=True)


def tell(text: str) -> None:
    """One line (or one JSON text) on stdout; a pipe that nobody reads any more costs nothing."""
    try:
        click.echo(text)
    except BrokenPipeError:
        # what stays in the buffer would fail again when the interpreter ends
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        raise StoreError(
            _("standard output cannot be written ({reason}).").format(reason=error.strerror)
        ) from error


def finding_line(finding: Finding) -> str:
    """'warning: file: text' of one finding."""
    words = {"error": _("error"), "warning": _("warning"), "note": _("note")}
    where = f"{finding.layer}: " if finding.layer and finding.layer not in finding.text else ""
    return f"{words[finding.level]}: {where}{finding.text}"


def how_text(how: str) -> str:
    """Words for how a block went."""
    return {
        "solved": _("solved"),
        "stopped": _("stopped, best so far"),
        "crashed": _("the solver crashed; hexagonal layout"),
        "hung": _("the safety clock ran out; hexagonal layout"),
        "failed": _("the solver failed; hexagonal layout"),
    }[how]
