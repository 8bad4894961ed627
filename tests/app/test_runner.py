"""A solver that crashes, hangs, is killed or stopped always ends in a plan, and the others' blocks never notice."""

from __future__ import annotations

import dataclasses
import multiprocessing
import threading
import time

import numpy as np
import pytest

from mudcap.app.runner import Runner, Stop
from mudcap.errors import InfeasibleError
from mudcap.place.problem import PlacementProblem, SolveJob


def job(count: int = 9, name: str = "North 40") -> SolveJob:
    xy = np.stack(np.meshgrid(np.arange(20) * 6.0, np.arange(20) * 5.0), axis=-1).reshape(-1, 2)
    problem = PlacementProblem.from_points(xy, xy, count, fixed=[7], banned=[0, 1])
    return SolveJob(name=name, problem=problem, effort="quick", seed=1)


def run(target: str, jobs=None, **options):
    with Runner(target=f"solvers:{target}", **{"safety_s": 60.0, **options}) as runner:
        placements = runner(jobs or [job()])
        return placements, runner.outcomes


def test_a_good_solver_answers_in_the_order_of_the_jobs():
    """Several children at once change neither results nor their order."""
    jobs = [job(n, str(n)) for n in (9, 4, 7, 12, 5)]
    serial, _ = run("good", jobs, processes=1)
    parallel, outcomes = run("good", jobs, processes=2)
    assert [len(p.sites) for p in parallel] == [9, 4, 7, 12, 5]
    assert all(np.array_equal(a.sites, b.sites) for a, b in zip(serial, parallel, strict=True))
    assert {o.how for o in outcomes} == {"solved"} and sorted(o.name for o in outcomes) == [
        "12",
        "4",
        "5",
        "7",
        "9",
    ]


@pytest.mark.parametrize(("effort", "children"), [("quick", 1), ("long", 2)])
def test_short_work_stays_in_one_child(effort, children, monkeypatch):
    """About 54 sites: a third of a second of quick search, or eleven of a long one; then one child a core."""
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    with Runner(target="solvers:good", safety_s=60.0) as runner:
        runner([dataclasses.replace(job(9, str(n)), effort=effort) for n in range(6)])
        assert sum(p.name == "mudcap-solver" for p in multiprocessing.active_children()) == children


@pytest.mark.parametrize("target", ["segfault", "killed"])
def test_a_child_that_dies_ends_in_the_fallback(target):
    """Exactly the number of sites, fixed kept, banned left out, marked as stopped."""
    (placement,), (outcome,) = run(target)
    assert outcome.how == "crashed" and "-" in outcome.detail
    assert placement.stopped and placement.status == "stopped"
    assert len(placement.sites) == 9 and 7 in placement.sites and not {0, 1} & set(placement.sites.tolist())


def test_one_crash_costs_one_block_only():
    """Blocks before and after the crashing one are solved as ever."""
    placements, outcomes = run("abort", [job(4, "a"), job(9, "b"), job(6, "c")])
    assert [o.how for o in outcomes] == ["solved", "crashed", "solved"]
    assert [p.stopped for p in placements] == [False, True, False]


def test_a_hang_ends_at_the_safety_clock():
    """The clock, once it has run out, kills the child and the fallback stands in."""
    start = time.monotonic()
    (placement,), (outcome,) = run("hang", safety_s=4.0)
    assert outcome.how == "hung" and placement.stopped and time.monotonic() - start < 30


@pytest.mark.parametrize(("target", "word"), [("raises", "IndexError: planted"), ("out_of_memory", "memory")])
def test_an_exception_in_the_child_is_told_and_the_fallback_stands_in(target, word):
    """The child lives on after it."""
    placements, outcomes = run(target, [job(), job(5)])
    assert [o.how for o in outcomes] == ["failed", "failed"] and word in outcomes[0].detail.replace(
        "Unable to allocate", "memory"
    )
    assert [len(p.sites) for p in placements] == [9, 5]


def test_our_own_refusals_go_on_to_the_user():
    """They are no crash."""
    with pytest.raises(InfeasibleError, match="limits clash"):
        run("infeasible")


def test_what_a_library_prints_stays_off_stdout(capfd):
    """JSON on stdout stays alone."""
    run("chatty")
    out, err = capfd.readouterr()
    assert out == "" and "banner" in err


def test_a_stop_by_hand_takes_the_best_so_far_and_does_not_start_the_rest():
    """The running search hands over; blocks not begun get the fallback at once."""
    stop = Stop()
    threading.Timer(2.0, stop.set).start()
    placements, outcomes = run("patient", [job(9, "a"), job(4, "b")], stop=stop)
    assert [o.how for o in outcomes] == ["stopped", "stopped"]
    assert [len(p.sites) for p in placements] == [9, 4] and all(p.stopped for p in placements)


def test_a_deaf_search_is_given_up_after_the_grace():
    """A second of grace, then the child is killed."""
    stop = Stop()
    threading.Timer(2.0, stop.set).start()
    start = time.monotonic()
    (placement,), (outcome,) = run("hang", stop=stop, grace_s=1.0)
    assert outcome.how == "stopped" and placement.stopped and time.monotonic() - start < 30
