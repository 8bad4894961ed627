"""Solves blocks on the workers of a Dask cluster, through joblib's own backend for it.

The jobs, the solver and the result are those of the runner; only where a block is solved differs, so a plan is the same to the
last digit on machines of one kind. Jobs and placements travel as pickles: use a scheduler only where everyone who can
reach it is trusted. Start workers with one thread each (`dask worker HOST:PORT --nthreads 1 --nworkers N`): the solver is
a single thread of hard work, and where a worker dies its other threads die with it.
"""

from __future__ import annotations

import importlib.util
import pickle
import queue
import threading
import time
import uuid
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from mudcap import __version__
from mudcap.app import child
from mudcap.app.runner import POLL_S, Answer, Outcome, Runner, Stop
from mudcap.errors import MudcapError
from mudcap.lang import _

if TYPE_CHECKING:
    from mudcap.place.problem import Placement, SolveJob

REACH_S: Final = 5.0
"""How long the scheduler may take to answer at the start."""
LOST_S: Final = 30.0
"""How long scheduler or workers may be away before the blocks still open get the fallback; a restart takes a few seconds."""
_RUNS_ALONE: Final = 2
"""Times that a block may kill a worker with nothing else on the cluster."""
_ASK_S: Final = 0.5
"""How often a search on a worker asks whether it should stop: each time is a message."""
_LOOK_S: Final = 2.0

Numbered = tuple[int, Answer, float]
"""Number of the job, how it went, seconds it took on its worker."""


class ClusterError(MudcapError):
    """The cluster cannot be used. The text names it and the next step."""


def runner_for(
    cluster: str | None,
    *,
    stop: Stop,
    report: Callable[[Outcome], None],
) -> Runner:
    """A runner on this machine, or on the cluster of that address."""
    if cluster is None:
        return Runner(stop=stop, report=report)
    return ClusterRunner(cluster, stop=stop, report=report)


class ClusterRunner(Runner):
    """Solves jobs on the workers of a Dask cluster. Use it as a context manager."""

    def __init__(self, address: str, *, lost_s: float = LOST_S, **options: Any) -> None:
        super().__init__(**options)
        self._address, self._lost_s = address, lost_s
        self._client: Any = None
        self._stop_name = f"mudcap-stop-{uuid.uuid4().hex}"

    def __exit__(self, *error: Any) -> None:
        if self._client is not None:
            with suppress(Exception):  # what remains of a lost cluster is no concern of the plan
                self._client.close(timeout=2.0)
        super().__exit__(*error)

    def warm(self) -> None:
        """Connect, and ask every worker whether it can solve what this process would."""
        self._client = connected(self._address)

    def __call__(self, jobs: Sequence[SolveJob], /) -> Sequence[Placement]:
        """One placement a job, in their order."""
        if self._client is None:
            self.warm()
        found = {n: self._settled(jobs[n], answer, took) for n, answer, took in self._answers(jobs)}
        return [found[n] for n in range(len(jobs))]

    def _answers(self, jobs: Sequence[SolveJob]) -> Iterator[Numbered]:
        """The answers as they come; all that are missing at once where there is nothing more to wait for."""
        left = set(range(len(jobs)))
        if self.stop.is_set:
            yield from ((n, (None, "stopped", ""), 0.0) for n in sorted(left))
            return
        came: queue.SimpleQueue[Numbered] = queue.SimpleQueue()
        # joblib's call cannot be left while a worker hangs, so a thread waits in it that may be left behind
        feed = threading.Thread(target=self._feed, args=(jobs, came), daemon=True)
        feed.start()
        watch = _Watch(self)
        while left:
            try:
                n, answer, took = came.get(timeout=POLL_S)
            except queue.Empty:
                given_up = watch.given_up()
                if given_up is None:
                    continue
                yield from ((n, given_up, watch.quiet_s) for n in sorted(left))
                return
            if isinstance(answer[0], MudcapError):
                raise answer[0]
            watch.answered()
            left.discard(n)
            yield n, answer, took

    def _feed(self, jobs: Sequence[SolveJob], came: queue.SimpleQueue[Numbered]) -> None:
        from joblib import Parallel, delayed, parallel_config

        left = set(range(len(jobs)))
        calls = (
            delayed(solve_there)(n, pickle.dumps(j), self._target, self._stop_name, self._safety_s)
            for n, j in enumerate(jobs)
        )
        try:
            with parallel_config(backend=_backend(self._client)):
                for n, answer, took in Parallel(batch_size=1, return_as="generator_unordered")(calls):
                    left.discard(n)
                    came.put((n, answer, took))
        except Exception as error:  # the connection broke, or was closed because nobody waits any more
            for n in left:
                came.put(_crashed(n, error))

    def pass_on_stop(self) -> None:
        """Ask every search on the cluster for its best so far, without waiting for the scheduler."""
        from distributed import Event

        self._client.loop.add_callback(Event(self._stop_name, client=self._client).set)

    def is_there(self) -> bool:
        """True while the scheduler answers and has a worker."""
        with suppress(Exception):  # each kind of broken connection has an exception of its own
            return bool(self._client.status == "running" and self._client.nthreads())
        return False

    @property
    def clocks(self) -> tuple[float, float, float]:
        """Safety, grace, and how long the cluster may be away [s]."""
        return self._safety_s, self._grace_s, self._lost_s


