"""Time and memory against acres, through the very runner of `mudcap plan`: is a ranch of many sections near-linear?

    python tests/bench/scale.py [40 160 640 6400] [--block-acres 640] [--efforts quick,normal] [--row-economy 0]

A size is laid out in regular blocks of at most `--block-acres`; `--missing 0.02` takes trees away by lot, so that no two
blocks are alike. Printed, a line a size: CPU of all processes, wall time, CPU a site, and the sum of all processes' peaks of
memory (an upper bound of what was in use at once); then the exponent of CPU against sites, fitted over the sizes. Children
are started and have loaded their kernels before the clock runs. Each block is
told on stderr as it is done. Linux only (reads /proc).
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from instances import Instance, b40, b640, regular

from mudcap.app.runner import Outcome, Runner
from mudcap.place.problem import Effort, PlacementProblem, SolveJob

SITES_AN_ACRE = 9
_TICKS_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one size took."""

    sites: int
    cpu_s: float
    wall_s: float
    memory_gb: float
    farthest_m: float
    odd: int
    """Blocks that were not solved in the ordinary way."""


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("acres", type=int, nargs="*", default=[40, 160, 640])
    parser.add_argument("--block-acres", type=int, default=640, choices=[40, 160, 640])
    parser.add_argument("--efforts", default="quick,normal", help="comma-separated")
    parser.add_argument("--row-economy", type=float, default=0.03)
    parser.add_argument("--missing", type=float, default=0.0, help="share of trees missing, by lot")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    for effort in given.efforts.split(","):
        print(f"\n{effort}, blocks of at most {given.block_acres} acres, row economy {given.row_economy}, "
              f"{given.missing:.0%} of trees missing, {given.processes} processes")  # fmt: skip
        print(f"{'acres':>6} {'blocks':>7} {'sites':>7} {'CPU s':>8} {'wall s':>8} {'CPU s/site':>11} {'GB':>6} {'farthest m':>11}  odd")  # fmt: skip
        found: list[Measured] = []
        for acres in sorted(given.acres):
            jobs = laid_out(acres, given.block_acres, effort, given.row_economy, given.missing)
            m = measured(jobs, given.processes)
            found.append(m)
            print(f"{acres:6} {len(jobs):7} {m.sites:7,} {m.cpu_s:8.1f} {m.wall_s:8.1f} {m.cpu_s / m.sites:11.4f} "
                  f"{m.memory_gb:6.2f} {m.farthest_m:11.3f} {m.odd:4}", flush=True)  # fmt: skip
        if len(found) > 1:
            print(f"CPU grows as sites to the power {exponent(found):.2f}", flush=True)


def laid_out(
    acres: int, block_acres: int, effort: Effort, row_economy: float, missing: float
) -> list[SolveJob]:
    """Jobs of the blocks of a ranch, each with 9 sites an acre."""
    each = min(acres, block_acres)
    whole = {40: b40, 640: b640}[each]() if each in (40, 640) else _between(each)
    jobs = []
    for k in range(max(1, round(acres / each))):
        keep = np.random.default_rng(k).random(len(whole.xy)) >= missing
        xy, row = whole.xy[keep], None if whole.row is None else whole.row[keep]
        problem = PlacementProblem.from_points(
            xy, xy, whole.count, row_economy=row_economy, candidate_row=row
        )
        jobs.append(SolveJob(name=f"block {k + 1}", problem=problem, effort=effort, seed=k))
    return jobs


def _between(acres: int) -> Instance:
    """A block of the shape of the 40-acre one, rows and trees both longer."""
    times = (acres / 40) ** 0.5
    return regular(f"B{acres}", round(60 * times), round(73 * times), SITES_AN_ACRE * acres)


def measured(jobs: list[SolveJob], processes: int) -> Measured:
    """What the jobs take in so many children that stand ready."""
    with Runner(safety_s=3600.0, processes=processes, report=_told) as runner:
        runner([_tiny(str(k)) for k in range(processes)])  # a child each: both wait for their kernels at once
        runner.outcomes.clear()
        cpu, wall = _cpu_s(), time.monotonic()
        placements = runner(jobs)
        spent, took = _cpu_s() - cpu, time.monotonic() - wall
        memory = sum(_peak_gb(pid) for pid in _family())
        return Measured(
            sites=sum(len(p.sites) for p in placements), cpu_s=spent, wall_s=took, memory_gb=memory,
            farthest_m=max(p.objective for p in placements), odd=sum(o.how != "solved" for o in runner.outcomes),
        )  # fmt: skip


def _told(outcome: Outcome) -> None:
    print(f"{outcome.name}: {outcome.how}, {outcome.seconds:.1f} s", file=sys.stderr, flush=True)


def _tiny(name: str) -> SolveJob:
    row, tree = np.divmod(np.arange(200), 20)
    xy = np.column_stack([row * 6.7, tree * 5.5])
    problem = PlacementProblem.from_points(xy, xy, 10, candidate_row=row)
    return SolveJob(name=name, problem=problem, effort="quick", seed=0)


def exponent(found: Iterable[Measured]) -> float:
    """Slope of log CPU against log sites."""
    points = np.log([(m.sites, m.cpu_s) for m in found])
    return float(np.polyfit(points[:, 0], points[:, 1], 1)[0])


def _family() -> list[int]:
    return [os.getpid(), *(p.pid for p in multiprocessing.active_children() if p.pid is not None)]


def _cpu_s() -> float:
    """CPU [s] so far of this process and its living children."""
    ours = resource.getrusage(resource.RUSAGE_SELF)
    fields = [Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split() for pid in _family()[1:]]
    return ours.ru_utime + ours.ru_stime + sum(int(f[11]) + int(f[12]) for f in fields) / _TICKS_S


def _peak_gb(pid: int) -> float:
    """Highest resident memory of a process [GB], proc(5) VmHWM."""
    line = next(x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("VmHWM"))
    return int(line.split()[1]) * 1024 / 1e9


if __name__ == "__main__":
    main()
