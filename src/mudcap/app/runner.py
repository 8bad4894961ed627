"""Solves blocks in child processes, with a safety clock and the stated fallback.

The same job gives the same placement wherever and beside whatever it runs; only a crash, a hang or a stop by hand changes
that, and then the placement says `stopped`.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import wait
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from mudcap.app import child, processes
from mudcap.errors import MudcapError

# nothing heavy here: the first child is to start before this process has loaded anything
if TYPE_CHECKING:
    from mudcap.place.problem import Placement, SolveJob

How = Literal["solved", "stopped", "crashed", "hung", "failed"]
Answer: TypeAlias = "tuple[Placement | None, How, str]"
"""The placement where there is one, how it went, and for --debug what went wrong."""
SOLVER: Final = "mudcap.place.solve:solve"
GRACE_S: Final = 10.0
"""How long a search that was told to stop may take to hand over its best."""
POLL_S: Final = 0.1
"""How often a waiting process looks whether a stop was asked for."""
_SECONDS_PER_SITE: Final = {"quick": 0.006, "normal": 0.04, "long": 0.2}
"""Measured by tests/bench/scale.py on blocks of 40 to 640 acres, with the default row economy; only a choice hangs on it."""
_WORTH_PARALLEL_S: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """How one block went."""

    name: str
    how: How
    seconds: float
    detail: str = ""
    """Traceback or signal, for --debug."""


class Stop:
    """Set once to ask every search for its best so far."""

    def __init__(self) -> None:
        self.flag: Any = multiprocessing.get_context("spawn").RawValue("b", 0)

    def set(self) -> None:
        """Ask."""
        self.flag.value = 1

    def ask(self) -> bool:
        """Ask; False where it was asked before."""
        is_first = not self.is_set
        self.set()
        return is_first

    @property
    def is_set(self) -> bool:
        """True once asked."""
        return bool(self.flag.value)


class Runner:
    """Solves jobs in up to `processes` children (0: one for short work, else one a core). Use it as a context manager."""

    def __init__(
        self,
        *,
        safety_s: float = 1800.0,
        processes: int = 0,
        stop: Stop | None = None,
        report: Callable[[Outcome], None] = lambda outcome: None,
        target: str | None = None,
        grace_s: float = GRACE_S,
    ) -> None:
        self.stop = stop or Stop()
        self.outcomes: list[Outcome] = []
        self._safety_s, self._grace_s = safety_s, grace_s
        self._processes, self._target, self._report = processes, target or SOLVER, report
        self._idle: queue.LifoQueue[_Worker] = queue.LifoQueue()
        self._workers: list[_Worker] = []
        self._lock = threading.Lock()

    def __enter__(self) -> Runner:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for worker in self._workers:
            worker.end()

    def limit(self, *, safety_s: float, processes: int) -> None:
        """Set the safety clock and the number of children for the jobs to come."""
        self._safety_s, self._processes = safety_s, processes

    def warm(self) -> None:
        """Start the first child now, so that it loads the solver while the files are read."""
        if processes.can_fork():
            child.load_shared()
        self._idle.put(self._new())

    def __call__(self, jobs: Sequence[SolveJob], /) -> Sequence[Placement]:
        """One placement a job, in their order."""
        count = min(self._processes or self._wanted(jobs), max(1, len(jobs)))
        if count == 1:
            return [self._solve(job) for job in jobs]
        from joblib import Parallel, delayed

        # a thread each, that only waits for its child: joblib hands out the jobs, the children do the work
        placements: list[Placement] = Parallel(n_jobs=count, backend="threading")(
            delayed(self._solve)(j) for j in jobs
        )
        return placements

    def _wanted(self, jobs: Sequence[SolveJob]) -> int:
        seconds = sum(_SECONDS_PER_SITE[j.effort] * j.problem.count for j in jobs)
        return 1 if seconds < _WORTH_PARALLEL_S else os.cpu_count() or 1

    def _new(self) -> _Worker:
        worker = _Worker(self._target, self.stop)
        with self._lock:
            self._workers.append(worker)
        return worker

    def _solve(self, job: SolveJob) -> Placement:
        start = time.monotonic()
        answer = self._attempt(job)
        return self._settled(job, answer, time.monotonic() - start)

    def _settled(self, job: SolveJob, answer: Answer, seconds: float) -> Placement:
        """The placement of the answer, else the stated fallback; told and kept as an outcome."""
        from mudcap.place.fallback import hexagonal, standing

        placement, how, detail = answer
        if placement is None and job.start is not None:
            placement = standing(job.problem, job.start, effort=job.effort, seed=job.seed)
        if placement is None:
            placement = hexagonal(job.problem, effort=job.effort, seed=job.seed)
        outcome = Outcome(name=job.name, how=how, seconds=seconds, detail=detail)
        with self._lock:
            self.outcomes.append(outcome)
            self._report(outcome)
        return placement

    def _attempt(self, job: SolveJob) -> Answer:
        if self.stop.is_set:
            return None, "stopped", ""
        try:
            worker = self._idle.get_nowait()
        except queue.Empty:
            worker = self._new()
        answer = worker.ask(job, self._safety_s, self._grace_s)
        if worker.is_alive:
            self._idle.put(worker)
        else:
            worker.end()
        return answer


class _Worker:
    """One child process and the pipe to it."""

    def __init__(self, target: str, stop: Stop) -> None:
        self._stop = stop
        self._process, self._pipe = processes.start(child.serve, target, stop.flag, os.getpid(), name="mudcap-solver")
        self._is_ready = self._is_ended = False
        self.is_alive = True

    def ask(self, job: SolveJob, safety_s: float, grace_s: float) -> Answer:
        """The placement, or None and what went wrong; afterwards `is_alive` says whether the child can go on."""
        clock, told = time.monotonic() + safety_s, False
        try:
            if not self._is_ready:
                kind, value = self._receive(clock)
                if kind != child.READY:
                    return self._lost(kind, str(value))
                self._is_ready = True
            self._pipe.send(job)
            while True:
                if self._stop.is_set and not told:
                    told, clock = True, min(clock, time.monotonic() + grace_s)
                kind, value = self._receive(min(clock, time.monotonic() + POLL_S))
                if kind == child.DONE:
                    return value, "stopped" if value.stopped else "solved", ""
                if kind == child.REFUSED:
                    raise value
                if kind == child.FAILED:
                    return None, "failed", str(value)
                if kind != "late" or time.monotonic() >= clock:
                    return self._lost("stopped" if told and kind == "late" else kind, str(value))
        except MudcapError:
            raise
        except (EOFError, OSError) as error:
            return self._lost("dead", str(error))

    def end(self) -> None:
        """Close the pipe and end the child; again does nothing."""
        self.is_alive = False
        if self._is_ended:
            return
        self._is_ended = True
        self._pipe.close()
        self._process.kill()  # it holds nothing that could be lost, and its own way out takes a while
        self._process.join()
        with suppress(ValueError):
            self._process.close()

    def _receive(self, until: float) -> tuple[str, Any]:
        """What the child says; 'late' at `until`, 'dead' where it is gone."""
        ready = wait([self._pipe, self._process.sentinel], timeout=max(0.0, until - time.monotonic()))
        if not ready:
            return "late", ""
        if self._pipe in ready:
            message: tuple[str, Any] = self._pipe.recv()
            return message
        return "dead", ""

    def _lost(self, kind: str, detail: str) -> tuple[None, How, str]:
        self.is_alive = False
        if kind in ("late", "stopped"):
            self._process.kill()
        self._process.join(5.0)
        how: How = "hung" if kind == "late" else "stopped" if kind == "stopped" else "crashed"
        return None, how, detail or f"exit {self._process.exitcode}"