class _Watch:
    """Decides when waiting is over."""

    def __init__(self, runner: ClusterRunner) -> None:
        self._runner = runner
        self._safety_s, self._grace_s, self._lost_s = runner.clocks
        now = time.monotonic()
        self._quiet_since = self._seen = self._looked = now
        self._told: float | None = None

    @property
    def quiet_s(self) -> float:
        """Seconds since the last answer."""
        return time.monotonic() - self._quiet_since

    def answered(self) -> None:
        """A block is done."""
        self._quiet_since = time.monotonic()

    def given_up(self) -> Answer | None:
        """What the blocks still open get; None while they are worth waiting for.

        Where no block was answered for the safety time, each one that is being solved has run at least that long.
        """
        now = time.monotonic()
        if self._runner.stop.is_set and self._told is None:
            self._told = now
            self._runner.pass_on_stop()
        if self._told is not None and now >= self._told + self._grace_s:
            return None, "stopped", ""
        # a search that hears its clock hands over by itself; only a deaf one is given up
        if now >= self._quiet_since + self._safety_s + self._grace_s:
            return None, "hung", _("no answer from its worker, which may need a restart")
        if now >= self._looked + _LOOK_S:
            self._looked = now
            self._seen = now if self._runner.is_there() else self._seen
            if time.monotonic() >= self._seen + self._lost_s:
                return None, "crashed", _("the cluster is gone, or has no worker left")
        return None


def connected(address: str) -> Any:
    """A client of the scheduler there, whose workers have all been asked. Raises ``ClusterError``."""
    missing = [name for name in ("dask", "distributed") if importlib.util.find_spec(name) is None]
    if missing:
        raise ClusterError(
            _('--cluster {address}: {packages} missing here. Install with: pip install "mudcap[cluster]"')
            .format(address=address, packages=", ".join(missing))
        )  # fmt: skip
    from distributed import Client

    try:
        client = Client(address, timeout=REACH_S, set_as_default=False)
    except (OSError, ValueError) as error:  # a timeout is an OSError too
        raise ClusterError(
            _("--cluster {address}: no Dask scheduler answers there within {seconds:g} s. Start one with `dask scheduler`, "
              "check host, port and firewall, or leave --cluster out to solve on this machine.")
            .format(address=address, seconds=REACH_S)
        ) from error  # fmt: skip
    try:
        _ask_workers(client, address)
    except BaseException:
        client.close(timeout=2.0)
        raise
    return client


def _ask_workers(client: Any, address: str) -> None:
    """Raise ``ClusterError`` where there is no worker, or one that would solve otherwise than this process."""
    with suppress(TimeoutError):
        client.wait_for_workers(1, timeout=REACH_S)
    versions = client.run(version_here, on_error="return")
    if not versions:
        raise ClusterError(
            _("--cluster {address}: the scheduler has no worker. Start some with `dask worker {address} --nthreads 1`.")
            .format(address=address)
        )  # fmt: skip
    for worker, version in sorted(versions.items()):
        if version != __version__:
            said = f"{type(version).__name__}: {version}" if isinstance(version, BaseException) else version
            raise ClusterError(
                _("--cluster {address}: worker {worker} cannot solve the same as this machine ({said}). "
                  "Install mudcap {version} where it runs.")
                .format(address=address, worker=worker, said=str(said).splitlines()[0][:200], version=__version__)
            )  # fmt: skip


