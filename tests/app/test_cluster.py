"""On a cluster the plan is that of this machine to the last digit; whatever happens to cluster or workers ends in a plan."""

from __future__ import annotations

import importlib.util
import json
import socket
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest
import solvers
from distributed import LocalCluster
from small_ranch import make_ranch

import mudcap.app.cluster
import mudcap.app.runner
from mudcap.app import cli
from mudcap.app.cluster import ClusterError, ClusterRunner
from mudcap.app.runner import Stop
from mudcap.errors import InfeasibleError
from mudcap.place.problem import PlacementProblem, SolveJob
from mudcap.plan.make import solve_here


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two worker processes on this machine, seen by nobody else; a death counts at once."""
    import dask

    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0, "distributed.admin.tick.limit": "1h"}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0", scheduler_kwargs={"dashboard": False},
            silence_logs=50,
        ) as cluster,
    ):  # fmt: skip
        yield cluster


@pytest.fixture
def address(cluster: LocalCluster) -> str:
    """Its scheduler, once a worker is there again where an earlier test killed them."""
    cluster.wait_for_workers(1, timeout=60)
    return cluster.scheduler_address


def job(count: int = 9, name: str = "North 40", step_m: float = 6.0) -> SolveJob:
    row, tree = np.divmod(np.arange(400), 20)
    xy = np.column_stack([row * step_m, tree * 5.0])
    problem = PlacementProblem.from_points(xy, xy, count, fixed=[7], banned=[0, 1], candidate_row=row)
    return SolveJob(name=name, problem=problem, effort="quick", seed=1)


def run(address: str, target: str | None, jobs, **options):
    with ClusterRunner(address, target=target, **{"safety_s": 300.0, **options}) as runner:
        return runner(jobs), {o.name: o.how for o in runner.outcomes}


def deaf(problem, *, effort, start, seed, stop):
    """Hears neither its clock nor a stop, for longer than the test waits; then frees its worker for the next test."""
    time.sleep(5.0)
    return solvers.good(problem, effort=effort, start=start, seed=seed, stop=stop)


def test_two_workers_place_what_this_machine_places(address):
    """Sites, service, distances and each level's value, bound and status; in the order of the jobs."""
    jobs = [job(9, "a"), job(14, "b", step_m=6.7)]
    here = solve_here(jobs)
    there, how = run(address, None, jobs)
    assert how == {"a": "solved", "b": "solved"} and [len(p.sites) for p in there] == [9, 14]
    for one, other in zip(here, there, strict=True):
        assert one.levels == other.levels and not other.stopped
        for name in ("sites", "assigned", "distance_m"):
            assert np.array_equal(getattr(one, name), getattr(other, name))


def test_the_command_writes_the_same_files(address, tmp_path, capsys, monkeypatch):
    """Two blocks that share a border, so that blocks are solved again with their neighbours' sites; a stand-in solves."""
    monkeypatch.setattr(mudcap.app.runner, "SOLVER", "solvers:good")
    ranch = make_ranch(tmp_path / "r", "North 2", "South 2")
    for out, where in (("here", []), ("there", ["--cluster", address.removeprefix("tcp://")])):
        arguments = ["plan", str(ranch), "--quick", "--json", "-o", str(tmp_path / out), *where]
        assert cli.run(arguments) == 0
        facts = json.loads(capsys.readouterr().out)
        assert {s["how"] for s in facts["solver"]} == {"solved"}
    for name in ("report.json", "sites.gpx", "sites.geojson", "picklist.csv"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()


def test_a_worker_that_dies_costs_one_block_only(address):
    """The fallback, marked; the other blocks are solved by the workers that are left or started anew."""
    jobs = [job(4, "a"), job(9, "b"), job(6, "c")]
    placements, how = run(address, "solvers:abort", jobs)
    assert how == {"a": "solved", "b": "crashed", "c": "solved"}
    assert [p.stopped for p in placements] == [False, True, False]
    assert len(placements[1].sites) == 9 and 7 in placements[1].sites


def test_a_bug_is_told_and_a_refusal_goes_on_to_the_user(address):
    """As on this machine."""
    (placement,), how = run(address, "solvers:raises", [job()])
    assert how == {"North 40": "failed"} and placement.stopped
    with pytest.raises(InfeasibleError, match="limits clash"):
        run(address, "solvers:infeasible", [job()])


def test_a_stop_by_hand_brings_the_best_so_far(address):
    """Searches on both workers hand over; what was not begun gets the fallback."""
    stop = Stop()
    threading.Timer(1.5, stop.set).start()
    start = time.monotonic()
    placements, how = run(address, "solvers:patient", [job(n, str(n)) for n in (9, 4, 7)], stop=stop)
    assert set(how.values()) == {"stopped"} and [len(p.sites) for p in placements] == [9, 4, 7]
    assert all(p.stopped for p in placements) and time.monotonic() - start < 30


def test_a_search_past_its_clock_hands_over_and_a_deaf_one_is_given_up(address):
    """The one that listens keeps its best; the other gets the fallback after the grace."""
    (placement,), how = run(address, "solvers:patient", [job()], safety_s=1.0)
    assert how == {"North 40": "stopped"} and placement.stopped
    (placement,), how = run(address, "test_cluster:deaf", [job()], safety_s=1.0, grace_s=1.0)
    assert how == {"North 40": "hung"} and placement.stopped and len(placement.sites) == 9


def small(workers: int) -> LocalCluster:
    """A cluster inside this very process."""
    return LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=False, host="127.0.0.1", protocol="tcp",
        dashboard_address="127.0.0.1:0", scheduler_kwargs={"dashboard": False}, silence_logs=50,
    )  # fmt: skip