def version_here() -> str:
    """The version of mudcap where this runs."""
    return __version__


def solve_there(number: int, parcel: bytes, target: str, stop_name: str, safety_s: float) -> Numbered:
    """On a worker: solve one job, unless a stop was called meanwhile."""
    start = time.monotonic()
    stop = _asking(stop_name, start + safety_s)
    if stop():
        return number, (None, "stopped", ""), 0.0
    kind, value = child.answer(child.resolve(target), pickle.loads(parcel), stop)
    took = time.monotonic() - start
    if kind == child.DONE:
        return number, (value, "stopped" if value.stopped else "solved", ""), took
    if kind == child.REFUSED:
        return number, (value, "failed", ""), took
    return number, (None, "failed", str(value)), took


def _asking(stop_name: str, end: float) -> Callable[[], bool]:
    """True once a stop was called or the clock has run out; the scheduler is asked every half second."""
    from distributed import Event, get_client

    event, last, said = Event(stop_name, client=get_client()), -_ASK_S, False

    def stop() -> bool:
        nonlocal last, said
        now = time.monotonic()
        if not said and now >= last + _ASK_S:
            last = now
            with suppress(Exception):  # a message lost must not cost the block
                said = bool(event.is_set())
        return said or now >= end

    return stop


def _crashed(number: int, error: BaseException) -> Numbered:
    return number, (None, "crashed", f"{type(error).__name__}: {error}".splitlines()[0]), 0.0


def _backend(client: Any) -> Any:
    """joblib's backend for Dask, mended in three places.

    A worker that dies takes blocks with it that only waited there, or whose answer had not been fetched yet, and the scheduler blames
    them all. So each blamed block is given out again with nothing else on the cluster; only what dies alone, twice, is given up.
    """
    import asyncio
    import concurrent.futures

    from distributed import as_completed
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):  # type: ignore[misc]
        def __init__(self, **options: Any) -> None:
            super().__init__(**options)
            self.waiting_futures = as_completed([], loop=client.loop)
            self._lock = threading.Lock()
            self._open, self._is_alone = 0, False  # blocks given out and not answered; whether that is a blamed one
            self._blamed: deque[tuple[Any, Any]] = deque()
            self._runs_alone: Counter[int] = Counter()
            self._held: deque[tuple[Any, Any]] = deque()

        async def _collect(self) -> None:
            # joblib's own ends for good where an answer that was ready is lost with its worker before it was fetched
            while self._continue:
                async for future in self.waiting_futures:
                    answer, callback = self._results.pop(future), self._callbacks.pop(future)
                    try:
                        (result,) = await self.client.gather([future], asynchronous=True)
                    except Exception as error:
                        answer.set_exception(error)
                        continue
                    answer.set_result(result)
                    callback(result)
                await asyncio.sleep(0.01)

        def effective_n_jobs(self, n_jobs: int) -> int:
            # where the cluster has a single core, joblib would solve in this very process
            return max(2, int(super().effective_n_jobs(n_jobs)))

        def submit(self, func: Any, callback: Any = None) -> Any:
            with self._lock:
                if self._is_alone:
                    self._held.append((func, callback))
                    return concurrent.futures.Future()  # joblib only asks the callback
                self._open += 1
            return self._give_out(func, callback)

        def _give_out(self, func: Any, callback: Any) -> Any:
            future = super().submit(func, callback)
            future.add_done_callback(lambda done: self._answered(done, func, callback))
            return future

        def _answered(self, done: Any, func: Any, callback: Any) -> None:
            # joblib hears nothing of a task whose worker died, and would wait for ever
            error = done.exception()
            with self._lock:
                self._runs_alone[id(func)] += self._is_alone
                is_lost = error is not None and (
                    self._runs_alone[id(func)] == _RUNS_ALONE or type(error).__name__ != "KilledWorker"
                )
                if error is not None and not is_lost:
                    self._blamed.append((func, callback))
                self._open, self._is_alone = self._open - 1, False
                held = list(self._held)
                self._held.clear()
                self._open += len(held)
            for each in held:
                self._give_out(*each)
            if is_lost and callback is not None:
                callback([_crashed(args[0], error) for _function, args, _named in func.items])
            with self._lock:
                if self._open or not self._blamed:
                    return
                self._open, self._is_alone = 1, True
                blamed = self._blamed.popleft()
            self._give_out(*blamed)

    return Backend(client=client)