def test_a_cluster_of_one_core_is_used():
    """Solving there needs a worker around it; here it would fail."""
    with small(1) as cluster:
        assert run(cluster.scheduler_address, "solvers:good", [job()])[1] == {"North 40": "solved"}


def test_a_cluster_that_goes_away_ends_in_the_fallback():
    """A few seconds after the last sign of it."""
    cluster = small(1)
    threading.Timer(2.0, cluster.close).start()
    start = time.monotonic()
    placements, how = run(cluster.scheduler_address, "test_cluster:deaf", [job(4, "a"), job(9, "b")], lost_s=2.0)
    assert set(how.values()) == {"crashed"} and [len(p.sites) for p in placements] == [4, 9]
    assert time.monotonic() - start < 40
    cluster.close()


def test_a_scheduler_without_workers_is_told(monkeypatch):
    """With what to start."""
    monkeypatch.setattr(mudcap.app.cluster, "REACH_S", 1.0)
    with small(0) as cluster, pytest.raises(ClusterError, match=r"no worker.*dask worker tcp://"):
        run(cluster.scheduler_address, None, [job()])


def test_another_version_on_a_worker_is_refused(address, monkeypatch):
    """It might place otherwise."""
    monkeypatch.setattr(mudcap.app.cluster, "__version__", "99.0")
    with pytest.raises(ClusterError, match=r"worker tcp://127.*Install mudcap 99\.0"):
        run(address, None, [job()])


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.mark.parametrize("command", ["plan", "compare"])
def test_no_scheduler_there_is_one_line(tmp_path, capsys, monkeypatch, command):
    """Exit 1 within seconds, what to do, nothing written."""
    monkeypatch.setattr(mudcap.app.cluster, "REACH_S", 1.0)
    ranch = make_ranch(tmp_path / "r")
    code = cli.run([command, str(ranch), "--cluster", f"tcp://127.0.0.1:{free_port()}"])
    err = capsys.readouterr().err
    assert code == 1 and err.count("\n") == 1 and "no Dask scheduler answers" in err and not (ranch / "out").exists()


def test_without_the_extra_is_one_line(tmp_path, capsys, monkeypatch):
    """Exit 1 and how to install it."""
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "distributed" else real(name, *a))
    code = cli.run(["plan", str(make_ranch(tmp_path / "r")), "--cluster", "localhost:8786"])
    err = capsys.readouterr().err
    assert code == 1 and err.count("\n") == 1 and 'pip install "mudcap[cluster]"' in err


@pytest.mark.parametrize("value", ["here", "tcp://host", "http://host:80", "host:0", "host:99999"])
def test_what_is_no_address_is_wrong_usage(tmp_path, capsys, value):
    """Exit 2, with the form it should have."""
    assert cli.run(["plan", str(tmp_path), "--cluster", value]) == 2
    assert "tcp://HOST:PORT" in capsys.readouterr().err
